"""What looks odd to the trade, and what a service record has to show: no number changes by it.

Every fact is common practice of the trade, without a published source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from hairtone.errors import Flag
from hairtone.measures.blend import Blend
from hairtone.measures.evenness import Patch
from hairtone.measures.fade import Fade
from hairtone.measures.uptake import Uptake
from hairtone.uncertainty import LabEstimate

SURE: Final = 1.96  # SDs beyond which a figure counts as so; our choice
LASTS_AT: Final = (6, 80.0)  # over this % left at wash 6 is odd
LEAVES_AT: Final = (1, 15.0)  # under this % left after wash 1 is odd
MOST_BLEND: Final = 95.0  # %; a semi-permanent colour blends white hair, it does not cover it
THICKEST_SECTION_MM: Final = 13.0  # half an inch
_MARK_MM: Final = 5.0  # by which a mark may miss the growth logged; our choice, a parting's width
_MARK_SHARE: Final = 0.5  # of the growth expected, likewise
_ROOT_ZONE_SHARE: Final = 0.1  # of the root zone that regrowth may take up unsaid; our choice


def check_lightening(
    before: Mapping[str, LabEstimate], after: Mapping[str, LabEstimate], *, hair: str
) -> tuple[Flag, ...]:
    """A direct dye has no peroxide: it cannot lighten.

    Parameters
    ----------
    before, after : mapping of str to LabEstimate
        Zones before colouring and just coloured.
    hair : str
        What messages call it.
    """
    found = []
    for zone in [z for z in before if z in after]:
        rise = float(after[zone].lab[0] - before[zone].lab[0])
        spread = float(np.sqrt(before[zone].covariance[0, 0] + after[zone].covariance[0, 0]))
        if rise > SURE * spread and rise > 0:
            found.append(
                Flag(
                    code="lightened",
                    says=f"{hair}, {_said(zone)}: L* rose by {rise:.1f} on colouring; a direct dye "
                    "does not lighten.",
                    remedy="Look at exposure, glare, a damp photo before, or a lightener in the "
                    "history.",
                )
            )
    return tuple(found)


def check_fade(fade: Fade, *, hair: str) -> tuple[Flag, ...]:
    """How a fade usually goes: six to eight washes, the first ones most, back towards before.

    Parameters
    ----------
    fade : Fade
        Of one zone.
    hair : str
        What messages call it.
    """
    if not fade.has_colour_left:
        return ()
    place = f"{hair}, {_said(fade.zone)}" if fade.zone else hair
    left = {s.wash: s for s in fade.steps}
    found = []
    wash, limit = LASTS_AT
    if wash in left and (left[wash].colour_left_low or 0.0) > limit:
        found.append(_odd("lasts-long", f"{place}: {left[wash].colour_left:.0f} % left at wash "
                          f"{wash}; six to eight washes are usual.",
                          "Check the wash count and the product's type."))  # fmt: skip
    wash, limit = LEAVES_AT
    if wash in left and (left[wash].colour_left_high or 0.0) < limit:
        found.append(_odd("leaves-at-once", f"{place}: {left[wash].colour_left:.0f} % left after "
                          f"wash {wash}.",
                          "Check the wash count, the product's type, and whether shampoo was used "
                          "at the rinse."))  # fmt: skip
    return tuple(found + _turns(fade, place) + _late_loss(fade, place))


def _turns(fade: Fade, place: str) -> list[Flag]:
    """Fade beyond the colour before, or deeper than the wash before."""
    found = []
    errors = np.hstack([np.zeros((len(fade.left_draws), 1)), fade.left_draws])
    for at, step in enumerate(fade.steps):
        if at and step.colour_left_high is not None and step.colour_left_high < 0:
            found.append(_odd("beyond-before", f"{place}: at wash {step.wash} the colour lies "
                              "beyond the colour before.", _LAMP))  # fmt: skip
        if at:
            rise = (step.colour_left or 0.0) - (fade.steps[at - 1].colour_left or 0.0)
            spread = float(np.std(errors[:, at] - errors[:, at - 1]))
            if rise > SURE * spread and rise > 0:
                found.append(_odd("deeper-again", f"{place}: wash {step.wash} shows {rise:.0f} "
                                  f"points more colour than wash {fade.steps[at - 1].wash}.",
                                  _LAMP))  # fmt: skip
    return found


def _late_loss(fade: Fade, place: str) -> list[Flag]:
    """Wash 4 to 5 takes more than 0 to 1."""
    at = {wash: k for k, wash in enumerate(fade.washes)}
    if not {0, 1, 4, 5} <= set(at):
        return []
    left = [step.colour_left or 0.0 for step in fade.steps]
    errors = np.hstack([np.zeros((len(fade.left_draws), 1)), fade.left_draws])
    early, late = left[at[0]] - left[at[1]], left[at[4]] - left[at[5]]
    moved = errors[:, at[4]] - errors[:, at[5]] - errors[:, at[0]] + errors[:, at[1]]
    if late - early <= SURE * float(np.std(moved)) or late <= early:
        return []
    return [_odd("first-washes", f"{place}: wash 4 to 5 took {late:.0f} points, 0 to 1 only "
                 f"{early:.0f}; the first washes take most.",
                 "Ask what happened between those washes.")]  # fmt: skip


def check_porosity(uptake: Uptake, *, felt: Mapping[str, str], hair: str) -> tuple[Flag, ...]:
    """More porous lengths take up more.

    Parameters
    ----------
    uptake : Uptake
        Of one hair.
    felt : mapping of str to str
        Porosity logged: zone to low, normal or high.
    hair : str
        What messages call it.
    """
    high = uptake.ratio_high
    if felt.get("ends") != "high" or felt.get("roots") == "high" or high is None or high >= 1:
        return ()
    return (
        _odd(
            "porous-took-less",
            f"{hair}: the ends took up {uptake.ratio:.2f} times what the roots did, although "
            "their porosity is logged as high.",
            "Look for a shadow on the ends, or a pre-treatment.",
        ),
    )


def check_blend(blend: Blend, *, hair: str) -> tuple[Flag, ...]:
    """A semi-permanent colour blends white hair, it does not cover it."""
    if blend.low <= MOST_BLEND:
        return ()
    return (
        _odd(
            "blends-too-well",
            f"{hair}: blend {blend.blend:.0f} %; a semi-permanent colour does not cover white.",
            "Check the product's type, and shine in the photo after.",
        ),
    )


def check_sections(
    patches: Sequence[Patch], *, section_mm: float | None, hair: str
) -> tuple[Flag, ...]:
    """Thick sections hide hair from the colour.

    Parameters
    ----------
    patches : sequence of Patch
        Found on this hair.
    section_mm : float or None
        Section thickness as logged. [mm]
    hair : str
        What messages call it.
    """
    missed = [p for p in patches if p.kind == "missed"]
    if section_mm is None or section_mm <= THICKEST_SECTION_MM or not missed:
        return ()
    return (
        _odd(
            "thick-sections",
            f"{hair}: {len(missed)} missed place{'s' * (len(missed) > 1)}; sections were "
            f"{section_mm:.0f} mm thick (6 to 13 mm are usual).",
            "Hair inside thick sections may not have been reached.",
        ),
    )


def check_growth(
    *, grown_mm: float, trimmed_mm: float, length_mm: float | None, root_zone: float, hair: str
) -> tuple[Flag, ...]:
    """Regrowth enters the root zone, a trim takes ends away.

    Parameters
    ----------
    grown_mm, trimmed_mm : float
        Since colouring. [mm]
    length_mm : float or None
        Of the hair; None where the scale is not known.
    root_zone : float
        Where the root zone ends, 0..1.
    hair : str
        What messages call it.
    """
    found = []
    if length_mm and grown_mm > _ROOT_ZONE_SHARE * root_zone * length_mm:
        found.append(_odd("regrowth", f"{hair}: {grown_mm:.0f} mm have grown since colouring, into "
                          f"a root zone of {root_zone * length_mm:.0f} mm.",
                          "Zones are moved by as much; to be sure, mark in the picker where the "
                          "new growth ends."))  # fmt: skip
    if trimmed_mm > 0:
        cut = f"{hair}: {trimmed_mm:.0f} mm of the ends were cut off within the series."
        found.append(_odd("trimmed", cut, "Ends before and after the trim are other hair."))
    return tuple(found)


def check_marked_growth(*, marked_mm: float, expected_mm: float, hair: str) -> tuple[Flag, ...]:
    """New growth marked on a photo against what is logged of the subject.

    Parameters
    ----------
    marked_mm, expected_mm : float
        As marked, and by the days since colouring and the logged growth a month. [mm]
    hair : str
        What messages call it.
    """
    if abs(marked_mm - expected_mm) <= max(_MARK_MM, _MARK_SHARE * expected_mm):
        return ()
    return (
        _odd(
            "regrowth-differs",
            f"{hair}: {marked_mm:.0f} mm of new growth are marked, {expected_mm:.0f} mm are to be "
            f"expected by what is logged.",
            "Check the mark, the dates and regrowth_mm_per_month.",
        ),
    )


_LAMP: Final = "Look for a changed lamp, a recolour that is not logged, sun or a pool."


def _odd(code: str, says: str, remedy: str) -> Flag:
    return Flag(code=code, says=says, remedy=remedy)


def _said(zone: str) -> str:
    return zone.replace("_", "-")


HOURS: Final = 48  # between allergy alert test and service; common practice
Moment = dt.datetime | dt.date


def service_banners(
    *,
    skin_test: Moment | None,
    skin_test_clear: bool | None,
    service: Moment | None,
    age_16_or_over: bool | None,
) -> tuple[Flag, ...]:
    """Banners for one client's service record.

    Where only a day is recorded, the test counts as done at its end and the service as begun at
    its start: 48 hours have passed for sure only with 3 days between the dates.

    Parameters
    ----------
    skin_test : datetime, date or None
        When the allergy alert test was done.
    skin_test_clear : bool or None
        Whether it was read as clear.
    service : datetime, date or None
        When the service began.
    age_16_or_over : bool or None
        As recorded.
    """
    found = []
    if skin_test is None:
        found.append(_banner("skin-test-missing", "No allergy alert test is recorded."))
    elif service is None:
        found.append(_banner("service-date-missing", "The day of the service is not recorded."))
    else:
        hours = hours_between(skin_test, service)
        if hours < HOURS:
            found.append(
                _banner(
                    "skin-test-under-48-hours",
                    f"Allergy alert test {_shown(skin_test)}, service {_shown(service)}: "
                    f"{_how_long(hours, skin_test, service)}, {HOURS} hours are asked for.",
                )
            )
    if skin_test is not None and skin_test_clear is not True:
        said = "not clear" if skin_test_clear is False else "not recorded"
        found.append(_banner("skin-test-not-clear", f"Result of the allergy alert test: {said}."))
    if age_16_or_over is not True:
        said = "under 16" if age_16_or_over is False else "not recorded"
        found.append(_banner("age", f"Client's age: {said}."))
    return tuple(found)


def hours_between(skin_test: Moment, service: Moment) -> float:
    """Fewest hours that lie between test and service for sure. [h]"""
    end = skin_test if isinstance(skin_test, dt.datetime) else _midnight(skin_test, after=1)
    start = service if isinstance(service, dt.datetime) else _midnight(service, after=0)
    if (end.tzinfo is None) != (start.tzinfo is None):  # one side states no zone: take it as local
        end, start = end.replace(tzinfo=None), start.replace(tzinfo=None)
    return (start - end).total_seconds() / 3600


def _midnight(day: dt.date, *, after: int) -> dt.datetime:
    return dt.datetime.combine(day, dt.time()) + dt.timedelta(days=after)


def _shown(moment: Moment) -> str:
    return moment.isoformat(sep=" ", timespec="minutes") if isinstance(
        moment, dt.datetime) else moment.isoformat()  # fmt: skip


def _how_long(hours: float, skin_test: Moment, service: Moment) -> str:
    known = isinstance(skin_test, dt.datetime) and isinstance(service, dt.datetime)
    if hours < 0 and known:
        return "the test came after the service"
    return f"{hours:.0f} hours" if known else "with no times of day that may be too short"


def _banner(code: str, says: str) -> Flag:
    return Flag(
        code=code,
        says=says,
        remedy="The maker's instructions and local rules decide; this record only shows it.",
    )

"""What is measured of one hair over its washes: growth, uptake, fade, curves, patches, blending.

Doubts of the trade about these figures are flags beside them; they never change a number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, MeasureError
from hairtone.measures.blend import Blend, measure_blend
from hairtone.measures.evenness import Evenness, Patch, find_patches, measure_evenness
from hairtone.measures.fade import LEAST_WASHES, LIGHTENED, Fade, measure_fade
from hairtone.measures.fade_curve import Crossing, FadeCurve, find_crossing, fit_zone_fade
from hairtone.measures.plausibility import (
    check_blend,
    check_fade,
    check_growth,
    check_lightening,
    check_marked_growth,
    check_porosity,
    check_sections,
)
from hairtone.measures.uptake import PorousOnset, Uptake, find_porous_onset, measure_uptake
from hairtone.measures.words import Bands, Missing
from hairtone.measures.zones import ZONES, anchored_span, regrowth_mm, span_estimate, zone_estimates
from hairtone.study.observations import Hair, HairProfile, State, profile_of
from hairtone.study.records import RowResult, contrast_from
from hairtone.study.settings import Settings
from hairtone.uncertainty import LabEstimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Hair grown and cut off since colouring, and its length now; None where unknown. [mm]

    Where new growth is marked on the photo, `grown_mm` is 0: the line begins behind it already.
    `marked_mm` is then its length, `expected_mm` what is logged.
    """

    grown_mm: float
    trimmed_mm: float
    length_mm: float | None
    marked_mm: float | None = None
    expected_mm: float | None = None


def growth_of(hair: Hair, settings: Settings) -> dict[int, Growth]:
    """Growth of a hair by wash, where study.toml logs regrowth or trims of its subject.

    Parameters
    ----------
    hair : Hair
        The hair over its washes.
    settings : Settings
        Of the study.
    """
    subject = settings.subjects.get(hair.subject)
    if subject is None or hair.coloured is None:
        return {}
    if subject.regrowth_mm_per_month is None and not subject.trims:
        return {}
    started = hair.coloured.rows[0].row.date
    found = {}
    for wash, state in hair.washed.items():
        day, mark = state.rows[0].row.date, marked_regrowth(state.rows[0])
        expected = None
        if subject.regrowth_mm_per_month is not None and started and day:
            expected = regrowth_mm(
                days=float((day - started).days), mm_per_month=subject.regrowth_mm_per_month
            )
        found[wash] = Growth(
            grown_mm=0.0 if mark else expected or 0.0,
            trimmed_mm=sum(trim.mm for trim in subject.trims if trim.wash <= wash),
            length_mm=length_mm(state),
            marked_mm=mark["mm"] if mark else None,
            expected_mm=expected,
        )
    return found


def marked_regrowth(row: RowResult) -> dict[str, float | None] | None:
    """New growth that was marked by hand in a photo, ``px`` and ``mm``; None without a mark."""
    return (row.hair.get("tress") or {}).get("regrowth")


def length_mm(state: State) -> float | None:
    """Length of the hair in the first photo of a state; None where the scale is unknown. [mm]"""
    row = state.rows[0]
    line = (row.hair.get("tress") or {}).get("line")
    if row.mm_per_px is None or not line:
        return None
    steps = np.diff(np.asarray(line, np.float64), axis=0)
    return float(np.linalg.norm(steps, axis=1).sum() * row.mm_per_px)


def anchored_zones(
    state: State, growth: Growth | None, zones: tuple[float, float]
) -> dict[str, LabEstimate]:
    """Zones of a state on the hair that was coloured; a zone that was cut off is left out.

    Parameters
    ----------
    state : State
        One wash.
    growth : Growth or None
        None, or of unknown length: the zones lie where they lie.
    zones : tuple of float
        Where roots end and ends begin on the hair just coloured, 0..1.
    """
    if growth is None or growth.length_mm is None or not (growth.grown_mm or growth.trimmed_mm):
        return state.pooled
    found = {}
    for zone, start, stop in zip(ZONES, (0.0, *zones), (*zones, 1.0), strict=True):
        try:
            span = anchored_span(
                start,
                stop,
                length_mm=growth.length_mm,
                grown_mm=growth.grown_mm,
                trimmed_mm=growth.trimmed_mm,
            )
            found[zone] = span_estimate(state.profile, *span)
        except MeasureError:
            continue  # check_growth tells of the trim
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneColour:
    """Mean colour of one zone in one photo.

    Attributes
    ----------
    lab : ndarray, shape (3,)
        L*a*b* for the study's viewing.
    u95 : float
        95 % of equally good answers lie within this ΔE00 of it.
    """

    lab: Floats
    u95: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoMeasures:
    """One hair in one photo: nothing is pooled here.

    Attributes
    ----------
    row : RowResult
        The row of the sheet.
    colours : dict of str to ZoneColour
        By zone.
    evenness : Evenness
        In the study's own words; net of the natural gradient where the hair has a before.
    profile : HairProfile
        Colour along the hair.
    """

    row: RowResult
    colours: dict[str, ZoneColour]
    evenness: Evenness
    profile: HairProfile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairMeasures:
    """One hair, measured over its washes.

    Attributes
    ----------
    subject, section, treatment : str
        Which hair, and what was put on it.
    pool : str
        Names of the pools that its changes are measured with; empty without.
    photos : tuple of PhotoMeasures
        One for each photo that was not refused, before first.
    uptake : Uptake or None
        None without a photo before and one just coloured.
    porous : PorousOnset or None
        Likewise.
    patches : tuple of (RowResult, tuple of Patch)
        Of each photo just coloured.
    growth : dict of int to Growth
        Hair grown and cut off since colouring, by wash, where any is logged.
    fades, curves : dict of str to Fade, FadeCurve
        By zone.
    crossing : Crossing or None
        Of the curves of roots and ends.
    blends : tuple of (int, Blend)
        By wash, where the scale allows it.
    missing : tuple of Missing
        Which questions have no answer, and why.
    warnings : tuple of Flag
        What looks implausible, in the trade's terms.
    """

    subject: str
    section: str
    treatment: str
    pool: str
    photos: tuple[PhotoMeasures, ...]
    uptake: Uptake | None
    porous: PorousOnset | None
    patches: tuple[tuple[RowResult, tuple[Patch, ...]], ...]
    growth: dict[int, Growth]
    fades: dict[str, Fade]
    curves: dict[str, FadeCurve]
    crossing: Crossing | None
    blends: tuple[tuple[int, Blend], ...]
    missing: tuple[Missing, ...]
    warnings: tuple[Flag, ...] = ()

    @property
    def hair(self) -> tuple[str, str]:
        """Subject and section."""
        return self.subject, self.section

    @property
    def name(self) -> str:
        """Subject and section, as sentences call the hair."""
        return f"{self.subject} {self.section}".strip()

    @property
    def keys(self) -> dict[str, str]:
        """Subject, section and treatment, as tables name them."""
        return {"subject": self.subject, "section": self.section, "treatment": self.treatment}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Terms:
    """What every hair of a study is measured under.

    Attributes
    ----------
    settings : Settings
        Of the study.
    bands : Bands
        The study's words and limits.
    relaying : ndarray, shape (3, 3)
        Covariance of re-laying a hair once. [Lab units squared]
    """

    settings: Settings
    bands: Bands
    relaying: Floats


def measure_hair(hair: Hair, terms: Terms) -> HairMeasures:
    """Return everything that the photos of one hair say by themselves.

    Parameters
    ----------
    hair : Hair
        The hair over its washes, profiles loaded.
    terms : Terms
        What it is measured under.
    """
    settings = terms.settings
    said: list[Missing] = []
    if hair.coloured is None:
        says = "no photo just coloured (wash 0) was measured; uptake and fade need one."
        said.append(Missing(says=says, hair=hair.name))
    uptake = porous = None
    if hair.before is not None and hair.coloured is not None:
        pair = hair.before.profile, hair.coloured.profile
        uptake = measure_uptake(*pair, zones=settings.zones, paired=True, relaying=terms.relaying)
        porous = find_porous_onset(*pair, paired=True, felt=felt_porosity(hair))
    growth = growth_of(hair, settings)
    fades = _measure_fades(hair, growth, terms)
    said += [reason.of(hair.name) for fade in fades.values() for reason in fade.missing]
    curves, crossing = _fit_curves(hair, fades, terms.bands, said)
    found = HairMeasures(
        subject=hair.subject,
        section=hair.section,
        treatment=hair.treatment,
        pool=hair.pool,
        photos=tuple(_photos_of(hair, terms)),
        uptake=uptake,
        porous=porous,
        patches=tuple(_patches_of(hair)),
        growth=growth,
        fades=fades,
        curves=curves,
        crossing=crossing,
        blends=tuple(_blends_of(hair, said)),
        missing=tuple(said),
    )
    return replace(found, warnings=tuple(doubts_about(found, hair, settings)))


def _photos_of(hair: Hair, terms: Terms) -> Iterator[PhotoMeasures]:
    zones = terms.settings.zones
    natural = hair.before.by_photo.profile if hair.before else None
    for state in hair.states.values():
        for row, profile, tied in zip(state.rows, state.profiles, state.tied, strict=True):
            yield PhotoMeasures(
                row=row,
                colours={
                    zone: ZoneColour(lab=estimate.lab, u95=estimate.u95)
                    for zone, estimate in zone_estimates(tied or profile, zones=zones).items()
                },
                evenness=measure_evenness(
                    profile,
                    zones=zones,
                    natural=None if state.wash is None else natural,
                    bands=terms.bands,
                ),
                profile=profile_of(row, tied or profile),
            )


def felt_porosity(hair: Hair) -> dict[str, str]:
    """Porosity felt and logged, zone by zone: the first row that logs it counts."""
    felt: dict[str, str] = {}
    for state in hair.states.values():
        for row in state.rows:
            for zone in ZONES:
                word = str(getattr(row.row, f"porosity_{zone}"))
                if word:
                    felt.setdefault(zone, word)
    return felt


def _patches_of(hair: Hair) -> Iterator[tuple[RowResult, tuple[Patch, ...]]]:
    if hair.coloured is not None:
        natural = hair.before.by_photo.profile if hair.before else None
        for row, profile in zip(hair.coloured.rows, hair.coloured.profiles, strict=True):
            yield row, find_patches(profile, natural=natural)


def _measure_fades(hair: Hair, growth: dict[int, Growth], terms: Terms) -> dict[str, Fade]:
    if not hair.washed or hair.coloured is None:
        return {}
    lays = min(state.replicates for state in hair.states.values())
    colours = {
        wash: anchored_zones(state, growth.get(wash), terms.settings.zones)
        for wash, state in hair.states.items()
        if wash is not None
    }
    return {
        zone: measure_fade(
            _before_of(hair, zone),
            {wash: zones[zone] for wash, zones in colours.items() if zone in zones},
            zone=zone,
            paired=True,
            relaying=terms.relaying / lays,  # of the state laid least often: never too small
            bands=terms.bands,
        )
        for zone in ZONES
    }


def _before_of(hair: Hair, zone: str) -> LabEstimate | Missing | None:
    """The zone before colouring; the reason where the hair was lightened after that photo."""
    if hair.before is None:
        return LIGHTENED if _is_lightened(hair.coloured) else None
    if _is_lightened(hair.coloured) and not _is_lightened(hair.before):
        return LIGHTENED
    return hair.before.pooled[zone]


def _is_lightened(state: State | None) -> bool:
    """Whether the sheet says so of any photo of a state."""
    rows = [] if state is None else [row.row for row in state.rows]
    said = [getattr(row, "lightened", "") or row.extra.get("lightened", "") for row in rows]
    return any(str(word).strip().lower() in ("yes", "true") for word in said)


def _fit_curves(
    hair: Hair, fades: dict[str, Fade], bands: Bands, said: list[Missing]
) -> tuple[dict[str, FadeCurve], Crossing | None]:
    """The curve of each zone that has one, and where roots and ends cross."""
    curves: dict[str, FadeCurve] = {}
    for zone, fade in fades.items():
        if not fade.has_colour_left or len(fade.steps) <= LEAST_WASHES:
            continue  # the fade itself says why
        try:
            curves[zone] = fit_zone_fade(fade, bands=bands)
        except MeasureError as error:
            said.append(Missing(says=str(error), zone=zone, hair=hair.name))
    if not {"roots", "ends"} <= set(curves):
        return curves, None
    roots, ends = ((fades[zone], curves[zone]) for zone in ("roots", "ends"))
    return curves, find_crossing(roots, ends)


def _blends_of(hair: Hair, said: list[Missing]) -> Iterator[tuple[int, Blend]]:
    if hair.before is None:
        return
    before = contrast_from(hair.before.rows[0].hair.get("contrast"))
    if before is None:
        return
    for wash, state in hair.states.items():
        after = contrast_from(state.rows[0].hair.get("contrast"))
        if wash is None or after is None:
            continue
        try:
            yield wash, measure_blend(before, after)
        except MeasureError as error:
            said.append(Missing(says=f"blending at wash {wash}: {error}", hair=hair.name))


def doubts_about(found: HairMeasures, hair: Hair, settings: Settings) -> Iterator[Flag]:
    """What looks implausible about one hair.

    Parameters
    ----------
    found : HairMeasures
        The hair, measured.
    hair : Hair
        The same, profiles loaded.
    settings : Settings
        Of the study.
    """
    if hair.before is not None and hair.coloured is not None:
        yield from check_lightening(hair.before.pooled, hair.coloured.pooled, hair=hair.name)
    if found.uptake is not None:
        yield from check_porosity(found.uptake, felt=felt_porosity(hair), hair=hair.name)
    for fade in found.fades.values():
        yield from check_fade(fade, hair=hair.name)
    treatment = settings.treatments.get(hair.treatment)
    for _, patches in found.patches:
        yield from check_sections(
            patches, section_mm=treatment.section_mm if treatment else None, hair=hair.name
        )
    for _, blend in found.blends:
        yield from check_blend(blend, hair=hair.name)
    for growth in list(found.growth.values())[-1:]:
        yield from check_growth(
            grown_mm=growth.grown_mm,
            trimmed_mm=growth.trimmed_mm,
            length_mm=growth.length_mm,
            root_zone=settings.zones[0],
            hair=hair.name,
        )
        if growth.marked_mm is not None and growth.expected_mm is not None:
            yield from check_marked_growth(
                marked_mm=growth.marked_mm, expected_mm=growth.expected_mm, hair=hair.name
            )

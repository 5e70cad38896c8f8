"""Treatments against each other, repeats against each other, photos against an instrument."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import MeasureError
from hairtone.measures.agreement import Agreement, measure_agreement
from hairtone.measures.comparison import (
    UNITS,
    Comparisons,
    LevellerEffect,
    compare_treatments,
    leveller_effect,
)
from hairtone.measures.contrast import Reading
from hairtone.measures.design import ScatterOf, measure_repeatability, scatter
from hairtone.measures.evenness import measure_evenness
from hairtone.measures.words import Missing
from hairtone.measures.zones import ZONES, zone_estimates
from hairtone.study.hair_measures import HairMeasures, PhotoMeasures
from hairtone.study.observations import Hair
from hairtone.study.records import RowResult
from hairtone.study.settings import Settings
from hairtone.study.sheet import InstrumentReading
from hairtone.uncertainty import ColourDifference

AXES: Final = ("L", "a", "b")
FACTORS: Final = ("operator", "day")  # what repeats may differ in, besides the lay
EVERY_ZONE: Final = "all"
EVENNESS: Final = ("root_to_ends_net", "mean_difference", "patchiness")
_DRAWS: Final = 128  # of the 256 kept: the variance of a difference to 12 %, half the memory


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatScatter:
    """How far one measure moves when the same hair is measured again.

    Attributes
    ----------
    measure : str
        ``"L"``, ``"a"``, ``"b"`` of a zone, or ``"root_to_ends"``.
    zone : str
        ``"roots"``, ``"mid_lengths"``, ``"ends"``, or empty for the whole hair.
    scatter : ScatterOf
        Its standard deviation with its interval.
    """

    measure: str
    zone: str
    scatter: ScatterOf


@dataclass(frozen=True, slots=True, kw_only=True)
class _Value:
    """One number of one photo, and what it may be a repeat of."""

    row: RowResult
    value: float

    @property
    def state(self) -> tuple[str, str, str]:
        """One hair at one wash: what repeats are repeats of."""
        sheet = self.row.row
        return sheet.subject, sheet.section, sheet.wash_text


def repeat_scatters(hairs: Sequence[HairMeasures]) -> tuple[RepeatScatter, ...]:
    """Return the scatter of repeats by measure, zone and factor; nothing without repeats.

    Parameters
    ----------
    hairs : sequence of HairMeasures
        Of the whole study.
    """
    photos = [photo for hair in hairs for photo in hair.photos]
    found = [
        scatter
        for zone in ZONES
        for axis, name in enumerate(AXES)
        for scatter in _scatters_of(
            [_Value(row=p.row, value=float(p.colours[zone].lab[axis])) for p in photos],
            measure=name,
            zone=zone,
        )
    ]
    ends = [_Value(row=p.row, value=p.evenness.root_to_ends.delta_e) for p in photos]
    return (*found, *_scatters_of(ends, measure="root_to_ends", zone=""))


def _scatters_of(values: Sequence[_Value], *, measure: str, zone: str) -> list[RepeatScatter]:
    found = [_of_lays(values), *(_of_factor(values, factor) for factor in FACTORS)]
    return [
        RepeatScatter(measure=measure, zone=zone, scatter=one) for one in found if one is not None
    ]


def _lay_means(values: Sequence[_Value]) -> dict[tuple[Any, int], tuple[float, RowResult]]:
    """Mean over the photos of each lay: photos of one lay are no repeats of the laying."""
    lays: dict[tuple[Any, int], list[_Value]] = defaultdict(list)
    for value in values:
        lays[value.state, value.row.row.replicate].append(value)
    return {
        key: (float(np.mean([one.value for one in found])), found[0].row)
        for key, found in lays.items()
    }


def _of_lays(values: Sequence[_Value]) -> ScatterOf | None:
    """Scatter of lays within a state, pooled over states."""
    groups: dict[Any, list[float]] = defaultdict(list)
    for (state, _), (value, _) in _lay_means(values).items():
        groups[state].append(value)
    repeated = [np.array(group) for group in groups.values() if len(group) > 1]
    freedom = sum(len(group) - 1 for group in repeated)
    if not freedom:
        return None
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in repeated)
    return scatter(squares / freedom, freedom, factor="repeat", n=freedom + len(repeated))


def _of_factor(values: Sequence[_Value], factor: str) -> ScatterOf | None:
    """Scatter between operators or days that measured the same states."""
    states: dict[Any, list[tuple[str, float]]] = defaultdict(list)
    for (state, _), (value, row) in _lay_means(values).items():
        name = str(getattr(row.row, factor) or "")
        if name:
            states[state].append((name, value))
    groups: dict[str, list[float]] = defaultdict(list)
    for known in states.values():
        if len({name for name, _ in known}) > 1:
            middle = np.mean([value for _, value in known])
            for name, value in known:
                groups[name].append(float(value - middle))
    try:
        found = measure_repeatability(
            list(groups.values()), names=("repeat", factor, "reproducibility")
        )
    except MeasureError:
        return None  # no state was measured by two of them, or none twice
    return found.between


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """One zone of one hair at one wash, by photo and by instrument; L*a*b*, shape (3,)."""

    hair: str
    zone: str
    photo: Floats
    instrument: Floats


def reading_pairs(hair: Hair, readings: Sequence[InstrumentReading]) -> Iterator[Pair]:
    """Zones of a hair that an instrument has read as well, repeats of both averaged.

    Parameters
    ----------
    hair : Hair
        The hair over its washes.
    readings : sequence of InstrumentReading
        Of the study.
    """
    own = [r for r in readings if (r.subject, r.section) == (hair.subject, hair.section)]
    for wash, state in hair.states.items():
        for zone in ZONES:
            read = [r.lab for r in own if (r.wash, r.zone) == (wash, zone)]
            if read:
                yield Pair(
                    hair=hair.name,
                    zone=zone,
                    photo=state.by_photo.pooled[zone].lab,
                    instrument=np.mean(np.asarray(read, np.float64), axis=0),
                )


def agreement_by_zone(
    pairs: Sequence[Pair], readings: Sequence[InstrumentReading], missing: list[Missing]
) -> dict[str, Agreement]:
    """Return the agreement of photos with an instrument by zone, and for all zones together.

    Parameters
    ----------
    pairs : sequence of Pair
        Of all hairs.
    readings : sequence of InstrumentReading
        Of the study; none: nothing comes back and nothing is missing.
    missing : list of Missing
        Gains a line where there are too few pairs.
    """
    found: dict[str, Agreement] = {}
    for zone in (*ZONES, EVERY_ZONE) if readings else ():
        chosen = [pair for pair in pairs if zone in (pair.zone, EVERY_ZONE)]
        photo = np.array([pair.photo for pair in chosen]).reshape(-1, 3)
        instrument = np.array([pair.instrument for pair in chosen]).reshape(-1, 3)
        try:
            found[zone] = measure_agreement(
                photo, instrument, clusters=[pair.hair for pair in chosen]
            )
        except MeasureError as error:
            missing.append(Missing(says=str(error), zone=zone))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One hair as a unit of comparison.

    Attributes
    ----------
    subject, section, treatment : str
        Which hair, and what was put on it.
    pair, block : str
        What it is paired by and grouped in; empty without.
    places : dict of str to (str, str)
        Photo and session of each wash.
    unevenness : ColourDifference or None
        Root to ends just coloured, net of the natural gradient where that is known.
    readings : tuple of Reading
        What needs the draws of its photos: root to ends by photo, colours by wash.
    """

    subject: str
    section: str
    treatment: str
    pair: str
    block: str
    places: dict[str, tuple[str, str]]
    unevenness: ColourDifference | None
    readings: tuple[Reading, ...] = ()

    def reading(self, measure: str, value: ArrayLike, **keys: Any) -> Reading:
        """Return a reading of this hair; photo and session are those of its wash."""
        photo, session = self.places.get(keys.get("wash", ""), ("", ""))
        return Reading(
            measure=measure,
            value=value,
            treatment=self.treatment,
            tress="\x1f".join((self.subject, self.section)),
            subject=self.subject,
            section=self.section,
            pair=self.pair,
            block=self.block,
            **({"photo": photo, "session": session} | keys),
        )


def unit_of(hair: Hair, settings: Settings) -> Unit:
    """A hair as a unit of comparison, by the study's pairing and blocks."""
    state = hair.coloured or next(iter(hair.states.values()))
    row = state.rows[0]
    unevenness = None
    if hair.coloured is not None:
        found = measure_evenness(
            hair.coloured.by_photo.profile,
            zones=settings.zones,
            natural=hair.before.by_photo.profile if hair.before else None,
        )
        unevenness = found.root_to_ends_net or found.root_to_ends
    places = {s.rows[0].row.wash_text: s.rows[0].row for s in hair.states.values()}
    unit = Unit(
        subject=hair.subject,
        section=hair.section,
        treatment=hair.treatment,
        pair=str(getattr(row.row, settings.pairing)) if settings.pairing else "",
        block="\x1f".join(_block(row, name, settings) for name in settings.blocks).strip("\x1f"),
        places={wash: (first.photo, first.session) for wash, first in places.items()},
        unevenness=unevenness,
    )
    return replace(unit, readings=tuple(_drawn(hair, unit)))


def _drawn(hair: Hair, unit: Unit) -> Iterator[Reading]:
    """Root to ends of every photo and the colour of every zone after every wash, with draws."""
    for state in hair.states.values() if unit.treatment else ():
        if state.wash is None:
            continue
        joined = state.joined
        for row, profile in zip(joined.rows, joined.profiles, strict=True):
            zones = zone_estimates(profile, zones=state.zones)
            roots, ends = zones["roots"], zones["ends"]
            yield unit.reading(
                "root_to_ends",
                float(delta_e(roots.lab, ends.lab)),
                draws=delta_e(roots.draws[:_DRAWS], ends.draws[:_DRAWS]),
                wash=row.row.wash_text,
                photo=row.row.photo,
                session=row.row.session,
            )
        for zone, estimate in joined.pooled.items():
            draws, wash = estimate.draws[:_DRAWS], joined.rows[0].row.wash_text
            yield unit.reading("colour", estimate.lab, draws=draws, zone=zone, wash=wash)


def _block(row: RowResult, name: str, settings: Settings) -> str:
    """A row's value of a block; ``batch`` is the product's lot, of the treatment."""
    if name == "batch":
        treatment = settings.treatments.get(row.treatment)
        return treatment.batch if treatment else ""
    return str(getattr(row.row, name))


@dataclass(frozen=True, slots=True, kw_only=True)
class LevellerComparison:
    """What a porosity leveller did for evenness just coloured, pair by pair.

    Attributes
    ----------
    plain, levelled : str
        The two treatments, which differ in the leveller alone.
    effect : LevellerEffect
        Unevenness without it less unevenness with it.
    """

    plain: str
    levelled: str
    effect: LevellerEffect


def treatment_comparisons(
    hairs: Sequence[HairMeasures],
    units: Sequence[Unit],
    settings: Settings,
    missing: list[Missing],
) -> Comparisons:
    """Return treatments compared by measure, zone and wash; nothing with a single treatment.

    Parameters
    ----------
    hairs : sequence of HairMeasures
        Of the whole study.
    units : sequence of Unit
        The same hairs as units of comparison.
    settings : Settings
        Of the study: order of treatments, margins and primary endpoint.
    missing : list of Missing
        Gains a line where nothing can be compared.
    """
    if len({unit.treatment for unit in units if unit.treatment}) < 2:
        return Comparisons(rows=())
    readings = list(readings_of(hairs, units))
    margins = dict.fromkeys({r.measure for r in readings} - set(UNITS), settings.margin)
    try:
        return compare_treatments(
            readings,
            margins=margins | settings.margins,
            order=settings.order or tuple(settings.treatments),
            primary=settings.primary or None,
        )
    except MeasureError as error:
        missing.append(Missing(says=str(error)))
        return Comparisons(rows=())


def readings_of(hairs: Iterable[HairMeasures], units: Iterable[Unit]) -> Iterator[Reading]:
    """Return every figure that treatments are compared by, tress by tress."""
    for hair, unit in zip(hairs, units, strict=True):
        if not unit.treatment:
            continue
        yield from unit.readings
        for photo in hair.photos:
            sheet = photo.row.row
            for measure, value in _evenness_of(photo) if sheet.wash is not None else ():
                keys = {"wash": sheet.wash_text, "photo": sheet.photo, "session": sheet.session}
                yield unit.reading(measure, value, **keys)
        for zone, change in hair.uptake.zones.items() if hair.uptake else ():
            yield unit.reading("uptake", change.difference.delta_e, zone=zone, wash="0")
        for zone, fade in hair.fades.items():
            for step in fade.steps:
                if step.wash and step.colour_left is not None:
                    wash = str(step.wash)
                    yield unit.reading("colour_left", step.colour_left, zone=zone, wash=wash)
        yield from _curves_of(hair, unit)


def _curves_of(hair: HairMeasures, unit: Unit) -> Iterator[Reading]:
    """Washes until half the colour is left, and the rate constant of that, ln 2 over it."""
    for zone, curve in hair.curves.items():
        half = curve.half_life.value
        if half:
            yield unit.reading("half_life", half, zone=zone)
            yield unit.reading("rate", float(np.log(2) / half), zone=zone)


def _evenness_of(photo: PhotoMeasures) -> Iterator[tuple[str, float]]:
    for measure in EVENNESS:
        found = getattr(photo.evenness, measure)
        if found is not None:
            yield measure, found.value if measure == "patchiness" else found.delta_e


def leveller_comparisons(
    units: Sequence[Unit], settings: Settings
) -> tuple[LevellerComparison, ...]:
    """Return what each leveller did, for treatments that differ in nothing else."""
    found = []
    for levelled, treatment in settings.treatments.items():
        for plain, other in settings.treatments.items():
            alike = (other.product, other.shade, other.method)
            if not treatment.leveller or other.leveller:
                continue
            if alike != (treatment.product, treatment.shade, treatment.method):
                continue
            pairs = _pairs(units, plain, levelled)
            if pairs:
                effect = leveller_effect([one for one, _ in pairs], [two for _, two in pairs])
                found.append(LevellerComparison(plain=plain, levelled=levelled, effect=effect))
    return tuple(found)


def _pairs(
    units: Sequence[Unit], plain: str, levelled: str
) -> list[tuple[ColourDifference, ColourDifference]]:
    """Unevenness of both hairs of each pair; the mean hair of a side is never made up."""
    sides: dict[str, dict[str, list[ColourDifference]]] = {}
    for unit in units:
        if unit.pair and unit.unevenness is not None and unit.treatment in (plain, levelled):
            sides.setdefault(unit.pair, {}).setdefault(unit.treatment, []).append(unit.unevenness)
    return [
        (side[plain][0], side[levelled][0])
        for _, side in sorted(sides.items())
        if len(side.get(plain, ())) == len(side.get(levelled, ())) == 1
    ]

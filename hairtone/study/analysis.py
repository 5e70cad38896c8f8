"""A measured study -> every table of the contract, profiles for figures, doubts in plain words."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairtoneError, MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.agreement import measure_agreement
from hairtone.measures.comparison import compare_treatments
from hairtone.measures.evenness import measure_evenness
from hairtone.measures.leveller import leveller_effect
from hairtone.measures.missing import Missing, merged
from hairtone.measures.mixed import Reading
from hairtone.measures.repeatability import ScatterOf, measure_repeatability, scatter
from hairtone.measures.words import Bands, read_bands
from hairtone.measures.zones import ZONES
from hairtone.study.hair_measures import HairMeasures, doubts_about, measure_hair
from hairtone.study.observations import Hair, HairProfile, hairs_of, profiles_of, relay_covariance
from hairtone.study.outcome import StudyResult
from hairtone.study.pools import drift_flags
from hairtone.study.records import RowResult
from hairtone.study.settings import Settings
from hairtone.study.sheet import InstrumentReading
from hairtone.study.tables import COLUMNS, frame_of
from hairtone.uncertainty import ColourDifference

Thing = TypeVar("Thing")
Result = TypeVar("Result")
_AHEAD: Final = 2  # things a process that wait ready for it, so that memory stays flat; our choice
Row = dict[str, Any]
AXES: Final = ("L", "a", "b")
FACTORS: Final = ("operator", "day")  # what repeats may be told apart by, besides the lay
_Key = tuple[str, ...]
EVERY_ZONE = "all"
EVENNESS: tuple[str, ...] = ("root_to_ends", "root_to_ends_net", "mean_difference", "patchiness")
_FEW: Final = 5  # subjects in a group that is shared; our choice, usual in official statistics


def side_by_side(
    work: Callable[[Thing], Result], things: Iterable[Thing], *, workers: int
) -> Iterator[Result]:
    """``map(work, things)``, by `workers` processes where there are more than one.

    Parameters
    ----------
    work : callable
        Importable by name; it and what it takes and gives can be sent to another process.
    things : iterable
        Drawn on only as fast as they are worked on.
    workers : int
        Processes. The results do not depend on it.

    Raises
    ------
    HairtoneError
        ``process-lost``: a process was ended from outside, as where memory runs out.
    """
    if workers == 1:
        yield from map(work, things)
        return
    from concurrent.futures import Future, ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            waiting: deque[Future[Result]] = deque()
            for thing in things:
                waiting.append(pool.submit(work, thing))
                if len(waiting) > _AHEAD * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
    except BrokenProcessPool:
        raise HairtoneError(
            "process-lost",
            "A process of the analysis was ended from outside; memory may have run out.",
            remedy="Run again with fewer workers; what was measured is kept.",
        ) from None


def row_keys(row: RowResult) -> Row:
    """What a table calls a row of the sheet by."""
    sheet = row.row
    return {
        "photo": sheet.photo,
        "place": sheet.place,
        "subject": sheet.subject,
        "section": sheet.section,
        "treatment": row.treatment,
        "wash": sheet.wash_text,
        "replicate": sheet.replicate,
        "operator": sheet.operator,
        "day": sheet.day,
    }


def measurement_rows(hair: Hair) -> Iterator[Row]:
    """One row per photo and zone, from the record of the photo: nothing is pooled here."""
    for state in hair.states.values():
        for row in state.rows:
            for zone in ZONES:
                told = row.hair["tress"]["zones"][zone]
                lightness, a, b = told["lab"]
                yield row_keys(row) | {
                    "zone": zone,
                    "L": lightness,
                    "a": a,
                    "b": b,
                    "u95": told["u95"],
                    "status": row.status,
                    "flags": " ".join(sorted({flag.code for flag in row.flags})),
                }


def evenness_rows(hair: Hair, *, zones: tuple[float, float], bands: Bands) -> Iterator[Row]:
    """One row per photo and measure; net of the natural gradient where the hair has a before."""
    natural = hair.before.profile if hair.before else None
    for state in hair.states.values():
        for row, profile in zip(state.rows, state.profiles, strict=True):
            yield from _evenness_of(
                row, profile, natural if state.wash is not None else None, zones, bands
            )


def _evenness_of(
    row: RowResult,
    profile: Profile,
    natural: Profile | None,
    zones: tuple[float, float],
    bands: Bands,
) -> Iterator[Row]:
    found = measure_evenness(profile, zones=zones, natural=natural, bands=bands)
    for told in found.to_frame().to_dict("records"):
        yield row_keys(row) | {str(key): value for key, value in told.items()}


def own_rows(found: HairMeasures) -> dict[str, list[Row]]:
    """Rows of every table that a hair's measures fill, by table."""
    keys = found.hair.keys
    pooled = keys | {"pool": found.hair.pool}
    curves = [curve.to_frame() for curve in found.curves.values()]
    return {
        "uptake": _told(keys, [found.uptake.to_frame()] if found.uptake else []),
        "fade": _told(pooled, [fade.to_frame() for fade in found.fades.values()]),
        "fade_fit": _told(pooled, curves),
        "crossing": _told(pooled, [found.crossing.to_frame()] if found.crossing else []),
        "porous": _told(keys, [found.porous.to_frame()] if found.porous else []),
        "patches": [
            row | told
            for photo, patches in found.patches
            for patch in patches
            for row in (row_keys(photo),)
            for told in _told({}, [patch.to_frame()])
        ],
        "blend": [
            told | {"wash": wash}
            for wash, blend in found.blends
            for told in _told(keys, [blend.to_frame()])
        ],
    }


def _told(keys: Row, frames: list[Any]) -> list[Row]:
    """Rows of frames, each with the hair it is about."""
    return [
        keys | {str(name): value for name, value in told.items()}
        for frame in frames
        for told in frame.to_dict("records")
    ]


def repeat_rows(measurements: Sequence[Row], evenness: Sequence[Row]) -> Iterator[Row]:
    """One row per measure, zone and factor; none without repeats.

    Parameters
    ----------
    measurements, evenness : sequence of rows
        With ``operator`` and ``day`` beside the columns of their tables.
    """
    for zone in dict.fromkeys(row["zone"] for row in measurements):
        for axis in AXES:
            told = [row | {"value": row[axis]} for row in measurements if row["zone"] == zone]
            yield from _rows_of(told, measure=axis, zone=zone)
    told = [row for row in evenness if row["measure"] == "root_to_ends"]
    yield from _rows_of(told, measure="root_to_ends", zone="")


def _rows_of(rows: Sequence[Row], *, measure: str, zone: str) -> Iterator[Row]:
    found = [_of_lays(rows), *(_of_factor(rows, factor) for factor in FACTORS)]
    for told in found:
        if told is not None:
            yield {
                "measure": measure,
                "zone": zone,
                "factor": told.factor,
                "sd": told.sd,
                "low": told.low,
                "high": told.high,
                "n": told.n,
            }


def _state(row: Row) -> _Key:
    """One hair at one wash: what repeats are repeats of."""
    return row["subject"], row["section"], row["wash"]


def _lay_means(rows: Sequence[Row]) -> dict[tuple[_Key, Any], tuple[float, Row]]:
    """Mean over the photos of each lay: photos of one lay are no repeats of the laying."""
    lays: dict[tuple[_Key, Any], list[Row]] = defaultdict(list)
    for row in rows:
        lays[_state(row), row["replicate"]].append(row)
    return {
        key: (float(np.mean([row["value"] for row in found])), found[0])
        for key, found in lays.items()
    }


def _of_lays(rows: Sequence[Row]) -> ScatterOf | None:
    """Scatter of lays within a state, pooled over states."""
    groups: dict[_Key, list[float]] = defaultdict(list)
    for (state, _), (value, _) in _lay_means(rows).items():
        groups[state].append(value)
    repeated = [np.array(values) for values in groups.values() if len(values) > 1]
    freedom = sum(len(values) - 1 for values in repeated)
    if not freedom:
        return None
    squares = sum(float(((values - values.mean()) ** 2).sum()) for values in repeated)
    return scatter(squares / freedom, freedom, factor="repeat", n=freedom + len(repeated))


def _of_factor(rows: Sequence[Row], factor: str) -> ScatterOf | None:
    """Scatter between operators or days that measured the same states."""
    states: dict[_Key, list[tuple[str, float]]] = defaultdict(list)
    for (state, _), (value, row) in _lay_means(rows).items():
        if row.get(factor):
            states[state].append((str(row[factor]), value))
    groups: dict[str, list[float]] = defaultdict(list)
    for told in states.values():
        if len({name for name, _ in told}) > 1:
            middle = np.mean([value for _, value in told])
            for name, value in told:
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
                    zone=zone,
                    photo=state.pooled[zone].lab,
                    instrument=np.mean(np.asarray(read, np.float64), axis=0),
                )


def agreement_rows(
    pairs: Sequence[Pair], readings: Sequence[InstrumentReading], missing: list[Missing]
) -> Iterator[Row]:
    """One row per zone and axis, and for all zones together.

    Parameters
    ----------
    pairs : sequence of Pair
        Of all hairs.
    readings : sequence of InstrumentReading
        Of the study; none: no rows and nothing missing.
    missing : list of Missing
        Where too few pairs are told.
    """
    if not readings:
        return
    for zone in (*ZONES, EVERY_ZONE):
        chosen = [pair for pair in pairs if zone in (pair.zone, EVERY_ZONE)]
        photo = np.array([pair.photo for pair in chosen]).reshape(-1, 3)
        instrument = np.array([pair.instrument for pair in chosen]).reshape(-1, 3)
        try:
            found = measure_agreement(photo, instrument)
        except MeasureError as error:
            missing.append(Missing(says=str(error), zone=zone))
            continue
        for told in found.to_frame().to_dict("records"):
            yield {"zone": zone} | {str(name): value for name, value in told.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One hair as a unit of comparison.

    Attributes
    ----------
    tress, treatment : str
        Which hair, and what was put on it.
    pair, block : str
        What it is paired by and grouped in; empty without.
    unevenness : ColourDifference or None
        Root to ends just coloured, net of the natural gradient where that is known.
    """

    tress: str
    treatment: str
    pair: str
    block: str
    unevenness: ColourDifference | None


def unit_of(hair: Hair, settings: Settings) -> Unit:
    """A hair as a unit of comparison, by the study's pairing and blocks."""
    state = hair.coloured or next(iter(hair.states.values()))
    row = state.rows[0]
    unevenness = None
    if hair.coloured is not None:
        found = measure_evenness(
            hair.coloured.profile,
            zones=settings.zones,
            natural=hair.before.profile if hair.before else None,
        )
        unevenness = found.root_to_ends_net or found.root_to_ends
    return Unit(
        tress="\x1f".join((hair.subject, hair.section)),
        treatment=hair.treatment,
        pair=str(getattr(row.row, settings.pairing)) if settings.pairing else "",
        block="\x1f".join(_block(row, name, settings) for name in settings.blocks).strip("\x1f"),
        unevenness=unevenness,
    )


def _block(row: RowResult, name: str, settings: Settings) -> str:
    """A row's value of a block; ``batch`` is the product's lot, of the treatment."""
    if name == "batch":
        treatment = settings.treatments.get(row.treatment)
        return treatment.batch if treatment else ""
    return str(getattr(row.row, name))


def readings_of(units: dict[str, Unit], tables: dict[str, list[Row]]) -> dict[str, list[Reading]]:
    """Readings by measure: evenness per photo, uptake and colour left per zone.

    Parameters
    ----------
    units : dict of str to Unit
        By tress.
    tables : dict of str to list of rows
        Rows of evenness, uptake and fade.
    """
    found: dict[str, list[Reading]] = {}

    def add(measure: str, row: Row, value: float | None, zone: str, wash: str) -> None:
        unit = units["\x1f".join((row["subject"], row["section"]))]
        if value is None or not unit.treatment:
            return
        reading = Reading(
            value=float(value), treatment=unit.treatment, tress=unit.tress, zone=zone, wash=wash,
            pair=unit.pair, block=unit.block, photo=str(row.get("photo", "")),
        )  # fmt: skip
        found.setdefault(measure, []).append(reading)

    for row in tables["evenness"]:
        if row["measure"] in EVENNESS and row["wash"] != "before":
            add(row["measure"], row, row["value"], "", row["wash"])
    for row in tables["uptake"]:
        add("uptake", row, row["delta_e"], row["zone"], "0")
    for row in tables["fade"]:
        if row["wash"]:
            add("colour_left", row, row["colour_left"], row["zone"], str(row["wash"]))
    return found


def comparison_rows(
    units: Sequence[Unit], tables: dict[str, list[Row]], settings: Settings, missing: list[Missing]
) -> Iterator[Row]:
    """One row per measure, zone, wash and pair of treatments; none with a single treatment."""
    treatments = {unit.treatment for unit in units if unit.treatment}
    if len(treatments) < 2:
        return
    by_tress = {unit.tress: unit for unit in units}
    order = settings.order or tuple(settings.treatments)
    for measure, told in readings_of(by_tress, tables).items():
        in_delta_e = measure != "colour_left"
        try:
            found = compare_treatments(
                told,
                measure=measure,
                margin=settings.margin if in_delta_e else None,
                order=order,
            )
        except MeasureError as error:
            missing.append(Missing(says=str(error)))
            continue
        for comparison in found:
            yield from comparison.to_frame().to_dict("records")
    yield from leveller_rows(units, settings)


def leveller_rows(units: Sequence[Unit], settings: Settings) -> Iterator[Row]:
    """Unevenness without a leveller less unevenness with it, hair by paired hair, just coloured."""
    for levelled, treatment in settings.treatments.items():
        if not treatment.leveller:
            continue
        for plain, other in settings.treatments.items():
            alike = (other.product, other.shade, other.method)
            if other.leveller or alike != (treatment.product, treatment.shade, treatment.method):
                continue
            pairs = _pairs(units, plain, levelled)
            if not pairs:
                continue
            found = leveller_effect([one for one, _ in pairs], [two for _, two in pairs])
            yield {
                "measure": "leveller_effect",
                "zone": "",
                "wash": "0",
                "treatment_a": plain,
                "treatment_b": levelled,
                "difference": found.effect,
                "low": found.low,
                "high": found.high,
                "verdict": found.words,
                "n_a": found.pairs,
                "n_b": found.pairs,
            }


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """A study, analysed: what every report, figure and notebook reads.

    Attributes
    ----------
    outcome : StudyResult
        The study as asked for, and every row measured, flagged or refused.
    frames : mapping of str to DataFrame
        The CSV tables of the contract by name without ``.csv``.
    profiles : tuple of HairProfile
        One for every row that was not refused.
    warnings : tuple of Flag
        What looks implausible, in the trade's terms. They never change a number.
    missing : tuple of str
        Plain sentences: which question could not be answered, and what it would take.
    relaying : ndarray, shape (3, 3)
        Covariance of re-laying a hair that was used. [Lab units squared]
    is_relaying_borrowed : bool
        It is a published figure, as the study has no repeats of its own.
    """

    outcome: StudyResult
    frames: Mapping[str, Any]
    profiles: tuple[HairProfile, ...]
    warnings: tuple[Flag, ...]
    missing: tuple[str, ...]
    relaying: Floats
    is_relaying_borrowed: bool


@dataclass(slots=True, kw_only=True)
class _Gathered:
    """Rows of tables in the making, and what is said beside them."""

    rows: defaultdict[str, list[Row]] = field(default_factory=partial(defaultdict, list))
    pairs: list[Pair] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)
    profiles: list[HairProfile] = field(default_factory=list)
    warnings: list[Flag] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)

    def add(self, part: _Gathered) -> None:
        """Put the rows of another part after these."""
        for name, rows in part.rows.items():
            self.rows[name].extend(rows)
        for name in ("pairs", "units", "profiles", "warnings", "missing"):
            getattr(self, name).extend(getattr(part, name))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Terms:
    """What every hair of a study is analysed under."""

    settings: Settings
    readings: tuple[InstrumentReading, ...]
    relaying: Floats
    bands: Bands


def analyse(outcome: StudyResult, *, workers: int = 1) -> Analysis:
    """Every table of a measured study.

    Hairs are taken one at a time, so that a large study needs no more memory than its tables.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.
    workers : int, optional
        Processes that hairs are shared among. The tables do not depend on it.

    Raises
    ------
    StoreError
        Stored draws are missing or damaged.
    SheetError
        The study's own bands.toml cannot be read.
    HairtoneError
        A process was lost.
    """
    relaying, is_borrowed = relay_covariance(_repeated(outcome))
    gathered = _Gathered()
    study = outcome.study
    terms = _Terms(
        settings=study.settings, readings=study.readings, relaying=relaying, bands=_bands(outcome)
    )
    for part in side_by_side(partial(_analysed, terms), hairs_of(outcome), workers=workers):
        gathered.add(part)
    gathered.rows["repeats"] = list(
        repeat_rows(gathered.rows["measurements"], gathered.rows["evenness"])
    )
    gathered.rows["agreement"] = list(
        agreement_rows(gathered.pairs, outcome.study.readings, gathered.missing)
    )
    gathered.rows["comparison"] = list(
        comparison_rows(gathered.units, gathered.rows, outcome.study.settings, gathered.missing)
    )
    gathered.rows["drift"] = _drifts(outcome)
    gathered.rows["refused"] = _refused(outcome)
    return Analysis(
        outcome=outcome,
        frames={name: frame_of(name, gathered.rows[name]) for name in COLUMNS},
        profiles=tuple(gathered.profiles),
        warnings=tuple(gathered.warnings) + drift_flags(outcome.pools) + small_groups(outcome),
        missing=merged(gathered.missing),
        relaying=relaying,
        is_relaying_borrowed=is_borrowed,
    )


def _repeated(outcome: StudyResult) -> Iterator[Hair]:
    """Hairs with more than one lay at some wash; nothing is read where there are none."""
    lays: dict[Any, set[int]] = defaultdict(set)
    for row in outcome.rows:
        if row.error is None:
            lays[row.row.hair, row.row.wash].add(row.row.replicate)
    wanted = {hair for (hair, _), numbers in lays.items() if len(numbers) > 1}
    yield from hairs_of(outcome, only=wanted) if wanted else ()


def _bands(outcome: StudyResult) -> Bands:
    own = outcome.study.folder / "bands.toml"
    return read_bands(own if own.is_file() else None)


def _analysed(terms: _Terms, hair: Hair) -> _Gathered:
    """What one hair adds to the tables."""
    settings = terms.settings
    found = measure_hair(hair, settings, relaying=terms.relaying, bands=terms.bands)
    part = _Gathered(
        pairs=list(reading_pairs(hair, terms.readings)),
        units=[unit_of(hair, settings)],
        profiles=list(profiles_of(hair)),
        warnings=list(doubts_about(found, settings)),
        missing=list(found.missing),
    )
    part.rows["measurements"] = list(measurement_rows(hair))
    part.rows["evenness"] = list(evenness_rows(hair, zones=settings.zones, bands=terms.bands))
    for name, told in own_rows(found).items():
        part.rows[name].extend(told)
    return part


def small_groups(outcome: StudyResult) -> tuple[Flag, ...]:
    """Treatments with so few clients that a shared table may tell who they are; a subject with a
    skin test or an age on record is a client, any other a tress.
    """
    groups: dict[str, set[str]] = defaultdict(set)
    for row in outcome.rows:
        if row.error is None:
            groups[row.treatment].add(row.row.subject)
    clients = {
        code
        for code, subject in outcome.study.settings.subjects.items()
        if subject.skin_test is not None or subject.age_16_or_over is not None
    }
    small = sorted(
        name or "none" for name, who in groups.items() if len(who) < _FEW and who & clients
    )
    if not small:
        return ()
    return (
        Flag(
            code="small-group",
            says=f"Fewer than {_FEW} subjects stand behind {', '.join(small)}.",
            remedy="Do not share these tables outside: a person could be recognised.",
            is_note=True,
        ),
    )


def _drifts(outcome: StudyResult) -> list[Row]:
    return [
        {"pool": pool.name, "alike": pool.alike}
        | {name: getattr(drift, name) for name in ("session", "photos", "delta_e", "largest")}
        | {"patch": drift.patch}
        for pool in outcome.pools
        for drift in pool.drifts
    ]


def _refused(outcome: StudyResult) -> list[Row]:
    return [
        {
            "photo": row.row.photo,
            "place": row.row.place,
            "code": row.error.code,
            "says": row.error.says,
            "remedy": row.error.remedy,
        }
        for row in outcome.rows
        if row.error is not None
    ]

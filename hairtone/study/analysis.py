"""A measured study, analysed: every hair, every comparison, what looks implausible, and the tables.

Tables are written at the end, from results; nothing reads a number back out of them.
"""

from __future__ import annotations

import csv
import io
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any, Final, TypeVar

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairtoneError
from hairtone.measures.agreement import Agreement
from hairtone.measures.comparison import Comparisons
from hairtone.measures.words import Bands, Missing, merged, read_bands
from hairtone.showing import Shown
from hairtone.study.comparisons import (
    LevellerComparison,
    Pair,
    RepeatScatter,
    Unit,
    agreement_by_zone,
    leveller_comparisons,
    reading_pairs,
    repeat_scatters,
    treatment_comparisons,
    unit_of,
)
from hairtone.study.files import write_atomically
from hairtone.study.hair_measures import HairMeasures, Terms, measure_hair
from hairtone.study.observations import (
    Hair,
    HairProfile,
    hairs_of,
    relay_covariance,
    tie_flags,
)
from hairtone.study.outcome import StudyResult, drift_flags
from hairtone.study.records import RowResult
from hairtone.study.sheet import InstrumentReading

Row = dict[str, Any]

_ROW: Final = ("photo", "place", "subject", "section", "treatment", "wash", "replicate")
_HAIR: Final = ("subject", "section")
_TEXT: Final = frozenset(
    {*_ROW, "zone", "status", "flags", "measure", "resolved", "grade", "words", "tone_words"}
    | {"model", "treatment_a", "treatment_b", "verdict", "kind", "factor", "axis", "code", "says"}
    | {"remedy", "pool", "session", "method", "unit", "reason"}
)
SIGNIFICANT: Final = 2  # digits of an uncertainty that are kept; JCGM 100:2008, 7.2.6
_DECIMALS: Final = 2  # where a number has no uncertainty of its own; our choice
_OWN_DECIMALS: Final = {
    "p_holm": 4, "p": 4, "p_adjusted": 4, "p_equivalence": 4, "df": 1, "misfit": 4,
    "mm_per_px": 5, "from": 3, "to": 3,
}  # fmt: skip
_MOST_DECIMALS: Final = 6
_RUN: Final = ("=", "+", "-", "@", "\t", "\n")  # signs a spreadsheet may take as a command
# table -> (columns, where their uncertainty is: one column, or the two ends of an interval)
_SPREADS: Final[dict[str, tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]]] = {
    "measurements": ((("L", "a", "b", "u95"), ("u95",)),),
    "evenness": ((("value", "low", "high", "critical", "gsc"), ("low", "high")),),
    "uptake": (
        (("delta_e", "low", "high", "dL", "dC", "dH"), ("low", "high")),
        (("ratio_ends_to_roots", "ratio_low", "ratio_high"), ("ratio_low", "ratio_high")),
    ),
    "fade": (
        (
            ("colour_left", "colour_left_low", "colour_left_high"),
            ("colour_left_low", "colour_left_high"),
        ),
        (("dye_left_estimate", "dye_left_low", "dye_left_high"), ("dye_left_low", "dye_left_high")),
    ),
    "fade_fit": tuple(
        ((name, f"{name}_low", f"{name}_high"), (f"{name}_low", f"{name}_high"))
        for name in ("half_life", "washes_to_refresh", "washes_to_gone")
    ),
    "crossing": ((("wash", "low", "high"), ("low", "high")),),
    "comparison": ((("difference", "low", "high", "sd"), ("low", "high")),),
    "porous": ((("onset", "low", "high", "excess"), ("low", "high")),),
    "repeats": ((("sd", "low", "high"), ("low", "high")),),
    "agreement": ((("bias", "limit_low", "limit_high"), ("limit_low", "limit_high")),),
    "blend": ((("blend", "low", "high"), ("low", "high")),),
}
Thing = TypeVar("Thing")
Result = TypeVar("Result")
_AHEAD: Final = 2  # things a process that wait ready for it, so that memory stays flat; our choice
_FEW: Final = 5  # subjects in a group that is shared; our choice, usual in official statistics


def _spans(*names: str) -> tuple[str, ...]:
    return tuple(f"{name}{end}" for name in names for end in ("", "_low", "_high"))


COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "measurements": (*_ROW, "zone", "L", "a", "b", "u95", "status", "flags"),
    "evenness": (*_ROW, "measure", "value", "low", "high", "critical", "resolved", "gsc", "grade",
                 "words"),
    "uptake": (*_HAIR, "treatment", "zone", "delta_e", "low", "high", "dL", "dC", "dH",
               "ratio_ends_to_roots", "ratio_low", "ratio_high"),
    "fade": (*_HAIR, "treatment", "zone", "wash", *_spans("delta_e"), "critical",
             "delta_e_ab", "dL", "dC", "dH", *_spans("gsc"), "grade", *_spans("colour_left"),
             "dye_left_estimate", "dye_left_low", "dye_left_high", "tone_drift", "tone_words",
             "from_before", "words", "pool"),
    "fade_fit": (*_HAIR, "zone", "model",
                 *_spans("half_life", "washes_to_refresh", "washes_to_gone"), "misfit",
                 "refresh_percent", "gone_percent", "unseen_percent", "last_wash", "furthest_wash",
                 "reason", "pool"),
    "crossing": (*_HAIR, "wash", "low", "high", "pool"),
    "comparison": ("measure", "zone", "wash", "treatment_a", "treatment_b", "difference", "low",
                   "high", "p_holm", "margin", "verdict", "n_a", "n_b", "method", "p", "p_adjusted",
                   "p_equivalence", "df", "sd", "unit"),
    "patches": ("photo", "place", "from", "to", "delta_e", "kind"),
    "porous": (*_HAIR, "onset", "low", "high", "excess"),
    "repeats": ("measure", "zone", "factor", "sd", "low", "high", "n"),
    "agreement": ("zone", "axis", "bias", "limit_low", "limit_high", "n"),
    "blend": (*_HAIR, "wash", "blend", "low", "high", "mm_per_px"),
    "drift": ("pool", "session", "photos", "delta_e", "largest", "patch", "alike"),
    "refused": ("photo", "place", "code", "says", "remedy"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """What an analysis found, of which the tables are made.

    Attributes
    ----------
    hairs : tuple of HairMeasures
        One for each subject and section with a photo that was not refused.
    comparisons : Comparisons
        Treatments against each other, by measure, zone and wash.
    levellers : tuple of LevellerComparison
        Evenness with a porosity leveller against evenness without.
    repeats : tuple of RepeatScatter
        How far readings move when the same hair is measured again.
    agreement : dict of str to Agreement
        Photos against the instrument's readings, by zone and for all together.
    """

    hairs: tuple[HairMeasures, ...]
    comparisons: Comparisons
    levellers: tuple[LevellerComparison, ...]
    repeats: tuple[RepeatScatter, ...]
    agreement: dict[str, Agreement]


def frames_of(outcome: StudyResult, findings: Findings) -> dict[str, Any]:
    """Return every table of an analysis as a data frame, by name.

    Parameters
    ----------
    outcome : StudyResult
        The measured study.
    findings : Findings
        What its analysis found.
    """
    rows: dict[str, Iterable[Mapping[str, Any]]] = {
        "measurements": _measurement_rows(findings),
        "evenness": _evenness_rows(findings),
        "comparison": _comparison_rows(findings),
        "repeats": _repeat_rows(findings),
        "agreement": _agreement_rows(findings),
        "drift": _drift_rows(outcome),
        "refused": _refused_rows(outcome),
    }
    for name, rows_of in _OF_HAIR.items():
        rows[name] = [row for hair in findings.hairs for row in rows_of(hair)]
    return {name: frame_of(name, rows[name]) for name in COLUMNS}


def row_keys(row: RowResult) -> Row:
    """Return what a table calls a row of the sheet by."""
    sheet = row.row
    return {
        "photo": sheet.photo,
        "place": sheet.place,
        "subject": sheet.subject,
        "section": sheet.section,
        "treatment": row.treatment,
        "wash": sheet.wash_text,
        "replicate": sheet.replicate,
    }


def _measurement_rows(findings: Findings) -> Iterator[Row]:
    """One row for each photo and zone."""
    for photo in (photo for hair in findings.hairs for photo in hair.photos):
        for zone, colour in photo.colours.items():
            yield row_keys(photo.row) | {
                "zone": zone,
                **dict(zip(("L", "a", "b"), colour.lab, strict=True)),
                "u95": colour.u95,
                "status": photo.row.status,
                "flags": " ".join(sorted({flag.code for flag in photo.row.flags})),
            }


def _evenness_rows(findings: Findings) -> Iterator[Row]:
    """One row for each photo and measure."""
    for photo in (photo for hair in findings.hairs for photo in hair.photos):
        yield from _rows_of(row_keys(photo.row), [photo.evenness])


def _comparison_rows(findings: Findings) -> Iterator[Row]:
    """One row for each measure, zone, wash and pair of treatments."""
    yield from _rows_of({}, findings.comparisons)
    for found in findings.levellers:
        yield {
            "measure": "leveller_effect",
            "zone": "",
            "wash": "0",
            "treatment_a": found.plain,
            "treatment_b": found.levelled,
            "difference": found.effect.effect,
            "low": found.effect.low,
            "high": found.effect.high,
            "verdict": found.effect.words,
            "n_a": found.effect.pairs,
            "n_b": found.effect.pairs,
        }


def _repeat_rows(findings: Findings) -> Iterator[Row]:
    """One row for each measure, zone and factor."""
    for found in findings.repeats:
        values = {name: getattr(found.scatter, name) for name in ("sd", "low", "high", "n")}
        yield {
            "measure": found.measure,
            "zone": found.zone,
            "factor": found.scatter.factor,
            **values,
        }


def _agreement_rows(findings: Findings) -> Iterator[Row]:
    """One row for each zone and axis."""
    for zone, found in findings.agreement.items():
        yield from _rows_of({"zone": zone}, [found])


def _drift_rows(outcome: StudyResult) -> Iterator[Row]:
    for pool in outcome.pools:
        for drift in pool.drifts:
            values = ("session", "photos", "delta_e", "largest", "patch")
            yield {"pool": pool.name, "alike": pool.alike} | {
                name: getattr(drift, name) for name in values
            }


def _refused_rows(outcome: StudyResult) -> Iterator[Row]:
    for row in outcome.rows:
        if row.error is not None:
            yield {
                "photo": row.row.photo,
                "place": row.row.place,
                "code": row.error.code,
                "says": row.error.says,
                "remedy": row.error.remedy,
            }


def _uptake_of(hair: HairMeasures) -> Iterator[Row]:
    return _rows_of(hair.keys, [hair.uptake] if hair.uptake else [])


def _fade_of(hair: HairMeasures) -> Iterator[Row]:
    return _rows_of(hair.keys | {"pool": hair.pool}, hair.fades.values())


def _fit_of(hair: HairMeasures) -> Iterator[Row]:
    return _rows_of(hair.keys | {"pool": hair.pool}, hair.curves.values())


def _crossing_of(hair: HairMeasures) -> Iterator[Row]:
    return _rows_of(hair.keys | {"pool": hair.pool}, [hair.crossing] if hair.crossing else [])


def _porous_of(hair: HairMeasures) -> Iterator[Row]:
    return _rows_of(hair.keys, [hair.porous] if hair.porous else [])


def _patches_of(hair: HairMeasures) -> Iterator[Row]:
    for row, patches in hair.patches:
        yield from _rows_of(row_keys(row), patches)


def _blends_of(hair: HairMeasures) -> Iterator[Row]:
    for wash, blend in hair.blends:
        yield from (row | {"wash": wash} for row in _rows_of(hair.keys, [blend]))


_OF_HAIR: Final[dict[str, Callable[[HairMeasures], Iterator[Row]]]] = {
    "uptake": _uptake_of,
    "fade": _fade_of,
    "fade_fit": _fit_of,
    "crossing": _crossing_of,
    "porous": _porous_of,
    "patches": _patches_of,
    "blend": _blends_of,
}


def _rows_of(keys: Row, results: Iterable[Shown]) -> Iterator[Row]:
    """The rows of results, each with what it is about."""
    for result in results:
        for values in result.to_frame().to_dict("records"):
            yield keys | {str(name): value for name, value in values.items()}


def frame_of(name: str, rows: Iterable[Mapping[str, Any]]) -> Any:
    """A table as a DataFrame, columns in the order of the contract.

    Parameters
    ----------
    name : str
        Of the table.
    rows : iterable of mapping
        What is left out is missing; what the table does not have is passed over.
    """
    import pandas as pd

    columns = COLUMNS[name]
    frame = pd.DataFrame([{c: row.get(c) for c in columns} for row in rows], columns=list(columns))
    for column in columns:
        if column not in _TEXT:
            frame[column] = pd.to_numeric(frame[column])
    return frame


def write_tables(frames: Mapping[str, Any], folder: Path) -> tuple[Path, ...]:
    """Every table of an analysis as ``<name>.csv``, each whole or not at all.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        From `analyse`.
    folder : Path
        Where they go.

    Raises
    ------
    StoreError
        The disk is full or the folder cannot be written to; older tables are untouched.
    """
    paths = []
    for name, frame in frames.items():
        path = folder / f"{name}.csv"
        write_atomically(path, table_text(name, frame))
        paths.append(path)
    return tuple(paths)


def table_text(name: str, frame: Any) -> str:
    """A table as the text of its CSV file.

    Parameters
    ----------
    name : str
        Of the table; says where the uncertainty of each number stands.
    frame : DataFrame
        Full precision; missing values are written as nothing.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    columns = [str(column) for column in frame.columns]
    writer.writerow(columns)
    for values in frame.itertuples(index=False, name=None):
        row = dict(zip(columns, values, strict=True))
        decimals = _decimals(name, row)
        writer.writerow(
            [
                cell_text(row[c], decimals=decimals.get(c, _OWN_DECIMALS.get(c, _DECIMALS)))
                for c in columns
            ]
        )
    return text.getvalue()


def cell_text(value: Any, *, decimals: int = _DECIMALS) -> str:
    """One cell: a number with at most that many decimals, or text that stays text."""
    if value is None or value != value:  # NaN, NaT and pandas' own missing value
        return ""
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "true" if value else "false"
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, int) or (hasattr(value, "dtype") and value.dtype.kind in "iu"):
        return str(int(value))
    number = float(value)
    if not math.isfinite(number):
        return ""  # an interval without bound is written blank
    text = f"{number:.{decimals}f}"
    return text if float(text) != 0 else text.lstrip("-")


def harmless(text: str) -> str:
    """Text that a spreadsheet shows and never runs: an apostrophe before a sign of command."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    bare = text.lstrip(" \u00a0")
    return f"'{text}" if bare.startswith(_RUN) else text


def decimals_for(uncertainty: float) -> int:
    """Decimals that keep two significant digits of an uncertainty."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return _DECIMALS
    places = SIGNIFICANT - 1 - math.floor(math.log10(uncertainty))
    return min(max(places, 0), _MOST_DECIMALS)


def _decimals(name: str, row: dict[str, Any]) -> dict[str, int]:
    found: dict[str, int] = {}
    for columns, spread in _SPREADS.get(name, ()):
        ends = [row[column] for column in spread if isinstance(row.get(column), float)]
        if len(ends) == len(spread):
            width = ends[0] if len(ends) == 1 else (ends[1] - ends[0]) / 2
            found |= dict.fromkeys(columns, decimals_for(width))
    return found


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Analysis:
    """A study, analysed: what every report, figure and notebook reads.

    Attributes
    ----------
    outcome : StudyResult
        The study as asked for, and every row measured, flagged or refused.
    findings : Findings
        Every hair, comparison, repeat and agreement with an instrument.
    bands : Bands
        The study's words and limits, by which all of these were judged.
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
    findings: Findings
    bands: Bands
    warnings: tuple[Flag, ...]
    missing: tuple[str, ...]
    relaying: Floats
    is_relaying_borrowed: bool

    @property
    def hairs(self) -> tuple[HairMeasures, ...]:
        """One for each subject and section with a photo that was not refused."""
        return self.findings.hairs

    @property
    def profiles(self) -> tuple[HairProfile, ...]:
        """Colour along the hair, one for every row that was not refused."""
        return tuple(photo.profile for hair in self.hairs for photo in hair.photos)

    @cached_property
    def frames(self) -> Mapping[str, Any]:
        """The CSV tables of the contract as data frames, by name without ``.csv``."""
        return frames_of(self.outcome, self.findings)

    def __repr__(self) -> str:
        counts = ", ".join(f"{n} {word}" for word, n in self.outcome.counts.items())
        title = self.outcome.study.settings.title
        return f"Analysis({title!r}, {len(self.hairs)} hairs; rows: {counts})"

    def _repr_html_(self) -> str:
        return self.outcome._repr_html_()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """What one hair adds to an analysis."""

    measures: HairMeasures
    unit: Unit
    pairs: tuple[Pair, ...]


def analyse(outcome: StudyResult, *, workers: int = 1) -> Analysis:
    """Return a measured study with every hair and every comparison judged.

    Hairs are taken one at a time, so that a large study needs no more memory than its results.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.
    workers : int, optional
        Processes that hairs are shared among. The results do not depend on it.

    Raises
    ------
    StoreError
        Stored draws are missing or damaged.
    SheetError
        The study's own bands.toml cannot be read.
    HairtoneError
        A process was lost.
    """
    study = outcome.study
    relaying, is_borrowed = relay_covariance(_repeated(outcome))
    terms = Terms(settings=study.settings, bands=_bands(outcome), relaying=relaying)
    work = partial(_part_of, terms, study.readings)
    parts = list(side_by_side(work, hairs_of(outcome), workers=workers))
    hairs = tuple(part.measures for part in parts)
    units = [part.unit for part in parts]
    missing: list[Missing] = [reason for hair in hairs for reason in hair.missing]
    pairs = [pair for part in parts for pair in part.pairs]
    warnings = [flag for hair in hairs for flag in hair.warnings]
    findings = Findings(
        hairs=hairs,
        agreement=agreement_by_zone(pairs, study.readings, missing),
        comparisons=treatment_comparisons(hairs, units, study.settings, missing),
        levellers=leveller_comparisons(units, study.settings),
        repeats=repeat_scatters(hairs),
    )
    return Analysis(
        outcome=outcome,
        findings=findings,
        bands=terms.bands,
        warnings=(
            *warnings,
            *drift_flags(outcome.pools),
            *tie_flags(outcome),
            *small_groups(outcome),
        ),
        missing=merged(missing),
        relaying=relaying,
        is_relaying_borrowed=is_borrowed,
    )


def _part_of(terms: Terms, readings: tuple[InstrumentReading, ...], hair: Hair) -> _Part:
    return _Part(
        measures=measure_hair(hair, terms),
        unit=unit_of(hair, terms.settings),
        pairs=tuple(reading_pairs(hair, readings)),
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


def side_by_side(
    work: Callable[[Thing], Result], things: Iterable[Thing], *, workers: int
) -> Iterator[Result]:
    """Return ``map(work, things)``, by `workers` processes where there are more than one.

    Parameters
    ----------
    work : callable
        It and what it takes and gives can be sent to another process; a plain script needs no
        guard around its main part.
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
    from joblib import Parallel, delayed
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    pool = Parallel(
        n_jobs=workers, backend="loky", return_as="generator", pre_dispatch=_AHEAD * workers
    )
    try:
        yield from pool(delayed(work)(thing) for thing in things)
    except TerminatedWorkerError:
        raise HairtoneError(
            "process-lost",
            "A process of the analysis was ended from outside; memory may have run out.",
            remedy="Run again with fewer workers; what was measured is kept.",
        ) from None


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

"""A measured study -> every table of the contract, profiles for figures, doubts in plain words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.measures.missing import Missing, merged
from hairtone.measures.words import Bands, read_bands
from hairtone.study.agreement import Pair, agreement_rows, reading_pairs
from hairtone.study.comparisons import Unit, comparison_rows, unit_of
from hairtone.study.doubts import doubts_about
from hairtone.study.hair_measures import measure_hair
from hairtone.study.hair_tables import Row, evenness_rows, measurement_rows, own_rows
from hairtone.study.observations import Hair, hairs_of, relay_covariance
from hairtone.study.outcome import StudyResult
from hairtone.study.pool_notes import drift_flags
from hairtone.study.profiles import HairProfile, profiles_of
from hairtone.study.readings import Reading
from hairtone.study.repeats import repeat_rows
from hairtone.study.settings import Settings
from hairtone.study.side_by_side import side_by_side
from hairtone.study.tables import COLUMNS, frame_of

_FEW: Final = 5  # subjects in a group that is shared; our choice, usual in official statistics


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
    readings: tuple[Reading, ...]
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

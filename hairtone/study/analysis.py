"""A measured study, analysed: every hair, every comparison, and what looks implausible."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, Final, TypeVar

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairtoneError
from hairtone.measures.words import Bands, Missing, merged, read_bands
from hairtone.study.comparisons import (
    Pair,
    Unit,
    agreement_by_zone,
    leveller_comparisons,
    reading_pairs,
    repeat_scatters,
    treatment_comparisons,
    unit_of,
)
from hairtone.study.hair_measures import HairMeasures, Terms, measure_hair
from hairtone.study.observations import (
    Hair,
    HairProfile,
    hairs_of,
    relay_covariance,
    tie_flags,
)
from hairtone.study.outcome import StudyResult
from hairtone.study.pools import drift_flags
from hairtone.study.sheet import InstrumentReading
from hairtone.study.tables import Findings, frames_of

Thing = TypeVar("Thing")
Result = TypeVar("Result")
_AHEAD: Final = 2  # things a process that wait ready for it, so that memory stays flat; our choice
_FEW: Final = 5  # subjects in a group that is shared; our choice, usual in official statistics


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

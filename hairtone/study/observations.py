"""What a study measured, put together hair by hair: replicates pooled, states joined by wash.

Photos are averaged in L*a*b*, photos of one lay first, then lays. All draws are rows of one
posterior (`hairtone.study.outcome`): row k of every photo and hair is one world, so that whatever
is said of several photos is worked out row by row. Profiles are kept slim enough to draw a whole
study.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache
from typing import Final

import numpy as np
from scipy.linalg import block_diag

from hairtone.colorimetry import Floats, delta_e, delta_e_metric, lab_to_xyz, xyz_to_lab
from hairtone.errors import Flag
from hairtone.hair.types import Profile
from hairtone.measures.zones import BORROWED_RELAYING, ZONES, mean_profile, zone_estimates
from hairtone.study.outcome import Shot, StudyResult, Tie, row_order, tie_down, world_draws
from hairtone.study.records import RowResult
from hairtone.study.sheet import InstrumentReading
from hairtone.uncertainty import COVERAGE, LabEstimate, spread_u95

# what instruments of one kind differ by in L*, a*, b*; our choice
INSTRUMENT_SD: Final = (0.3, 0.2, 0.2)
# what another geometry adds or leaves of the light that the surface of hair sends back, relative to
# white: one figure for the study; our choice, 0.8 L* on dark hair, 0.2 on light hair
SURFACE_SD: Final = 0.002
_TRIALS: Final = 2048  # the radius repeats to 2 %; our choice


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """One hair at one wash: every photo of it that was not refused.

    Attributes
    ----------
    wash : int or None
        None before colouring, 0 just coloured.
    rows : tuple of RowResult
        One per photo; one picture counts once.
    profiles : tuple of Profile
        In the order of `rows`, each as its photo alone tells it.
    shots : tuple of Shot
        What each of them shares with others, in the order of `rows`; none where the draws are rows
        of the posterior already.
    tie : Tie or None
        What readings by an instrument tell of the study.
    zones : tuple of float
        Where roots end and ends begin.
    """

    wash: int | None
    rows: tuple[RowResult, ...]
    profiles: tuple[Profile, ...]
    zones: tuple[float, float]
    shots: tuple[Shot, ...] = ()
    tie: Tie | None = None

    @cached_property
    def joined(self) -> State:
        """The same as rows of the one posterior: row k of all its draws is one world."""
        if not self.shots:
            return self
        profiles = tuple(
            _in_world(profile, shot, self.tie)
            for profile, shot in zip(self.profiles, self.shots, strict=True)
        )
        return replace(self, profiles=profiles, shots=(), tie=None)

    @cached_property
    def by_photo(self) -> State:
        """The same as each photo by itself tells it: rows of two photos have nothing in common."""
        profiles = tuple(
            shuffled(profile, row.sha256)
            for profile, row in zip(self.profiles, self.rows, strict=True)
        )
        return replace(self, profiles=profiles, shots=(), tie=None)

    @cached_property
    def tied(self) -> tuple[Profile | None, ...]:
        """Profile of each photo that readings by an instrument move, None of any other."""
        if self.tie is None:
            return (None,) * len(self.rows)
        return tuple(
            profile if self.tie.reaches(shot) else None
            for profile, shot in zip(self.joined.profiles, self.shots, strict=True)
        )

    @property
    def pool_names(self) -> set[str]:
        """Names of the pools its photos are in."""
        return {shot.pool.name for shot in self.shots if shot.pool}

    @property
    def replicates(self) -> int:
        """Lays: numbers of re-comb and re-shoot."""
        return len(self.lays)

    @cached_property
    def lays(self) -> tuple[Profile, ...]:
        """Mean profile of each lay over its photos, in the order of replicate numbers.

        Errors that photos of one pool have in common do not average out.
        """
        if self.shots:
            return self.joined.lays
        numbers = sorted({row.row.replicate for row in self.rows})
        return tuple(
            _as_one_photo(
                mean_profile(
                    [
                        profile
                        for row, profile in zip(self.rows, self.profiles, strict=True)
                        if row.row.replicate == number
                    ]
                )
            )
            for number in numbers
        )

    @cached_property
    def profile(self) -> Profile:
        """Mean profile over lays; its ``facts["photos"]`` counts lays, over which re-laying
        averages out.
        """
        return mean_profile(self.lays)

    @cached_property
    def pooled(self) -> dict[str, LabEstimate]:
        """Zones of the mean profile; row k of all zones of all states is one world."""
        return zone_estimates(self.profile, zones=self.zones)


def _as_one_photo(profile: Profile) -> Profile:
    """Return the mean of one lay as one photo: its hair was laid once."""
    return replace(profile, facts={**profile.facts, "photos": 1})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hair:
    """One hair over its washes.

    Attributes
    ----------
    subject, section, treatment : str
        Which hair, and what was put on it.
    states : dict of (int or None) to State
        In the order before, 0, 1, 2, …
    """

    subject: str
    section: str
    treatment: str
    states: dict[int | None, State]

    @property
    def before(self) -> State | None:
        """Before colouring."""
        return self.states.get(None)

    @property
    def coloured(self) -> State | None:
        """Just coloured."""
        return self.states.get(0)

    @property
    def washed(self) -> dict[int, State]:
        """After one wash and more."""
        return {wash: state for wash, state in self.states.items() if wash}

    @property
    def scatter(self) -> tuple[Floats, int]:
        """Sum of squares of lays about their mean beyond their own noise, (3, 3), and its degrees
        of freedom, over all washes and zones.
        """
        total, freedom = np.zeros((3, 3)), 0
        for state in self.states.values():
            if state.replicates < 2:
                continue
            lays = [zone_estimates(lay, zones=state.zones) for lay in state.lays]
            for zone in lays[0]:
                lab = np.array([lay[zone].lab for lay in lays])
                gap = lab - lab.mean(axis=0)
                total += gap.T @ gap - _noise_about_mean([lay[zone] for lay in lays])
                freedom += len(lays) - 1
        return total, freedom

    @property
    def pool(self) -> str:
        """Return the names of the pools that its changes are measured in, for tables."""
        counts = Counter(name for state in self.states.values() for name in state.pool_names)
        return " ".join(sorted(name for name, states in counts.items() if states > 1))

    @property
    def name(self) -> str:
        """Subject and section, as sentences call the hair."""
        return f"{self.subject} {self.section}".strip()

    @property
    def keys(self) -> dict[str, str]:
        """Subject, section and treatment, as tables name them."""
        return {"subject": self.subject, "section": self.section, "treatment": self.treatment}


def hairs_of(
    outcome: StudyResult, *, only: Collection[tuple[str, str]] | None = None
) -> Iterator[Hair]:
    """Every hair that has at least one photo, profiles loaded for one hair at a time.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.
    only : collection of (str, str), optional
        Subject and section of the hairs wanted; all without it.
    """
    yield from _hairs(outcome, only, tie_of(outcome))


def _hairs(
    outcome: StudyResult, only: Collection[tuple[str, str]] | None, tie: Tie | None
) -> Iterator[Hair]:
    grouped: dict[tuple[str, str], list[RowResult]] = {}
    for row in outcome.rows:
        if row.error is None and (only is None or row.row.hair in only):
            grouped.setdefault(row.row.hair, []).append(row)
    for (subject, section), rows in grouped.items():
        states = {
            wash: _state(outcome, wash, [row for row in rows if row.row.wash == wash], tie)
            for wash in sorted({row.row.wash for row in rows}, key=_order)
        }
        yield Hair(subject=subject, section=section, treatment=rows[0].treatment, states=states)


def _order(wash: int | None) -> int:
    return -1 if wash is None else wash


def _state(outcome: StudyResult, wash: int | None, rows: list[RowResult], tie: Tie | None) -> State:
    seen: set[str] = set()
    once = []
    for row in rows:
        if row.sha256 not in seen:
            seen.add(row.sha256)
            once.append(row)
    return State(
        wash=wash,
        rows=tuple(once),
        profiles=tuple(outcome.profile(row) for row in once),
        zones=outcome.study.settings.zones,
        shots=tuple(_shot(outcome, row) for row in once),
        tie=tie,
    )


def _shot(outcome: StudyResult, row: RowResult) -> Shot:
    treatment = outcome.study.settings.treatments.get(row.treatment)
    dye = (treatment.product, treatment.shade) if treatment else ()
    return Shot(
        photo=row.sha256,
        pool=outcome.pool_of.get(row.sha256),
        session=row.row.session,
        hair=row.row.subject,
        dye="\x1f".join(dye) if any(dye) else "",
        is_before=row.row.wash is None,
    )


def shuffled(profile: Profile, sha256: str) -> Profile:
    """The profile with its draws in an order that only the photo decides.

    Draws of one photo, of whatever hair and zone, keep their common rows; rows of two photos
    have nothing in common.
    """
    return replace(profile, draws=profile.draws[row_order(sha256, len(profile.draws))])


def _in_world(profile: Profile, shot: Shot, tie: Tie | None) -> Profile:
    """A profile with its draws as rows of the posterior, moved by what ties it down."""
    away = world_draws(np.asarray(profile.draws, np.float64) - profile.lab, profile.spread, shot)
    moved = np.zeros_like(profile.lab)
    if tie is not None:
        moved, away = tie.applied(away, shot)
    lab = profile.lab + moved
    fibres = profile.sampling_draws
    return replace(
        profile,
        lab=lab,
        draws=(lab + away).astype(np.float32),
        sampling_draws=None if fibres is None else (fibres + moved).astype(np.float32),
        spread=None,
    )


@lru_cache(maxsize=1)
def tie_of(outcome: StudyResult) -> Tie | None:
    """What the study's readings by an instrument tie down; None without any that can be used.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.
    """
    readings = outcome.study.readings
    wanted = {(reading.subject, reading.section) for reading in readings}
    hairs = list(_hairs(outcome, wanted, None)) if wanted else []
    read = [one for hair in hairs for one in _read(hair, readings)]
    used = [one for one in read if one.gap_delta_e <= one.limit]
    if not used:
        return Tie.none(tuple(map(_tied_flag, read))) if read else None
    away = np.concatenate([one.away for one in used], axis=1)
    noise = block_diag(*(one.noise for one in used))
    surface = np.concatenate([one.surface for one in used])  # one instrument, one geometry
    weights, along, kept = tie_down(
        away, noise + np.outer(surface, surface), np.concatenate([one.gap for one in used])
    )
    states = [state for hair in hairs for state in hair.states.values()]
    tie = Tie(
        weights=weights,
        along=along,
        kept=kept,
        pools=frozenset().union(*(one.pools for one in used)),
        hairs=frozenset(one.subject for one in used),
    )
    return replace(tie, flags=(*map(_tied_flag, read), _moved_flag(states, tie)))


def tie_flags(outcome: StudyResult) -> tuple[Flag, ...]:
    """Which readings by an instrument were used or left out, and what they moved."""
    tie = tie_of(outcome)
    return tie.flags if tie else ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    """One zone read by an instrument: rows (K, 3) at it, the reading less the photos' answer,
    (3,), own noise of both, (3, 3), and what a surface reflection would add to it, (3,)."""

    name: str
    subject: str
    pools: set[str]
    away: Floats
    gap: Floats
    noise: Floats
    surface: Floats
    gap_delta_e: float
    limit: float


def _read(hair: Hair, readings: Sequence[InstrumentReading]) -> Iterator[_Read]:
    own = [r for r in readings if (r.subject, r.section) == (hair.subject, hair.section)]
    for wash, state in hair.states.items():
        for zone in ZONES:
            found = [r.lab for r in own if (r.wash, r.zone) == (wash, zone)]
            if not found:
                continue
            colour, known = state.pooled[zone], np.mean(np.asarray(found, np.float64), axis=0)
            laid = np.diag(np.square(INSTRUMENT_SD)) + BORROWED_RELAYING
            noise = colour.sampling_covariance + BORROWED_RELAYING / state.replicates
            noise = noise + laid / len(found)
            white = np.asarray(colour.viewing.white)
            xyz = lab_to_xyz(known, white=colour.viewing.white)
            surface = xyz_to_lab(xyz + SURFACE_SD * white, white=colour.viewing.white) - known
            both = colour.calibration_covariance + noise + np.outer(surface, surface)
            yield _Read(
                name=f"{hair.name}, wash {'before' if wash is None else wash}, "
                f"{zone.replace('_', '-')}",
                subject=hair.subject,
                pools=state.pool_names,
                away=colour.draws.astype(np.float64) - colour.lab,
                gap=known - colour.lab,
                noise=noise,
                surface=surface,
                gap_delta_e=float(delta_e(colour.lab, known)),
                limit=spread_u95(known, both),
            )


def _tied_flag(one: _Read) -> Flag:
    agrees = one.gap_delta_e <= one.limit
    end = "it ties the study down" if agrees else "it is not used"
    return Flag(
        code="reading-used" if agrees else "reading-off",
        says=f"The reading by an instrument of {one.name} lies {one.gap_delta_e:.1f} ΔE₀₀ from "
        f"its photos; up to {one.limit:.1f} is expected: {end}.",
        remedy=""
        if agrees
        else "Look at the reading, its geometry, the chart's edition and the light.",
        is_note=agrees,
    )


def _moved_flag(states: Sequence[State], tie: Tie) -> Flag:
    """By how much the readings move the colours of the hairs that were read."""
    before = [zone.lab for state in states for zone in state.pooled.values()]
    after = [zone.lab for s in states for zone in replace(s, tie=tie).pooled.values()]
    moved = delta_e(np.array(before), np.array(after))
    return Flag(
        code="readings-move",
        says=f"Readings by an instrument move the colours of the hairs that were read by "
        f"{moved.mean():.1f} ΔE₀₀ on average and {moved.max():.1f} at most.",
        remedy="",
        is_note=True,
    )


def _noise_about_mean(lays: list[LabEstimate]) -> Floats:
    """Sum of squares about their mean that sampling and calibration make of lays, (3, 3)."""
    moved = np.array([lay.draws.astype(np.float64) - lay.lab for lay in lays])
    gap = moved - moved.mean(axis=0)
    noise = np.einsum("lki,lkj->ij", gap, gap) / moved.shape[1]
    sampling = np.mean([lay.sampling_covariance for lay in lays], axis=0)
    return np.asarray(noise + (len(lays) - 1) * sampling)


def relay_covariance(hairs: Iterable[Hair]) -> tuple[Floats, bool]:
    """Covariance of re-laying a hair, shape (3, 3), and whether it is borrowed.

    From the study's own re-comb and re-shoot repeats where there are any: scatter of lays about
    their mean, less what sampling and calibration explain. Else the published SD of L*.

    Parameters
    ----------
    hairs : iterable of Hair
        All hairs of the study that have repeats.
    """
    scatter, freedom = np.zeros((3, 3)), 0
    for hair in hairs:
        part, count = hair.scatter
        scatter += part
        freedom += count
    if freedom == 0:
        return BORROWED_RELAYING, True
    values, vectors = np.linalg.eigh(scatter / freedom)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T), False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairProfile:
    """Colour along one hair of a study, and where it belongs.

    Attributes
    ----------
    photo, place
        Where it was measured; `place` from 1, left to right.
    subject, section, treatment, wash, replicate
        As the sheet states them; `wash` is ``"before"``, ``"0"``, ``"1"``, …
    status : str
        ``"measured"`` or ``"flagged"``.
    position : ndarray, shape (n,)
        0 roots .. 1 ends.
    lab : ndarray, shape (n, 3)
        Body colour at each position.
    u95 : ndarray, shape (n,)
        95 % of equally good answers lie within this ΔE00 of `lab`.
    """

    photo: str
    place: int
    subject: str
    section: str
    treatment: str
    wash: str
    replicate: int
    status: str
    position: Floats
    lab: Floats
    u95: Floats


def profile_of(row: RowResult, profile: Profile) -> HairProfile:
    """Return the profile of one row of the sheet, slim enough to keep for a whole study."""
    sheet = row.row
    return HairProfile(
        photo=sheet.photo,
        place=sheet.place,
        subject=sheet.subject,
        section=sheet.section,
        treatment=row.treatment,
        wash=sheet.wash_text,
        replicate=sheet.replicate,
        status=row.status,
        position=profile.position,
        lab=profile.lab,
        u95=bin_u95(profile),
    )


def bin_u95(profile: Profile) -> Floats:
    """95 % radius in ΔE00 of each bin, shape (n,)."""
    draws = np.asarray(profile.draws, np.float64) - profile.lab
    covariance = np.einsum("kni,knj->nij", draws, draws) / len(draws)
    root = np.linalg.cholesky(delta_e_metric(profile.lab))
    inside = np.swapaxes(root, -1, -2) @ (covariance + profile.sampling_covariance) @ root
    spread = np.maximum(np.linalg.eigvalsh(inside), 0.0)  # squared lengths of the main axes
    return np.asarray(np.sqrt(np.quantile(spread @ _squares(), COVERAGE, axis=1)))


@cache
def _squares() -> Floats:
    """Squares of unit normal numbers, the same at every call, shape (3, trials)."""
    return np.asarray(np.random.default_rng(0).standard_normal((3, _TRIALS)) ** 2)

"""What a study measured, put together hair by hair: replicates pooled, states joined by wash.

Photos are averaged in L*a*b*, photos of one lay first, then lays. Calibration counts once per
photo: draws of one photo stay together, draws of two photos are shuffled against each other, unless
the photos are of one pool, whose errors are in part one. Profiles are kept slim enough to draw a
whole study.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats, delta_e_metric
from hairtone.hair.types import Profile
from hairtone.measures.zones import BORROWED_RELAYING, mean_profile, zone_estimates
from hairtone.study.outcome import StudyResult
from hairtone.study.pools import Pool
from hairtone.study.records import RowResult
from hairtone.uncertainty import COVERAGE, LabEstimate

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
        In the order of `rows`; draws shuffled per photo, so that rows of two photos are unrelated.
    pools : tuple of Pool or None
        Pool of each photo, in the order of `rows`; None for a photo in none.
    zones : tuple of float
        Where roots end and ends begin.
    """

    wash: int | None
    rows: tuple[RowResult, ...]
    profiles: tuple[Profile, ...]
    zones: tuple[float, float]
    pools: tuple[Pool | None, ...] = ()

    @cached_property
    def joined(self) -> State:
        """The same with draws in the order of the pools: rows of photos go together."""
        if not any(self.pools):
            return self
        profiles = tuple(
            ordered(profile, row.sha256, pool) if pool else profile
            for row, profile, pool in zip(self.rows, self.profiles, self.pools, strict=True)
        )
        return replace(self, profiles=profiles, pools=())

    @property
    def pool_names(self) -> set[str]:
        """Names of the pools its photos are in."""
        return {pool.name for pool in self.pools if pool}

    @property
    def replicates(self) -> int:
        """Lays: numbers of re-comb and re-shoot."""
        return len(self.lays)

    @cached_property
    def lays(self) -> tuple[Profile, ...]:
        """Mean profile of each lay over its photos, in the order of replicate numbers.

        Errors that photos of one pool have in common do not average out.
        """
        if len(self.rows) > 1 and any(self.pools):
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
        """Zones of the mean profile; row k of all zones is the same pool of cameras and lights."""
        return zone_estimates(self.profile, zones=self.zones)


def _as_one_photo(profile: Profile) -> Profile:
    """The mean of one lay, told as one photo: its hair was laid once."""
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
    def is_pooled(self) -> bool:
        """Whether any two states share a pool: their draws are then differenced row by row."""
        return bool(self.pool)

    @property
    def pool(self) -> str:
        """Names of the pools that its changes are told with, for tables."""
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
    grouped: dict[tuple[str, str], list[RowResult]] = {}
    for row in outcome.rows:
        if row.error is None and (only is None or row.row.hair in only):
            grouped.setdefault(row.row.hair, []).append(row)
    for (subject, section), rows in grouped.items():
        states = {
            wash: _state(outcome, wash, [row for row in rows if row.row.wash == wash])
            for wash in sorted({row.row.wash for row in rows}, key=_order)
        }
        yield Hair(subject=subject, section=section, treatment=rows[0].treatment, states=states)


def _order(wash: int | None) -> int:
    return -1 if wash is None else wash


def _state(outcome: StudyResult, wash: int | None, rows: list[RowResult]) -> State:
    seen: set[str] = set()
    once = []
    for row in rows:
        if row.sha256 not in seen:
            seen.add(row.sha256)
            once.append(row)
    return State(
        wash=wash,
        rows=tuple(once),
        profiles=tuple(shuffled(outcome.profile(row), row.sha256) for row in once),
        zones=outcome.study.settings.zones,
        pools=tuple(outcome.pool_of.get(row.sha256) for row in once),
    )


def shuffled(profile: Profile, sha256: str) -> Profile:
    """The profile with its draws in an order that only the photo decides.

    Draws of one photo, of whatever hair and zone, keep their common rows; rows of two photos
    have nothing in common, as the errors of two photos have not.
    """
    return replace(profile, draws=profile.draws[_own_order(sha256, len(profile.draws))])


def ordered(profile: Profile, sha256: str, pool: Pool) -> Profile:
    """A profile that was `shuffled`, its draws in the order of its pool instead."""
    back = np.argsort(_own_order(sha256, len(profile.draws)))
    return replace(profile, draws=profile.draws[back][pool.rows(sha256, draws=len(back))])


def _own_order(sha256: str, draws: int) -> NDArray[np.int64]:
    return np.random.default_rng(int(sha256[:16] or "0", 16)).permutation(draws)


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

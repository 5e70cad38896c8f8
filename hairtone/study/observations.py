"""What a study measured, put together hair by hair: replicates pooled, states joined by wash.

Photos are averaged in L*a*b*, photos of one lay first, then lays. Calibration counts once per
photo: draws of one photo stay together, draws of two photos are shuffled against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import HairtoneError
from hairtone.hair.types import Profile
from hairtone.measures.zones import zone_estimates
from hairtone.study.outcome import RowResult, StudyResult
from hairtone.uncertainty import LabEstimate

RELAY_SD_L: Final = 0.31  # L*, of the same tress re-laid; J. Cosmet. Sci. 51 (2000) 293-299
_BORROWED: Final = np.diag([RELAY_SD_L**2, 0.0, 0.0])


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
    zones : tuple of float
        Where roots end and ends begin.
    """

    wash: int | None
    rows: tuple[RowResult, ...]
    profiles: tuple[Profile, ...]
    zones: tuple[float, float]

    @property
    def replicates(self) -> int:
        """Lays: numbers of re-comb and re-shoot."""
        return len({row.row.replicate for row in self.rows})

    @cached_property
    def weights(self) -> Floats:
        """Of each photo in the mean: photos of one lay share the lay's weight, shape (n,)."""
        lays = [row.row.replicate for row in self.rows]
        return np.array([1.0 / (lays.count(lay) * self.replicates) for lay in lays])

    @cached_property
    def by_photo(self) -> tuple[dict[str, LabEstimate], ...]:
        """Zones of each photo."""
        return tuple(zone_estimates(profile, zones=self.zones) for profile in self.profiles)

    @cached_property
    def pooled(self) -> dict[str, LabEstimate]:
        """Zones, mean over photos; row k of all zones is the same pool of cameras and lights."""
        names = self.by_photo[0]
        return {
            zone: pool_estimates([photo[zone] for photo in self.by_photo], self.weights)
            for zone in names
        }

    @cached_property
    def profile(self) -> Profile:
        """Mean profile over photos."""
        return pool_profiles(self.profiles, self.weights)

    def relaid(self, relay: Floats) -> dict[str, LabEstimate]:
        """`pooled` with the variance of re-laying the hair, once per lay, added."""
        return {
            zone: replace(
                estimate,
                sampling_covariance=estimate.sampling_covariance + relay / self.replicates,
            )
            for zone, estimate in self.pooled.items()
        }


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
    def keys(self) -> dict[str, str]:
        """Subject, section and treatment, as tables name them."""
        return {"subject": self.subject, "section": self.section, "treatment": self.treatment}


def hairs_of(outcome: StudyResult) -> Iterator[Hair]:
    """Every hair that has at least one photo, profiles loaded for one hair at a time.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.
    """
    grouped: dict[tuple[str, str], list[RowResult]] = {}
    for row in outcome.rows:
        if row.error is None:
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
    )


def shuffled(profile: Profile, sha256: str) -> Profile:
    """The profile with its draws in an order that only the photo decides.

    Draws of one photo, of whatever hair and zone, keep their common rows; rows of two photos
    have nothing in common, as the errors of two photos have not.
    """
    order = np.random.default_rng(int(sha256[:16] or "0", 16)).permutation(len(profile.draws))
    return replace(profile, draws=profile.draws[order])


def pool_estimates(estimates: Sequence[LabEstimate], weights: Floats) -> LabEstimate:
    """Weighted mean in L*a*b* of independent photos.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        Of the same zone, one per photo; draws unrelated between photos.
    weights : ndarray, shape (n,)
        Sum 1.
    """
    return LabEstimate(
        lab=sum(w * e.lab for w, e in zip(weights, estimates, strict=True)),
        sampling_covariance=sum(
            w**2 * e.sampling_covariance for w, e in zip(weights, estimates, strict=True)
        ),
        draws=np.tensordot(weights, np.stack([e.draws for e in estimates]), axes=1).astype(
            np.float32
        ),
        viewing=estimates[0].viewing,
    )


def pool_profiles(profiles: Sequence[Profile], weights: Floats) -> Profile:
    """Weighted mean profile of independent photos, bin by bin in L*a*b*."""
    if len(profiles) == 1:
        return profiles[0]

    def mean(name: str, power: int = 1) -> Floats:
        return np.tensordot(weights**power, np.stack([getattr(p, name) for p in profiles]), axes=1)

    has_fibres = all(profile.sampling_draws is not None for profile in profiles)
    return Profile(
        position=profiles[0].position,
        lab=mean("lab"),
        sampling_covariance=mean("sampling_covariance", 2),
        draws=mean("draws").astype(np.float32),
        viewing=profiles[0].viewing,
        pixels=np.sum([profile.pixels for profile in profiles], axis=0),
        sampling_draws=_pool_fibres(profiles, weights) if has_fibres else None,
    )


def _pool_fibres(profiles: Sequence[Profile], weights: Floats) -> np.ndarray:
    """Resamplings of the mean: each photo's rows in an order of their own."""
    total = np.zeros(())
    for number, (profile, weight) in enumerate(zip(profiles, weights, strict=True)):
        draws = np.asarray(profile.sampling_draws, dtype=np.float64)
        total = total + weight * draws[np.random.default_rng(number).permutation(len(draws))]
    return total.astype(np.float32)


def relay_covariance(hairs: Sequence[Hair]) -> tuple[Floats, bool]:
    """Covariance of re-laying a hair, shape (3, 3), and whether it is borrowed.

    From the study's own re-comb and re-shoot repeats where there are any: scatter of lays about
    their mean, less what sampling and calibration explain. Else the published SD of L*.

    Parameters
    ----------
    hairs : sequence of Hair
        All hairs of the study.
    """
    scatter, explained, freedom = np.zeros((3, 3)), np.zeros((3, 3)), 0
    for hair in hairs:
        for state in hair.states.values():
            if state.replicates < 2:
                continue
            for zone in state.by_photo[0]:
                lays = _lays(state, zone)
                gap = np.array([lay.lab for lay in lays]) - np.mean([e.lab for e in lays], axis=0)
                scatter += gap.T @ gap
                explained += (len(lays) - 1) * np.mean([e.covariance for e in lays], axis=0)
                freedom += len(lays) - 1
    if freedom == 0:
        return _BORROWED, True
    values, vectors = np.linalg.eigh((scatter - explained) / freedom)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T), False


def _lays(state: State, zone: str) -> list[LabEstimate]:
    """One estimate per lay."""
    found = []
    for lay in sorted({row.row.replicate for row in state.rows}):
        photos = [
            photo[zone]
            for row, photo in zip(state.rows, state.by_photo, strict=True)
            if row.row.replicate == lay
        ]
        found.append(pool_estimates(photos, np.full(len(photos), 1 / len(photos))))
    return found


def sentence(error: HairtoneError, hair: Hair | None = None) -> str:
    """What is missing, in one plain sentence."""
    where = f"{hair.subject} {hair.section}".strip() + ": " if hair else ""
    return f"{where}{error.says} {error.remedy}".strip()

"""Several photos of one state of one hair, errors drawn together, and what cameras have in common.

What a calibration leaves of each patch, with its direction, is the mark of a camera, its rendering
and its light. Where that pattern is the same in two photos, so is most of the error of the hair in
them; where it is another one, little of it is [ours].
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.zones import check_viewing, sampling_draws, unit_normals
from hairtone.uncertainty import LabEstimate

# Re-laying one tress moved L* by this SD under one instrument (large window): borrowed, for use
# where a study has no repeats. J. Cosmet. Sci. 51 (2000) 293-299, as cited by others.
BORROWED_RELAYING_SD: Final = 0.31
BORROWED_RELAYING: Final = np.diag([BORROWED_RELAYING_SD**2, 0.0, 0.0])
BORROWED_RELAYING.flags.writeable = False


def mean_estimate(estimates: Sequence[LabEstimate]) -> LabEstimate:
    """Mean over photos of one state of one hair, in L*a*b*.

    Calibration errors are averaged row by row: independent cameras average out, a shared one stays.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        One a photo, for one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``: no estimates. ``viewings-differ``: they are not for one viewing.
    """
    if not estimates:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(estimates)
    rows = min(len(e.draws) for e in estimates)
    lab = np.mean([e.lab for e in estimates], axis=0)
    moved = np.mean([e.draws[:rows].astype(np.float64) - e.lab for e in estimates], axis=0)
    covariance = np.mean([e.sampling_covariance for e in estimates], axis=0) / len(estimates)
    return LabEstimate(
        lab=lab,
        sampling_covariance=covariance,
        draws=(lab + moved).astype(np.float32),
        viewing=estimates[0].viewing,
    )


def mean_profile(profiles: Sequence[Profile]) -> Profile:
    """Mean over photos of one state of one hair, bin by bin in L*a*b*.

    Parameters
    ----------
    profiles : sequence of Profile
        One a photo, same bins, one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``, ``viewings-differ``.
    """
    if len(profiles) == 1:
        return profiles[0]
    if not profiles:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(profiles)
    rows = min(len(p.draws) for p in profiles)
    shaken = [sampling_draws(p) for p in profiles]
    fibres = min(len(s) for s in shaken)
    lab = np.mean([p.lab for p in profiles], axis=0)
    moved = np.mean([np.asarray(p.draws[:rows], float) - p.lab for p in profiles], axis=0)
    # fibres of different photos are resampled apart: turn the rows so that equal seeds part
    turned = [np.roll(s[:fibres] - s[:fibres].mean(axis=0), 7 * k, axis=0) for k, s in
              enumerate(shaken)]  # fmt: skip
    return Profile(
        position=profiles[0].position,
        lab=lab,
        sampling_covariance=np.mean([p.sampling_covariance for p in profiles], axis=0)
        / len(profiles),
        draws=(lab + moved).astype(np.float32),
        viewing=profiles[0].viewing,
        pixels=np.sum([p.pixels for p in profiles], axis=0),
        flags=tuple(dict.fromkeys(flag for p in profiles for flag in p.flags)),
        sampling_draws=(lab + np.mean(turned, axis=0)).astype(np.float32),
        facts={"photos": len(profiles)},
    )


def joint_noise(
    estimates: Sequence[LabEstimate],
    *,
    paired: bool,
    trials: int,
    relaying: Floats | None = None,
    photos: Sequence[int] | None = None,
) -> Floats:
    """Errors of m colours drawn together, shape (trials, m, 3), the same at every call.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        Colours from m photos.
    paired : bool
        Whether row k of all draws is the same camera and light (one pool).
    trials : int
        How many draws.
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo. [Lab units squared]
    photos : sequence of int, optional
        Photos behind each colour; re-laying averages out over them.
    """
    counts = [1] * len(estimates) if photos is None else list(photos)
    rows = min(len(e.draws) for e in estimates)
    noise = np.empty((trials, len(estimates), 3))
    for at, (estimate, count) in enumerate(zip(estimates, counts, strict=True)):
        covariance = estimate.sampling_covariance if paired else estimate.covariance
        if relaying is not None:
            covariance = covariance + np.asarray(relaying) / count
        values, vectors = np.linalg.eigh(covariance)
        spread = vectors * np.sqrt(np.maximum(values, 0.0))
        noise[:, at] = unit_normals(trials, 3, 1000 + at) @ spread.T
        if paired:
            moved = estimate.draws[:rows].astype(np.float64) - estimate.lab
            noise[:, at] += unit_normals(trials, rows, 100) @ moved / np.sqrt(rows)
    return noise


_ROUNDS: Final = 10  # of joining anew; groups stay as they are after two or three


def share_alike(missed: Floats) -> float:
    """Share of the charts' misreadings that photos have in common, 0..1; 1 for one photo.

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        Misreading of each patch, NaN where it was not used.
    """
    used, filled = _filled(missed)
    if len(filled) < 2:
        return 1.0
    square = (filled**2).sum(axis=(0, 2))
    together = (filled.sum(axis=0) ** 2).sum(axis=1) - square
    whole = float(((used.sum(axis=0) - 1) * square).sum())
    return float(np.clip(together.sum() / whole, 0.0, 1.0)) if whole > 0 else 0.0


def group_alike(missed: Floats, *, least: float) -> NDArray[np.int64]:
    """Which group each photo belongs to, shape (photos,), numbered from 0 as they first come.

    A photo joins the group whose mean pattern its own goes with best, or opens one of its own.

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`. The order matters where patterns are doubtful: sort the photos.
    least : float
        Correlation with the mean pattern of a group that a photo needs to join it.
    """
    used, filled = _filled(missed)
    count, patches = used.shape
    groups = np.full(count, -1)
    sums, counts = np.zeros((0, patches, 3)), np.zeros((0, patches))
    for _ in range(_ROUNDS):
        before = groups.copy()
        for at in range(count):
            if groups[at] >= 0:
                sums[groups[at]] -= filled[at]
                counts[groups[at]] -= used[at]
            groups[at] = _best_group(filled[at], used[at], (sums, counts), least)
            if groups[at] == len(sums):
                sums = np.concatenate([sums, np.zeros((1, patches, 3))])
                counts = np.concatenate([counts, np.zeros((1, patches))])
            sums[groups[at]] += filled[at]
            counts[groups[at]] += used[at]
        if (groups == before).all():
            break
    _, first, groups = np.unique(groups, return_index=True, return_inverse=True)
    return np.asarray(np.argsort(np.argsort(first))[groups], np.int64)


def _best_group(own: Floats, used: Floats, groups: tuple[Floats, Floats], least: float) -> int:
    """The group whose mean pattern a photo goes with, else the first that is empty or new."""
    sums, counts = groups
    shared = (counts > 0.5) * used  # patches that both have
    mean = sums / np.maximum(counts, 1.0)[..., None] * shared[..., None]
    product = (mean * own).sum(axis=(1, 2))
    size = (mean**2).sum(axis=(1, 2)) * ((own**2).sum(axis=1) * shared).sum(axis=1)
    alike = np.where(size > 0, product / np.sqrt(np.maximum(size, 1e-300)), 0.0)
    if len(alike) and alike.max() >= least:
        return int(alike.argmax())
    empty = np.flatnonzero(counts.max(axis=1, initial=0.0) < 0.5)
    return int(empty[0]) if len(empty) else len(sums)


def drift_of(missed: Floats, sessions: NDArray[np.int64]) -> Floats:
    """How far patches are misread in each session otherwise than in all photos. [ΔE00]

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`.
    sessions : ndarray of int, shape (photos,)
        Number of each photo's session, from 0.

    Returns
    -------
    ndarray, shape (sessions, patches)
        NaN for a patch that the session never used.
    """
    used, filled = _filled(missed)
    shape = (int(sessions.max()) + 1, used.shape[1])
    counts, sums = np.zeros(shape), np.zeros((*shape, 3))
    np.add.at(counts, sessions, used)
    np.add.at(sums, sessions, filled)
    middle = sums.sum(axis=0) / np.maximum(counts.sum(axis=0), 1.0)[:, None]
    off = np.linalg.norm(sums / np.maximum(counts, 1.0)[..., None] - middle, axis=2)
    return np.asarray(np.where(counts > 0, off, np.nan))


def _filled(missed: Floats) -> tuple[Floats, Floats]:
    """1 for each patch used, shape (photos, patches), and misreadings with 0 for the rest."""
    missed = np.asarray(missed, np.float64)
    used = np.asarray(np.isfinite(missed).all(axis=2))
    return used.astype(np.float64), np.asarray(np.where(used[..., None], missed, 0.0))

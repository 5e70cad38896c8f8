"""How alike charts of several photos are misread: what photos of one camera have in common [ours].

What a calibration leaves of each patch, with its direction, is the mark of a camera, its rendering
and its light. Where that pattern is the same in two photos, so is most of the error of the hair in
them; where it is another one, little of it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats

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

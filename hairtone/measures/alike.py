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
    groups = np.full(len(filled), -1)
    for _ in range(_ROUNDS):
        before = groups.copy()
        for at in range(len(filled)):
            groups[at] = -1
            groups[at] = _best_group(at, groups, (used, filled), least)
        groups = np.unique(groups, return_inverse=True)[1]
        if (groups == before).all():
            break
    _, first = np.unique(groups, return_index=True)
    return np.asarray(np.argsort(np.argsort(first))[groups], np.int64)


def _best_group(
    at: int, groups: NDArray[np.int64], charts: tuple[Floats, Floats], least: float
) -> int:
    """The group a photo goes with, or the first free number."""
    used, filled = charts
    found, best = int(groups.max()) + 1, least
    for group in range(int(groups.max()) + 1):
        others = groups == group
        if not others.any():
            continue
        count = used[others].sum(axis=0)[:, None]
        mean = filled[others].sum(axis=0) / np.maximum(count, 1)
        mean = mean * used[at][:, None]
        own = filled[at] * (count > 0)
        size = float(np.linalg.norm(mean) * np.linalg.norm(own))
        alike = float((mean * own).sum()) / size if size > 0 else 0.0
        if alike >= best:
            found, best = group, alike
    return found


def drift_of(missed: Floats, members: NDArray[np.bool_]) -> Floats:
    """How far patches of some photos are misread otherwise than those of all, (patches,). [ΔE00]

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`.
    members : ndarray of bool, shape (photos,)
        Which photos.

    Returns
    -------
    ndarray
        NaN for a patch that one side never used.
    """
    used, filled = _filled(missed)
    means = []
    for chosen in (members, np.ones(len(members), bool)):
        count = used[chosen].sum(axis=0)[:, None]
        means.append(np.where(count > 0, filled[chosen].sum(axis=0) / np.maximum(count, 1), np.nan))
    return np.asarray(np.linalg.norm(means[0] - means[1], axis=1))


def _filled(missed: Floats) -> tuple[Floats, Floats]:
    """1 for each patch used, shape (photos, patches), and misreadings with 0 for the rest."""
    missed = np.asarray(missed, np.float64)
    used = np.asarray(np.isfinite(missed).all(axis=2))
    return used.astype(np.float64), np.asarray(np.where(used[..., None], missed, 0.0))

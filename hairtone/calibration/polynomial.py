"""Low-order polynomials over the frame, fitted robustly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats

COUNTS: Final = (0, 2, 5, 9, 14)  # terms of order 0 to 4, without the level
TUKEY: Final = 4.685  # 95 % efficiency on normal noise; P. J. Huber, Robust Statistics, from memory
_ROUNDS: Final = 6
_SETTLED: Final = 3e-3  # largest change of a weight that a further round would not pay for


def terms(points: ArrayLike, *, count: int) -> Floats:
    """Polynomial terms without the level, shape (n, count): x, y, xx, xy, yy, xxx … yyyy.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        Scaled coordinates, about -1..1.
    count : int
        0, 2, 5, 9 or 14 terms: orders 0 to 4.
    """
    x, y = np.asarray(points, np.float64).T
    columns: list[Floats] = []
    last = [np.ones_like(x)]
    while len(columns) < count:
        last = [x * term for term in last] + [y * last[-1]]  # each order from the one before
        columns += last
    return np.stack(columns, axis=1) if count else np.empty((len(x), 0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RobustFit:
    """A polynomial, its level, and how far each point is believed (0..1)."""

    level: float
    coefficients: Floats
    weights: Floats


def fit_robust(design: Floats, values: Floats, *, ridge: float) -> RobustFit:
    """Least squares with Tukey's biweight; what lies far off (shadow, hair) does not count.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Terms at the points, without the level.
    values : ndarray, shape (n,)
        What is to be fitted.
    ridge : float
        SD that coefficients are expected to have; keeps sparse boards from wild fields.
    """
    full = np.vstack([np.ones(len(values)), design.T])  # a term a row: products run along memory
    weights = np.ones(len(values))
    found = np.zeros(len(full))
    found[0] = middle_of(values)
    spread = 1.4826 * middle_of(np.abs(values - found[0])) + 1e-4
    for _ in range(_ROUNDS):
        hold = np.full(len(full), (spread / ridge) ** 2)
        hold[0] = 1e-9
        weighted = full * weights
        solved = np.linalg.solve(weighted @ full.T + np.diag(hold), weighted @ values)
        found = np.asarray(solved, np.float64)
        rest = values - found @ full
        spread = 1.4826 * middle_of(np.abs(rest)) + 1e-4
        before, weights = weights, np.maximum(1 - (rest / (TUKEY * spread)) ** 2, 0.0) ** 2
        if np.abs(weights - before).max() < _SETTLED:
            break
    return RobustFit(level=float(found[0]), coefficients=found[1:], weights=weights)


def middle_of(values: Floats) -> float:
    """Median of finite values: what `numpy.median` gives, without its way around NaN."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    low, high = np.partition(values, (half - 1, half))[half - 1 : half + 1]
    return float((low + high) / 2)

"""Tests and intervals for means of tresses, small samples by t.

References
----------
.. [1] B. L. Welch, Biometrika 34 (1947) 28-35, doi:10.1093/biomet/34.1-2.28.
.. [2] D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680, doi:10.1007/BF01068419.
.. [3] S. Holm, Scand. J. Stat. 6 (1979) 65-70.
.. [4] H. Hotelling, Ann. Math. Stat. 2 (1931) 360-378, doi:10.1214/aoms/1177732979.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, stdtr, stdtrit

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.uncertainty import COVERAGE

ALPHA: Final = 1 - COVERAGE


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifference:
    """Difference of two means, or mean of paired differences.

    Attributes
    ----------
    difference, standard_error, freedom : float
        First less second, its standard error, degrees of freedom of the t law.
    """

    difference: float
    standard_error: float
    freedom: float

    def interval(self, *, coverage: float = COVERAGE) -> tuple[float, float]:
        """Limits that hold the true difference with that probability."""
        reach = float(stdtrit(self.freedom, (1 + coverage) / 2)) * self.standard_error
        return self.difference - reach, self.difference + reach

    @property
    def p(self) -> float:
        """Two-sided p of no difference."""
        if self.standard_error == 0:
            return 1.0 if self.difference == 0 else 0.0
        return float(2 * stdtr(self.freedom, -abs(self.difference) / self.standard_error))

    def p_equivalent(self, margin: float) -> float:
        """Larger p of the two one-sided tests that the difference lies beyond ± margin [2]_."""
        if self.standard_error == 0:
            return 0.0 if abs(self.difference) < margin else 1.0
        below = (self.difference + margin) / self.standard_error
        above = (self.difference - margin) / self.standard_error
        return float(max(1 - stdtr(self.freedom, below), stdtr(self.freedom, above)))


def paired_difference(first: ArrayLike, second: ArrayLike) -> MeanDifference:
    """Mean of `first` less `second`, pair by pair (t with n - 1 degrees of freedom).

    Parameters
    ----------
    first, second : array_like, shape (n,)
        One figure a tress, pairs in the same order, n >= 2.
    """
    gaps = np.asarray(first, np.float64) - np.asarray(second, np.float64)
    return MeanDifference(
        difference=float(gaps.mean()),
        standard_error=float(gaps.std(ddof=1) / np.sqrt(len(gaps))),
        freedom=float(len(gaps) - 1),
    )


def welch_difference(first: ArrayLike, second: ArrayLike) -> MeanDifference:
    """Difference of the means of two groups of tresses, scatter told apart [1]_.

    Parameters
    ----------
    first, second : array_like, shape (n,), (m,)
        One figure a tress, n, m >= 2.
    """
    one, two = (np.asarray(v, np.float64) for v in (first, second))
    a, b = one.var(ddof=1) / len(one), two.var(ddof=1) / len(two)
    spread = (a**2 / (len(one) - 1)) + (b**2 / (len(two) - 1))
    freedom = (a + b) ** 2 / spread if spread > 0 else len(one) + len(two) - 2
    return MeanDifference(
        difference=float(one.mean() - two.mean()),
        standard_error=float(np.sqrt(a + b)),
        freedom=float(freedom),
    )


def holm(p_values: ArrayLike) -> Floats:
    """p values raised for how many there are, by Holm's steps [3]_; same order."""
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p)
    raised = np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order])
    out = np.empty_like(p)
    out[order] = np.minimum(raised, 1.0)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorTest:
    """Whether mean colours differ as vectors: Hotelling's T² and its p."""

    t_squared: float
    f: float
    p: float


def compare_colours(first: ArrayLike, second: ArrayLike, *, paired: bool = False) -> VectorTest:
    """Hotelling's T² of two groups of L*a*b*, one colour a tress [4]_.

    Parameters
    ----------
    first, second : array_like, shape (n, 3), (m, 3)
        L*a*b* of tresses.
    paired : bool, optional
        Row k of both is one pair.

    Raises
    ------
    MeasureError
        ``too-few-tresses``: three axes need 4 pairs, or 5 tresses in both groups together.
    """
    one, two = (np.asarray(v, np.float64) for v in (first, second))
    axes = one.shape[1]
    if paired:
        gaps, count = one - two, len(one)
        freedom = count - axes
    else:
        count = len(one) + len(two)
        freedom = count - axes - 1
    if freedom < 1:
        raise MeasureError(
            "too-few-tresses",
            f"{len(one)} and {len(two)} tresses are too few to compare colours as vectors.",
            remedy="Measure at least 4 pairs, or 5 tresses in all.",
        )
    if paired:
        mean, covariance = gaps.mean(axis=0), np.cov(gaps.T)
        t_squared = count * float(mean @ np.linalg.solve(covariance, mean))
        f = t_squared * freedom / (axes * (count - 1))
    else:
        mean = one.mean(axis=0) - two.mean(axis=0)
        pooled = (len(one) - 1) * np.cov(one.T) + (len(two) - 1) * np.cov(two.T)
        pooled = pooled / (count - 2)
        t_squared = float(mean @ np.linalg.solve(pooled, mean)) * len(one) * len(two) / count
        f = t_squared * freedom / (axes * (count - 2))
    return VectorTest(t_squared=t_squared, f=f, p=float(fdtrc(axes, freedom, f)))

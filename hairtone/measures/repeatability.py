"""How far repeats scatter, and how many are needed.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, one-way analysis of variance.
.. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, H.5.
.. [3] ASTM E1345, Reducing the effect of variability of colour measurement by use of multiple
   measurements. From memory.
.. [4] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, stdtrit

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.words import Shown
from hairtone.uncertainty import COVERAGE

_MOST: Final = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterOf(Shown):
    """A standard deviation with its 95 % interval.

    Attributes
    ----------
    factor : str
        What makes it: ``"repeat"`` (within), ``"between"`` or ``"reproducibility"`` (both).
    sd, low : float
        Standard deviation and lower limit.
    high : float or None
        None: unbounded.
    freedom : float
        Degrees of freedom behind it.
    n : int
        Readings.
    """

    factor: str
    sd: float
    low: float
    high: float | None
    freedom: float
    n: int

    def to_frame(self) -> Any:
        """One row: factor, sd, low, high, n."""
        import pandas as pd

        names = ("factor", "sd", "low", "high", "n")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability(Shown):
    """Scatter within and between groups (operators, days, tresses) [1]_.

    Attributes
    ----------
    within, between, total : ScatterOf
        Of repeats, of groups, and of a single reading in any group.
    f, p : float
        Ratio of mean squares and the p of no difference between groups.
    mean_square_within, mean_square_between : float
        As in the table of variance.
    """

    within: ScatterOf
    between: ScatterOf
    total: ScatterOf
    f: float
    p: float
    mean_square_within: float
    mean_square_between: float

    def to_frame(self) -> Any:
        """One row a factor, columns as repeats.csv from `factor` on."""
        import pandas as pd

        return pd.concat([s.to_frame() for s in (self.within, self.between, self.total)])


def measure_repeatability(
    groups: Sequence[ArrayLike],
    *,
    names: tuple[str, str, str] = ("repeat", "between", "reproducibility"),
) -> Repeatability:
    """Scatter of repeats within groups and between groups, one-way nested [1]_, [2]_.

    Parameters
    ----------
    groups : sequence of array_like
        Readings of each group; groups of one reading count for `between` only.
    names : tuple of str, optional
        What the three factors are called.

    Raises
    ------
    MeasureError
        ``no-repeats``: fewer than two groups, or no group with two readings.
    """
    values = [np.asarray(g, np.float64) for g in groups if np.size(g)]
    sizes = np.array([len(v) for v in values])
    count, total = len(values), int(sizes.sum())
    if count < 2 or total <= count:
        raise MeasureError(
            "no-repeats",
            f"{total} readings in {count} groups tell no scatter of repeats.",
            remedy="Re-comb and photograph again: two readings or more in two groups or more.",
        )
    means = np.array([v.mean() for v in values])
    grand = float(np.concatenate(values).mean())
    inside = float(sum(((v - m) ** 2).sum() for v, m in zip(values, means, strict=True)))
    across = float((sizes * (means - grand) ** 2).sum())
    ms_within, ms_between = inside / (total - count), across / (count - 1)
    each = (total - float((sizes**2).sum()) / total) / (count - 1)  # repeats a group, unbalanced
    between = max(ms_between - ms_within, 0.0) / each
    f = ms_between / ms_within if ms_within > 0 else np.inf
    return Repeatability(
        within=scatter(ms_within, total - count, factor=names[0], n=total),
        between=scatter(
            between,
            _freedom((ms_between / each, count - 1), (-ms_within / each, total - count)),
            factor=names[1],
            n=total,
        ),
        total=scatter(
            between + ms_within,
            _freedom((ms_between / each, count - 1), (ms_within * (1 - 1 / each), total - count)),
            factor=names[2],
            n=total,
        ),
        f=f,
        p=float(fdtrc(count - 1, total - count, f)) if np.isfinite(f) else 0.0,
        mean_square_within=ms_within,
        mean_square_between=ms_between,
    )


def _freedom(*parts: tuple[float, float]) -> float:
    """Effective degrees of freedom of a sum of mean squares [4]_."""
    whole = sum(part for part, _ in parts)
    spread = sum(part**2 / free for part, free in parts)
    return float(max(whole**2 / spread, 0.0)) if spread > 0 and whole > 0 else 0.0


def scatter(variance: float, freedom: float, *, factor: str, n: int) -> ScatterOf:
    """A variance as a standard deviation with its χ² limits.

    Parameters
    ----------
    variance, freedom : float
        Variance and its degrees of freedom; under 1 the upper limit is unbounded.
    factor : str
        What makes it.
    n : int
        Readings.
    """
    sd = float(np.sqrt(variance))
    if variance <= 0 or freedom <= 0:
        return ScatterOf(factor=factor, sd=0.0, low=0.0, high=None, freedom=freedom, n=n)
    tail = (1 - COVERAGE) / 2
    low = sd * np.sqrt(freedom / chdtri(freedom, tail))
    high = sd * np.sqrt(freedom / chdtri(freedom, 1 - tail)) if freedom >= 1 else None
    return ScatterOf(
        factor=factor,
        sd=sd,
        low=float(low),
        high=None if high is None else float(high),
        freedom=freedom,
        n=n,
    )


def repeat_covariance(groups: Sequence[ArrayLike]) -> tuple[Floats, int]:
    """Covariance of repeats, pooled over groups, and its degrees of freedom.

    In place of the borrowed covariance of re-laying where a study has repeats.

    Parameters
    ----------
    groups : sequence of array_like, shape (n, 3)
        L*a*b* of repeats of one state of one hair each.

    Raises
    ------
    MeasureError
        ``no-repeats``: no group holds two readings.
    """
    rests = [np.asarray(g, np.float64) for g in groups if len(np.asarray(g)) > 1]
    freedom = sum(len(g) - 1 for g in rests)
    if freedom < 1:
        raise MeasureError(
            "no-repeats",
            "No state of any hair was photographed twice.",
            remedy="Re-comb and photograph again at least once; three repeats are better.",
        )
    squares = sum(((g - g.mean(axis=0)).T @ (g - g.mean(axis=0)) for g in rests), np.zeros(()))
    return np.asarray(squares / freedom), freedom


def repeats_needed(sd: float, *, half_width: float) -> int:
    """Fewest repeats whose mean is known to ± `half_width` with 95 % (t law, SD taken as known).

    Parameters
    ----------
    sd : float
        Of one repeat, > 0.
    half_width : float
        Wanted, > 0, in the same unit.
    """
    if not (sd > 0 and half_width > 0):
        raise ValueError(f"sd = {sd} and half_width = {half_width} must be above 0.")
    count = 2
    while stdtrit(count - 1, (1 + COVERAGE) / 2) * sd / np.sqrt(count) > half_width:
        count += 1
        if count > _MOST:
            raise ValueError(f"More than {_MOST} repeats would be needed.")
    return count


def repeats_for_standard_error(sd: float, *, standard_error: float) -> int:
    """Repeats for a standard error of the mean, n = (s/SE)² rounded up, at least 1 [3]_."""
    if not (sd > 0 and standard_error > 0):
        raise ValueError(f"sd = {sd} and standard_error = {standard_error} must be above 0.")
    return max(1, int(np.ceil((sd / standard_error) ** 2 - 1e-9)))


def power_of(tresses: int, *, effect: float, paired: bool = False) -> float:
    """Chance that a two-sided 5 % t test sees a true difference.

    Parameters
    ----------
    tresses : int
        Of each treatment, or pairs; 2 or more.
    effect : float
        True difference in SDs of one tress (of a paired difference where `paired`).
    paired : bool, optional
        Pairs rather than two groups.
    """
    from scipy.stats import nct

    freedom = tresses - 1 if paired else 2 * (tresses - 1)
    shift = effect * np.sqrt(tresses if paired else tresses / 2)
    edge = float(stdtrit(freedom, (1 + COVERAGE) / 2))
    return float(nct.sf(edge, freedom, shift) + nct.cdf(-edge, freedom, shift))


def tresses_needed(*, effect: float, power: float = 0.8, paired: bool = False) -> int:
    """Tresses of each treatment (or pairs) to see a difference with this power at 5 %.

    Parameters
    ----------
    effect : float
        True difference in SDs of one tress, > 0.
    power : float, optional
        Chance of seeing it, below 1.
    paired : bool, optional
        Pairs rather than two groups.
    """
    if not (effect > 0 and 0 < power < 1):
        raise ValueError(f"effect = {effect} must be above 0 and power = {power} between 0 and 1.")
    count = 2
    while power_of(count, effect=effect, paired=paired) < power:
        count += 1
        if count > _MOST:
            raise ValueError(f"More than {_MOST} tresses would be needed.")
    return count

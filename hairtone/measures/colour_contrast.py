"""The difference of two mean colours as a vector: its length, test and interval.

Two treatments that take up equally much, one copper and one ash, are not equal: what is compared
is the L*a*b* vector, in axes in which CIEDE2000 is the plain length.

References
----------
.. [1] E. Brunner, H. Dette, A. Munk, J. Am. Stat. Assoc. 92 (1997) 1494-1502,
   doi:10.1080/01621459.1997.10473671: a test by the trace, for few readings. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Final

import numpy as np
from scipy.special import chdtri, fdtrc, fdtri, ndtri
from scipy.stats import qmc

from hairtone.colorimetry import Floats, delta_e, delta_e_metric
from hairtone.measures.contrast import (
    Design,
    Estimate,
    alone_variance,
    estimate_contrast,
    systematic_variance,
)
from hairtone.uncertainty import COVERAGE, limits_of_reached

_POINTS: Final = 1024  # of the sampling law; limits repeat to 2 %; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourContrast:
    """Length of the difference of two mean colours.

    Attributes
    ----------
    delta_e : float
        CIEDE2000 of the two mean colours.
    low, high : float
        95 % interval of the true length; `low` is 0 where no difference is shown.
    p : float
        Of equal mean colours [1]_.
    freedom : float
        Degrees of freedom of the noise.
    sd : float
        Root mean square length of the scatter of one tress (or pair).
    method : str
        As of a figure.
    """

    delta_e: float
    low: float
    high: float
    p: float
    freedom: float
    sd: float
    method: str
    _noise: Floats = field(repr=False)
    _units: Floats = field(repr=False)

    def p_equivalence(self, margin: float) -> float:
        """Chance of a length as short as this, were the true one at the margin."""
        chances = [
            float((np.linalg.norm(margin * unit + self._noise, axis=1) <= self.delta_e).mean())
            for unit in self._units
        ]
        return max(chances)


def colour_contrast(design: Design, values: Floats, draws: Floats | None) -> ColourContrast:
    """First treatment less second as a colour difference.

    Parameters
    ----------
    design : Design
        The units.
    values : ndarray, shape (r, 3)
        L*a*b* of the readings.
    draws : ndarray, shape (K, r, 3), or None
        Under equally good calibrations.
    """
    units = design.means @ values
    middle = (units[design.is_first].mean(axis=0) + units[~design.is_first].mean(axis=0)) / 2
    root = np.linalg.cholesky(delta_e_metric(middle)).T
    turn = _axes(design, units @ root.T).T @ root  # Lab -> axes of the scatter
    estimates, methods = [], []
    standard = 0.0
    for axis in turn:
        outcome = estimate_contrast(design, units @ axis)
        estimate = outcome.estimate
        if design.alone:
            variance, freedom = alone_variance(design, values @ axis)
            estimate = estimate.joined(variance, freedom)
        standard += estimate.variance
        if draws is not None:
            seen = draws @ axis @ design.means.T
            estimate = estimate.widened(systematic_variance(design, seen, outcome.weights))
        estimates.append(estimate)
        methods.append(outcome.method)
    gap = np.array([e.difference for e in estimates])
    half = np.linalg.solve(turn, gap) / 2
    reading = float(delta_e(middle + half, middle - half))
    method = "mixed model" if "mixed model" in methods else methods[0]
    scale = float(np.sqrt(design.units_behind(method) * standard))
    return _judged(reading, gap, estimates, method=method, sd=scale)


def _axes(design: Design, units: Floats) -> Floats:
    """Directions in which the scatter of the units is uncorrelated, as columns."""
    columns = np.c_[design.is_first, ~design.is_first].astype(np.float64)
    for groups in design.shared.values():
        wider = np.c_[columns, groups[:, None] == np.arange(groups.max() + 1)]
        if np.linalg.matrix_rank(wider) < len(units) - 1 or len(units) <= 4:
            columns = wider
    rest = units - columns @ np.linalg.lstsq(columns, units, rcond=None)[0]
    return np.asarray(np.linalg.eigh(rest.T @ rest)[1])


def _judged(
    reading: float, gap: Floats, estimates: list[Estimate], *, method: str, sd: float
) -> ColourContrast:
    """Test and limits of a length from the variances along its axes."""
    variances = np.array([max(e.variance, 0.0) for e in estimates])
    freedoms = np.array([e.freedom for e in estimates])
    total = float(variances.sum())
    if total <= 0:
        still = np.zeros((1, 3))
        return ColourContrast(
            delta_e=reading, low=reading, high=reading, p=float(reading == 0), freedom=1.0,
            sd=0.0, method=method, _noise=still, _units=np.eye(3)[:1],
        )  # fmt: skip
    spread = float((variances**2).sum())
    freedom = total**2 / float((variances**2 / freedoms).sum()) * (spread / total**2)
    axes = total**2 / spread  # along how many the noise spreads, 1 to 3
    p = float(fdtrc(axes, axes * freedom, reading**2 / total))
    critical = float(np.sqrt(total * fdtri(axes, axes * freedom, COVERAGE)))
    noise = _points(float(f"{freedom:.3g}")) * np.sqrt(variances)
    length = float(np.linalg.norm(gap))
    along = gap / length if length > 0 else np.eye(3)[int(np.argmax(variances))]
    inside = (noise @ along) ** 2 - (noise**2).sum(axis=1) + reading**2
    reached = np.where(inside >= 0, -(noise @ along) + np.sqrt(np.maximum(inside, 0.0)), 0.0)
    low, high = limits_of_reached(reached, np.abs(noise @ along))
    return ColourContrast(
        delta_e=reading,
        low=min(max(low, reading - critical), reading) if reading > critical else 0.0,
        high=max(high, reading),
        p=p,
        freedom=freedom,
        sd=sd,
        method=method,
        _noise=noise,
        _units=np.array([along, np.eye(3)[int(np.argmax(variances))]]),
    )


@cache
def _grid() -> Floats:
    """Unit normal points and a share of a distribution, evenly spread (Sobol), (n, 4)."""
    grid = qmc.Sobol(4, scramble=True, seed=0).random(_POINTS)
    return np.c_[ndtri(grid[:, :3]), 1 - grid[:, 3]]


@lru_cache(maxsize=64)
def _points(freedom: float) -> Floats:
    """Points of the t law in three dimensions, the same at every call."""
    grid = _grid()
    return np.asarray(grid[:, :3] / np.sqrt(chdtri(freedom, grid[:, 3]) / freedom)[:, None])

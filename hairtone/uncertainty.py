"""A measured colour with its uncertainty, and the difference between two of them.

References
----------
.. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method.
.. [2] L. A. Currie, Anal. Chem. 40 (1968) 586-593, doi:10.1021/ac60259a007.
.. [3] J. Neyman, Phil. Trans. R. Soc. A 236 (1937) 333-380, doi:10.1098/rsta.1937.0005.
.. [4] B. Efron, Can. J. Statist. 9 (1981) 139-158, doi:10.2307/3314608: limits corrected for the
   bias of the median. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from hairtone.colorimetry import (
    DEFAULT_VIEWING,
    DifferenceFormula,
    Floats,
    Viewing,
    delta_e,
    delta_e_metric,
)

COVERAGE: Final = 0.95  # coverage probability of every interval in a report; [1], 7.7
DRAWS: Final = 256  # camera-and-light draws kept with every colour; our choice: 0.3 MB a photo
_LEAST_ABLE: Final = 200  # draws an upper limit is taken from: five of them lie beyond it
_ANY_WAY: Final = 0.83  # share of lengths of round noise under 2.24 SD, its 97.5 % along one axis
_TRIALS: Final = 4096  # points of the sampling law; quantiles repeat to 1 %; our choice


def read_only(values: ArrayLike, *, shape: tuple[int | None, ...], name: str) -> Floats:
    """An unchangeable float64 copy of `values`, its shape (None = any length) and values checked.

    Raises
    ------
    ValueError
        Another shape, or a value that is not finite.
    """
    array = np.array(values, dtype=np.float64)
    fits = len(shape) == array.ndim and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        want = tuple("any" if n is None else n for n in shape)
        raise ValueError(f"{name} has shape {array.shape}, expected {want}.")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} is not finite: {int((~np.isfinite(array)).sum())} values.")
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabEstimate:
    """The mean colour of a piece of hair, with its uncertainty.

    Attributes
    ----------
    lab : ndarray, shape (3,), float64
        CIE 1976 L*, a*, b* for `viewing`.
    sampling_covariance : ndarray, shape (3, 3), float64
        Covariance of the mean from the spread of the hair itself. [Lab units squared]
    draws : ndarray, shape (K, 3), float32
        The colour under each of K equally good calibrations. Row k of every colour of one photo
        (of one pool, when pooled) is the same camera and light.
    viewing : Viewing
        Illuminant and observer of `lab` and `draws`.
    """

    lab: Floats
    sampling_covariance: Floats
    draws: NDArray[np.float32]
    viewing: Viewing = DEFAULT_VIEWING

    def __post_init__(self) -> None:
        own = object.__setattr__
        own(self, "lab", read_only(self.lab, shape=(3,), name="LabEstimate.lab"))
        own(
            self,
            "sampling_covariance",
            read_only(
                self.sampling_covariance,
                shape=(3, 3),
                name="LabEstimate.sampling_covariance",
            ),
        )
        draws = read_only(self.draws, shape=(None, 3), name="LabEstimate.draws")
        draws = draws.astype(np.float32)
        draws.flags.writeable = False
        own(self, "draws", draws)

    @property
    def calibration_covariance(self) -> Floats:
        """Covariance common to every colour of the photo, shape (3, 3). [Lab units squared]"""
        return _second_moment(self.draws.astype(np.float64) - self.lab)

    @property
    def covariance(self) -> Floats:
        """Sampling and calibration covariance together, shape (3, 3). [Lab units squared]"""
        return np.asarray(self.sampling_covariance + self.calibration_covariance)

    @property
    def u95(self) -> float:
        """95 % of equally good answers lie within this ΔE00 of `lab`."""
        return spread_u95(self.lab, self.covariance)

    def to_frame(self) -> Any:
        """One row: L, a, b, u95, viewing."""
        import pandas as pd

        lightness, a, b = self.lab
        row = {"L": lightness, "a": a, "b": b, "u95": self.u95, "viewing": self.viewing.name}
        return pd.DataFrame([row])

    def _repr_html_(self) -> str:
        lightness, a, b = self.lab
        return (
            f"<span>L* {lightness:.1f}, a* {a:.1f}, b* {b:.1f} "
            f"(± {self.u95:.1f} ΔE₀₀, {self.viewing.name})</span>"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourDifference:
    """Difference of two mean colours; every field in units of the formula used.

    Attributes
    ----------
    delta_e : float
        Difference between the two means.
    low, high : float
        95 % interval of the true difference: the true differences that would not make this
        reading rare at 2.5 % a side [3]_. `low` is 0 when the difference is not resolved.
    critical : float
        The most that two equal colours show in 95 of 100 repeats [2]_.
    """

    delta_e: float
    low: float
    high: float
    critical: float

    @property
    def is_resolved(self) -> bool:
        """Whether the difference stands above what noise alone produces."""
        return self.delta_e > self.critical

    def to_dict(self) -> dict[str, float | bool]:
        """Keys of the JSON contract: delta_e, low, high, critical, resolved."""
        return {
            "delta_e": self.delta_e,
            "low": self.low,
            "high": self.high,
            "critical": self.critical,
            "resolved": self.is_resolved,
        }

    def to_frame(self) -> Any:
        """One row of `to_dict`."""
        import pandas as pd

        return pd.DataFrame([self.to_dict()])

    def _repr_html_(self) -> str:
        word = "" if self.is_resolved else ", not resolved"
        return f"<span>ΔE₀₀ {self.delta_e:.1f} ({self.low:.1f} to {self.high:.1f}{word})</span>"


def _second_moment(residuals: Floats) -> Floats:
    return np.asarray(residuals.T @ residuals / len(residuals))


@cache
def _normal_points() -> Floats:
    """Unit normal points in three dimensions, evenly spread (Sobol), the same at every call."""
    points = qmc.Sobol(3, scramble=True, seed=0).random(_TRIALS)
    shaken = np.asarray(ndtri(points), dtype=np.float64)
    shaken.flags.writeable = False
    return shaken


def spread_u95(lab: ArrayLike, covariance: ArrayLike) -> float:
    """Radius in ΔE00 around `lab` that holds 95 % of a normal spread of that covariance."""
    radii = _noise_in_metric(np.asarray(lab, float), np.asarray(covariance, float))
    return float(np.quantile(np.linalg.norm(radii, axis=1), COVERAGE))


def _noise_in_metric(lab: Floats, covariance: Floats) -> Floats:
    """Noise points, shape (n, 3), in axes where ΔE00 is the plain length."""
    root = np.linalg.cholesky(delta_e_metric(lab)).T
    values, vectors = np.linalg.eigh(root @ covariance @ root.T)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(_normal_points() @ spread.T)


def pair_covariance(first: LabEstimate, second: LabEstimate, *, paired: bool) -> Floats:
    """Covariance of `second` minus `first`, shape (3, 3). [Lab units squared]

    Parameters
    ----------
    first, second : LabEstimate
        The two colours.
    paired : bool
        Whether row k of both draws is the same camera and light (one photo, one pool).
        Then calibration errors are differenced row by row; otherwise they add.
    """
    sampling = first.sampling_covariance + second.sampling_covariance
    if not paired:
        return sampling + first.calibration_covariance + second.calibration_covariance
    gap = (second.draws.astype(np.float64) - second.lab) - (
        first.draws.astype(np.float64) - first.lab
    )
    return np.asarray(sampling + _second_moment(gap))


def colour_difference(
    first: LabEstimate,
    second: LabEstimate,
    *,
    paired: bool,
    formula: DifferenceFormula = delta_e,
    extra_covariance: ArrayLike | None = None,
) -> ColourDifference:
    """Return the difference between two measured colours, with its interval and critical value.

    Parameters
    ----------
    first, second : LabEstimate
        The reference colour and the colour compared with it, for one viewing.
    paired : bool
        Whether row k of both draws is the same camera and light (one photo, one pool).
    formula : callable, optional
        Difference of two arrays of shape (..., 3); CIEDE2000 by default.
    extra_covariance : array_like, shape (3, 3), optional
        Further covariance of the difference, such as that of re-laying the hair.

    Raises
    ------
    ValueError
        The two colours are stated for different viewings.
    """
    if first.viewing != second.viewing:
        raise ValueError(
            f"One colour is stated for {first.viewing}, the other for {second.viewing}. "
            f"Measure both for the same viewing."
        )
    covariance = pair_covariance(first, second, paired=paired)
    if extra_covariance is not None:
        covariance = covariance + np.asarray(extra_covariance, dtype=np.float64)
    return difference_from_covariance(first.lab, second.lab, covariance, formula=formula)


def difference_from_covariance(
    first: ArrayLike,
    second: ArrayLike,
    covariance: ArrayLike,
    *,
    formula: DifferenceFormula = delta_e,
) -> ColourDifference:
    """Difference of two L*a*b* whose difference vector has this normal covariance.

    The interval inverts the sampling law of the difference [3]_: a true difference t in the
    direction seen, plus noise, reads ``|t·u + e|``. The reading r is reached by the noise e exactly
    when t passes ``t(e) = -e·u + sqrt((e·u)² - |e|² + r²)``, so the limits are quantiles of it.

    The metric halfway between the colours serves all of that noise; for colours apart it does not,
    least near opposite hues, where CIEDE2000 jumps as the mean hue turns over. Where the difference
    is resolved, the noise is therefore put on the colours themselves [1]_, and only what noise
    across the difference adds to its length is taken from the metric.

    Parameters
    ----------
    first, second : array_like, shape (3,)
        L*a*b* of the two colours.
    covariance : array_like, shape (3, 3)
        Covariance of the difference vector. [Lab units squared]
    formula : callable, optional
        CIEDE2000 by default; any other is taken as locally proportional to a Euclidean
        length in L*a*b*.
    """
    one, two = np.asarray(first, np.float64), np.asarray(second, np.float64)
    reading = float(formula(one, two))
    middle, gap = (one + two) / 2, two - one
    covariance = np.asarray(covariance, np.float64)
    noise = (
        _noise_in_metric(middle, covariance)
        if formula is delta_e
        else _noise_in_formula(middle, covariance, formula)
    )
    root = np.linalg.cholesky(delta_e_metric(middle)).T if formula is delta_e else np.eye(3)
    along = root @ gap
    length = float(np.linalg.norm(along))
    unit = along / length if length > 0 else np.array([1.0, 0.0, 0.0])

    critical = float(np.quantile(np.linalg.norm(noise, axis=1), COVERAGE))
    resolved = reading > critical
    law = _read_law(one, two, covariance, formula) if resolved else None
    low, high = _invert_length(reading, noise, unit, law)
    return ColourDifference(
        delta_e=reading,
        low=min(low, reading) if resolved else 0.0,
        high=max(high, reading),
        critical=critical,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ReadLaw:
    """What a formula reads of two colours under each noise point.

    Attributes
    ----------
    read : ndarray, shape (n,)
        For errors of both colours that are alike and independent.
    is_same_turn : ndarray of bool, shape (n,)
        Whether the hue still goes the same way round from one colour to the other: the mean hue
        turns over where opposite hues pass each other, and CIEDE2000 jumps.
    """

    read: Floats
    is_same_turn: NDArray[np.bool_]


def _read_law(one: Floats, two: Floats, covariance: Floats, formula: DifferenceFormula) -> _ReadLaw:
    values, vectors = np.linalg.eigh(covariance)
    noise = _normal_points() @ (vectors * np.sqrt(np.maximum(values, 0.0))).T / 2
    # the same points serve twice: turned, so that the shift of both is independent of their gap
    shift = np.roll(noise, 1 + _TRIALS // 3, axis=0)
    first, second = one + shift - noise, two + shift + noise
    turn = first[:, 1] * second[:, 2] - first[:, 2] * second[:, 1]
    apart = first[:, 1] * second[:, 1] + first[:, 2] * second[:, 2] < 0
    own = one[1] * two[2] - one[2] * two[1]
    return _ReadLaw(
        read=np.asarray(formula(first, second)), is_same_turn=~apart | (turn * own >= 0)
    )


def _noise_in_formula(middle: Floats, covariance: Floats, formula: DifferenceFormula) -> Floats:
    """Noise points of a formula other than CIEDE2000, keeping their length under it."""
    values, vectors = np.linalg.eigh(covariance)
    noise = _normal_points() @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    plain = np.linalg.norm(noise, axis=1)
    length = formula(middle - noise / 2, middle + noise / 2)
    return np.asarray(noise * (length / np.where(plain > 0, plain, 1.0))[:, None])


def _invert_length(
    reading: float, noise: Floats, unit: Floats, law: _ReadLaw | None
) -> tuple[float, float]:
    """Limits of the true length t whose reading |t·unit + noise| is not rare at 2.5 % a side.

    `law` holds what the formula itself reads under each noise; without it noise adds in the metric.
    """
    along = noise @ unit
    across = (noise**2).sum(axis=1) - along**2
    inside = reading**2 - across
    moved = -along if law is None else np.sqrt(np.maximum(law.read**2 - across, 0.0)) - reading
    longest = np.maximum(moved + np.sqrt(np.maximum(inside, 0.0)), 0.0)  # no length is negative
    reached = np.where(inside >= 0, longest, 0.0)
    if law is None:
        low, high = limits_of_reached(reached, np.abs(along))
        # so little says nothing of the direction, and noise is seldom round
        hidden = np.linalg.norm(reading * unit + noise, axis=1)
        return low, max(high, float(np.quantile(hidden, _ANY_WAY)))
    # noise lifts chroma and so bends what is read: limits are moved by twice the shift of the
    # median, as the reading has been moved once and the law again [4]_
    same = law.is_same_turn
    off = 2 * ndtri(np.clip((reached[same] < reading).mean(), 0.2, 0.8)) if same.any() else 0.0
    tails = ndtri([(1 - COVERAGE) / 2, (1 + COVERAGE) / 2])
    # beyond a jump lies a law of its own; both count while the noise may have crossed it
    sides = [(same, off), (~same, 0.0)]
    found = [
        np.quantile(reached[side], ndtr(shift + tails))
        for side, shift in sides
        if side.mean() >= (1 - COVERAGE) / 2
    ]
    return float(min(low for low, _ in found)), float(max(high for _, high in found))


def limits_of_reached(reached: Floats, along: Floats) -> tuple[float, float]:
    """Limits of a true length from the lengths t at which equally likely noise gives the reading.

    Noise that gives it at no t counts for the lower limit only. A reading far below what noise
    alone makes would else exclude every length, and the luckiest reading claim the narrowest
    interval; the upper limit is that of the noise which can give the reading.

    Parameters
    ----------
    reached : ndarray, shape (n,)
        Largest t for each draw of the noise, 0 where there is none.
    along : ndarray, shape (n,)
        Size of the noise along the difference: the upper limit where hardly any draw gives the
        reading.
    """
    tail = (1 - COVERAGE) / 2
    low = float(np.quantile(np.maximum(reached, 0.0), tail))
    able = reached[reached > 0]
    enough = len(able) >= _LEAST_ABLE
    return low, float(np.quantile(able if enough else along, 1 - tail))


def shift_draws(lab: ArrayLike, covariance: ArrayLike, *, seed: int) -> NDArray[np.float32]:
    """Normal calibration draws, shape (256, 3), around `lab`; for hand-made estimates and tests."""
    shaken = np.random.default_rng(seed).multivariate_normal(
        np.asarray(lab, np.float64), np.asarray(covariance, np.float64), DRAWS, method="eigh"
    )
    return shaken.astype(np.float32)

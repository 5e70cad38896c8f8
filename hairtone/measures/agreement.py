"""Photo against spectrophotometer: bias, limits of agreement, and a correction if one is wanted.

References
----------
.. [1] J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310, doi:10.1016/S0140-6736(86)90837-8.
.. [2] J. M. Bland, D. G. Altman, Stat. Methods Med. Res. 8 (1999) 135-160,
   doi:10.1177/096228029900800204: several readings of one subject. From memory.
.. [3] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019. From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import MeasureError
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE, LabEstimate

AXES: Final = ("L", "a", "b")
LEAST_READINGS: Final = 3  # from which a bias is given; our choice
LEAST_FOR_LIMITS: Final = 10  # readings; from fewer, limits are wider than anyone can use
LEAST_CLUSTERS: Final = 3  # hairs; from two, the scatter between hairs is hardly known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement(Shown):
    """Agreement of photo and instrument on the same hair.

    Attributes
    ----------
    bias, sd : ndarray, shape (3,)
        Mean of photo less instrument, L*, a*, b*, and the SD of one reading of a new hair.
    bias_low, bias_high : ndarray, shape (3,)
        95 % interval of the bias.
    limit_low, limit_high : ndarray, shape (3,), or None
        What 95 of 100 further readings, of other hairs, lie between [1]_ [2]_; None where the
        readings are too few to say.
    delta_e : float
        Mean ΔE00 of the pairs.
    n, clusters : int
        Pairs, and the hairs they are of.
    reason : str
        Why there are no limits; "" where there are.
    """

    bias: Floats
    sd: Floats
    bias_low: Floats
    bias_high: Floats
    limit_low: Floats | None
    limit_high: Floats | None
    delta_e: float
    n: int
    clusters: int
    reason: str = ""

    def to_frame(self) -> Any:
        """One row an axis, columns as agreement.csv from `axis` on."""
        import pandas as pd

        return pd.DataFrame(
            {
                "axis": AXES,
                "bias": self.bias,
                "bias_low": self.bias_low,
                "bias_high": self.bias_high,
                "limit_low": self.limit_low,
                "limit_high": self.limit_high,
                "n": self.n,
            }
        )


def measure_agreement(
    photo: ArrayLike, instrument: ArrayLike, *, clusters: Sequence[object] | None = None
) -> Agreement:
    """Agreement of pairs of readings, both for one viewing [1]_.

    Parameters
    ----------
    photo, instrument : array_like, shape (n, 3)
        L*a*b* of the same places, n >= 3.
    clusters : sequence, shape (n,), optional
        Which hair each pair is of: readings of one hair are alike [2]_. Without it every pair is a
        hair of its own.

    Raises
    ------
    MeasureError
        ``too-few-readings``.

    Notes
    -----
    Hairs and readings of one hair scatter by themselves (one-way analysis of variance). Limits
    take the error of the bias in, and Student's t on the degrees of freedom of [3]_: bias ∓ 1.96 SD
    holds 77 of 100 further readings after 3, and 93 after 20.
    """
    seen, read = (np.atleast_2d(np.asarray(v, np.float64)) for v in (photo, instrument))
    if len(seen) != len(read) or len(seen) < LEAST_READINGS:
        raise MeasureError(
            "too-few-readings",
            f"{len(seen)} colours of photos and {len(read)} readings make no agreement.",
            remedy=f"Read {LEAST_READINGS} places or more that the photos measure too.",
        )
    gap = seen - read
    labels = np.arange(len(gap)) if clusters is None else _labels(clusters, len(gap))
    scatter = _scatter_of(gap, labels)
    bias, count, hairs = gap.mean(axis=0), len(gap), int(labels.max()) + 1
    reach = stdtrit(scatter.bias_freedom, (1 + COVERAGE) / 2) * np.sqrt(scatter.bias_variance)
    further = stdtrit(scatter.freedom, (1 + COVERAGE) / 2) * np.sqrt(
        scatter.variance + scatter.bias_variance
    )
    reason = ""
    if count < LEAST_FOR_LIMITS or hairs < LEAST_CLUSTERS:
        reason = (
            f"Limits of agreement need {LEAST_FOR_LIMITS} readings of {LEAST_CLUSTERS} hairs; "
            f"there are {count} of {hairs}."
        )
    return Agreement(
        bias=bias,
        sd=np.sqrt(scatter.variance),
        bias_low=bias - reach,
        bias_high=bias + reach,
        limit_low=None if reason else bias - further,
        limit_high=None if reason else bias + further,
        delta_e=float(delta_e(read, seen).mean()),
        n=count,
        clusters=hairs,
        reason=reason,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scatter:
    """Variance of one reading of a new hair and of the bias, with their degrees of freedom."""

    variance: Floats
    freedom: Floats
    bias_variance: Floats
    bias_freedom: float


def _labels(clusters: Sequence[object], count: int) -> NDArray[np.int64]:
    """Each pair's hair by number, from 0."""
    if len(clusters) != count:
        raise ValueError(f"clusters names {len(clusters)} hairs for {count} pairs.")
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(name, len(numbers)) for name in clusters])


def _scatter_of(gap: Floats, labels: NDArray[np.int64]) -> _Scatter:
    """One-way analysis of variance of differences, shape (n, 3), in hairs of unequal numbers."""
    sizes = np.bincount(labels).astype(np.float64)
    count, hairs = len(gap), len(sizes)
    if count == hairs or hairs == 1:
        variance = gap.var(axis=0, ddof=1)
        freedom = np.full(gap.shape[1], count - 1.0)
        return _Scatter(variance=variance, freedom=freedom, bias_variance=variance / count,
                        bias_freedom=count - 1.0)  # fmt: skip
    means = np.stack([np.bincount(labels, axis) / sizes for axis in gap.T], axis=1)
    between = (sizes[:, None] * (means - gap.mean(axis=0)) ** 2).sum(axis=0) / (hairs - 1)
    within = ((gap - means[labels]) ** 2).sum(axis=0) / (count - hairs)
    usual = (count - (sizes**2).sum() / count) / (hairs - 1)  # readings a hair
    part, rest = between / usual, (1 - 1 / usual) * within
    variance = np.maximum(part + rest, within)
    freedom = variance**2 / (part**2 / (hairs - 1) + rest**2 / (count - hairs) + 1e-300)
    of_hair = np.maximum((between - within) / usual, 0.0)
    return _Scatter(
        variance=variance,
        freedom=np.clip(freedom, hairs - 1, count - 1),
        bias_variance=of_hair * (sizes**2).sum() / count**2 + within / count,
        bias_freedom=hairs - 1.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalCorrection:
    """Takes the bias against an instrument off colours near those it was found on.

    Attributes
    ----------
    bias : ndarray, shape (3,)
        Taken off. [Lab units]
    covariance : ndarray, shape (3, 3)
        Of `bias`; added to what is corrected.
    centre : ndarray, shape (3,)
        Mean of the colours it was found on.
    reach : float
        Largest ΔE00 of those from their mean; colours further away are not corrected.
    label : str
        What every corrected figure has to carry.
    """

    bias: Floats
    covariance: Floats
    centre: Floats
    reach: float
    label: str

    def apply(self, estimate: LabEstimate) -> LabEstimate:
        """The colour corrected.

        Raises
        ------
        MeasureError
            ``outside-correction``: it lies outside the colours the correction was found on.
        """
        away = float(delta_e(self.centre, estimate.lab))
        if away > self.reach:
            raise MeasureError(
                "outside-correction",
                f"The colour lies {away:.1f} ΔE₀₀ from those the instrument read "
                f"(they reach {self.reach:.1f}).",
                remedy="Read hair of this colour with the instrument too.",
            )
        return replace(
            estimate,
            lab=estimate.lab - self.bias,
            draws=(estimate.draws - self.bias).astype(np.float32),
            sampling_covariance=estimate.sampling_covariance + self.covariance,
        )


def local_correction(photo: ArrayLike, instrument: ArrayLike, *, name: str) -> LocalCorrection:
    """Correction by the mean difference from an instrument.

    Parameters
    ----------
    photo, instrument : array_like, shape (n, 3)
        L*a*b* of the same places, n >= 5.
    name : str
        The instrument, for the label.

    Raises
    ------
    MeasureError
        ``too-few-readings``: under 5, its own error would be as large as what it takes off.
    """
    seen, read = (np.atleast_2d(np.asarray(v, np.float64)) for v in (photo, instrument))
    if len(seen) != len(read) or len(seen) < LEAST_READINGS + 2:
        raise MeasureError(
            "too-few-readings",
            f"{len(seen)} colours of photos and {len(read)} readings do not carry a correction.",
            remedy=f"Read {LEAST_READINGS + 2} places or more that the photos measure too.",
        )
    gap, centre = seen - read, seen.mean(axis=0)
    return LocalCorrection(
        bias=gap.mean(axis=0),
        covariance=np.cov(gap.T) / len(gap),
        centre=centre,
        reach=float(delta_e(centre, seen).max()),
        label=f"corrected by the mean difference from {name or 'an instrument'} "
        f"({len(gap)} readings)",
    )


def readings_words(found: Agreement) -> Sequence[str]:
    """Agreement in plain sentences, one an axis, and the reason where limits are missing."""
    lines = []
    for at, axis in enumerate(AXES):
        bias = float(found.bias[at])
        line = (
            f"{axis}*: the photos read {abs(bias):.1f} {'higher' if bias > 0 else 'lower'} than "
            "the instrument on average"
        )
        if found.limit_low is not None and found.limit_high is not None:
            line += (
                f"; 95 of 100 readings differ by {found.limit_low[at]:.1f} to "
                f"{found.limit_high[at]:.1f}"
            )
        lines.append(line)
    return [*lines, found.reason] if found.reason else lines

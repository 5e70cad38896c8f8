"""Photo against spectrophotometer: bias, limits of agreement, and a correction if one is wanted.

References
----------
.. [1] J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310, doi:10.1016/S0140-6736(86)90837-8.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import MeasureError
from hairtone.measures.words import Shown
from hairtone.uncertainty import COVERAGE, LabEstimate

AXES: Final = ("L", "a", "b")
LEAST_READINGS: Final = 3  # from which a scatter is told; our choice
_NORMAL: Final = 1.959964  # 95 % of a normal law; [1] takes 1.96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement(Shown):
    """Agreement of photo and instrument on the same hair.

    Attributes
    ----------
    bias, sd : ndarray, shape (3,)
        Mean and SD of photo less instrument, L*, a*, b*.
    bias_low, bias_high : ndarray, shape (3,)
        95 % interval of the bias.
    limit_low, limit_high : ndarray, shape (3,)
        Limits of agreement, bias ∓ 1.96 SD [1]_.
    delta_e : float
        Mean ΔE00 of the pairs.
    n : int
        Pairs.
    """

    bias: Floats
    sd: Floats
    bias_low: Floats
    bias_high: Floats
    limit_low: Floats
    limit_high: Floats
    delta_e: float
    n: int

    def to_frame(self) -> Any:
        """One row an axis, columns as agreement.csv from `axis` on."""
        import pandas as pd

        return pd.DataFrame(
            {
                "axis": AXES,
                "bias": self.bias,
                "limit_low": self.limit_low,
                "limit_high": self.limit_high,
                "n": self.n,
            }
        )


def measure_agreement(photo: ArrayLike, instrument: ArrayLike) -> Agreement:
    """Agreement of pairs of readings, both for one viewing [1]_.

    Parameters
    ----------
    photo, instrument : array_like, shape (n, 3)
        L*a*b* of the same places, n >= 3.

    Raises
    ------
    MeasureError
        ``too-few-readings``.
    """
    seen, read = (np.atleast_2d(np.asarray(v, np.float64)) for v in (photo, instrument))
    if len(seen) != len(read) or len(seen) < LEAST_READINGS:
        raise MeasureError(
            "too-few-readings",
            f"{len(seen)} colours of photos and {len(read)} readings make no agreement.",
            remedy=f"Read {LEAST_READINGS} places or more that the photos measure too.",
        )
    gap = seen - read
    bias, sd, count = gap.mean(axis=0), gap.std(axis=0, ddof=1), len(gap)
    reach = float(stdtrit(count - 1, (1 + COVERAGE) / 2)) * sd / np.sqrt(count)
    return Agreement(
        bias=bias,
        sd=sd,
        bias_low=bias - reach,
        bias_high=bias + reach,
        limit_low=bias - _NORMAL * sd,
        limit_high=bias + _NORMAL * sd,
        delta_e=float(delta_e(read, seen).mean()),
        n=count,
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
    """Agreement in plain sentences, one an axis."""
    return [
        f"{axis}*: the photos read {abs(bias):.1f} {'higher' if bias > 0 else 'lower'} than the "
        f"instrument on average; 95 of 100 readings differ by {low:.1f} to {high:.1f}"
        for axis, bias, low, high in zip(
            AXES, found.bias, found.limit_low, found.limit_high, strict=True
        )
    ]

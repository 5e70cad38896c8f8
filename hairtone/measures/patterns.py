"""Summaries of several differences at once, with intervals: their mean, largest or spread.

A summary of lengths is lifted by noise, more so the more of them it takes in. The pattern seen is
taken as the direction, its size t as unknown: t patterns plus noise e read summary(t·pattern + e).
The limits of t invert that law, as `uncertainty.difference_from_covariance` does for one length.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.uncertainty import COVERAGE, limits_of_reached

TRIALS: Final = 1024  # noise draws; 2.5 % tails repeat to about 3 %; our choice for speed
_NEWTON_STEPS: Final = 12  # convex and from the right: doubles its digits each step
_STEP: Final = 1e-4
_DONE: Final = 1e-3  # of the reading
Summary = Callable[[Floats], Floats]  # (..., m, 3) in axes where length is ΔE00 -> (...)


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryLaw:
    """How far a summary is to be believed.

    Attributes
    ----------
    low, high : float
        95 % interval of the true summary.
    critical : float
        What equal colours stay under in 95 of 100 repeats.
    noise : float
        Root mean square of what equal colours read.
    """

    low: float
    high: float
    critical: float
    noise: float


def mean_length(vectors: Floats) -> Floats:
    """Mean over m lengths."""
    return np.asarray(_lengths(vectors).mean(axis=-1))


def largest_length(vectors: Floats) -> Floats:
    """Largest of m lengths."""
    return np.asarray(_lengths(vectors).max(axis=-1))


def _lengths(vectors: Floats) -> Floats:
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", vectors, vectors)))


def summary_law(reading: float, pattern: Floats, noise: Floats, summary: Summary) -> SummaryLaw:
    """Limits of the true summary whose reading was `reading`.

    Parameters
    ----------
    reading : float
        The summary as read. [ΔE00]
    pattern : ndarray, shape (m, 3)
        The differences seen, in axes where their length is ΔE00 near them.
    noise : ndarray, shape (N, m, 3)
        What noise alone adds, same axes.
    summary : callable
        A convex summary such as `mean_length`.
    """
    alone = summary(noise)
    critical = float(np.quantile(alone, COVERAGE))
    rms = float(np.sqrt((alone**2).mean()))
    size = float(summary(pattern))
    if size <= 0 or reading <= 0:
        high = float(np.quantile(alone, (1 + COVERAGE) / 2))
        return SummaryLaw(low=0.0, high=high, critical=critical, noise=rms)
    reached = _largest_root(reading, pattern * (reading / size), noise, summary)
    low, high = limits_of_reached(reached * reading, alone)
    if reading <= critical:
        low = 0.0
    return SummaryLaw(low=low, high=high, critical=critical, noise=rms)


def _largest_root(reading: float, pattern: Floats, noise: Floats, summary: Summary) -> Floats:
    """Largest t >= 0 at which summary(t·pattern + e) = reading, 0 where there is none."""
    size = np.full(len(noise), 1.0 + float(summary(noise).max()) / reading)
    for _ in range(_NEWTON_STEPS):
        here = summary(size[:, None, None] * pattern + noise)
        ahead = summary((size + _STEP)[:, None, None] * pattern + noise)
        slope = (ahead - here) / _STEP
        step = np.where(slope > 1e-6, (here - reading) / np.maximum(slope, 1e-6), np.inf)
        size = np.maximum(size - np.maximum(step, 0.0), 0.0)
        if not (np.isfinite(step) & (step > _DONE) & (size > 0)).any():
            break
    missed = summary(size[:, None, None] * pattern + noise) > reading * 1.01
    return np.where(missed, 0.0, size)

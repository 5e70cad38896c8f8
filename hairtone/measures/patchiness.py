"""Spread of colour along a hair beyond its steady change from roots to ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats, delta_e_metric
from hairtone.hair.types import Profile
from hairtone.measures.spans import measure_spans
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

_TRIALS: Final = 128
_SIZES: Final = np.linspace(0.0, 2.0, 11)  # of the pattern seen, tried for the interval
_PIECES: Final = 30  # our choice: a patch of a thirtieth of the length is the least that is seen
_ROBUST: Final = 1.4826  # SD of a normal law over its median absolute deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class Patchiness(Shown):
    """Robust spread along the hair when its steady change is taken out. [ΔE00]

    Attributes
    ----------
    value : float
        What noise adds taken off.
    raw : float
        As read.
    low, high : float
        95 % interval; `low` is 0 where not resolved.
    critical : float
        What an even hair stays under in 95 of 100 repeats, on the footing of `value`.
    """

    value: float
    raw: float
    low: float
    high: float
    critical: float

    @property
    def is_resolved(self) -> bool:
        """Whether there is more than noise alone produces."""
        return self.value > self.critical

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: value, low, high, critical, resolved."""
        return {
            "value": round(self.value, 3),
            "low": round(self.low, 3),
            "high": round(self.high, 3),
            "critical": round(self.critical, 3),
            "resolved": self.is_resolved,
        }

    def to_frame(self) -> Any:
        """One row of `to_dict`."""
        import pandas as pd

        return pd.DataFrame([self.to_dict()])


def slope_of(values: Floats) -> Floats:
    """Theil-Sen slope per step of values evenly spaced along the last axis."""
    values = np.asarray(values, dtype=np.float64)
    first, second = np.triu_indices(values.shape[-1], k=1)
    return _median((values[..., second] - values[..., first]) / (second - first))


def detrended(lab: Floats) -> Floats:
    """Colours along the hair, shape (n, 3), less the Theil-Sen line of each axis."""
    steps = np.arange(len(lab))
    line = slope_of(lab.T)[None, :] * steps[:, None]
    rest = lab - line
    return np.asarray(rest - np.median(rest, axis=0))


def measure_patchiness(profile: Profile) -> Patchiness:
    """Patchiness of one hair.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    """
    spans = measure_spans(profile, [(k / _PIECES, (k + 1) / _PIECES) for k in range(_PIECES)])
    root = np.linalg.cholesky(delta_e_metric(spans.lab.mean(axis=0)))
    pattern = detrended(spans.lab) @ root
    noise = _without_line(spans.noise(trials=_TRIALS)) @ root
    raw = float(robust_spread(pattern))
    alone = robust_spread(noise)
    floor, critical = float(np.sqrt((alone**2).mean())), float(np.quantile(alone, COVERAGE))

    def less(value: float) -> float:
        return float(np.sqrt(max(value**2 - floor**2, 0.0)))

    low, high = _limits(raw, pattern, noise)
    value, resolved = less(raw), raw > critical
    return Patchiness(
        value=value,
        raw=raw,
        low=min(low, value) if resolved else 0.0,
        # a reading under what noise alone makes must not exclude everything
        high=max(high, value) if resolved else max(high, value, less(critical)),
        critical=less(critical),
    )


def robust_spread(vectors: Floats) -> Floats:
    """Robust SD of m vectors, shape (..., m, 3): that of each axis, added in square."""
    axes = np.ascontiguousarray(np.moveaxis(vectors, -1, -2))
    each = _ROBUST * _median(np.abs(axes - _median(axes)[..., None]))
    return np.asarray(np.sqrt((each**2).sum(axis=-1)))


def _median(values: Floats) -> Floats:
    """Median over a short last axis: sorting is several times faster than `numpy.median`."""
    count = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    return np.asarray((ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2)


def _without_line(noise: Floats) -> Floats:
    """Noise, shape (N, m, 3), less its straight line along the hair."""
    steps = np.arange(noise.shape[1])
    basis, _ = np.linalg.qr(np.stack([np.ones(len(steps)), steps], axis=1))
    return np.asarray(noise - np.einsum("mk,nk,rnc->rmc", basis, basis, noise, optimize=True))


def _limits(raw: float, pattern: Floats, noise: Floats) -> tuple[float, float]:
    """Sizes of the pattern that would not make this reading rare at 2.5 % a side."""
    tail = (1 - COVERAGE) / 2
    read = robust_spread(_SIZES[:, None, None, None] * pattern + noise)
    rare_above = np.quantile(read, 1 - tail, axis=1) < raw  # this small would read lower
    rare_below = np.quantile(read, tail, axis=1) > raw  # this large would read higher
    low = float(_SIZES[rare_above].max(initial=0.0))
    high = float(_SIZES[~rare_below].max(initial=0.0))
    return low * raw, high * raw

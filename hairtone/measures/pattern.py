"""A figure that sums up a pattern along the hair, with its interval and critical value.

The pattern seen is t times a unit pattern plus noise; the interval holds every t that would not
make the figure seen rare at 2.5 % a side, and `critical` is what noise alone stays under.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.uncertainty import COVERAGE

_SIZES: Final = 64  # true sizes tried between 0 and the largest possible; 1.6 % steps, interpolated


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternFigure:
    """A figure for the unevenness of a pattern.

    Attributes
    ----------
    value : float
        Noise taken off: sqrt(max(0, raw² - noise²)).
    raw : float
        As seen, noise included.
    low, high : float
        95 % interval of the true value; `low` is 0 when not resolved.
    critical : float
        What an even tress measured the same way stays under in 95 of 100 repeats (of `raw`).
    """

    value: float
    raw: float
    low: float
    high: float
    critical: float

    @property
    def is_resolved(self) -> bool:
        """Whether the raw figure stands above what noise alone produces."""
        return self.raw > self.critical

    def to_dict(self) -> dict[str, float | bool]:
        """Keys of the JSON contract, `raw` beside them."""
        return {
            "delta_e": self.value,
            "raw": self.raw,
            "low": self.low,
            "high": self.high,
            "critical": self.critical,
            "resolved": self.is_resolved,
        }


def judge_pattern(
    pattern: Floats, noise: Floats, figure: Callable[[Floats], Floats], *, raw: float | None = None
) -> PatternFigure:
    """Figure of a pattern with its interval.

    Parameters
    ----------
    pattern : ndarray, shape (m, c)
        What was seen, in axes where the figure's unit is a length.
    noise : ndarray, shape (n, m, c)
        Equally likely errors of the pattern.
    figure : callable
        Figure of patterns (..., m, c) -> (...); grows in proportion with the pattern.
    raw : float, optional
        The figure as seen, where it is known more exactly than `figure` gives it.
    """
    seen = float(figure(pattern))
    raw = seen if raw is None else raw
    alone = figure(noise)
    critical = float(np.quantile(alone, COVERAGE))
    spread = float(np.sqrt(np.mean(alone**2)))
    value = float(np.sqrt(max(raw**2 - spread**2, 0.0)))
    unit = pattern / seen if seen > 0 else np.full_like(pattern, 1.0)
    sizes = np.linspace(0.0, raw + 3 * critical, _SIZES)
    tail = (1 - COVERAGE) / 2
    quantiles = np.array(
        [np.quantile(figure(size * unit + noise), (tail, 1 - tail)) for size in sizes]
    )
    low = float(np.interp(raw, np.maximum.accumulate(quantiles[:, 1]), sizes))
    high = float(np.interp(raw, np.maximum.accumulate(quantiles[:, 0]), sizes))
    resolved = raw > critical
    return PatternFigure(
        value=value,
        raw=raw,
        low=min(low, value) if resolved else 0.0,
        high=max(high, value),
        critical=critical,
    )

"""The wash at which roots and ends of one hair hold the same amount of colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.fade import Fade
from hairtone.measures.fade_curve import FadeCurve
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

_STEP: Final = 0.05  # washes
_BEYOND: Final = 2.0  # how far past the last wash a crossing is looked for, in series lengths; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing(Shown):
    """Where the curves of roots and ends meet.

    Attributes
    ----------
    wash : float or None
        None where they do not meet within sight.
    low, high : float or None
        95 % range; None where unbounded.
    share : float
        Share of equally good curves that meet at all, 0..1.
    words : str
        In plain words.
    """

    wash: float | None
    low: float | None
    high: float | None
    share: float
    words: str

    def to_frame(self) -> Any:
        """One row: wash, low, high."""
        import pandas as pd

        return pd.DataFrame([{"wash": self.wash, "low": self.low, "high": self.high}])


def find_crossing(roots: tuple[Fade, FadeCurve], ends: tuple[Fade, FadeCurve]) -> Crossing:
    """The wash at which roots and ends hold the same amount of colour.

    The amount is the uptake in ΔE*ab times the colour left: porous ends often take up more and
    lose it faster.

    Parameters
    ----------
    roots, ends : tuple of (Fade, FadeCurve)
        Of one hair.

    Raises
    ------
    MeasureError
        ``no-uptake``: the uptake of a zone is not known.
    """
    for fade, _ in (roots, ends):
        if fade.uptake is None:
            raise MeasureError(
                "no-uptake",
                f"The uptake of the {fade.zone or 'zone'} is not known.",
                remedy="A crossing needs a photo before colouring.",
            )
    last = max(roots[1].last_wash, ends[1].last_wash)
    grid = np.arange(0.0, _BEYOND * last + _STEP, _STEP)
    seen = _meeting(_amount(ends, grid) - _amount(roots, grid), grid)[0]
    drawn = _meeting(_amount_draws(ends, grid) - _amount_draws(roots, grid), grid)
    share = float(np.isfinite(drawn).mean())
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(drawn, (tail, 1 - tail), method="nearest")
    wash, first, latest = (float(v) if np.isfinite(v) else None for v in (seen, low, high))
    words = _words(wash, first, latest, last)
    return Crossing(wash=wash, low=first, high=latest, share=share, words=words)


def _amount(zone: tuple[Fade, FadeCurve], grid: Floats) -> Floats:
    """Colour held, shape (1, g). [ΔE*ab]"""
    fade, curve = zone
    return np.asarray((fade.uptake or 0.0) * curve.at(grid)[None] / 100)


def _amount_draws(zone: tuple[Fade, FadeCurve], grid: Floats) -> Floats:
    """Colour held by equally good curves, shape (N, g). [ΔE*ab]"""
    fade, curve = zone
    size = (fade.uptake or 0.0) + fade.uptake_draws[: len(curve.draws), None]
    return np.asarray(size * curve.model.value(curve.draws, grid) / 100)


def _meeting(gap: Floats, grid: Floats) -> Floats:
    """First wash at which the sign of each gap, shape (N, g), changes; inf where it does not."""
    turned = np.sign(gap[:, 1:]) != np.sign(gap[:, :1])
    at = np.where(turned.any(axis=1), turned.argmax(axis=1), -1)
    found = np.full(len(gap), np.inf)
    met = at >= 0
    rows, cols = np.flatnonzero(met), at[met]
    before, after = gap[rows, cols], gap[rows, cols + 1]
    found[met] = grid[cols] + _STEP * before / (before - after)
    return found


def _words(wash: float | None, low: float | None, high: float | None, last: int) -> str:
    if wash is None:
        return f"roots and ends do not cross within {_BEYOND * last:.0f} washes"
    if low is None or high is None:
        return f"roots and ends cross at about wash {wash:.0f}; how surely these photos cannot tell"
    ahead = " (beyond the washes measured)" if wash > last else ""
    return f"roots and ends cross between washes {low:.1f} and {high:.1f}{ahead}"

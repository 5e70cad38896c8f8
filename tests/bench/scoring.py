"""Errors and coverage of measured photos against their truth, and how they are printed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from hairtone.colorimetry import Floats, delta_e
from hairtone.scene.types import ZONES

RESAMPLES = 2000  # of the hairs, for the interval of a rate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Score:
    """How one hair of one photo was measured.

    Attributes
    ----------
    hair_class, light_family, protocol : str
        What it was.
    errors : ndarray, shape (zones,)
        ΔE00 between measured and true colour.
    u95 : ndarray, shape (zones,)
        What the measurement said of its own error; NaN where it said nothing.
    gap_error : float
        Measured minus true root-to-ends ΔE00.
    gap_width : float
        Width of its interval.
    is_gap_covered : bool
        The true root-to-ends ΔE00 lies within the interval.
    lightness : ndarray, shape (zones,)
        Measured minus true L*.
    hairs : int
        Tresses found in the photo.
    """

    hair_class: str
    light_family: str
    protocol: str
    errors: Floats
    u95: Floats
    gap_error: float
    gap_width: float = np.nan
    is_gap_covered: bool = False
    lightness: Floats = field(default_factory=lambda: np.zeros(3))
    hairs: int = 1

    @property
    def covered(self) -> Floats:
        """1 for each zone whose error is within its u95."""
        return np.asarray(self.errors <= self.u95, np.float64)


def score_zones(
    labs: dict[str, Floats],
    truth: dict[str, Floats],
    *,
    u95: dict[str, float] | None = None,
    gap: dict[str, float] | None = None,
    facts: dict[str, str],
    hairs: int = 1,
) -> Score:
    """The score of measured zones.

    Parameters
    ----------
    labs, truth : dict of ndarray
        Measured and true L*a*b* by zone.
    u95 : dict of float, optional
        By zone.
    gap : dict of float, optional
        delta_e, low, high of roots against ends.
    facts : dict of str
        hair_class, light_family, protocol.
    hairs : int, optional
        Tresses found in the photo.
    """
    true_gap = float(delta_e(truth["roots"], truth["ends"]))
    found_gap = float(delta_e(labs["roots"], labs["ends"])) if gap is None else gap["delta_e"]
    return Score(
        errors=np.array([float(delta_e(truth[z], labs[z])) for z in ZONES]),
        u95=np.array([np.nan if u95 is None else u95[z] for z in ZONES]),
        gap_error=found_gap - true_gap,
        gap_width=np.nan if gap is None else gap["high"] - gap["low"],
        is_gap_covered=gap is not None and gap["low"] <= true_gap <= gap["high"],
        lightness=np.array([labs[z][0] - truth[z][0] for z in ZONES]),
        hairs=hairs,
        **facts,
    )


def mean_and_p95(values: Iterable[float]) -> str:
    """``1.23 / 3.45``, or a dash where there is nothing."""
    array = np.asarray(list(values), np.float64)
    return f"{array.mean():.2f} / {np.quantile(array, 0.95):.2f}" if array.size else "–"


def print_errors(name: str, scores: list[Score], *, photos: int) -> None:
    """One row: photos measured, colour and root-to-ends errors, bias of L*."""
    errors = np.concatenate([s.errors for s in scores]) if scores else []
    gaps = [abs(s.gap_error) for s in scores]
    bias = np.mean([s.lightness.mean() for s in scores]) if scores else np.nan
    print(
        f"{name:<34} {len(scores):>3}/{photos:<3}  {mean_and_p95(errors):>13}  "
        f"{mean_and_p95(gaps):>13}  {bias:>+6.2f}"
    )


def print_coverage(name: str, scores: list[Score]) -> None:
    """Coverage and median widths: overall, by class of hair, family of light and protocol."""
    print(
        f"\n{'95 %: ' + name:<22} {'n':>4} {'ΔE00':>11} {'colour':>8} {'99 %':>13} {'u95':>6} "
        f"{'gap':>8} {'width':>6}"
    )
    _coverage_row("all", scores)
    kinds: tuple[Callable[[Score], str], ...] = (
        lambda s: s.hair_class,
        lambda s: s.light_family,
        lambda s: s.protocol,
    )
    for kind in kinds:
        for value in sorted({kind(s) for s in scores}):
            _coverage_row(value, [s for s in scores if kind(s) == value])


def _coverage_row(name: str, scores: list[Score]) -> None:
    within = np.array([s.covered for s in scores])
    colour = 100 * within.mean()
    again = np.random.default_rng(0).integers(len(within), size=(RESAMPLES, len(within)))
    low, high = np.quantile(100 * within.mean(axis=1)[again].mean(axis=1), (0.005, 0.995))
    errors = mean_and_p95(np.concatenate([s.errors for s in scores]))
    u95 = np.median([s.u95 for s in scores])
    gap = 100 * np.mean([s.is_gap_covered for s in scores])
    width = np.median([s.gap_width for s in scores])
    print(
        f"{name:<22} {len(scores):>4} {errors:>11} {colour:>7.1f}% {low:>6.1f} {high:>6.1f} "
        f"{u95:>6.2f} {gap:>7.1f}% {width:>6.2f}"
    )

"""Where along the hair the uptake leaves the roots' level, how far and how much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.types import Profile
from hairtone.measures.evenness import metric_root
from hairtone.measures.least_squares import whitener
from hairtone.measures.pooling import check_viewing
from hairtone.measures.spans import measure_spans
from hairtone.measures.uptake import change_noise
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

_TRIALS: Final = 400
_ONSETS: Final = np.arange(0.05, 0.951, 0.01)  # before 0.05 there is no roots' level to leave
_WIDTHS: Final = (0.05, 0.1, 0.2, 0.35, 0.5, np.inf)  # of the rise; inf: it runs on to the ends
_SHAPES: Final[tuple[Callable[[Floats], Floats], ...]] = (  # of the rise, share 0..1 in and out
    lambda share: share,
    lambda share: share**1.5,
    lambda share: share**2,
    lambda share: share**2 * (3 - 2 * share),
)
_TAPER: Final = 0.5  # of the length, over which bins are taken to share errors; our choice
_RIDGE: Final = 0.02  # of the variance: no pattern of bins is trusted beyond it; our choice
FELT: Final = {"low": 0, "normal": 1, "high": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class PorousOnset(Shown):
    """Where and by how much lengths took up more colour than the roots.

    Attributes
    ----------
    onset, low, high : float or None
        0 roots .. 1 ends, with its 95 % range; None where no onset is resolved.
    excess, excess_low, excess_high : float
        Uptake of the ends beyond the roots' along the dye's direction, ΔE00; negative: less.
    is_resolved : bool
        Whether uptake changes along the hair more than noise makes it.
    against_felt : str
        Against the porosity felt and logged, in words; empty where none is logged.
    words : str
        In plain words.
    """

    onset: float | None
    low: float | None
    high: float | None
    excess: float
    excess_low: float
    excess_high: float
    is_resolved: bool
    against_felt: str
    words: str

    def to_frame(self) -> Any:
        """One row, columns as porous.csv from `onset` on."""
        import pandas as pd

        names = ("onset", "low", "high", "excess")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def find_porous_onset(
    before: Profile, after: Profile, *, paired: bool = False, felt: dict[str, str] | None = None
) -> PorousOnset:
    """Where uptake leaves the roots' level.

    The uptake along the hair is a level and, from the onset on, a rise: straight, bent or smooth,
    over some width or to the ends. The range holds the onsets of equally likely readings, their
    shapes chosen anew.

    Parameters
    ----------
    before, after : Profile
        The same hair before colouring and just coloured.
    paired : bool, optional
        Whether row k of both draws is the same camera and light.
    felt : dict, optional
        Porosity felt: roots, mid_lengths, ends to low, normal or high.

    Raises
    ------
    MeasureError
        ``viewings-differ``.
    """
    check_viewing([before, after])
    uptake, noise = _uptake_along(before, after, paired=paired)
    position = np.asarray(after.position, dtype=np.float64)
    onsets, rises = _rises(position)
    white = whitener(_even_covariance(noise))
    flat = (np.ones(len(position)) @ white)[:, None]
    level = flat / np.linalg.norm(flat)

    def without_level(rows: Floats) -> Floats:
        rows = rows @ white
        return np.asarray(rows - (rows @ level) @ level.T)

    unit = without_level(rises)
    size = np.linalg.norm(unit, axis=1)
    unit = unit / size[:, None]
    seen = unit @ without_level(uptake[None])[0]
    best = int(np.abs(seen).argmax())
    alone = np.abs(without_level(noise) @ unit.T).max(axis=1)
    resolved = bool(abs(seen[best]) > np.quantile(alone, COVERAGE))
    again = without_level(uptake + noise) @ unit.T
    picked = np.abs(again).argmax(axis=1)
    ends = rises[:, -1] / size  # the rise at the ends for each unit of fit
    excess = float(seen[best] * ends[best])
    drawn = again[np.arange(len(again)), picked] * ends[picked]
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(drawn, (tail, 1 - tail))
    start, stop = np.quantile(onsets[picked], (tail, 1 - tail))
    found = _middle_onset(onsets, seen)
    return PorousOnset(
        onset=found if resolved else None,
        low=float(min(start, found)) if resolved else None,
        high=float(max(stop, found)) if resolved else None,
        excess=excess,
        excess_low=float(min(low, excess)),
        excess_high=float(max(high, excess)),
        is_resolved=resolved,
        against_felt=_against_felt(felt, resolved, excess),
        words=_words(resolved, found, float(start), float(stop), excess),
    )


def _uptake_along(before: Profile, after: Profile, *, paired: bool) -> tuple[Floats, Floats]:
    """Uptake of each bin along the dye's direction in ΔE00, shape (n,), and its errors (N, n)."""
    count = len(after.position)
    edges = [(k / count, (k + 1) / count) for k in range(count)]
    first, second = measure_spans(before, edges), measure_spans(after, edges)
    root = metric_root((first.lab.mean(axis=0) + second.lab.mean(axis=0)) / 2)
    change = (second.lab - first.lab) @ root
    way = change.mean(axis=0)
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    noise = change_noise(first, second, paired=paired, trials=_TRIALS) @ root
    return change @ way, noise @ way


def _middle_onset(onsets: Floats, seen: Floats) -> float:
    """Half way from the best onset to the middle of those that fit about as well.

    The best alone comes late where the rise begins smoothly, the middle early where it is sharp.
    """
    weight = np.exp((seen**2 - (seen**2).max()) / 2)
    order = np.argsort(onsets, kind="stable")
    running = np.cumsum(weight[order])
    middle = onsets[order][np.searchsorted(running, running[-1] / 2)]
    return float(onsets[np.abs(seen).argmax()] + middle) / 2


def _even_covariance(noise: Floats) -> Floats:
    """Covariance that depends on the distance between bins only, by mean over equal distances.

    The plain covariance of a few hundred draws in 60 bins follows their scatter: weights from it
    let equal hair show onsets.
    """
    count = noise.shape[1]
    apart = np.abs(np.arange(count)[:, None] - np.arange(count))
    own = np.cov(noise.T)
    mean = np.bincount(apart.ravel(), own.ravel()) / np.bincount(apart.ravel())
    mean *= np.clip(1 - np.arange(count) / (count * _TAPER), 0, 1)  # keeps it positive
    return np.asarray(mean[apart] + _RIDGE * mean[0] * np.eye(count))


def _rises(position: Floats) -> tuple[Floats, Floats]:
    """Onset and rise, 0..1 along the hair, of every shape tried; shapes (c,) and (c, n)."""
    onsets, rises = [], []
    for onset in _ONSETS:
        for width in _WIDTHS:
            reach = min(width, 1 - onset)
            if np.isfinite(width) and onset + width > 1:
                continue
            share = np.clip((position - onset) / reach, 0, 1)
            for shape in _SHAPES:
                rise = shape(share)
                if np.ptp(rise) > 0:
                    onsets.append(onset)
                    rises.append(rise)
    return np.array(onsets), np.array(rises)


def _words(resolved: bool, onset: float, low: float, high: float, excess: float) -> str:
    if not resolved:
        return "uptake along the hair does not change by more than these photos resolve"
    more = "more" if excess > 0 else "less"
    return (
        f"from {100 * onset:.0f} % of the length on ({100 * min(low, onset):.0f} to "
        f"{100 * max(high, onset):.0f} %) the hair took up {more} than the roots: "
        f"{abs(excess):.1f} ΔE₀₀ at the ends"
    )


def _against_felt(felt: dict[str, str] | None, resolved: bool, excess: float) -> str:
    """Whether the porosity felt along the hair and the uptake seen agree."""
    known = {zone: FELT[word] for zone, word in (felt or {}).items() if word in FELT}
    if "roots" not in known or "ends" not in known:
        return ""
    feels_porous = known["ends"] > known["roots"]
    took_more = resolved and excess > 0
    if feels_porous and took_more:
        return "the ends were felt to be more porous than the roots, and they took up more"
    if feels_porous:
        return "the ends were felt to be more porous than the roots, yet no more uptake is seen"
    if took_more:
        return "the ends took up more although they were not felt to be more porous"
    return "no more porous ends were felt, and no more uptake is seen"

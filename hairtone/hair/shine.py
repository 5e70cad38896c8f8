"""How much of a bin's light is mirror highlights, told by the shape of its brightness.

Light over fibres is a body times a shade, near log-normal, and on top of it highlights that are
never negative and strongly uneven from fibre to fibre (gamma law). The spread of the shade and
the evenness of the highlights are common to a tress; the share of highlights is each bin's own
and smooth along the hair. What is common to the whole length is taken for the hair's own mixture
of fibres (white ones among dark ones look like that), so only the excess over it is shine.

The dichromatic model tells the colour of what is taken out: between the lamp's, from the
cuticle's surface, and the hair's, from the back of the fibre [1]_.

References
----------
.. [1] S. A. Shafer, Color Res. Appl. 10 (1985) 210-218.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from scipy.special import gammaincinv, ndtri

from hairtone.colorimetry import Floats

QUANTILES: Final = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
SHADES: Final = (0.02, 0.04, 0.06, 0.08, 0.11, 0.15, 0.2, 0.27, 0.36)  # SD of log shade
SHAPES: Final = (0.6, 1.0, 1.6, 2.5, 4.0)  # of the gamma law; blur over fibres raises it
RATIOS: Final = (0.0, *np.geomspace(0.01, 6.0, 26).tolist())  # highlights over body
POINTS: Final = 20  # of either law where the two are added
WINDOW: Final = (0.25, 0.6, 1.0, 0.6, 0.25)  # weights of neighbouring bins
FITTED_TO: Final = 0.02  # relative: how well these laws can be hoped to describe hair; our choice
BASE_QUANTILE: Final = 0.15  # of the shares along the hair: what is common to all of it
EXPECTED_SHARE: Final = 0.15  # mean of the share before looking; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shine:
    """Highlights along a strand.

    Attributes
    ----------
    share : ndarray, shape (bins,)
        Share of the bin's luminance that is highlights, in excess of `base`.
    sd : ndarray, shape (bins,)
        Of `share`.
    base : float
        Share common to the whole length, left in the hair.
    shade : float
        SD of log light over the fibres.
    """

    share: Floats
    sd: Floats
    base: float
    shade: float


def fit_shine(count: Floats, level: Floats) -> Shine:
    """Share of highlights in each bin.

    Parameters
    ----------
    count : ndarray, shape (bins, levels)
        Pixels by brightness.
    level : ndarray, shape (levels,)
        Log luminance at the middle of each level.
    """
    seen = _log_quantiles(count, level)
    noise = _noise(seen)
    misfits = {
        (shade, shape): _misfit(seen, _law(shade, shape), noise)
        for shade in _near_shades(seen)
        for shape in SHAPES
    }
    best = min(misfits, key=lambda pair: float(misfits[pair].min(axis=1).sum()))
    shares = np.array(RATIOS) / (1 + np.array(RATIOS))
    weight = np.gradient(shares) * np.exp(-shares / EXPECTED_SHARE)
    misfit = misfits[best]
    belief = np.exp(-0.5 * (misfit - misfit.min(axis=1, keepdims=True))) * weight
    belief /= belief.sum(axis=1, keepdims=True)
    share = belief @ shares
    sd = np.sqrt(np.maximum(belief @ shares**2 - share**2, 0.0))
    base = float(np.quantile(share, BASE_QUANTILE))
    excess = np.maximum(share - base, 0.0) / (1 - base)
    return Shine(share=excess, sd=sd / (1 - base), base=base, shade=best[0])


def _log_quantiles(count: Floats, level: Floats) -> Floats:
    """Logarithm of brightness quantiles over the mean, smoothed along the hair; (bins, q)."""
    total = np.maximum(count.sum(axis=1), 1e-9)
    mean = np.log(count @ np.exp(level) / total)
    heaped = np.cumsum(count, axis=1) / total[:, None]
    step = level[1] - level[0]
    edges = np.concatenate([[level[0] - step / 2], level + step / 2])
    at = [
        np.interp(QUANTILES, np.concatenate([[0.0], row + 1e-12 * np.arange(len(row))]), edges)
        for row in heaped
    ]
    return np.asarray(at) - mean[:, None]


def _noise(seen: Floats) -> Floats:
    """SD of each log quantile, from neighbours' differences and the laws' own limits."""
    steps = np.diff(seen, axis=0)
    robust = 1.4826 * np.median(np.abs(steps - np.median(steps, axis=0)), axis=0) / np.sqrt(2)
    return np.asarray(np.hypot(robust, FITTED_TO))


def _near_shades(seen: Floats) -> tuple[float, ...]:
    """Shade spreads worth trying: up to what the lower half of the least shiny bins spans."""
    lower = (seen[:, 5] - seen[:, 1]) / -ndtri(QUANTILES[1])
    widest = 1.4 * float(np.quantile(lower, 0.3)) + 0.02
    near = tuple(shade for shade in SHADES if 0.3 * widest <= shade <= widest)
    return near or (min(SHADES, key=lambda shade: abs(shade - widest)),)


def _misfit(seen: Floats, law: Floats, noise: Floats) -> Floats:
    """Sum of squared deviations for each bin and ratio, neighbours counted in; (bins, ratios)."""
    # quantiles of one histogram move together: ten of them are worth about three
    own = (((seen[:, None] - law) / noise) ** 2).sum(axis=2) * (3 / len(QUANTILES))
    reach = len(WINDOW) // 2
    padded = np.pad(own, ((reach, reach), (0, 0)), mode="edge")
    return np.asarray(
        sum(w * padded[k : k + len(own)] for k, w in enumerate(WINDOW)), dtype=np.float64
    )


@cache
def _law(shade: float, shape: float) -> Floats:
    """Log quantiles over the mean of shade plus ratio x highlights, shape (ratios, q)."""
    middles = (np.arange(POINTS) + 0.5) / POINTS
    shades = np.exp(shade * ndtri(middles))
    glints = gammaincinv(shape, middles)
    shades, glints = shades / shades.mean(), glints / glints.mean()
    rows = []
    for ratio in RATIOS:
        both = np.sort((shades[:, None] + ratio * glints[None]).ravel())
        at = np.interp(QUANTILES, (np.arange(both.size) + 0.5) / both.size, both)
        rows.append(np.log(at / (1 + ratio)))
    law = np.array(rows)
    law.flags.writeable = False
    return law

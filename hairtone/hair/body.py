"""The body colour of a strand: shading of the round tress undone, highlights taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.colours import LEVEL_STEP, CellSums
from hairtone.hair.shading import Shading, fit_shading
from hairtone.hair.shine import Shine, fit_shine

RESAMPLES: Final = 200  # of the lanes; our choice: SDs repeat to 5 %
DULL_SHARE: Final = 0.4  # darker part of a bin whose colour is compared with the whole's
LEAST_SATURATION: Final = 0.08  # chroma over luminance; under it hair is too grey to tell by colour
SHINE_UNSURE: Final = 0.2  # relative error of the highlights taken out; our choice, scenes agree


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """Body colour along a strand, in linear light with the lamp's white = (1, 1, 1).

    Attributes
    ----------
    linear : ndarray, shape (60, 3)
        Mean of each bin.
    draws : ndarray, shape (R, 60, 3)
        The same under each resampling of the lanes.
    shine : Shine
        Highlights that were taken out.
    is_grey : bool
        The hair is too near grey for its highlights to be told by colour.
    shading : Shading
        Fall of light across the strand.
    facts : dict
        JSON-ready.
    """

    linear: Floats
    draws: Floats
    shine: Shine
    is_grey: bool
    shading: Shading
    facts: dict[str, object]


def find_body(sums: CellSums, field: Floats, across: Floats, *, seed: int) -> Body:
    """Body colour of each bin.

    Parameters
    ----------
    sums : CellSums
        Pixels of the cells.
    field : ndarray, shape (60, lanes)
        Light field in each cell.
    across : ndarray, shape (lanes,)
        Place of each lane, -1 .. 1.
    seed : int
        Of the resampling.
    """
    light = sums.light / field[..., None, None]
    shading = fit_shading(sums.count, light.mean(axis=3), across)
    falls = np.exp(shading.log)
    by_level = _by_bin(sums.count, np.log(field) + shading.log)
    shine = fit_shine(by_level, sums.level)
    pixels, cells = sums.count.sum(axis=2), light.sum(axis=2)
    mean = (cells / falls[:, None]).sum(axis=1) / np.maximum(pixels.sum(axis=1), 1)[:, None]
    tint, is_grey = _highlight_tint(sums, light, mean, shine)
    linear = without_highlights(mean, shine.share, tint)
    draws = _resampled(cells, pixels, shading, shine, tint=tint, seed=seed)
    return Body(
        linear=linear,
        draws=draws,
        shine=shine,
        is_grey=is_grey,
        shading=shading,
        facts=_facts(shine, shading, tint, is_grey),
    )


def without_highlights(mean: Floats, share: Floats, tint: float) -> Floats:
    """Mean light with its highlights taken out.

    Parameters
    ----------
    mean : ndarray, shape (..., bins, 3)
        Mean light, lamp's white (1, 1, 1).
    share : ndarray, shape (..., bins)
        Share of the luminance that is highlights.
    tint : float
        Colour of the highlights: 0 the lamp's, 1 the hair's own.
    """
    luminance = mean.mean(axis=-1, keepdims=True)
    chroma = mean - luminance
    share = share[..., None]
    kept = luminance * (1 - share)
    return np.asarray(kept + chroma / (1 + tint * share / (1 - share)))


def _by_bin(count: Floats, log_gain: Floats) -> Floats:
    """Pixels by brightness in each bin, cells moved by their light and shading; (60, levels)."""
    bins, lanes, levels = count.shape
    shift = np.round(log_gain / LEVEL_STEP).astype(np.int64)
    at = np.clip(np.arange(levels) - shift[..., None], 0, levels - 1)
    slot = np.arange(bins)[:, None, None] * levels + at
    heaped = np.bincount(slot.ravel(), count.ravel(), minlength=bins * levels)
    return np.asarray(heaped.reshape(bins, levels))


def _highlight_tint(
    sums: CellSums, light: Floats, mean: Floats, shine: Shine
) -> tuple[float, bool]:
    """Colour of the highlights, 0 the lamp's .. 1 the hair's, and whether hair is near grey.

    Where highlights are the lamp's, the whole bin is less saturated than its dull part, by what
    its share of highlights says; hair-coloured ones leave the saturation as it is.
    """
    luminance = mean.mean(axis=1)
    chroma = mean - luminance[:, None]
    direction = chroma.sum(axis=0)
    size = float(np.linalg.norm(direction))
    saturation = size / max(float(luminance.sum()), 1e-9)
    if saturation < LEAST_SATURATION:
        return 0.0, True
    dull = _dull_light(sums.count, light)
    dull_luminance = dull.mean(axis=1)
    along = direction / size
    whole = (chroma @ along) / luminance
    darker = ((dull - dull_luminance[:, None]) @ along) / np.maximum(dull_luminance, 1e-9)
    paler = 1 - whole / np.where(np.abs(darker) > 1e-6, darker, 1e-6)
    calm = shine.share < 0.01
    paler = paler - (np.median(paler[calm]) if calm.any() else 0.0)
    expected = shine.share * (1 - DULL_HIGHLIGHTS)
    weight = float((expected**2).sum())
    if weight < 1e-4:
        return 0.0, False
    return float(np.clip(1 - (expected * paler).sum() / weight, 0, 1)), False


DULL_HIGHLIGHTS: Final = 0.24  # share of mean highlights left in the darker 40 %; exponential law


def _dull_light(count: Floats, light: Floats) -> Floats:
    """Mean light of the darker part of each bin, shape (60, 3)."""
    pixels, sums = count.sum(axis=1), light.sum(axis=1)
    total = pixels.sum(axis=1, keepdims=True)
    below = np.cumsum(pixels, axis=1) - pixels
    share = np.clip((DULL_SHARE * total - below) / np.maximum(pixels, 1e-9), 0, 1)
    taken = np.maximum((share * pixels).sum(axis=1), 1e-9)
    return np.asarray((share[..., None] * sums).sum(axis=1) / taken[:, None])


def _resampled(
    cells: Floats, pixels: Floats, shading: Shading, shine: Shine, *, tint: float, seed: int
) -> Floats:
    """Body colour under resampled lanes, shaken shading and shaken highlights, (R, 60, 3)."""
    rng = np.random.default_rng(seed)
    lanes = pixels.shape[1]
    picked = rng.multinomial(lanes, np.full(lanes, 1 / lanes), size=RESAMPLES).astype(np.float64)
    # resampling n lanes spreads by (n - 1)/n too little
    picked = 1 + (picked - 1) * np.sqrt(lanes / (lanes - 1))
    falls = np.exp(shading.log_draws(rng.standard_normal((RESAMPLES, 3))))
    light = np.einsum("rl,blc->rbc", picked / falls, cells)
    mean = light / np.maximum(picked @ pixels.T, 1)[..., None]
    common = rng.standard_normal((RESAMPLES, 1))
    share = shine.share * (1 + SHINE_UNSURE * common)
    return without_highlights(mean, np.clip(share, 0, 0.95), tint)


def _facts(shine: Shine, shading: Shading, tint: float, is_grey: bool) -> dict[str, object]:
    how = "shape of brightness only" if is_grey else "shape of brightness and colour"
    return {
        "shine_told_by": how,
        "shine_most": round(float(shine.share.max()), 3),
        "shine_mean": round(float(shine.share.mean()), 3),
        "shine_tint": round(tint, 2),
        "bright_fibres_kept": round(shine.base, 3),
        "fibre_spread": shine.shade,
        "side_fall": round(float(1 - np.exp(shading.log.min())), 3),
    }

"""The body colour of a strand: shading of the round tress undone, glare taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.cells import LEVEL_STEP, CellSums
from hairtone.hair.places import end_limits, with_ends_held
from hairtone.hair.shine import Glare, fit_shine, without_glare

# SD expected of the fall's terms across, across squared, across to the fourth, in log light; our
# choice: a lamp from one side tilts it by 10 %, a round tress loses a quarter at its sides
EXPECTED: Final = (0.1, 0.25, 0.25)
DULL_SHARE: Final = 0.5  # darker part of a cell that is compared: highlights stay out
LEAST_NOISE: Final = 0.004  # of a lane's log light; our choice: lanes are never better known
RESAMPLES: Final = 200  # of the lanes; our choice: SDs repeat to 5 %
GREY: Final = 0.08  # chroma over luminance; under it colour says little about highlights
SURE: Final = 0.95  # chance of highlights from which on a polarised photo is doubted; our choice
UNSEEN: Final = 0.08  # of the highlights taken out: error of their shape
HAIR_COLOURED: Final = 0.36  # SD of the share of highlights that carries the hair's own chroma
LAMP_COLOUR: Final = 0.03  # SD of each channel of the lamp's colour, relative
COMMON: Final = 0.3  # of the variance of the highlights' error that is alike along the hair
REACH: Final = 6.0  # bins; SD of the kernel over the rest of that error
LEAST_LIGHT: Final = 0.03  # of a bin's mean that stays whatever is taken out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shading:
    """Fall of light across a strand.

    Attributes
    ----------
    across : ndarray, shape (lanes,)
        Place of each lane, -1 .. 1.
    terms : ndarray, shape (3,)
        Of log light: across, its square, its fourth power. 0 in the middle.
    covariance : ndarray, shape (3, 3)
        Of `terms`.
    """

    across: Floats
    terms: Floats
    covariance: Floats

    @property
    def log(self) -> Floats:
        """Log light of each lane, 0 in the middle, shape (lanes,)."""
        return np.asarray(_design(self.across) @ self.terms)

    def log_draws(self, shaken: Floats) -> Floats:
        """Log light of each lane under unit normal noise of shape (R, 3), shape (R, lanes)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray((self.terms + shaken @ root.T) @ _design(self.across).T)


def fit_shading(count: Floats, light: Floats, across: Floats) -> Shading:
    """The fall of light across a strand from its duller pixels.

    Parameters
    ----------
    count, light : ndarray, shape (bins, lanes, levels)
        Pixels by brightness, and the sum of their luminance with the light field divided out.
    across : ndarray, shape (lanes,)
        Place of each lane, -1 .. 1.
    """
    dull = _dull_mean(count, light)
    seen = np.isfinite(dull).all(axis=1)
    if seen.sum() < 10:
        return Shading(across=across, terms=np.zeros(3), covariance=np.diag(EXPECTED) ** 2)
    logs = np.log(dull[seen])
    lanes = np.median(logs - logs.mean(axis=1, keepdims=True), axis=0)
    design = np.column_stack([np.ones_like(across), _design(across)])
    prior = np.diag([0.0, *(1 / np.square(EXPECTED))])
    noise = LEAST_NOISE
    for _ in range(3):  # the lanes' own scatter is found with the fit
        precision = design.T @ design / noise**2 + prior
        fitted = np.linalg.solve(precision, design.T @ lanes / noise**2)
        rest = lanes - design @ fitted
        noise = max(float(np.sqrt((rest**2).sum() / max(len(across) - 3, 1))), LEAST_NOISE)
    covariance = np.asarray(np.linalg.inv(precision))
    return Shading(across=across, terms=fitted[1:], covariance=covariance[1:, 1:])


def _dull_mean(count: Floats, light: Floats) -> Floats:
    """Mean luminance of the duller part of each cell, shape (bins, lanes); NaN where too few."""
    total = count.sum(axis=2, keepdims=True)
    below = np.cumsum(count, axis=2) - count
    share = np.clip((DULL_SHARE * total - below) / np.maximum(count, 1e-9), 0, 1)
    pixels = (share * count).sum(axis=2)
    mean = (share * light).sum(axis=2) / np.maximum(pixels, 1e-9)
    return np.where((total[..., 0] >= 8) & (mean > 0), mean, np.nan)


def _design(across: Floats) -> Floats:
    return np.stack([across, across**2, across**4], axis=1)


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
        The hair is so near grey that only their spread gives its highlights away.
    shading : Shading
        Fall of light across the strand.
    unlooked : float
        Largest share of a bin's light that looks like highlights and was left, as the photo was
        taken through crossed polarisers; 0 in other photos.
    """

    linear: Floats
    draws: Floats
    shine: Glare
    is_grey: bool
    shading: Shading
    unlooked: float = 0.0

    @property
    def facts(self) -> dict[str, object]:
        """What was found, JSON-ready."""
        return {
            "shine_told_by": "spread" if self.is_grey else "spread and colour",
            "shine_most": round(float(self.shine.share.max()), 3),
            "shine_mean": round(float(self.shine.share.mean()), 3),
            "shine_chance": round(self.shine.chance, 3),
            "shine_doubt": round(self.shine.doubt, 4),
            "side_fall": round(float(1 - np.exp(self.shading.log.min())), 3),
        }


def find_body(
    sums: CellSums, field: Floats, across: Floats, *, seed: int, polarised: bool = False
) -> Body:
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
    polarised : bool, optional
        The photo was taken through crossed polarisers: nothing is taken for highlights.
    """
    light = sums.light / field[..., None, None]
    shading = fit_shading(sums.count, light.mean(axis=3), across)
    flat = light / np.exp(shading.log)[:, None, None]
    count, by_level = _by_bin(sums.count, flat, np.log(field) + shading.log)
    shine = fit_shine(count, by_level, seed=seed)
    unlooked = float(shine.share.max()) if polarised and shine.chance > SURE else 0.0
    shine = without_glare(shine) if polarised else shine
    levels = np.ones(light.shape[2])
    cells, pixels = levels @ light, sums.count @ levels
    mean = by_level.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None]
    chroma = mean - mean.mean(axis=1, keepdims=True)
    saturation = float(np.linalg.norm(chroma.sum(axis=0)) / max(mean.mean(axis=1).sum(), 1e-9))
    linear = _without(mean, shine.light)
    limits = end_limits(linear)
    draws = _resampled(cells, pixels, shading, shine, seed=seed)
    return Body(
        linear=with_ends_held(linear, limits),
        draws=with_ends_held(draws, limits),
        shine=shine,
        is_grey=saturation < GREY,
        shading=shading,
        unlooked=unlooked,
    )


def _without(mean: Floats, highlights: Floats) -> Floats:
    return np.maximum(mean - highlights, LEAST_LIGHT * mean)


def _by_bin(count: Floats, light: Floats, log_gain: Floats) -> tuple[Floats, Floats]:
    """Pixels and light by brightness in each bin, cells moved by their light and shading.

    Returns
    -------
    ndarray, shape (60, levels), and ndarray, shape (60, levels, 3)
    """
    shift = np.round(log_gain / LEVEL_STEP).astype(np.int64)
    shift -= shift.max()
    bins, _, levels = count.shape
    room = levels - int(shift.min())
    at = np.arange(bins)[:, None, None] * room + np.arange(levels) - shift[..., None]
    heaped = [
        np.bincount(at.ravel(), values.ravel(), minlength=bins * room).reshape(bins, room)
        for values in (count, light[..., 0], light[..., 1], light[..., 2])
    ]
    return np.asarray(heaped[0], np.float64), np.stack(heaped[1:], axis=-1)


def _resampled(
    cells: Floats, pixels: Floats, shading: Shading, shine: Glare, *, seed: int
) -> Floats:
    """Body colour under resampled lanes, shaken shading and shaken highlights, (R, 60, 3).

    A lane runs from roots to ends, so that all bins of one row share their fibres: whatever
    correlation fibres bring along the hair is in the draws.
    """
    rng = np.random.default_rng(seed)
    lanes = pixels.shape[1]
    picked = rng.multinomial(lanes, np.full(lanes, 1 / lanes), size=RESAMPLES).astype(np.float64)
    picked = 1 + (picked - 1) * np.sqrt(lanes / (lanes - 1))  # n of n spread (n - 1)/n too little
    falls = np.exp(shading.log_draws(rng.standard_normal((RESAMPLES, 3))))
    light = (picked / falls) @ np.moveaxis(cells, 1, 0).reshape(lanes, -1)
    light = light.reshape(RESAMPLES, *cells[:, 0].shape)
    mean = light / np.maximum(picked @ pixels.T, 1)[..., None]
    lamp = 1 + LAMP_COLOUR * rng.standard_normal((RESAMPLES, 1, 3))
    missed = UNSEEN * shine.luminance * _shaken(rng, len(cells))
    body = _without(mean, (shine.draws + missed)[..., None] * shine.colour * lamp)
    tint = 1 + HAIR_COLOURED * (shine.share + 2 * shine.sd) * _shaken(rng, len(cells))
    grey = body.mean(axis=2, keepdims=True)
    return np.asarray(grey + (body - grey) * tint[..., None])


def _shaken(rng: np.random.Generator, bins: int) -> Floats:
    """Unit normal noise, partly common to all bins, the rest alike in neighbours, (R, bins)."""
    reach = int(3 * REACH)
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / REACH) ** 2)
    bell /= np.sqrt((bell**2).sum())
    raw = rng.standard_normal((RESAMPLES, bins + 2 * reach))
    apart = np.lib.stride_tricks.sliding_window_view(raw, len(bell), axis=1) @ bell
    common = rng.standard_normal((RESAMPLES, 1))
    return np.sqrt(COMMON) * common + np.sqrt(1 - COMMON) * apart

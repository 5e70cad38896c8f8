"""How much of each bin's light is mirror highlights, and its removal.

Highlights sit on top of the body colour, lamp-coloured from the cuticle and a little
hair-coloured from the back of the fibre [1]_, and they are uneven from fibre to fibre. Two things
tell them from hair that is lighter in itself:

- **Place and colour.** They add luminance in bands and leave the differences of the channels as
  they are, which the body's luminance follows (`hairtone.hair.bands`).
- **Spread.** They lie on some fibres more than on others, which drives the bright and the dull
  pixels of a bin apart towards the lamp's colour. A band without that spread is the hair's own.

Highlights thin the body's own spread as they add theirs, so that faint ones do not show in it:
they are believed by their place and colour as far as experience goes (`LIKELY`). What spread is
common to the whole length is taken for the hair's own mixture of fibres (white ones among dark
ones look like that) and stays.

References
----------
.. [1] S. A. Shafer, Color Res. Appl. 10 (1985) 210-218.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.glare import Seen, find_glare

RESAMPLES = 200

# All our choice, on 80 rendered photos, seen to hold on others; what each trades is beside it
DULL_SHARE: Final = 0.3  # darker and brighter part of a bin that are compared: more is steadier,
BRIGHT_SHARE: Final = 0.3  # less shows more of the highlights
BACK_FACE: Final = 0.35  # light from the back of the fibre over that from its surface
LIKELY: Final = 3.0  # odds beforehand that a band is highlights and not the hair's own
# spread over the light behind it, and SD of its logarithm: 2.04 where the light of fibres is
SPREAD: Final = (1.4, 0.3)  # exponential, less by the blur
SPREAD_NOISE: Final = 0.5  # relative, of the spread that highlights add
OWN_CHANGE: Final = 0.15  # relative, of the body's own spread from place to place
STEPS: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)  # SDs at which that spread is asked
ALIKE: Final = 5.0  # bins whose spread is alike: a fibre stays on top about as far
CALM: Final = 0.03  # share of highlights at which a bin counts half as free of them
# error left all along a shiny tress, in shares of its light, and the largest share from which on
UNSEEN: Final = 0.035  # it counts in full; our choice, from what was left on those photos
FULLY_SHINY: Final = 0.12
MISSED: Final = 0.02  # sheen that the evidence cannot see, share of the light
CALM_BINS: Final = 0.3  # of the bins whose spread stands for the whole length; our choice
LEAST_TINT: Final = 1.2  # between channels, from which on hair is no grey; our choice
MOST: Final = 0.95  # of a bin's light that may be highlights


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shine:
    """Highlights along a strand.

    Attributes
    ----------
    colour : ndarray, shape (bins, 3)
        Of the highlights, luminance 1, lamp's white = (1, 1, 1).
    luminance : ndarray, shape (bins,)
        Of the highlights.
    share : ndarray, shape (bins,)
        Of the bin's luminance.
    sd : ndarray, shape (bins,)
        Of `share`.
    chance : float
        That there are any, 0..1.
    all_along : float
        Spread of the lamp's colour between bright and dull pixels that the whole length shares,
        relative; white hairs among others, or sheen alike from roots to ends. Not taken out.
    spread : float
        All the spread that the whole length shares, relative.
    """

    colour: Floats
    luminance: Floats
    share: Floats
    sd: Floats
    draws: Floats
    chance: float
    all_along: float = 0.0
    spread: float = 0.0

    @property
    def light(self) -> Floats:
        """Light of the highlights, shape (bins, 3)."""
        return self.luminance[:, None] * self.colour


def fit_shine(count: Floats, light: Floats, *, seed: int = 0) -> Shine:
    """Highlights of each bin.

    Parameters
    ----------
    count : ndarray, shape (bins, levels)
        Pixels by brightness.
    light : ndarray, shape (bins, levels, 3)
        Their summed light, lamp's white = (1, 1, 1), light field and shading divided out.
    """
    mean = light.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None]
    mean = np.maximum(mean, 1e-6)
    luminance = mean.mean(axis=1)
    scale = float(np.median(luminance))
    colour = 1 + BACK_FACE * np.sqrt(mean)
    colour /= colour.mean(axis=1, keepdims=True)
    gap = _part(count, light, is_bright=True) - _part(count, light, is_bright=False)
    seen = luminance / scale
    glare = find_glare(_seen(count, light, scale))
    highlights = np.clip(glare.light, 0, MOST * seen)
    draws = glare.draws(np.random.default_rng(seed), RESAMPLES)
    draws = np.clip(draws, 0, MOST * seen)
    share = highlights / seen
    usual, all_along = _common(gap / mean, mean)
    return Shine(
        colour=colour,
        luminance=highlights * scale,
        share=share,
        sd=np.sqrt(np.square(draws - highlights).mean(axis=0)) / seen,
        draws=draws * scale,
        chance=glare.chance,
        all_along=all_along,
        spread=usual,
    )


def _seen(count: Floats, light: Floats, scale: float) -> Seen:
    count = count.reshape(len(count) // 2, 2, -1).sum(axis=1)
    light = light.reshape(len(count), 2, -1, 3).sum(axis=1)
    mean = np.maximum(light.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None], 1e-6)
    luminance = mean.mean(axis=1)
    gap = _part(count, light, is_bright=True) - _part(count, light, is_bright=False)
    size = np.maximum(gap.mean(axis=1), 1e-3 * luminance)
    lamp = 1 + BACK_FACE * np.sqrt(mean)
    lamp /= lamp.mean(axis=1, keepdims=True)
    ends = [0, 2]
    return Seen(
        light=luminance / scale,
        colour=(mean / luminance[:, None])[:, ends] - 1,
        lamp=lamp[:, ends] - 1,
        gap=size / luminance,
        tint=(gap / size[:, None])[:, ends] - 1,
    )


def _part(count: Floats, light: Floats, *, is_bright: bool) -> Floats:
    """Mean light of the brighter or darker part of each bin, shape (bins, 3)."""
    if is_bright:
        count, light = count[:, ::-1], light[:, ::-1]
    share = BRIGHT_SHARE if is_bright else DULL_SHARE
    total = count.sum(axis=1, keepdims=True)
    before = np.cumsum(count, axis=1) - count
    taken = np.clip((share * total - before) / np.maximum(count, 1e-9), 0, 1)
    pixels = np.maximum((taken * count).sum(axis=1), 1e-9)
    return np.asarray((taken[..., None] * light).sum(axis=1) / pixels[:, None])


def _common(spread: Floats, mean: Floats) -> tuple[float, float]:
    """Spread that the calmer bins share, and the part of it in the lamp's colour.

    Shading moves all channels by one factor; light of the lamp's colour moves those more that the
    hair sends back less. Grey hair does not tell the two apart: 0 there.
    """
    size = _smoothed(spread.mean(axis=1), sd=1.5)
    usual = spread[size <= np.quantile(size, CALM_BINS)].mean(axis=0)
    middle = np.median(mean, axis=0)
    lamp = (1 + BACK_FACE * np.sqrt(middle)) / middle
    lamp /= (lamp * middle).mean() / middle.mean()
    if lamp.max() < LEAST_TINT * lamp.min():
        return float(usual.mean()), 0.0
    parts = np.linalg.lstsq(np.stack([np.ones(3), lamp], axis=1), usual, rcond=None)[0]
    if parts[0] < 0:  # shading takes no light away
        parts[1] = usual @ lamp / (lamp @ lamp)
    return float(usual.mean()), float(parts[1])


def _smoothed(values: Floats, *, sd: float) -> Floats:
    reach = int(np.ceil(3 * sd))
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sd) ** 2)
    return np.convolve(np.pad(values, reach, mode="edge"), bell / bell.sum(), mode="valid")

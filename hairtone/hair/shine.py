"""How much of each bin's light is mirror highlights, and its removal.

Highlights sit on top of the body colour, lamp-coloured from the cuticle and a little
hair-coloured from the back of the fibre [1]_, and they are uneven from fibre to fibre. Two things
tell them from hair that is lighter in itself:

- **Spread.** Where there are highlights the bright and the dull pixels of a bin lie further apart
  than shading alone puts them, in the direction of the highlights' colour. Blur and the width of
  a fibre decide how much light stands behind such a spread, the same all along one tress (`gain`).
- **Colour.** White light added leaves the differences of the channels as they are. The body's
  luminance along the hair follows those differences (dye and melanin change both), so that
  light which does not follow them, where there is spread, is highlights.

Both are linear, and so weighed as such. What spread is common to the whole length is taken for
the hair's own mixture of fibres (white ones among dark ones look like that) and stays.

References
----------
.. [1] S. A. Shafer, Color Res. Appl. 10 (1985) 210-218.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats

# All our choice, on 100 rendered raw photos; what each trades is beside it
DULL_SHARE: Final = 0.3  # darker and brighter part of a bin that are compared: more is steadier,
BRIGHT_SHARE: Final = 0.3  # less shows more of the highlights
BACK_FACE: Final = 0.35  # light from the back of the fibre over that from its surface
SMOOTHING: Final = 2.0  # bins; SD of the kernel over the spread along the hair
CALM_SHARE: Final = 0.2  # of the bins, those of least spread: what is common to the whole length
DOUBT: Final = 1.5  # noise SDs of spread at which half of it is believed
GAIN: Final = (1.3, 0.3)  # light behind a spread: mean and SD; fibres of 1 to 3 pixels
GAIN_NOISE: Final = 0.5  # relative SD of that light about the spread, bin by bin
TREND: Final = 0.1  # SD of a body that grows lighter without any change of chroma, log light
BODY_FIT: Final = 0.07  # relative: how well body light follows chroma, when the gain is fitted
BODY_NOISE: Final = 0.025  # relative: the same, when highlights are weighed bin by bin
EVIDENCE: Final = (0.05, 1.0)  # relative noise, and log odds against, of there being any shine
# error left all along a shiny tress, in shares of its light, and the largest share from which on
UNSEEN: Final = 0.035  # it counts in full; our choice, from what was left on those photos
FULLY_SHINY: Final = 0.12
# sheen that the evidence cannot see: over a third of the length (20 bins) a share under 0.03 gains
# less likelihood than the odds ask for, 20 (0.03/0.05)^2 / 2; evenly likely up to there, SD 0.02
MISSED: Final = 0.02
CALM_BINS: Final = 0.3  # of the bins whose spread stands for the whole length; our choice
LEAST_TINT: Final = 1.2  # between channels, from which on hair is no grey; our choice
END_DOUBT: Final = 10.0  # times the noise of the two bins at either end; our choice
HUBER: Final = 2.0  # noise SDs from which on a bin counts less; our choice
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
        That there are any, 0..1; `luminance` is scaled by it.
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
    chance: float
    all_along: float = 0.0
    spread: float = 0.0

    @property
    def light(self) -> Floats:
        """Light of the highlights, shape (bins, 3)."""
        return self.luminance[:, None] * self.colour


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Excess:
    """Spread beyond what shading gives, as luminance in the highlights' colour."""

    colour: Floats  # (bins, 3) of highlights of luminance 1
    luminance: Floats  # (bins,)
    noise: Floats  # (bins,)


def fit_shine(count: Floats, light: Floats) -> Shine:
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
    spread = (_part(count, light, is_bright=True) - _part(count, light, is_bright=False)) / mean
    excess = _excess(spread, mean)
    usual, all_along = _common(spread, mean)
    luminance = mean.mean(axis=1)
    scale = float(np.median(luminance))
    highlights, sd, chance = _weighed(
        excess.luminance / scale, excess.noise / scale, luminance / scale, _body_terms(mean, scale)
    )
    undecided = highlights * np.sqrt(chance * (1 - chance)) * scale / luminance
    highlights = highlights * chance
    share = highlights * scale / luminance
    unseen = UNSEEN * chance * min(float(share.max()) / FULLY_SHINY, 1.0)
    unseen = float(np.hypot(unseen, MISSED * np.sqrt(1 - chance)))
    return Shine(
        colour=excess.colour,
        luminance=highlights * scale,
        share=share,
        sd=np.hypot(np.hypot(sd * np.sqrt(chance) * scale / luminance, unseen), undecided),
        chance=chance,
        all_along=all_along,
        spread=usual,
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


def _excess(spread: Floats, mean: Floats) -> _Excess:
    """What of the relative spread points to highlights, beyond its calmest bins.

    Shading scatters the spread from bin to bin mostly along the body's own colour; weighing by
    the inverse of that scatter looks past it.
    """
    colour = 1 + BACK_FACE * np.sqrt(mean)
    colour /= colour.mean(axis=1, keepdims=True)
    direction = colour / mean  # of the relative spread, by luminance of highlights
    weight = np.linalg.inv(_scatter(spread))
    known = np.einsum("bi,ij,bj->b", direction, weight, direction)

    def along(rest: Floats) -> Floats:
        return np.asarray(np.einsum("bi,ij,bj->b", direction, weight, rest) / known)

    usual = np.median(spread, axis=0)
    for _ in range(3):
        relative = _smoothed(along(spread - usual) * direction.mean(axis=1), sd=1.5)
        usual = spread[relative <= np.quantile(relative, CALM_SHARE)].mean(axis=0)
    kernel = _kernel(SMOOTHING)
    noise = np.sqrt((kernel**2).sum() / known)
    found = np.maximum(_smoothed(along(spread - usual), sd=SMOOTHING), 0.0)
    found = found * found**2 / (found**2 + (DOUBT * noise) ** 2)
    return _Excess(colour=colour, luminance=found, noise=noise)


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


def _scatter(spread: Floats) -> Floats:
    """Covariance of the spread from bin to bin, (3, 3), from neighbours' differences."""
    steps = np.diff(spread, axis=0)
    size = np.linalg.norm(steps - np.median(steps, axis=0), axis=1)
    usual = steps[np.argsort(size)[: int(0.85 * len(steps))]]
    return np.asarray(usual.T @ usual / (2 * len(usual)) + 0.003**2 * np.eye(3))


def _body_terms(mean: Floats, scale: float) -> tuple[Floats, Floats]:
    """What the body's luminance may follow along the hair, (bins, 4), and the SD of each term."""
    differences = (mean - mean.mean(axis=1, keepdims=True))[:, [0, 2]] / scale
    differences = differences - differences.mean(axis=0)
    along = np.linspace(-1, 1, len(mean))
    terms = np.column_stack([np.ones_like(along), along, differences])
    return terms, np.array([10.0, TREND, 1.0, 1.0])


def _weighed(
    excess: Floats, noise: Floats, seen: Floats, body: tuple[Floats, Floats]
) -> tuple[Floats, Floats, float]:
    """Luminance of highlights, its SD, and the chance that there are any."""
    terms, expected = body
    both = np.column_stack([terms, excess])
    both_expected = np.append(expected, GAIN[1])
    middle = np.append(np.zeros(len(expected)), GAIN[0])
    doubt = _doubt(both, seen, middle, both_expected)
    loose = doubt * np.hypot(BODY_FIT * seen, GAIN_NOISE * GAIN[0] * excess)
    fitted, _ = _ridge(both, seen, loose, middle, both_expected)
    gain = float(np.clip(fitted[-1], 0, 3))

    tight = doubt * EVIDENCE[0] * seen
    _, with_shine = _ridge(both, seen, tight, middle, both_expected)
    _, without = _ridge(terms, seen, tight, middle[:-1], expected)
    odds = float(np.clip((without - with_shine) / 2 - EVIDENCE[1], -50, 50))
    chance = 1 / (1 + np.exp(-odds))

    by_spread = gain * excess
    spread_var = (GAIN_NOISE * by_spread) ** 2 + (gain * noise) ** 2 * (excess > 0) + 1e-12
    by_colour = seen - terms @ fitted[:-1]
    colour_var = (BODY_NOISE * seen) ** 2
    total = spread_var + colour_var
    highlights = (by_spread * colour_var + by_colour * spread_var) / total
    sd = np.sqrt(spread_var * colour_var / total)
    return np.clip(highlights, 0, MOST * seen), sd, float(chance)


def _doubt(terms: Floats, seen: Floats, middle: Floats, expected: Floats) -> Floats:
    """Factor on each bin's noise: what is neither body nor highlights decides nothing, (bins,).

    A clamp inside the first bin of a given line, or board in the last one, would else outweigh
    all the hair between.
    """
    ends = np.ones(len(seen))
    ends[[0, 1, -2, -1]] = END_DOUBT
    doubt = ends
    for _ in range(3):  # P. J. Huber's weights, as noise
        fitted, _ = _ridge(terms, seen, doubt * EVIDENCE[0] * seen, middle, expected)
        rest = np.abs(seen - terms @ fitted) / (EVIDENCE[0] * seen)
        doubt = ends * np.sqrt(np.maximum(rest / HUBER, 1.0))
    return np.asarray(doubt)


def _ridge(
    terms: Floats, seen: Floats, noise: Floats, middle: Floats, expected: Floats
) -> tuple[Floats, float]:
    """Coefficients of a linear fit with normal expectations, and its misfit (-2 log density)."""
    rows = terms / noise[:, None]
    precision = rows.T @ rows + np.diag(1 / expected**2)
    fitted = np.linalg.solve(precision, rows.T @ (seen / noise) + middle / expected**2)
    rest = (seen - terms @ fitted) / noise
    strain = (fitted - middle) / expected
    return np.asarray(fitted), float(rest @ rest + strain @ strain)


def _kernel(sd: float) -> Floats:
    reach = int(np.ceil(3 * sd))
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sd) ** 2)
    return np.asarray(bell / bell.sum())


def _smoothed(values: Floats, *, sd: float) -> Floats:
    kernel = _kernel(sd)
    return np.convolve(np.pad(values, len(kernel) // 2, mode="edge"), kernel, mode="valid")

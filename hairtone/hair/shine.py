"""Is what changes along a hair the hair's own, or the lamp's? All ways of it, weighed by evidence.

The pixels of a place are fibres: what they send back varies from fibre to fibre, and some of them
send the lamp's own light on top. So a place's mean light, its colour, the gap between its bright
and its dull pixels and the colour of that gap are known when three things are: the hair's own
light, that of the lamp, and how unlike its fibres are.

- Hair that is lighter in itself multiplies the light of all its fibres: the gap grows with the
  mean, and colours stay within what dye and melanin make.
- Glare adds lamp-coloured light to some fibres more than to others: the colour of the mean and of
  the gap moves towards the lamp's, and the gap moves apart from the mean.

Up to `EFFECTS` things happen along the hair besides slow change: each is nothing, a bell of glare,
or a bell, step or slope of the hair's own, of every place, width and size (a sum of single effects
[1]_). The first may also be glare of whatever shape the light itself has: broad sheen is no bell.
Nothing is chosen: each possibility counts by how likely it makes all that is seen. What is seen
scatters along the hair, alike in neighbours, and changes slowly, both by amounts that are averaged
over as well. Where nothing tells glare from the hair's own change, both stay.

Glare is lamp-coloured from the cuticle and a little hair-coloured from the back of the fibre [2]_.
What of its colour the whole length shares is taken for the hair's own mixture of fibres (white ones
among dark ones look like that) and stays.

References
----------
.. [1] G. Wang, A. Sarkar, P. Carbonetto, M. Stephens, J. R. Stat. Soc. B 82 (2020) 1273-1300.
   From memory.
.. [2] S. A. Shafer, Color Res. Appl. 10 (1985) 210-218.

The lamp's colour as the camera sees it: where mirror highlights and neutral things lie.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel
from hairtone.colorimetry import Floats

# All our choice; what each trades is beside it
PLACES: Final = 30  # along the hair that are asked: two of the profile's each
EFFECTS: Final = 3  # more are parts of one another
ROUNDS: Final = 3  # of finding each effect given the others
WIDTHS: Final = (0.8, 1.5, 2.8, 5.0, 9.0)  # SD of a bell, in places
STRENGTHS: Final = (
    0.03,
    0.06,
    0.1,
    0.16,
    0.26,
    0.42,
    0.7,
    1.2,
    2.4,
)  # of glare, over the hair's median light
SHAPED: Final = 0.1  # of glare that has the shape of the light itself, whatever that is,
SHARES: Final = (0.8, 1.0)  # and how much of what rises above the hair's least light
RISE: Final = 0.1  # of its height at which a rise ends
ROOM: Final = (0.08, 1.5)  # a bell is not asked that rises above this, and this times the light
SOFT: Final = (0.5, 2.0)  # width of a step, in places
ABSENT: Final = 0.5  # chance beforehand that there is no further effect
GLARE: Final = 0.75  # chance beforehand that an effect is glare and not the hair's own
STOP: Final = 0.8  # chance of no effect from which on no further effect is looked for
SETTLED: Final = 0.003  # of the median light, at which the rounds end
OWN: Final = (0.1, 0.4)  # SD of the hair's own effects, of log light
TINTED: Final = 0.5  # of an effect's size that its colour may move by, over the mean light
GLINT: Final = (1.3, 0.35)  # gap of glare over its light, less by the blur; SD of its logarithm
LAMP: Final = (0.05, 0.3)  # SD of the lamp's colour, and of its share that is hair-coloured
MOST: Final = 0.9  # of a place's light that may be glare
NEAR: Final = (1.3, 2.0)  # places over which scatter is alike: of means, and of gaps
ALONE: Final = 0.3  # of its variance that is each place's own
SLOW: Final = 8.0  # places over which slow change is alike
END_DOUBT: Final = (3.0, 12.0)  # times the scatter of first and last place: of means, of gaps
RESAMPLES: Final = 200  # of what glare may be; SDs repeat to 5 %
PART: Final = 0.3  # darker and brighter part of a place that are compared: more is steadier
BACK_FACE: Final = 0.35  # light from the back of the fibre over that from its surface
WIDEST: Final = 4.0  # most that draws are spread by, and the SD of a third from which on
LEAST_DOUBT: Final = 0.002
CALM_BINS: Final = 0.3  # of the bins whose spread stands for the whole length
LEAST_TINT: Final = 1.2  # between channels, from which on hair is no grey

# scatter and slow change that are averaged over: of log light, of colour over the mean light, of
# the log gap, of the gap's colour
SIZES: Final = {
    "light": ((0.004, 0.01, 0.025, 0.06), (0.015, 0.07, 0.3), NEAR[0]),
    "colour": ((0.001, 0.004, 0.015), (0.003, 0.02, 0.1), NEAR[0]),
    "gap": ((0.04, 0.08, 0.2), (0.02, 0.1), NEAR[1]),
    "tint": ((0.005, 0.02, 0.08), (0.01, 0.06), NEAR[1]),
}
STEP: Final = 0.01  # relative step of the slope of L*a*b* by light
CLOSE: Final = 0.002  # last step in log light; shine needs a direction to a few per cent
TARGET: Final = 80.0  # L* that is solved for: well inside any model
TARGET_LIGHT: Final = ((TARGET + 16) / 116) ** 3  # its luminance; ISO/CIE 11664-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glare:
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
    draws : ndarray, shape (R, bins)
        As likely luminance of the highlights, spread so that an interval of two SDs reaches
        whatever is not unlikely.
    chance : float
        That there are any, 0..1.
    doubt : float
        SD of the log light of roots over ends, from not knowing what is glare.
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
    doubt: float
    all_along: float = 0.0
    spread: float = 0.0

    @property
    def light(self) -> Floats:
        """Light of the highlights, shape (bins, 3)."""
        return self.luminance[:, None] * self.colour


def fit_shine(count: Floats, light: Floats, *, seed: int = 0) -> Glare:
    """Highlights of each bin.

    Parameters
    ----------
    count : ndarray, shape (bins, levels)
        Pixels by brightness.
    light : ndarray, shape (bins, levels, 3)
        Their summed light, lamp's white = (1, 1, 1), light field and shading divided out.
    seed : int, optional
        Of the draws.
    """
    mean = light.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None]
    mean = np.maximum(mean, 1e-6)
    luminance = mean.mean(axis=1)
    scale = float(np.median(luminance))
    colour = 1 + BACK_FACE * np.sqrt(mean)
    colour /= colour.mean(axis=1, keepdims=True)
    gap = _part(count, light, is_bright=True) - _part(count, light, is_bright=False)
    seen = luminance / scale
    glare = _find_glare(_seen(count, light, scale))
    highlights = np.clip(glare.light, 0, MOST * seen)
    draws = np.clip(glare.draws(np.random.default_rng(seed), RESAMPLES), 0, MOST * seen)
    draws = _widened(draws, highlights, seen)
    usual, all_along = _common(gap / mean, mean)
    return Glare(
        colour=colour,
        luminance=highlights * scale,
        share=highlights / seen,
        sd=np.sqrt(np.square(draws - highlights).mean(axis=0)) / seen,
        draws=draws * scale,
        chance=glare.chance,
        doubt=_doubt(draws / seen),
        all_along=all_along,
        spread=usual,
    )


def without_glare(shine: Glare) -> Glare:
    """The same hair under crossed polarisers: nothing of it is glare, whatever it looks like."""
    nothing = np.zeros_like(shine.luminance)
    return dataclasses.replace(
        shine,
        luminance=nothing,
        share=nothing,
        sd=nothing,
        draws=np.zeros_like(shine.draws),
        doubt=0.0,
    )


def _doubt(shares: Floats) -> float:
    """SD of the log light that is left of roots over ends, shares of shape (R, bins)."""
    left = np.log1p(-np.clip(shares, 0, MOST)).reshape(len(shares), 3, -1).mean(axis=2)
    return float((left[:, 0] - left[:, 2]).std())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Law:
    """Normal laws, one of which a thing seen along the hair follows but for its mean.

    Attributes
    ----------
    axes : ndarray, shape (29, 30)
        Along which all of them are independent.
    weights : ndarray, shape (29, laws)
        Inverse variances.
    log : ndarray, shape (laws,)
        Half the log determinants.
    """

    axes: Floats
    weights: Floats
    log: Floats

    def evidence(self, rest: Floats, along: Floats | None = None) -> tuple[Floats, Floats]:
        """Log evidence of rests (n, 30), one amount of `along` in each left free, SD 1.

        Returns
        -------
        ndarray, shape (n,), twice
            The evidence, all laws alike likely, and the mean of that amount.
        """
        seen = rest.astype(np.float32) @ self.axes.T
        fit = -(seen**2) @ self.weights / 2 + self.log
        if along is None:
            return _summed(fit), fit[:, 0]
        way = along.astype(np.float32) @ self.axes.T
        size = 1 + way**2 @ self.weights
        amount = (seen * way) @ self.weights / size
        fit = fit + (amount**2 * size - np.log(size)) / 2
        total = _summed(fit)
        return total, (np.exp(fit - total[:, None]) * amount).sum(axis=1)


def _summed(logs: Floats) -> Floats:
    top = logs.max(axis=1)
    return np.asarray(top + np.log(np.exp(logs - top[:, None]).sum(axis=1)))


@lru_cache(maxsize=4)
def _law(name: str) -> _Law:
    scatter, slow, near = SIZES[name]
    at = np.arange(PLACES)
    apart = np.abs(np.subtract.outer(at, at))
    doubt = np.ones(PLACES)
    doubt[[0, -1]] = END_DOUBT[0] if near == NEAR[0] else END_DOUBT[1]
    alike = (1 - ALONE) * np.exp(-apart / near) + ALONE * np.eye(PLACES)
    line = np.linspace(-1, 1, PLACES)
    drift = np.exp(-((apart / SLOW) ** 2) / 2) + np.outer(line, line)
    level = np.linalg.qr(np.column_stack([np.ones(PLACES), np.eye(PLACES)[:, 1:]]))[0][:, 1:]
    root = np.linalg.inv(np.linalg.cholesky(level.T @ (alike * np.outer(doubt, doubt)) @ level))
    values, vectors = np.linalg.eigh(root @ (level.T @ drift @ level) @ root.T)
    pairs = [(s, a) for s in scatter for a in slow]
    variance = np.stack([s**2 + a**2 * np.maximum(values, 0) for s, a in pairs], axis=1)
    return _Law(
        axes=(vectors.T @ root @ level.T).astype(np.float32),
        weights=(1 / variance).astype(np.float32),
        log=(-np.log(variance).sum(axis=0) / 2).astype(np.float32),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """What is seen of a hair, place by place.

    Attributes
    ----------
    light : ndarray, shape (30,)
        Mean, its median 1.
    colour, lamp : ndarray, shape (30, 2)
        First and last channel over the mean, less 1: of the light seen and of glare.
    gap : ndarray, shape (30,)
        Bright less dull pixels, over the mean.
    tint : ndarray, shape (30, 2)
        First and last channel of that gap over its mean, less 1.
    """

    light: Floats
    colour: Floats
    lamp: Floats
    gap: Floats
    tint: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Glare:
    """Glare along a hair, over its median light.

    Attributes
    ----------
    light : ndarray, shape (60,)
        Averaged over all that it may be.
    effects : tuple of _Effect
        What it is made of.
    """

    light: Floats
    effects: tuple[_Effect, ...]

    @property
    def chance(self) -> float:
        """That there is any, 0..1."""
        return float(1 - np.prod([effect.chances[-1] for effect in self.effects]))

    def draws(self, rng: np.random.Generator, count: int) -> Floats:
        """As likely glare, shape (count, 60)."""
        total = np.zeros((count, 2 * PLACES))
        for effect in self.effects:
            total += effect.shapes[rng.choice(len(effect.chances), size=count, p=effect.chances)]
        return total


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Effect:
    """What one effect adds on average, and the chance of each thing it may be.

    Attributes
    ----------
    glare : ndarray, shape (30,)
        Light of glare.
    own : ndarray, shape (3, 30)
        Change of the hair's own log light, and of its two colours.
    chances : ndarray, shape (n,)
        Of every shape of glare, and of no glare.
    shapes : ndarray, shape (n, 60)
        Those shapes.
    nothing : float
        Chance that there is no effect at all.
    """

    glare: Floats
    own: Floats
    chances: Floats
    shapes: Floats
    nothing: float = 1.0

    @classmethod
    def none(cls) -> _Effect:
        """No effect."""
        return cls(
            glare=np.zeros(PLACES),
            own=np.zeros((3, PLACES)),
            chances=np.ones(1),
            shapes=np.zeros((1, 2 * PLACES)),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fibres:
    """What is held fixed while effects are weighed.

    Attributes
    ----------
    gap : float
        Of the hair without glare.
    tint : ndarray, shape (2,)
        Colour of that gap over the hair's colour.
    """

    gap: float
    tint: Floats


def _find_glare(seen: _Seen) -> _Glare:
    """Glare along a hair by all that is seen of it."""
    found = [_Effect.none()] * EFFECTS
    for _ in range(ROUNDS):
        before = sum(effect.glare for effect in found)
        for number in range(EFFECTS):
            rest = found[:number] + found[number + 1 :]
            found[number] = _effect(seen, rest, is_first=number == 0)
            if found[number].nothing > STOP:
                found[number + 1 :] = [_Effect.none()] * (EFFECTS - 1 - number)
                break
        if np.abs(sum(effect.glare for effect in found) - before).max() < SETTLED:
            break
    light = sum((effect.chances @ effect.shapes for effect in found), np.zeros(2 * PLACES))
    return _Glare(light=np.asarray(light), effects=tuple(found))


def _effect(seen: _Seen, rest: list[_Effect], *, is_first: bool) -> _Effect:
    """What one effect may be, the others as they are on average.

    Only the first may have the light's own shape: what is left of the light after it has the shape
    of the hair's own change as well.
    """
    others = np.asarray(sum(effect.glare for effect in rest))
    moved = np.asarray(sum(effect.own for effect in rest))
    light = np.maximum(seen.light - others, 0.05)
    shaped, kept = _shaped(light)[: None if is_first else 1], _possible(light)
    bells = np.vstack([shaped, _glare_bells(PLACES)[kept]])
    fit, by_light = _glare_evidence(seen, np.vstack([others + bells, others]), moved, others)
    own_fit, own_light, shapes = _own_evidence(seen, others, moved)
    rare = np.tile(_bells(PLACES)[1] - np.log(len(STRENGTHS)), len(STRENGTHS))[kept]
    some = SHAPED if is_first else 1e-9
    rare = np.append(np.full(len(shaped), np.log(some / len(shaped))), np.log(1 - some) + rare)
    # glare of the light's own shape is fitted to it: its light may not speak for it any more
    # than it speaks for the hair's own change
    fit[: len(shaped)] += by_light[-1] + np.logaddexp(0, own_light) - by_light[: len(shaped)]
    logs = np.concatenate(
        [
            fit[:-1] + np.log((1 - ABSENT) * GLARE) + rare,
            fit[-1:] + np.log(ABSENT),
            fit[-1] + own_fit + np.log((1 - ABSENT) * (1 - GLARE) / len(own_fit)),
        ]
    )
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    count = len(bells)
    at, fine = ((np.arange(n) + 0.5) / n for n in (PLACES, 2 * PLACES))
    drawn = np.array([np.interp(fine, at, shape) for shape in shaped])
    return _Effect(
        glare=weight[:count] @ bells,
        own=np.einsum("a,akp->kp", weight[count + 1 :], shapes),
        chances=np.append(weight[:count], weight[count:].sum()),
        shapes=np.vstack([drawn, _glare_bells(2 * PLACES)[kept], np.zeros(2 * PLACES)]),
        nothing=float(weight[count]),
    )


def _possible(light: Floats) -> NDArray[np.int64]:
    """The bells of glare that do not rise far above what the light does there."""
    over = _smooth(light) - np.sort(_smooth(light))[1:4].mean()
    bells = _glare_bells(PLACES)
    return np.flatnonzero(bells.max(axis=1) < ROOM[0] + ROOM[1] * over[bells.argmax(axis=1)])


def _shaped(light: Floats) -> Floats:
    """What rises above three ideas of the hair without glare, and the highest rise alone, (n, 30).

    Level with its least light or with its usual one, or sagging between its lowest places.
    """
    smooth = _smooth(_smooth(light))
    level = np.full(PLACES, np.sort(smooth)[1:4].mean())
    usual = np.full(PLACES, np.quantile(smooth, 0.3))
    rises = []
    for least in (level, usual, _hull(smooth)):
        over = np.maximum(smooth - least, 0)
        top = int(over.argmax())
        low = np.flatnonzero(over <= RISE * over[top])
        start = low[low < top].max(initial=-1) + 1
        stop = low[low > top].min(initial=PLACES)
        alone = np.zeros(PLACES)
        alone[start:stop] = over[start:stop]
        rises += [over, alone]
    return np.asarray([share * rise for rise in rises for share in SHARES])


def _hull(values: Floats) -> Floats:
    """The lower convex hull of values at even places."""
    corners = [0]
    for k in range(1, len(values)):
        while len(corners) > 1:
            i, j = corners[-2:]
            if (values[j] - values[i]) * (k - i) < (values[k] - values[i]) * (j - i):
                break
            corners.pop()
        corners.append(k)
    return np.interp(np.arange(len(values)), corners, values[corners])


def _share(seen: _Seen, glare: Floats) -> Floats:
    """Share of glare in the light, as places around have it: scatter must not speak twice."""
    return np.minimum(glare / _smooth(seen.light), MOST)


def _smooth(values: Floats) -> Floats:
    """Means over each place and its neighbours, weighed 1, 2, 1."""
    padded = np.concatenate([values[:1], values, values[-1:]])
    return np.asarray((padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4)


def _cleared(seen: _Seen, share: Floats, channel: int) -> tuple[Floats, Floats]:
    """Colour of the hair itself: as scattered as it is seen, and smooth."""
    off = _smooth(_smooth(seen.colour[:, channel])) - seen.lamp[:, channel]
    return (
        seen.colour[:, channel] + share / (1 - share) * off,
        seen.lamp[:, channel] + off / (1 - share),
    )


def _fibres(seen: _Seen, glare: Floats) -> _Fibres:
    """The hair's own gap and its colour, from the places of little glare."""
    share = _share(seen, glare)
    calm = (1 - share) ** 2 / (1 + (share / 0.05) ** 2)
    calm /= calm.sum()
    own = np.log(np.maximum(seen.gap, 1e-3)) @ calm
    colour = np.stack([_cleared(seen, share, k)[1] for k in range(2)], axis=1)
    size = (calm[:, None] * colour**2).sum(axis=0) + 0.02**2
    part = ((calm[:, None] * colour * seen.tint).sum(axis=0) + 0.02**2) / size
    return _Fibres(gap=float(np.exp(own)), tint=part)


def _glare_evidence(
    seen: _Seen, glare: Floats, moved: Floats, calm: Floats
) -> tuple[Floats, Floats]:
    """Log evidence of glare of these shapes (n, 30), the hair's own changes taken out.

    Returns
    -------
    ndarray, shape (n,), twice
        The evidence of all that is seen, and that of the light alone.
    """
    fibres = _fibres(seen, calm)
    share = _share(seen, glare)
    left = 1 - share
    light = _law("light").evidence(np.log(seen.light) + np.log(left) - moved[0])[0]
    total = light
    glints = (share * GLINT[0]) ** 2
    own = (left * fibres.gap) ** 2
    part = glints / (glints + own)
    rest = np.log(seen.gap) - np.log(own + glints) / 2
    total = total + _law("gap").evidence(rest, GLINT[1] * part)[0]
    for k in range(2):
        lamp = seen.lamp[:, k]
        colour, own_colour = _cleared(seen, share, k)
        doubt = share * np.hypot(LAMP[0], LAMP[1] * np.abs(own_colour - lamp))
        total = total + _law("colour").evidence(colour - moved[1 + k], doubt)[0]
        tint = fibres.tint[k] * own_colour
        rest = seen.tint[:, k] - part * lamp - (1 - part) * tint
        free = 2 * GLINT[1] * part * (1 - part) * (lamp - tint)
        total = total + _law("tint").evidence(rest, free)[0]
    return np.asarray(total), np.asarray(light)


def _own_evidence(seen: _Seen, glare: Floats, moved: Floats) -> tuple[Floats, float, Floats]:
    """Log evidence of the hair's own effects over that of none, and their means (n, 3, 30).

    Between them, the mean evidence of the light alone.
    """
    share = _share(seen, glare)
    shapes = _own_shapes()
    rest = [np.log(seen.light) + np.log(1 - share) - moved[0]]
    rest += [_cleared(seen, share, k)[0] - moved[1 + k] for k in range(2)]
    fits, means, lights = [], [], []
    for size in OWN:
        parts = []
        for law, seen_rest, scale in zip(
            ("light", "colour", "colour"), rest, (size, TINTED * size, TINTED * size), strict=True
        ):
            fit, amount = _law(law).evidence(seen_rest[None], scale * shapes)
            none = _law(law).evidence(seen_rest[None])[0]
            parts.append((fit - none, scale * amount[:, None] * shapes))
        nothing = np.zeros_like(shapes)
        lights.append(parts[0][0])
        fits += [parts[0][0], parts[0][0] + parts[1][0] + parts[2][0]]
        means += [
            np.stack([parts[0][1], nothing, nothing], axis=1),
            np.stack([part[1] for part in parts], axis=1),
        ]
    light = float(np.logaddexp.reduce(np.concatenate(lights)) - np.log(2 * len(shapes)))
    return np.concatenate(fits), light, np.concatenate(means)


@lru_cache(maxsize=2)
def _bells(places: int) -> tuple[Floats, Floats]:
    """Bells of every width at every place, as close as they are wide, (bells, places).

    And the log chance of each, all widths alike likely.
    """
    at = (np.arange(places) + 0.5) * PLACES / places
    shapes, chances = [], []
    for width in WIDTHS:
        centres = np.arange(0.5, PLACES, max(1.0, width / 1.2))
        shapes.append(np.exp(-(((at - centres[:, None]) / width) ** 2) / 2))
        chances += [-np.log(len(WIDTHS) * len(centres))] * len(centres)
    return np.concatenate(shapes), np.array(chances)


@lru_cache(maxsize=2)
def _glare_bells(places: int) -> Floats:
    """Glare of every bell and strength, (bells * strengths, places)."""
    bells = _bells(places)[0]
    return np.asarray((np.array(STRENGTHS)[:, None, None] * bells).reshape(-1, places))


@lru_cache(maxsize=1)
def _own_shapes() -> Floats:
    """Bells, steps, and slopes that begin or end somewhere along the hair, (n, 30)."""
    at = np.arange(PLACES) + 0.5
    onsets = np.linspace(0, 0.8, 9)[:, None]
    slopes = np.clip((at / PLACES - onsets) / (1 - onsets), 0, 1)
    steps = [
        np.tanh((at - place) / soft)
        for soft in SOFT
        for place in range(2, PLACES - 1, 1 + int(soft))
    ]
    return np.vstack([_bells(PLACES)[0], np.array(steps), slopes, slopes[:, ::-1]])


def _widened(draws: Floats, mean: Floats, light: Floats) -> Floats:
    """The draws about their mean, spread until two SDs reach what is as unlikely as 1 in 100.

    What is either glare or the hair's own is one of two colours, not one between: a normal law of
    its SD would leave the less likely one out. Judged by the differences of the thirds.
    """
    thirds = (draws / light).reshape(len(draws), 3, -1).mean(axis=2)
    thirds = thirds - (mean / light).reshape(3, -1).mean(axis=1)
    differences = thirds - np.roll(thirds, 1, axis=1)
    low, high = np.quantile(differences, (0.01, 0.99), axis=0)
    size = np.sqrt((differences**2).mean(axis=0))
    reach = np.maximum(high, -low)[size > LEAST_DOUBT] / (1.96 * size[size > LEAST_DOUBT])
    return np.asarray(mean + (draws - mean) * np.clip(reach.max(initial=1.0), 1.0, WIDEST))


def _seen(count: Floats, light: Floats, scale: float) -> _Seen:
    """What is seen of a hair in each two of its bins."""
    count = count.reshape(len(count) // 2, 2, -1).sum(axis=1)
    light = light.reshape(len(count), 2, -1, 3).sum(axis=1)
    mean = np.maximum(light.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None], 1e-6)
    luminance = mean.mean(axis=1)
    gap = _part(count, light, is_bright=True) - _part(count, light, is_bright=False)
    size = np.maximum(gap.mean(axis=1), 1e-3 * luminance)
    lamp = 1 + BACK_FACE * np.sqrt(mean)
    lamp /= lamp.mean(axis=1, keepdims=True)
    ends = [0, 2]
    return _Seen(
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
    total = count.sum(axis=1, keepdims=True)
    before = np.cumsum(count, axis=1) - count
    taken = np.clip((PART * total - before) / np.maximum(count, 1e-9), 0, 1)
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


def lamp_white(model: ColourModel) -> Floats:
    """Linear light of a perfect white under the lamp, found where the model reads L* 100 neutral.

    Newton steps on L*a*b* from equal channels; only its direction matters to shine, its scale
    keeps levels in range. Read-only.
    """
    white: Floats = _solved(model)  # type: ignore[arg-type]  # protocols do not say they hash
    return white


@lru_cache(maxsize=2)  # finder and profile ask for the same model; models do not change
def _solved(model: ColourModel) -> Floats:
    white = np.full(3, TARGET_LIGHT)  # where it is if the model's white is the lamp's
    for _ in range(6):
        probes = white * (1 + STEP * np.vstack([np.zeros(3), np.eye(3)]))
        seen = model.lab(probes)
        slope = (seen[1:] - seen[0]).T / STEP  # by log light of each channel
        step = np.linalg.lstsq(slope, np.array([TARGET, 0.0, 0.0]) - seen[0], rcond=None)[0]
        white = white * np.exp(np.clip(step, -0.7, 0.7))
        if np.abs(step).max() < CLOSE:
            break
    found = np.asarray(white / TARGET_LIGHT)
    found.flags.writeable = False
    return found

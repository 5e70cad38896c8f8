"""Camera and light as the chart tells them: Gaussian posteriors, weighed by evidence [ours].

Unknowns, one vector: sensitivity x light in the prior's shapes (3q), flare (3), slope of the light
over the chart (2), tone coefficients (4, encoded photos); and a smooth field over colour, the
discrepancy: what the camera's rendering does beyond matrix and tone. The reading of a patch is
linear in all but the tone, which is linearised anew in each of a few rounds, so that everything
is in closed form and the uncertainty of the tone is carried into the rest. Of a channel at the top
of the scale only a least light is known; a Gaussian found by expectation propagation [1]_ stands
for that.

Two things that differ from photo to photo are guessed at, each pair of guesses solved and weighed
by its evidence: how much gloss the patches show, which hair with its highlights taken out does
not, and how strong the discrepancy is.

References
----------
.. [1] T. P. Minka, Expectation propagation for approximate Bayesian inference, UAI 17 (2001) 362.
   From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from hairtone.calibration import tone
from hairtone.calibration.field import SHARED, Shaken, SmoothField
from hairtone.calibration.prior import Prior
from hairtone.chart.types import GREYS, PATCHES, ChartReading
from hairtone.colorimetry import Floats

CLIPPED: Final = (0.02, 0.985)  # encoded values beyond say little of the light; our choice
PALE: Final = 4  # lightest greys that set the scale; our choice
MIN_LIGHT: Final = 1e-4
FLARE: Final = (0.008, 0.008)  # mean and SD, relative to white; our choice
FLARE_SHARED: Final = 0.99  # correlation between channels; our choice
SLOPE_SD: Final = 0.05  # of the light over the chart; our choice
RELATIVE_SD: Final = 0.014  # print, gloss and model error of a patch; our choice
RELATIVE_SHARED: Final = 0.6  # its correlation between channels; our choice
# guesses at the gloss of patches, relative to white: its mean, and, as gloss only ever adds, its
# SD from patch to patch; matt or well lit, and shiny; our choice
GLOSS: Final = (0.0012, 0.004)
GLOSS_SHARED: Final = 0.98  # gloss has the lamp's colour
LEAST_SD: Final = 0.0003
CLIPPED_SD: Final = 0.05  # of a channel at the bottom of the scale; our choice
MOST_ABOVE: Final = 1.0  # of white that a burnt channel may lie above its code; our choice
# guesses at the SD of the discrepancy, of cube roots of light: RAW, encoded; our choice
FIELD_SD: Final = {True: (0.001,), False: (0.012, 0.03)}
FIELD_LENGTH: Final = 0.35  # of cube roots of light; our choice, from simulated looks
# mean square of a patch's residual above which it counts less, RAW and encoded, whose rendering
# spoils single patches more than the field can follow; by held-out patches of real photos
OUTLIER: Final = {True: 3.0, False: 1.0}
ROUNDS: Final = 5
SETTLED: Final = 1e-2  # of log evidence from round to round; light then stands to 1e-5
LEAST_ROOT: Final = 0.05  # cube root of light below which the field is held


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchData:
    """The usable patches.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Which patches of the chart they are.
    encoded : ndarray, shape (n, 3)
        Readings.
    variance : ndarray, shape (n, 3)
        Of the readings.
    shapes : ndarray, shape (n, q)
        Reflectances in the prior's basis.
    light : ndarray, shape (n,)
        Relative light on each.
    place : ndarray, shape (n, 2)
        Column and row on the chart, -0.5 … 0.5.
    pale : ndarray of int, shape (m,)
        Which of them are the pale greys that set the scale.
    pale_light : ndarray, shape (m,)
        Their known luminance factors times the light on them.
    is_linear : bool
        RAW: no tone curve.
    """

    number: NDArray[np.int64]
    encoded: Floats
    variance: Floats
    shapes: Floats
    light: Floats
    place: Floats
    pale: NDArray[np.int64]
    pale_light: Floats
    is_linear: bool

    @property
    def is_clear(self) -> NDArray[np.bool_]:
        """Channels whose reading is off both ends of the scale, shape (n, 3)."""
        if self.is_linear:
            return ~self.is_burnt
        return np.asarray((self.encoded > CLIPPED[0]) & ~self.is_burnt)

    @property
    def is_burnt(self) -> NDArray[np.bool_]:
        """Channels at the top of the scale, whose light is at least what they read, (n, 3)."""
        return np.asarray(self.encoded >= CLIPPED[1])

    def scale(self, curve: Floats) -> Floats:
        """Decoded light of a perfect white under tone (…, 4 or 0), shape (…, 3)."""
        pale = self.encoded[self.pale]
        if not self.is_linear:
            pale = tone.decode(pale, curve[..., None, None, :])
        ratio = np.log(np.maximum(pale, MIN_LIGHT) / self.pale_light[:, None]).mean(axis=-2)
        return np.broadcast_to(np.exp(ratio), (*curve.shape[:-1], 3))

    def balanced(self, curve: Floats) -> tuple[Floats, Floats, Floats]:
        """Light of the patches under tone (…, 4 or 0), a perfect white reading 1.

        Returns
        -------
        light, slope : ndarray, shape (…, n, 3)
            Balanced light, and its slope over the encoded value.
        bends : ndarray, shape (…, n, 3, 4 or 0)
            Its slopes over the tone coefficients, the balance held.
        """
        whole = self.scale(curve)[..., None, :] * self.light[:, None]
        if self.is_linear:
            return self.encoded / whole, 1 / whole + 0 * self.encoded, np.empty((*whole.shape, 0))
        light, slope, bends = tone.decode_with_slopes(self.encoded, curve[..., None, None, :])
        pale = np.maximum(light[..., self.pale, :], MIN_LIGHT)
        turn = (bends[..., self.pale, :, :] / pale[..., None]).mean(axis=-3)
        balanced = light / whole
        bends = bends / whole[..., None] - balanced[..., None] * turn[..., None, :, :]
        return balanced, slope / whole, bends


def usable_patches(
    reading: ChartReading, prior: Prior, luminance: Floats, light: Floats, *, is_linear: bool
) -> PatchData:
    """Return the patches of a reading that can be used, and those that are at least so bright.

    Parameters
    ----------
    reading : ChartReading
        All patches.
    prior : Prior
        Its basis is that of `PatchData.shapes`.
    luminance : ndarray, shape (24,)
        Known luminance factors of the patches.
    light : ndarray, shape (24,)
        Relative light on each patch.
    is_linear : bool
        RAW.
    """
    used = np.flatnonzero(reading.usable | reading.burnt)
    shapes = prior.in_basis(reading.reference.reflectance, reading.reference.wavelengths)
    number = np.arange(PATCHES)
    place = np.stack([number % 6 / 5 - 0.5, number // 6 / 3 - 0.5], axis=1)
    pale = np.array([patch for patch in GREYS if reading.usable[patch]][:PALE])
    return PatchData(
        number=used,
        encoded=np.asarray(reading.encoded, np.float64)[used],
        variance=np.diagonal(reading.covariance, axis1=-2, axis2=-1)[used],
        shapes=shapes[used],
        light=light[used],
        place=place[used],
        pale=np.searchsorted(used, pale),
        pale_light=luminance[pale] * light[pale],
        is_linear=is_linear,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guesses:
    """Gloss of the patches and SD of the discrepancy, each of shape (g,), pair by pair."""

    gloss: Floats
    field_sd: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """What the chart says of camera, light, flare, tone and discrepancy.

    Attributes
    ----------
    guesses : Guesses
        At gloss and discrepancy.
    share : ndarray, shape (g,)
        Probability of each guess.
    mean : ndarray, shape (g, d)
        Of all unknowns.
    prior_mean, prior_root : ndarray, shape (d,) and (d, d)
        Prior mean and Cholesky factor of the prior covariance.
    design, gain : ndarray, shape (g, 3n, d) and (g, d, 3n)
        Slopes of the readings over the unknowns, and of the unknowns over what was missed.
    noise_root : ndarray, shape (g, n, 3, 3)
        Cholesky factors of each patch's own noise.
    spread_inverse, missed : ndarray, shape (g, 3n, 3n) and (g, 3n)
        Inverse covariance of the readings, and the readings less what the prior predicts.
    roots : ndarray, shape (n, 3)
        Cube roots of the patches' light, where the discrepancy was read.
    number : ndarray of int, shape (n,)
        Which patches of the chart they are.
    evidence : float
        Log evidence of the readings, guesses together.
    """

    guesses: Guesses
    share: Floats
    mean: Floats
    prior_mean: Floats
    prior_root: Floats
    design: Floats
    gain: Floats
    noise_root: Floats
    spread_inverse: Floats
    missed: Floats
    roots: Floats
    number: NDArray[np.int64]
    evidence: float

    @property
    def best(self) -> int:
        """The likeliest guess."""
        return int(self.share.argmax())

    @property
    def left_out(self) -> Floats:
        """Light of each patch less its prediction from all other patches, shape (n, 3)."""
        inverse = self.spread_inverse[self.best]
        count = len(self.roots)
        each = np.arange(count)
        block = inverse.reshape(3, count, 3, count)[:, each, :, each]
        own = (inverse @ self.missed[self.best]).reshape(3, count).T
        return np.asarray(np.linalg.solve(block, own[..., None])[..., 0])

    @property
    def residual(self) -> Floats:
        """Light of each patch that only its own noise explains, shape (n, 3)."""
        solved = (self.spread_inverse[self.best] @ self.missed[self.best]).reshape(3, -1).T
        root = self.noise_root[self.best]
        return np.asarray((root @ np.swapaxes(root, -1, -2) @ solved[..., None])[..., 0])

    @property
    def field_weights(self) -> Floats:
        """Weights of the patches in the mean discrepancy field, shape (n, 3)."""
        solved = (self.spread_inverse @ self.missed[..., None])[..., 0]
        return self._field_weights((self.share * self.guesses.field_sd**2) @ solved)

    def _field_weights(self, solved: Floats) -> Floats:
        """From readings' weights (…, 3n) to field weights (…, n, 3)."""
        by_patch = np.swapaxes(solved.reshape(*solved.shape[:-1], 3, -1), -1, -2)
        return np.asarray(by_patch * 3 * self.roots**2)

    def field_at(self, root: Floats, weights: Floats) -> Floats:
        """The discrepancy (cube roots of light) at colours (…, m, 3) for weights (…, n, 3)."""
        return np.asarray(alikeness(root, self.roots) @ weights)

    def sample(
        self, field: SmoothField, shaken: Shaken, *, draws: int, terms: int
    ) -> tuple[Floats, Floats, Floats]:
        """Equally good unknowns, and the discrepancy that goes with them.

        Each draw takes unknowns, field and noise from the prior, predicts readings from them, and
        corrects all by what the true readings say otherwise (Matheron's rule): exact draws of the
        joint posterior. The guesses take turns in proportion to their shares.

        Returns
        -------
        unknowns : ndarray, shape (draws, d)
        field_sd : ndarray, shape (draws,)
            Of the discrepancy in each draw: a factor on the draws of `field`.
        weights : ndarray, shape (draws, n, 3)
            For `field_at`, which bends those draws to what was read.
        """
        turns = np.random.default_rng(0).permutation(draws)  # the same in every photo
        guess = _in_proportion(self.share, draws)[turns]
        field_sd = self.guesses.field_sd[guess]
        size = len(self.prior_mean)
        away = shaken.normal(draws, size, share=_alike(size, terms), part=11) @ self.prior_root.T
        own = shaken.normal(draws, PATCHES, 3, share=SHARED, part=12)[:, self.number]
        own = (self.noise_root[guess] @ own[..., None])[..., 0]
        own = own + field_sd[:, None, None] * field.at(self.roots) * 3 * self.roots**2
        rest = self.missed[guess] - _by_guess(self.design, guess, away) - _flat(own)
        unknowns = self.prior_mean + away + _by_guess(self.gain, guess, rest)
        solved = field_sd[:, None] ** 2 * _by_guess(self.spread_inverse, guess, rest)
        return unknowns, field_sd, self._field_weights(solved)


def _alike(size: int, terms: int) -> Floats:
    """Share of each unknown's variance that all photos have in common, (d,)."""
    share = np.full(size, SHARED)
    share[size - terms - 2 : size - terms] = 0.0  # slope of the light over the chart
    return share


def alikeness(first: Floats, second: Floats) -> Floats:
    """Correlation of the discrepancy between colours (…, m, 3) and (n, 3), shape (…, m, n)."""
    square = ((first[..., :, None, :] - second[..., None, :, :]) ** 2).sum(axis=-1)
    return np.asarray(np.exp(-0.5 * square / FIELD_LENGTH**2))


def fit_posterior(data: PatchData, prior: Prior, start: Floats) -> Posterior:
    """Posterior of camera, light, flare, slope, tone and discrepancy.

    Parameters
    ----------
    data : PatchData
        The usable patches.
    prior : Prior
        Of camera and light.
    start : ndarray, shape (4,) or (0,)
        Tone to start at.
    """
    gloss, field_sd = np.meshgrid(GLOSS, FIELD_SD[data.is_linear])
    guesses = Guesses(gloss=gloss.ravel(), field_sd=field_sd.ravel())
    mean, covariance = _full_prior(prior, len(start))
    count = len(guesses.gloss)
    curve = np.tile(start, (count, 1))
    doubt = np.ones((count, len(data.encoded)))
    sites = _open_sites(data, count)
    now = _solve_round(data, guesses, (mean, covariance), _State(curve, doubt, sites))
    for step in range(1, ROUNDS):
        if len(start):
            curve = tone.keep_rising(now.found[:, -len(start) :])
        if step > 1:
            doubt = _doubt(now, doubt, most=OUTLIER[data.is_linear])
        sites = _censored(now, sites)
        state = _State(curve, doubt, sites)
        before, now = now, _solve_round(data, guesses, (mean, covariance), state)
        if step > 1 and np.abs(now.evidence - before.evidence).max() < SETTLED:
            break
    likely = np.exp(now.evidence - now.evidence.max())
    share = likely / likely.sum()
    return Posterior(
        guesses=guesses,
        share=share,
        mean=now.found,
        prior_mean=mean,
        prior_root=_lower(covariance + 1e-14 * np.eye(covariance.shape[-1])),
        design=now.design,
        gain=now.gain,
        noise_root=_lower(now.block),
        spread_inverse=now.inverse,
        missed=now.missed,
        roots=_roots(np.einsum("g,gnc->nc", share, now.light)),
        number=data.number,
        evidence=float(now.evidence.max() + np.log(likely.mean())),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Sites:
    """Gaussians that stand for "at least so bright", each of shape (g, n, 3): light above what is
    read, and its variance; 0 where a channel is not burnt, whose indices (3n,) are `burnt`."""

    above: Floats
    variance: Floats
    burnt: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """What a round starts from: tone (g, 4 or 0), factor on each patch's noise (g, n), sites."""

    curve: Floats
    doubt: Floats
    sites: _Sites


def _open_sites(data: PatchData, guesses: int) -> _Sites:
    """Sites that say nothing yet."""
    nothing = np.zeros((guesses, *data.encoded.shape))
    is_burnt = data.is_burnt
    return _Sites(
        above=nothing,
        variance=nothing + MOST_ABOVE**2 * is_burnt,
        burnt=np.flatnonzero(is_burnt.T.ravel()),
    )


def _censored(now: _Round, sites: _Sites) -> _Sites:
    """Sites after one step of expectation propagation [1]_.

    What all else predicts of a burnt channel is cut off below what it reads; the site is the
    Gaussian that turns the one into mean and variance of the other.
    """
    at = sites.burnt
    if not len(at):
        return sites
    inverse = np.diagonal(now.inverse, axis1=-2, axis2=-1)[:, at]
    off = (now.inverse @ now.missed[..., None])[:, at, 0] / inverse
    own = _flat(sites.variance)[:, at]
    spread = np.maximum(1 / inverse - own, LEAST_SD**2)
    middle = _flat(sites.above)[:, at] - off  # above what is read, as all else predicts
    root = np.sqrt(spread)
    pull = np.exp(-0.5 * (middle**2) / spread - log_ndtr(middle / root)) / np.sqrt(2 * np.pi)
    mean = middle + root * pull
    kept = np.clip(1 - pull * (pull + middle / root), 1e-3, 1 - 1e-6)  # share of the variance
    variance = np.minimum(spread * kept / (1 - kept), MOST_ABOVE**2)
    above = np.clip(variance * (mean / kept - middle) / spread, 0.0, MOST_ABOVE)
    return _Sites(_refilled(sites.above, at, above), _refilled(sites.variance, at, variance), at)


def _refilled(values: Floats, at: NDArray[np.intp], new: Floats) -> Floats:
    """Values (g, n, 3) with those at flat indices (3n,), channel by channel, replaced."""
    flat = _flat(values).copy()
    flat[:, at] = new
    return np.asarray(np.swapaxes(flat.reshape(len(flat), 3, -1), -1, -2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Round:
    """One linearisation, solved: names as in `Posterior`; `block` is each patch's own noise, `read`
    the light as decoded, `light` the same with what censored channels are thought to have above."""

    read: Floats
    light: Floats
    design: Floats
    block: Floats
    inverse: Floats
    gain: Floats
    missed: Floats
    found: Floats
    evidence: Floats


def _solve_round(
    data: PatchData, guesses: Guesses, prior: tuple[Floats, Floats], state: _State
) -> _Round:
    mean, covariance = prior
    curve, sites = state.curve, state.sites
    terms = curve.shape[-1]
    read, slope, bends = data.balanced(curve)
    light = read + sites.above
    design = _design(data, light, bends)
    block: Floats = _patch_noise(data, guesses, light, slope) * state.doubt[..., None, None]
    block = block + sites.variance[..., None] * np.eye(3)
    across = covariance @ np.swapaxes(design, -1, -2)
    spread = design @ across + _in_full(block) + _field_noise(guesses, light)
    missed = _flat(light) - design @ mean - guesses.gloss[:, None]
    if terms:
        missed = missed + (design[..., -terms:] @ curve[..., None])[..., 0]
    inverse = np.asarray(np.linalg.inv(spread), np.float64)
    gain = across @ inverse
    evidence = -0.5 * (missed * (inverse @ missed[..., None])[..., 0]).sum(axis=-1)
    evidence = evidence - 0.5 * np.linalg.slogdet(spread)[1]
    return _Round(
        read=read,
        light=light,
        design=design,
        block=block,
        inverse=inverse,
        gain=gain,
        missed=missed,
        found=mean + (gain @ missed[..., None])[..., 0],
        # readings are codes: the density of light turns into that of codes by the slope
        evidence=evidence + (np.log(np.maximum(slope, 1e-3)) * data.is_clear).sum(axis=(-2, -1)),
    )


def _full_prior(prior: Prior, terms: int) -> tuple[Floats, Floats]:
    """Mean (d,) and covariance (d, d) of all unknowns."""
    count = len(prior.mean)
    mean = np.concatenate([prior.mean, [FLARE[0]] * 3, np.zeros(2 + terms)])
    covariance = np.zeros((len(mean), len(mean)))
    covariance[:count, :count] = prior.covariance
    flare = slice(count, count + 3)
    covariance[flare, flare] = FLARE[1] ** 2 * _shared(FLARE_SHARED)
    rest = np.arange(count + 3, len(mean))
    covariance[rest, rest] = np.square([SLOPE_SD, SLOPE_SD, *tone.PRIOR_SD[:terms]])
    return mean, covariance


def _lower(covariance: Floats) -> Floats:
    return np.asarray(np.linalg.cholesky(covariance), np.float64)


def _shared(correlation: float) -> Floats:
    return np.asarray(correlation + (1 - correlation) * np.eye(3))


def _flat(values: Floats) -> Floats:
    """(…, n, 3) as (…, 3n), red, green, blue one after the other."""
    return np.asarray(np.swapaxes(values, -1, -2).reshape(*values.shape[:-2], -1))


def _in_full(block: Floats) -> Floats:
    """Blocks (g, n, 3, 3) of each patch as a covariance of the readings (g, 3n, 3n)."""
    guesses, count = block.shape[:2]
    full = np.zeros((guesses, 3, count, 3, count))
    each = np.arange(count)
    full[:, :, each, :, each] = np.moveaxis(block, 1, 0)
    return full.reshape(guesses, 3 * count, 3 * count)


def _roots(light: Floats) -> Floats:
    return np.maximum(np.cbrt(light), LEAST_ROOT)


def _design(data: PatchData, light: Floats, bends: Floats) -> Floats:
    """Slopes of the readings over the unknowns, shape (g, 3n, d)."""
    guesses, count = light.shape[:2]
    camera = np.kron(np.eye(3), data.shapes)
    flare = np.kron(np.eye(3), 1 / data.light[:, None])
    fixed = np.broadcast_to(np.hstack([camera, flare]), (guesses, 3 * count, camera.shape[1] + 3))
    slopes = [_flat(light * data.place[:, [axis]])[..., None] for axis in (0, 1)]
    tones = np.moveaxis(bends, -3, -2).reshape(guesses, 3 * count, -1)
    return np.concatenate([fixed, *slopes, -tones], axis=-1)


def _patch_noise(data: PatchData, guesses: Guesses, light: Floats, slope: Floats) -> Floats:
    """Covariance of each patch about the model, shape (g, n, 3, 3)."""
    size = np.maximum(np.abs(light), 1e-3)
    block = RELATIVE_SD**2 * _shared(RELATIVE_SHARED) * size[..., None] * size[..., None, :]
    block = block + guesses.gloss[:, None, None, None] ** 2 * _shared(GLOSS_SHARED)
    own = LEAST_SD**2 + slope**2 * data.variance + CLIPPED_SD**2 * ~(data.is_clear | data.is_burnt)
    return np.asarray(block + own[..., None] * np.eye(3))


def _field_noise(guesses: Guesses, light: Floats) -> Floats:
    """Covariance of the readings by the discrepancy field, shape (g, 3n, 3n)."""
    root = _roots(light)
    kernel = guesses.field_sd[:, None, None] ** 2 * alikeness(root, root)
    steep = _flat(3 * root**2)
    channels = np.einsum("cd,gij->gcidj", np.eye(3), kernel).reshape(
        len(light), *(steep.shape[-1],) * 2
    )
    return np.asarray(channels * steep[:, :, None] * steep[:, None, :])


def _doubt(now: _Round, doubt: Floats, *, most: float) -> Floats:
    """Factor on each patch's noise, shape (g, n), larger for patches that stay far off."""
    guesses, count = doubt.shape
    solved = (now.inverse @ now.missed[..., None])[..., 0].reshape(guesses, 3, count)
    off = (now.block @ np.swapaxes(solved, -1, -2)[..., None])[..., 0]  # left for own noise
    own = now.block / doubt[..., None, None]
    square = (off * np.linalg.solve(own, off[..., None])[..., 0]).sum(axis=-1) / 3
    return np.maximum(1.0, square / most)


def _by_guess(matrices: Floats, guess: np.ndarray, vectors: Floats) -> Floats:
    """Each vector (draws, b) through the matrix of its guess (g, a, b), shape (draws, a)."""
    out = np.empty((len(vectors), matrices.shape[-2]))
    for number, matrix in enumerate(matrices):
        mine = guess == number
        out[mine] = vectors[mine] @ matrix.T
    return out


def _in_proportion(share: Floats, draws: int) -> np.ndarray:
    """Index of the guess of each draw: shares as whole numbers that add up."""
    edges = np.round(np.cumsum(share) * draws).astype(int)
    return np.repeat(np.arange(len(share)), np.diff(edges, prepend=0))

"""The tone curve of an encoded photo, and many small robust fits of tone, flare and 3 x 3 at once.

``L*/100 = v + sum_k a_k sin(k pi v)`` for encoded values v in 0..1, the same for red, green and
blue [ours], kept rising. All zero is close to a plain sRGB photo; the terms bend it as cameras
do. A series about sRGB's own curve did slightly worse, on simulated and on every set of real
photos.

One problem is the chart; a batch of it differs in the weights of the patches. So the fit itself,
24 fits with a patch left out, and 256 bootstrap fits are each one call of array algebra.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import EPSILON, KAPPA, Floats, delta_e_metric, xyz_to_lab

TERMS: Final = 4  # our choice: a fifth term did not lower held-out error in simulation
PRIOR_SD: Final = (0.10, 0.06, 0.025, 0.012)  # of a_k, from in-camera curves as simulated; ours
LEAST_SLOPE: Final = 0.1  # of L*/100 over v; our choice: 22 % of the prior's draws would turn back
_KNEE: Final = 6 / 29  # where cube root and straight line meet; ISO/CIE 11664-4, 3.3
_ORDERS: Final = np.pi * np.arange(1, TERMS + 1)
_GRID: Final = np.linspace(0.0, 1.0, 65)
_FINE: Final = np.linspace(-0.1, 1.1, 2401)  # of v; straight-line error of the inverse < 1e-6
FLARE_SD: Final = (
    0.012  # of the flare, relative to white; our choice, prints and lenses give 0.3-3 %
)
TONE_PULL: Final = 5.0  # weight of the grey-row tone against one ΔE00 of one patch; our choice
MATRIX_PULL: Final = 0.1  # the same for the 3 x 3, relative to its mean size; our choice
LEAST_LIGHT: Final = 1e-4  # XYZ below are held there: Lab of black; our choice


def waves(encoded: ArrayLike) -> Floats:
    """The sines of the series at encoded values, shape (..., 4); 0 beyond 0 and 1.

    Values beyond come from colours that sRGB cannot hold; there the curve runs on straight.
    """
    return np.sin(np.clip(np.asarray(encoded, np.float64), 0, 1)[..., None] * _ORDERS)


def light_of_lightness(fraction: ArrayLike) -> Floats:
    """Relative luminance of L*/100; the straight line runs on below zero."""
    root = (100 * np.asarray(fraction, np.float64) + 16) / 116
    return np.where(root > _KNEE, root**3, (116 * root - 16) / KAPPA)


def _light_slope(fraction: Floats) -> Floats:
    root = (100 * fraction + 16) / 116
    return np.where(root > _KNEE, 300 / 116 * root**2, 100 / KAPPA)


def _summed(shapes: Floats, coefficients: Floats) -> Floats:
    """Sum over the terms (last axis) of shapes times coefficients; no array of all products."""
    return np.asarray(sum(shapes[..., k] * coefficients[..., k] for k in range(TERMS)))


def decode(encoded: ArrayLike, coefficients: ArrayLike) -> Floats:
    """Relative light of encoded values under the series.

    Parameters
    ----------
    encoded : array_like, shape (...)
        Values on the sRGB tone scale, 0..1.
    coefficients : array_like, shape (4,) or (..., 4)
        a_1 … a_4; leading axes broadcast against `encoded`.
    """
    encoded = np.asarray(encoded, np.float64)
    return light_of_lightness(encoded + _summed(waves(encoded), np.asarray(coefficients)))


def decode_with_slopes(encoded: Floats, coefficients: Floats) -> tuple[Floats, Floats, Floats]:
    """Light, its slope over the encoded value, and over each coefficient (last axis)."""
    shapes = waves(encoded)
    fraction = encoded + _summed(shapes, coefficients)
    steepness = _light_slope(fraction)
    inside = ((encoded >= 0) & (encoded <= 1))[..., None]
    bends = np.where(inside, np.cos(encoded[..., None] * _ORDERS) * _ORDERS, 0.0)
    slope = steepness * (1 + _summed(bends, coefficients))
    return light_of_lightness(fraction), slope, steepness[..., None] * shapes


def keep_rising(coefficients: ArrayLike) -> Floats:
    """The coefficients, shrunk together where the curve would rise less than `LEAST_SLOPE`.

    Parameters
    ----------
    coefficients : array_like, shape (..., 4)
    """
    coefficients = np.asarray(coefficients, np.float64)
    bends = np.cos(_GRID[:, None] * _ORDERS) * _ORDERS
    lowest = (coefficients @ bends.T).min(axis=-1, keepdims=True)
    room = LEAST_SLOPE - 1
    return np.where(lowest < room, coefficients * room / np.minimum(lowest, room), coefficients)


def encode(light: ArrayLike, coefficients: ArrayLike) -> Floats:
    """Encoded values of relative light: the inverse of `decode` for rising coefficients, (4,)."""
    known = _light_of_fine(tuple(np.asarray(coefficients, np.float64).tolist()))
    return np.interp(np.asarray(light, np.float64), known, _FINE)


@lru_cache(maxsize=4)  # the two levels of one photo ask again and again
def _light_of_fine(coefficients: tuple[float, ...]) -> Floats:
    known = light_of_lightness(_FINE + waves(_FINE) @ np.array(coefficients))
    known.flags.writeable = False
    return known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchProblem:
    """A chart to be fitted.

    Attributes
    ----------
    encoded : ndarray, shape (n, 3)
        Readings, 0..1.
    light : ndarray, shape (n,)
        Relative light on each patch; readings are divided by it in linear light.
    lab : ndarray, shape (n, 3)
        What the patches are known to be.
    white : ndarray, shape (3,)
        XYZ of the white, Y = 1.
    scale : ndarray, shape (3,)
        Decoded light of a perfect white in each channel.
    is_linear : bool
        RAW: no tone curve.
    start : ndarray, shape (p,)
        Where fits start from and are pulled to: tone (none for RAW), flare, 3 x 3.
    """

    encoded: Floats
    light: Floats
    lab: Floats
    white: Floats
    scale: Floats
    is_linear: bool
    start: Floats

    @property
    def pull(self) -> Floats:
        """Weight of the ridge on each parameter, shape (p,)."""
        size = np.abs(self.start[-9:]).mean()
        tone_pull = [] if self.is_linear else [TONE_PULL / sd for sd in PRIOR_SD]
        return np.array([*tone_pull, *[1 / FLARE_SD] * 3, *[MATRIX_PULL / size] * 9])


def split(parameters: Floats) -> tuple[Floats, Floats, Floats]:
    """Tone (..., 4 or 0), flare (..., 3) and 3 x 3 (..., 3, 3) of stacked parameters."""
    matrix = parameters[..., -9:].reshape(*parameters.shape[:-1], 3, 3)
    return parameters[..., :-12], parameters[..., -12:-9], matrix


def lab_with_slopes(xyz: Floats, white: Floats) -> tuple[Floats, Floats]:
    """L*a*b* of XYZ and its slopes, shape (..., 3, 3) over (X, Y, Z)."""
    ratio = np.maximum(xyz, LEAST_LIGHT) / white
    steep = np.where(
        ratio > EPSILON, np.maximum(ratio, EPSILON) ** (-2 / 3) / 3, KAPPA / 116
    ) * np.where(xyz > LEAST_LIGHT, 1 / white, 0.0)
    slopes = np.zeros((*xyz.shape, 3))
    slopes[..., 0, 1] = 116 * steep[..., 1]
    slopes[..., 1, 0], slopes[..., 1, 1] = 500 * steep[..., 0], -500 * steep[..., 1]
    slopes[..., 2, 1], slopes[..., 2, 2] = 200 * steep[..., 1], -200 * steep[..., 2]
    return xyz_to_lab(ratio * white, white=white), slopes


def balanced_light(
    problem: PatchProblem, parameters: Floats, encoded: Floats | None = None
) -> Floats:
    """Lamp-white-balanced light with the flare off, shape (..., n, 3); white is 1, 1, 1."""
    values = problem.encoded if encoded is None else encoded
    curve, flare, _ = split(parameters)
    if problem.is_linear:
        decoded = np.broadcast_to(values, (*parameters.shape[:-1], *values.shape))
    else:
        decoded = decode(values, curve[..., None, None, :])
    return np.asarray(decoded / problem.scale - flare[..., None, :])


def predict(problem: PatchProblem, parameters: Floats) -> Floats:
    """L*a*b* of the patches, shape (b, n, 3), of parameters (b, p)."""
    balanced = balanced_light(problem, parameters) / problem.light[:, None]
    xyz = balanced @ split(parameters)[2]
    return xyz_to_lab(np.maximum(xyz, LEAST_LIGHT), white=problem.white)


def predict_with_slopes(problem: PatchProblem, parameters: Floats) -> tuple[Floats, Floats]:
    """L*a*b* of the patches, shape (b, n, 3), and its slopes over the parameters (b, n, 3, p)."""
    curve, flare, matrix = split(parameters)
    shape = (len(parameters), *problem.encoded.shape)
    light = problem.light[:, None]
    if problem.is_linear:
        decoded, bends = np.broadcast_to(problem.encoded, shape), np.empty((*shape, 0))
    else:
        decoded, _, bends = decode_with_slopes(problem.encoded[None], curve[:, None, None, :])
    balanced = (decoded / problem.scale - flare[:, None, :]) / light
    lab, steep = lab_with_slopes(balanced @ matrix, problem.white)
    bends = bends / (problem.scale * light)[..., None]
    by_tone = np.einsum("bnck,bcx->bnxk", bends, matrix)
    by_flare = -np.swapaxes(matrix, -1, -2)[:, None] / light[..., None]
    by_matrix = np.einsum("bnc,xy->bnxcy", balanced, np.eye(3)).reshape(*shape, 9)
    slopes = np.concatenate([by_tone, by_flare, by_matrix], axis=-1)
    return lab, steep @ slopes


def fit_batch(problem: PatchProblem, weights: Floats, start: Floats, *, rounds: int) -> Floats:
    """Parameters, shape (b, p), after `rounds` of robust Gauss-Newton on CIEDE2000.

    Parameters
    ----------
    problem : PatchProblem
        The chart.
    weights : ndarray, shape (b, n)
        Of each patch in each fit; 0 leaves it out.
    start : ndarray, shape (p,) or (b, p)
        Where to begin.
    rounds : int
        Steps to take.

    Notes
    -----
    Residuals are L*a*b* differences in the local metric of CIEDE2000 half-way between reading and
    reference, whose length is ΔE00; soft-L1 by reweighting [P. J. Huber's scheme], scale 1 ΔE00.
    """
    parameters = np.atleast_2d(start)  # one row while all fits stand at the same place
    ridge = problem.pull**2
    for _ in range(rounds):
        lab, slopes = predict_with_slopes(problem, parameters)
        root = np.linalg.cholesky(delta_e_metric((lab + problem.lab) / 2)).swapaxes(-1, -2)
        residual = root @ (lab - problem.lab)[..., None]
        robust = weights / np.sqrt(1 + (residual**2).sum(axis=(-2, -1)))
        slopes = root @ slopes
        square = slopes.swapaxes(-1, -2) @ np.concatenate([slopes, residual], axis=-1)
        size = square.shape[-2:]
        total = (robust[:, None] @ square.reshape(*square.shape[:2], -1)).reshape(-1, *size)
        normal = total[..., :-1] + np.diag(ridge)
        pull = total[..., -1] + ridge * (parameters - problem.start)
        parameters = parameters - np.linalg.solve(normal, pull[..., None])[..., 0]
        if not problem.is_linear:
            parameters[:, :TERMS] = keep_rising(parameters[:, :TERMS])
    return parameters

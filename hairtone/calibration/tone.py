"""The tone curve of an encoded photo: a short sine series on the L* scale, kept rising.

``L*/100 = v + sum_k a_k sin(k pi v)`` for encoded values v in 0..1, the same for red, green and
blue [ours]. All zero is close to a plain sRGB photo; the terms bend it as cameras do. A series
about sRGB's own curve did slightly worse, on simulated and on every set of real photos.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import KAPPA, Floats

TERMS: Final = 4  # our choice: a fifth term did not lower held-out error in simulation
PRIOR_SD: Final = (0.10, 0.06, 0.025, 0.012)  # of a_k, from in-camera curves as simulated; ours
LEAST_SLOPE: Final = 0.1  # of L*/100 over v; our choice: 22 % of the prior's draws would turn back
_KNEE: Final = 6 / 29  # where cube root and straight line meet; ISO/CIE 11664-4, 3.3
_ORDERS: Final = np.pi * np.arange(1, TERMS + 1)
_GRID: Final = np.linspace(0.0, 1.0, 65)
_FINE: Final = np.linspace(-0.1, 1.1, 2401)  # of v; straight-line error of the inverse < 1e-6


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

"""From the sensor's values to encoded ones: what a camera's own processing does.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d

from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, Floats, encode_srgb
from hairtone.scene.canvas import Singles
from hairtone.scene.exposure import coarse, spread, wide_blur
from hairtone.scene.types import Development
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # of sRGB's linear channels; [1]
LUMA = np.array([0.299, 0.587, 0.114])  # weights of encoded channels looks are twisted about
SRGB_FROM_XYZ = np.array(  # [1]
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
TONE_STEPS = 1 << 16  # of the tone table over linear 0..TONE_TOP
TONE_TOP = 2.0
LOOK_STEPS = 64  # of the look's table on each axis
TRAINING_CHART = "chart24-average30"  # what the maker's colour matrix was fitted to; our choice


def colour_matrix(weights: Floats, development: Development) -> Floats:
    """Camera light -> linear sRGB, shape (3, 3), to be applied as ``rgb @ matrix.T``.

    Least squares over a training chart in this very light, as a maker does; then the saturation,
    the matrix's own error and a rescaling that keeps white neutral at 1.

    Parameters
    ----------
    weights : ndarray, shape (81, 3)
        Reflectance -> camera light, perfect white 1.
    development : Development
        Its saturation and matrix error.
    """
    grid = viewing_wavelengths()
    chart = load_reference(TRAINING_CHART)
    surface = np.stack([np.interp(grid, chart.wavelengths, row) for row in chart.reflectance])
    wanted = reflectance_to_xyz(surface, grid, viewing=VIEWINGS["D65/2"]) @ SRGB_FROM_XYZ.T
    matrix = np.linalg.lstsq(surface @ weights, wanted, rcond=None)[0].T
    mix = development.saturation * np.eye(3) + (1 - development.saturation) * LUMINANCE
    matrix = mix @ matrix + np.reshape(development.matrix_error, (3, 3))
    return np.asarray(matrix / matrix.sum(axis=1, keepdims=True))


def tone_curve(linear: ArrayLike, development: Development) -> Floats:
    """Encoded values 0..1 of linear light: black, highlight shoulder, sRGB transfer, S-curve."""
    light = (np.asarray(linear, np.float64) - development.black) / (1 - development.black)
    light = np.maximum(light, 0.0)
    if development.shoulder < 1:
        room = 1 - development.shoulder
        bent = development.shoulder + room * np.tanh((light - development.shoulder) / room)
        light = np.where(light > development.shoulder, bent, light)
    encoded = np.clip(encode_srgb(light), 0, 1)
    if development.contrast == 0:
        return np.asarray(encoded)
    steepness = 4.0 + 2.0 * development.contrast

    def bow(value: ArrayLike) -> Floats:
        return np.asarray(np.tanh(steepness / 2 * (np.asarray(value) - development.pivot)))

    curve = (bow(encoded) - bow(0.0)) / (bow(1.0) - bow(0.0))
    return np.asarray((1 - development.contrast) * encoded + development.contrast * curve)


def twist(encoded: ArrayLike, development: Development) -> Floats:
    """Encoded values with the camera's look: chroma and hue moved by smooth waves over hue."""
    values = np.asarray(encoded, np.float64)
    luma = (values @ LUMA)[..., None]
    red, green, blue = np.moveaxis(values, -1, 0)
    first, second = (red - green) / np.sqrt(2), (red + green - 2 * blue) / np.sqrt(6)
    angle, radius = np.arctan2(second, first), np.hypot(first, second)

    def waves(parts: tuple[tuple[float, float], ...]) -> Floats:
        each = (a * np.cos(k * angle + p) for k, (a, p) in enumerate(parts, start=1))
        return np.asarray(sum(each, np.zeros_like(angle)))

    radius = radius * (1 + waves(development.look_chroma))
    angle = angle + waves(development.look_hue)
    first, second = radius * np.cos(angle), radius * np.sin(angle)
    opponent = np.stack(
        [
            first / np.sqrt(2) + second / np.sqrt(6),
            -first / np.sqrt(2) + second / np.sqrt(6),
            -2 * second / np.sqrt(6),
        ],
        axis=-1,
    )
    moved = luma + opponent - (opponent @ LUMA)[..., None]
    return np.asarray(np.clip(moved, 0, 1))


def develop(
    values: Singles, development: Development, weights: Floats, *, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """8-bit encoded pixels of white-balanced sensor values.

    Parameters
    ----------
    values : ndarray, shape (height, width, 3), float32
        0..1.
    development : Development
        The camera's settings.
    weights : ndarray, shape (81, 3)
        Reflectance -> camera light, which the colour matrix is fitted for.
    rng : Generator
        Of the dither before rounding.
    """
    matrix = development.gain * colour_matrix(weights, development)
    linear = values @ matrix.T.astype(np.float32)
    if development.local_tone:
        linear *= _local_gain(linear, development.local_tone)[..., None]
    steps = np.linspace(0, TONE_TOP, TONE_STEPS)
    table = tone_curve(steps, development).astype(np.float32)
    np.clip(linear, 0, TONE_TOP, out=linear)
    linear *= np.float32((TONE_STEPS - 1) / TONE_TOP)
    encoded = table[(linear + np.float32(0.5)).astype(np.int32)]
    if development.look_chroma or development.look_hue:
        encoded = _look_up(encoded, development)
    if development.sharpening:
        encoded = _sharpened(encoded, development.sharpening)
    codes = encoded * np.float32(255)
    codes += rng.random(codes.shape, dtype=np.float32)
    return np.asarray(np.clip(codes, 0, 255.99).astype(np.uint8))


def _local_gain(linear: Singles, exponent: float) -> Singles:
    """Gain that brings bright and dark neighbourhoods nearer to each other."""
    height, width = linear.shape[:2]
    light = np.log(np.maximum(coarse(linear @ LUMINANCE.astype(np.float32)), 1e-3))
    nearby = wide_blur(light, share=0.06)
    gain = np.exp(-exponent * (nearby - nearby.mean()))
    return spread(gain.astype(np.float32), size=(width, height))


def _look_up(encoded: Singles, development: Development) -> Singles:
    """The look by a table of displacements; a step of it moves less than a quarter code."""
    axis = (np.arange(LOOK_STEPS) + 0.5) / LOOK_STEPS
    cells = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    moved = (twist(cells, development) - cells).astype(np.float32).reshape(-1, 3)
    cell = np.minimum((encoded * LOOK_STEPS).astype(np.int32), LOOK_STEPS - 1)
    key = (cell[..., 0] * LOOK_STEPS + cell[..., 1]) * LOOK_STEPS + cell[..., 2]
    return np.asarray(np.clip(encoded + moved[key], 0, 1), np.float32)


def _sharpened(encoded: Singles, amount: float) -> Singles:
    blurred = encoded
    for axis in (0, 1):
        blurred = gaussian_filter1d(blurred, 1.0, axis=axis, truncate=2.5)
    return np.asarray(np.clip(encoded + amount * (encoded - blurred), 0, 1), np.float32)

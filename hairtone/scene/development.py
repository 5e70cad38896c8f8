"""From light to the sensor's values: how the light falls, what the lens and the sensor add.

From the sensor's values to encoded ones: what a camera's own processing does.

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
from hairtone.scene.types import Development, Lens, LightShape, Sensor
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

COARSE_PX = 32  # side of the squares that wide veils and local tone are worked out on
PIXEL_GAIN_SD = 0.003  # pixels differ in sensitivity by about this much; our choice
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # of sRGB's linear channels; [1]
LUMA = np.array([0.299, 0.587, 0.114])  # weights of encoded channels looks are twisted about
SRGB_FROM_XYZ = np.array(  # [1]
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
TONE_STEPS = 1 << 16  # of the tone table over linear 0..TONE_TOP
TONE_TOP = 2.0
LOOK_STEPS = 64  # of the look's table on each axis
TRAINING_CHART = "chart24-average30"  # what the maker's colour matrix was fitted to; our choice


def light_over(
    shape: LightShape, *, size: tuple[int, int], at: tuple[float, float], step: int = 1
) -> Singles:
    """Relative light over the frame, 1 at the point `at`, shape (height // step, width // step).

    Parameters
    ----------
    shape : LightShape
        How it falls.
    size : tuple of int
        Width and height of the frame. [pixels]
    at : tuple of float
        Where it is 1. [pixels, xy]
    step : int, optional
        Side of the squares whose middles are listed. [pixels]
    """
    width, height = size
    x: Floats = np.asarray((np.arange(width // step) + 0.5) * step - 0.5, np.float64)
    y: Floats = np.asarray((np.arange(height // step) + 0.5) * step - 0.5, np.float64)
    light = light_at(shape, x[None, :], y[:, None], size=size)
    here = light_at(shape, np.array([[at[0]]]), np.array([[at[1]]]), size=size)
    return np.asarray(light / here[0, 0], np.float32)


def light_at(shape: LightShape, x: Floats, y: Floats, *, size: tuple[int, int]) -> Singles:
    """Light at pixels x, y (shapes broadcast) of a frame of that size; 1 in its middle."""
    width, height = size
    across = ((x + 0.5) / width - 0.5).astype(np.float32)
    down = ((y + 0.5) / height - 0.5).astype(np.float32)
    light = np.exp(across * shape.gradient[0]) * np.exp(down * shape.gradient[1])
    if shape.vignetting:
        diagonal2 = width**2 + height**2
        radius2 = 4 * ((across * width) ** 2 + (down * height) ** 2) / diagonal2
        light = light * (1 - shape.vignetting * radius2)
    if shape.shadow_depth:
        diagonal = np.hypot(width, height)
        angle = np.radians(shape.shadow_deg)
        into = across * np.float32(width / diagonal * np.cos(angle))
        into = into + down * np.float32(height / diagonal * np.sin(angle))
        depth = np.clip((into - shape.shadow_at) / shape.shadow_soft, -20, 20)
        light = light * (1 - shape.shadow_depth / (1 + np.exp(-3 * depth)))
    return np.asarray(light, np.float32)


def coarse(picture: Singles) -> Singles:
    """Means over squares of `COARSE_PX`, the last ones holding the rest of the frame."""
    height, width = picture.shape[:2]
    rows, columns = max(height // COARSE_PX, 1), max(width // COARSE_PX, 1)
    # every fourth row and column is plenty for a mean over a thousand pixels
    y = np.minimum(np.arange(0, height, 4) // COARSE_PX, rows - 1)
    x = np.minimum(np.arange(0, width, 4) // COARSE_PX, columns - 1)
    thin = picture[::4, ::4]
    summed = np.add.reduceat(thin, np.searchsorted(y, np.arange(rows)), axis=0)
    summed = np.add.reduceat(summed, np.searchsorted(x, np.arange(columns)), axis=1)
    count = np.bincount(y, minlength=rows)[:, None] * np.bincount(x, minlength=columns)
    return np.asarray(summed / count.reshape(count.shape + (1,) * (summed.ndim - 2)), np.float32)


def wide_blur(squares: Singles, *, share: float) -> Singles:
    """Squares blurred over a share of the frame's width."""
    sd = share * squares.shape[1]
    for axis in (0, 1):
        squares = gaussian_filter1d(squares, sd, axis=axis, mode="nearest")
    return squares


def spread(squares: Singles, *, size: tuple[int, int]) -> Singles:
    """Squares back to pixels, linearly between their middles, shape (height, width)."""
    width, height = size
    across = _between(width, squares.shape[1])
    down = _between(height, squares.shape[0])
    return np.asarray(down @ squares @ across.T, np.float32)


def _between(pixels: int, squares: int) -> Singles:
    """Linear interpolation as a matrix, shape (pixels, squares)."""
    at = np.clip((np.arange(pixels) + 0.5) / COARSE_PX - 0.5, 0, squares - 1)
    low = np.minimum(np.floor(at).astype(np.intp), max(squares - 2, 0))
    matrix = np.zeros((pixels, squares), np.float32)
    rows = np.arange(pixels)
    matrix[rows, low] += 1 - (at - low)
    matrix[rows, np.minimum(low + 1, squares - 1)] += at - low
    return matrix


def through_lens(picture: Singles, lens: Lens) -> Singles:
    """The picture with the lens's blur and veiling light."""
    height, width = picture.shape[:2]
    if lens.blur_px:
        for axis in (0, 1):
            picture = gaussian_filter1d(picture, lens.blur_px, axis=axis, truncate=3.0)
    if lens.flare:
        squares = coarse(picture)
        mean = squares.mean(axis=(0, 1))
        nearby = wide_blur(squares, share=0.15)
        veil = lens.flare * (lens.local_flare * nearby + (1 - lens.local_flare) * mean)
        picture = np.stack(
            [
                picture[..., k] + lens.flare_tint[k] * spread(veil[..., k], size=(width, height))
                for k in range(3)
            ],
            axis=-1,
        )
    return np.asarray(picture, np.float32)


def onto_sensor(
    picture: Singles, sensor: Sensor, *, yields: Floats, rng: np.random.Generator
) -> Singles:
    """White-balanced sensor values, 0..1, of a picture in which perfect white reads 1.

    Parameters
    ----------
    picture : ndarray, shape (height, width, 3), float32
        Behind the lens.
    sensor : Sensor
        What it does.
    yields : ndarray, shape (3,)
        What each channel gathers of the light, before white balance; relative. A channel that
        gathers little is lifted by white balance, its noise with it.
    rng : Generator
        Of the noise.
    """
    values = picture * np.float32(sensor.exposure)
    if sensor.full_well:
        per_unit = (sensor.full_well * yields / yields.max()).astype(np.float32)
        variance = np.maximum(values, 0) / per_unit + (sensor.read_noise / per_unit) ** 2
        variance += (PIXEL_GAIN_SD * values) ** 2
        noise = rng.standard_normal(values.shape, dtype=np.float32)
        noise *= np.sqrt(variance, out=variance)
        values += noise
    values *= np.array(sensor.white_balance, np.float32)
    return np.asarray(np.clip(values, 0, 1, out=values), np.float32)


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

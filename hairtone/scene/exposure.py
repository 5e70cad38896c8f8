"""From light to the sensor's values: how the light falls, what the lens and the sensor add."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from hairtone.colorimetry import Floats
from hairtone.scene.canvas import Singles
from hairtone.scene.types import Lens, LightShape, Sensor

COARSE_PX = 32  # side of the squares that wide veils and local tone are worked out on
PIXEL_GAIN_SD = 0.003  # pixels differ in sensitivity by about this much; our choice


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
        Side of the squares whose middles are told. [pixels]
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

"""Spectral sensitivities of cameras: measured ones, ones to learn from, others to render with.

References
----------
.. [1] S. Dyer et al., basis functions of measured camera sensitivities (2017), as carried by
   colour-science.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.spectra.viewing import quiet_colour, viewing_wavelengths

# Spread of the basis's second to sixth coefficient, the first being 1. Our choice: fills the span
# of measured cameras without negative ones.
BASIS_SPREAD: Final = (0.30, 0.20, 0.12, 0.10, 0.08)
LARGEST_CONDITION: Final = 4.0  # of the channels against one another; colour filters on one sensor
# measure 1.6 to 2.2, stacked layers 11, which no colour matrix untangles quietly; our choice
DEEPEST_DIP: Final = -0.12  # of the peak; a draw that dips further is no camera; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """A camera's sensitivities.

    Attributes
    ----------
    name : str
        What it is; no make.
    sensitivities : ndarray, shape (3, 81)
        Red, green, blue on `viewing_wavelengths()`; the highest value of each channel is 1.
    """

    name: str
    sensitivities: Floats


@cache
def measured_cameras() -> tuple[Camera, ...]:
    """The cameras whose measured sensitivities colour-science carries."""
    tables = quiet_colour().MSDS_CAMERA_SENSITIVITIES
    grid = viewing_wavelengths()
    cameras = []
    for number, key in enumerate(sorted(tables), start=1):
        known, values = np.asarray(tables[key].wavelengths), np.asarray(tables[key].values)
        channels = [np.interp(grid, known, values[:, k], left=0, right=0) for k in range(3)]
        cameras.append(_camera(f"measured {number}", np.stack(channels)))
    return tuple(cameras)


def draw_basis_camera(*, seed: int) -> Camera:
    """A camera drawn from the published basis [1]_, to learn from."""
    rng = np.random.default_rng(seed)
    return _camera(f"basis {seed}", _draw_channels(rng, spread=1.0))


def draw_scene_camera(*, seed: int) -> Camera:
    """A camera to render scenes with, outside what `draw_basis_camera` can give.

    A draw of the basis with a wider spread, or a measured camera, whose channels are then moved
    along the spectrum, broadened, cut by another infrared filter and yellowed by another lens.
    Cameras whose channels are hard to tell apart are drawn again.
    """
    rng = np.random.default_rng(seed)
    while True:
        channels = _draw_scene_channels(rng)
        shares = channels / channels.sum(axis=1, keepdims=True)
        if np.linalg.cond(shares) <= LARGEST_CONDITION:
            return _camera(f"scene {seed}", channels)


def _draw_scene_channels(rng: np.random.Generator) -> Floats:
    measured = measured_cameras()
    if rng.random() < 0.15:
        channels = measured[rng.integers(len(measured))].sensitivities
    else:
        channels = _draw_channels(rng, spread=1.15)
    grid = viewing_wavelengths()
    moved = []
    for channel in channels:
        centre = (grid * channel).sum() / channel.sum()
        source = centre + (grid - centre) / rng.normal(1.0, 0.03) - rng.normal(0.0, 2.5)
        moved.append(np.interp(source, grid, channel, left=0, right=0))
    infrared = 1 / (1 + np.exp((grid - rng.uniform(655.0, 715.0)) / rng.uniform(6.0, 14.0)))
    lens = 1 - rng.uniform(0.0, 0.25) * np.exp(-(grid - 380.0) / 40.0)
    return np.asarray(np.stack(moved) * infrared * lens)


@cache
def _basis() -> Floats:
    """The basis, shape (6, 3, 81); it is published for 400 to 700 nm and fades out beyond."""
    basis = np.asarray(quiet_colour().recovery.BASIS_FUNCTIONS_DYER2017, np.float64)
    known = np.arange(400.0, 701.0, 10.0)
    grid = viewing_wavelengths()
    beyond = np.maximum(np.maximum(known[0] - grid, grid - known[-1]), 0.0)
    fade = np.maximum(1 - beyond / 20.0, 0.0)  # our choice: dark 20 nm beyond the table
    return np.stack([[np.interp(grid, known, f[:, k]) * fade for k in range(3)] for f in basis])


def _draw_channels(rng: np.random.Generator, *, spread: float) -> Floats:
    channels: list[Floats] = []
    while len(channels) < 3:
        weights = np.concatenate([[1.0], rng.normal(0, 1, 5) * spread * np.array(BASIS_SPREAD)])
        channel = weights @ _basis()[:, len(channels)]
        if channel.min() >= DEEPEST_DIP * channel.max():
            channels.append(np.maximum(channel, 0.0))
    return np.stack(channels)


def _camera(name: str, channels: Floats) -> Camera:
    channels = np.asarray(channels / channels.max(axis=1, keepdims=True), np.float64)
    channels.flags.writeable = False
    return Camera(name=name, sensitivities=channels)

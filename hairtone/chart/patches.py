"""One reading of each patch: trimmed mean, its covariance, what is clipped, what is uneven."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.lattice import map_points
from hairtone.chart.refine import CENTRES, Grid
from hairtone.chart.types import PATCHES
from hairtone.colorimetry import Floats
from hairtone.photo.pixels import encoded_values
from hairtone.photo.types import Photo

INNER = 0.6  # of a patch's width and height is read; common practice
TRIM = 0.1  # of the pixels left out at either end, channel by channel. Our choice
BLOCKS = 4  # blocks a side, by which the spread inside a patch is judged
MOST_STEPS = 12  # samples a block's side: 48 x 48 a patch bring the noise under 0.1 ΔE
TOP = 0.985  # encoded value from which a channel counts as clipped
BOTTOM = 0.02  # encoded value under which a pixel counts as black


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchReadings:
    """What the photo shows of 24 patches.

    Attributes
    ----------
    encoded : ndarray, shape (24, 3)
        Trimmed mean.
    covariance : ndarray, shape (24, 3, 3)
        Of that mean.
    bright, dark : ndarray, shape (24,)
        Share of pixels at the top, at the bottom of the scale.
    uneven : ndarray, shape (24,)
        Largest departure of a block from an even slope over the patch, mean of the channels.
    uneven_noise : ndarray, shape (24,)
        What noise alone does to a block's mean.
    """

    encoded: Floats
    covariance: Floats
    bright: Floats
    dark: Floats
    uneven: Floats
    uneven_noise: Floats

    @property
    def clipped(self) -> Floats:
        """Share of pixels at either end of the scale, shape (24,)."""
        return np.maximum(self.bright, self.dark)


def read_patches(photo: Photo, grid: Grid) -> PatchReadings:
    """Read the inner part of every patch at full size."""
    steps = int(np.clip(round(INNER * grid.patch_px / BLOCKS), 2, MOST_STEPS))
    codes = _codes(photo, grid, side=BLOCKS * steps)
    values = encoded_values(photo, codes)
    blocks = values.reshape(PATCHES, BLOCKS, steps, BLOCKS, steps, 3)
    means = blocks.mean(axis=(2, 4)).reshape(PATCHES, -1, 3)
    left = _without_slope(means)
    free = left.shape[1] - 3
    spread = np.einsum("pbi,pbj->pij", left, left) / free
    inside = blocks.std(axis=(2, 4)).mean(axis=(1, 2))
    quantum = 1 / photo.top_code
    rounding = quantum**2 / 12 * np.where(inside < quantum / 2, 1.0, 1 / steps**2)
    grey = left.mean(axis=-1)
    pixels = values.reshape(PATCHES, -1, 3)
    return PatchReadings(
        encoded=_trimmed_mean(pixels),
        covariance=spread / left.shape[1] + rounding[:, :, None] * np.eye(3),
        bright=_share(pixels.max(axis=-1) > TOP, codes.reshape(PATCHES, -1, 3) >= photo.top_code),
        dark=_dark_share(codes.reshape(PATCHES, -1, 3), pixels, photo),
        uneven=np.abs(grey).max(axis=1),
        uneven_noise=blocks.mean(axis=-1).std(axis=(2, 4)).mean(axis=(1, 2)) / steps + quantum / 4,
    )


def _codes(photo: Photo, grid: Grid, *, side: int) -> NDArray[np.uint8 | np.uint16]:
    """Codes at side × side places of each patch, shape (24, side, side, 3); no interpolation."""
    reach = INNER * (2 * (np.arange(side) + 0.5) / side - 1)
    inner = np.stack(np.meshgrid(reach * grid.half[0], reach * grid.half[1]), axis=-1)
    places = CENTRES[:, None, None] + inner[None]
    points = map_points(grid.to_photo, places.reshape(-1, 2))
    width, height = photo.size
    x = np.clip(np.round(points[:, 0]), 0, width - 1).astype(np.int64)
    y = np.clip(np.round(points[:, 1]), 0, height - 1).astype(np.int64)
    return photo.pixels[y, x].reshape(PATCHES, side, side, 3)


def _without_slope(means: Floats) -> Floats:
    """Block means (24, 16, 3) less the plane through each patch: light may fall across a patch."""
    line = np.arange(BLOCKS) - (BLOCKS - 1) / 2
    y, x = np.meshgrid(line, line, indexing="ij")
    terms = np.stack([np.ones(BLOCKS**2), x.ravel(), y.ravel()], axis=1)
    project = terms @ np.linalg.pinv(terms)
    return means - np.einsum("bc,pci->pbi", project, means)


def _trimmed_mean(pixels: Floats) -> Floats:
    cut = int(TRIM * pixels.shape[1])
    return np.sort(pixels, axis=1)[:, cut : pixels.shape[1] - cut].mean(axis=1)


def _share(*marks: NDArray[np.bool_]) -> Floats:
    flat = [mark.any(axis=-1) if mark.ndim == 3 else mark for mark in marks]
    return np.asarray(np.logical_or.reduce(flat).mean(axis=1))


def _dark_share(codes: NDArray[np.uint8 | np.uint16], pixels: Floats, photo: Photo) -> Floats:
    """RAW: any channel at black level. Encoded: all channels dark; one may end in a pure colour."""
    if photo.encoding.is_linear:
        return np.asarray((codes == 0).any(axis=-1).mean(axis=1))
    return np.asarray((pixels.max(axis=-1) < BOTTOM).mean(axis=1))

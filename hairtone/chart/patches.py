"""One reading of each patch: trimmed mean, its covariance, what is clipped, what is uneven."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.lattice import map_points
from hairtone.chart.refine import CENTRES, PatchGrid
from hairtone.chart.types import PATCHES
from hairtone.colorimetry import Floats
from hairtone.photo.pixels import codes_at, encoded_values
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


def read_patches(photo: Photo, grid: PatchGrid) -> PatchReadings:
    """Read the inner part of every patch at full size."""
    steps = int(np.clip(round(INNER * grid.patch_px / BLOCKS), 2, MOST_STEPS))
    codes = _codes(photo, grid, side=BLOCKS * steps)
    values = encoded_values(photo, codes)
    planes = np.ascontiguousarray(np.moveaxis(values, -1, 1))  # (24, 3, side, side)
    blocks = planes.reshape(PATCHES, 3, BLOCKS, steps, BLOCKS, steps)
    block_means = blocks.mean(axis=(3, 5))
    means = block_means.reshape(PATCHES, 3, -1).swapaxes(1, 2)
    left = _without_slope(means)
    free = left.shape[1] - 3
    spread = np.einsum("pbi,pbj->pij", left, left) / free
    inside = _spread_inside(blocks, block_means).mean(axis=(2, 3))
    quantum = 1 / photo.top_code
    rounding = quantum**2 / 12 * np.where(inside < quantum / 2, 1.0, 1 / steps**2)
    grey = left.mean(axis=-1)
    greys = (blocks[:, 0] + blocks[:, 1] + blocks[:, 2]) / 3
    grey_inside = _spread_inside(greys, block_means.mean(axis=1))
    brightest = _highest(values).reshape(PATCHES, -1)
    at_top = _highest(codes).reshape(PATCHES, -1) >= photo.top_code
    return PatchReadings(
        encoded=_trimmed_mean(planes.reshape(PATCHES, 3, -1)),
        covariance=spread / left.shape[1] + rounding[:, :, None] * np.eye(3),
        bright=np.asarray(((brightest > TOP) | at_top).mean(axis=1)),
        dark=_dark_share(codes.reshape(PATCHES, -1, 3), brightest, photo),
        uneven=np.abs(grey).max(axis=1),
        uneven_noise=grey_inside.mean(axis=(1, 2)) / steps + quantum / 4,
    )


def _codes(photo: Photo, grid: PatchGrid, *, side: int) -> NDArray[np.uint8 | np.uint16]:
    """Codes at side × side places of each patch, shape (24, side, side, 3); no interpolation."""
    reach = INNER * (2 * (np.arange(side) + 0.5) / side - 1)
    inner = np.stack(np.meshgrid(reach * grid.half[0], reach * grid.half[1]), axis=-1)
    places = CENTRES[:, None, None] + inner[None]
    points = map_points(grid.to_photo, places.reshape(-1, 2))
    width, height = photo.size
    x = np.clip(np.round(points[:, 0]), 0, width - 1).astype(np.int64)
    y = np.clip(np.round(points[:, 1]), 0, height - 1).astype(np.int64)
    return codes_at(photo, y, x).reshape(PATCHES, side, side, 3)


def _without_slope(means: Floats) -> Floats:
    """Block means (24, 16, 3) less the plane through each patch: light may fall across a patch."""
    line = np.arange(BLOCKS) - (BLOCKS - 1) / 2
    y, x = np.meshgrid(line, line, indexing="ij")
    terms = np.stack([np.ones(BLOCKS**2), x.ravel(), y.ravel()], axis=1)
    project = terms @ np.linalg.pinv(terms)
    return means - np.einsum("bc,pci->pbi", project, means)


def _spread_inside(blocks: Floats, means: Floats) -> Floats:
    """SD inside each block, of pixels (…, 4, steps, 4, steps) and block means (…, 4, 4)."""
    square = np.einsum("...isjt,...isjt->...ij", blocks, blocks)
    count = blocks.shape[-1] * blocks.shape[-3]
    return np.sqrt(np.maximum(square / count - means**2, 0.0))


def _highest(colours: NDArray[Any]) -> NDArray[Any]:
    """Largest channel of colours (…, 3), several times faster than along so short an axis."""
    return np.maximum(np.maximum(colours[..., 0], colours[..., 1]), colours[..., 2])


def _trimmed_mean(planes: Floats) -> Floats:
    """Of values (24, 3, n), shape (24, 3)."""
    cut = int(TRIM * planes.shape[-1])
    kept = slice(cut, planes.shape[-1] - cut)
    return np.asarray(np.sort(planes, axis=-1)[..., kept].mean(axis=-1))  # faster than partition


def _dark_share(codes: NDArray[np.uint8 | np.uint16], brightest: Floats, photo: Photo) -> Floats:
    """RAW: any channel at black level. Encoded: all channels dark; one may end in a pure colour."""
    if photo.encoding.is_linear:
        return np.asarray((codes == 0).any(axis=-1).mean(axis=1))
    return np.asarray((brightest < BOTTOM).mean(axis=1))

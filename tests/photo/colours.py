"""Lab of regions straight from an encoding, uncalibrated: to compare files of one scene."""

from __future__ import annotations

import numpy as np

from hairtone.colorimetry import VIEWINGS, decode_srgb, delta_e, xyz_to_lab
from hairtone.photo.types import Photo

WHITE = np.array(VIEWINGS["D65/2"].white) / 100


def region_labs(photo: Photo, *, rows: int = 6, columns: int = 8) -> np.ndarray:
    """Lab (D65/2) of the mean linear colour of each cell of a grid, shape (rows * columns, 3)."""
    linear = decode_srgb(photo.encoding.table[photo.pixels, [0, 1, 2]]) @ photo.encoding.to_xyz.T
    height, width = linear.shape[:2]
    cells = [
        linear[y * height // rows : (y + 1) * height // rows,
               x * width // columns : (x + 1) * width // columns].reshape(-1, 3).mean(axis=0)
        for y in range(rows)
        for x in range(columns)
    ]  # fmt: skip
    return xyz_to_lab(np.array(cells), white=WHITE)


def worst_delta_e(first: Photo, second: Photo) -> float:
    """Largest CIEDE2000 between the cells of two pictures of one scene."""
    return float(delta_e(region_labs(first), region_labs(second)).max())

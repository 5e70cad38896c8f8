"""Colours of a preview at the places of a grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.lattice import Lattice, map_points
from hairtone.chart.preview import Preview
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb

MIDDLE_PART = 0.18  # of a cell to either side of its middle
SIDES = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])  # between neighbours [cells]


def colours_at(
    lattice: Lattice, preview: Preview, spots: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Mean encoded colour (n, 3) around the middle of each place; whether that is in the frame."""
    reach = np.linspace(-MIDDLE_PART, MIDDLE_PART, 4)
    around = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(1, -1, 2)
    values, inside = _sample(lattice, preview, spots[:, None] + around)
    seen: NDArray[np.bool_] = np.asarray(inside.all(axis=1))
    return values.mean(axis=1), seen


def unveiled_at(lattice: Lattice, preview: Preview, spots: NDArray[np.int64]) -> Floats:
    """The same less the light of the darkest gap around each place.

    Glare lies over the chart's black frame as over its patches: what the frame seems to give off
    is glare.
    """
    colours, _ = colours_at(lattice, preview, spots)
    gaps, _ = _sample(lattice, preview, spots[:, None] + SIDES)
    darkest = np.take_along_axis(gaps, gaps.sum(axis=-1).argmin(axis=1)[:, None, None], axis=1)
    left = np.clip(decode_srgb(colours) - decode_srgb(darkest[:, 0]), 0, 1)
    return encode_srgb(left / max(float(np.quantile(left, 0.98)), 1e-6))


def _sample(lattice: Lattice, preview: Preview, places: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Encoded values (n, k, 3) at places (n, k, 2) in columns and rows; which are in the frame."""
    points = map_points(lattice.to_picture, places.reshape(-1, 2).astype(np.float64))
    height, width = preview.picture.shape[:2]
    inside = np.isfinite(points).all(axis=1) & (points > -0.5).all(axis=1)
    inside &= (points < np.array([width - 0.5, height - 0.5])).all(axis=1)
    pixels = np.zeros_like(points, dtype=np.int64)
    pixels[inside] = np.round(points[inside]).astype(np.int64)
    values = preview.picture[pixels[:, 1], pixels[:, 0]] / 255.0
    seen: NDArray[np.bool_] = np.asarray(inside.reshape(places.shape[:2]))
    return values.reshape(*places.shape[:2], 3), seen

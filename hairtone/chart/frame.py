"""Whether the whole chart is in the frame, large enough to be read."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.lattice import map_points
from hairtone.chart.refine import CENTRES, Grid
from hairtone.chart.types import PATCH_NAMES, PATCHES
from hairtone.errors import ChartError
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

INSIDE = 0.95  # of a patch has to lie in the frame: its outline is known to a few per cent


def check_frame(grid: Grid, photo: Photo) -> None:
    """Refuse a chart that the frame cuts, and one of too few pixels.

    Raises
    ------
    ChartError
        ``chart-cut``, ``too-few-pixels``.
    """
    width, height = photo.size
    turns = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * grid.half * INSIDE
    quads = map_points(grid.to_photo, (CENTRES[:, None] + turns).reshape(-1, 2))
    outside = (quads < -0.5).any(axis=1) | (quads > np.array([width, height]) - 0.5).any(axis=1)
    cut: NDArray[np.bool_] = np.asarray(outside.reshape(PATCHES, 4).any(axis=1))
    if cut.any():
        raise ChartError(
            "chart-cut",
            f"The frame cuts {cut.sum()} of the chart's {PATCHES} patches ({patch_names(cut)}).",
            where=photo.name,
            remedy="Photograph again with the whole chart inside the frame.",
        )
    least = read_limits("chart")["least_patch_px"]
    if grid.patch_px < least:
        raise ChartError(
            "too-few-pixels",
            f"The chart's patches are {grid.patch_px:.1f} pixels wide: too few pixels, "
            f"{least:.0f} are needed.",
            where=photo.name,
            remedy="Use the photo at its full size, or photograph from nearer.",
        )


def patch_names(which: NDArray[np.bool_]) -> str:
    """The first few of the patches that are meant, for a message."""
    names = [PATCH_NAMES[k] for k in np.flatnonzero(which)]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")

"""A line that a person gave: read, and refused where it is none."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.errors import HairError
from hairtone.photo.types import Photo

DRAW_AGAIN = "Draw the line again, roots first, inside the picture."


def check_line(photo: Photo, line: ArrayLike) -> Floats:
    """The line as float64 points, repeated points left out.

    Raises
    ------
    HairError
        Not two or more finite points, or a point outside the photo.
    """
    try:
        points = np.asarray(line, dtype=np.float64)
    except (TypeError, ValueError):
        points = np.empty(0)
    if points.ndim != 2 or points.shape[1:] != (2,) or not np.isfinite(points).all():
        raise _malformed(photo, "The line is not a list of x,y points")
    moved = np.concatenate([[True], np.any(np.diff(points, axis=0) != 0, axis=1)])
    points = points[moved] if len(points) else points
    if len(points) < 2:
        raise _malformed(photo, f"The line has {len(points)} different points, two are needed")
    width, height = photo.size
    outside = ~((points >= -0.5) & (points <= np.array([width, height]) - 0.5)).all(axis=1)
    if outside.any():
        x, y = points[outside][0]
        raise HairError(
            "line-outside",
            f"{int(outside.sum())} of {len(points)} points of the line lie outside the photo of "
            f"{width} x {height} pixels, the first at {x:.0f},{y:.0f}.",
            where=photo.name,
            remedy=f"Give pixels of the upright photo at full size. {DRAW_AGAIN}",
        )
    return points


def _malformed(photo: Photo, says: str) -> HairError:
    return HairError(
        "line-malformed",
        f"{says}.",
        where=photo.name,
        remedy=f"Give 'x,y x,y …', roots first. {DRAW_AGAIN}",
    )

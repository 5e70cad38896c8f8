"""A strip of hair along a line that a person gave, on any background."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.errors import HairError
from hairtone.hair.centre import normals, resampled
from hairtone.photo.types import Photo

STATIONS: Final = 80  # along the line, where its surroundings are looked at
CORE_SHARE: Final = 0.012  # half width of what is hair for certain, in lengths of the line
WIDEST: Final = 0.5  # of the line's length; our choice: a strip, not an area
NARROWEST_PX: Final = 16.0
SMOOTH: Final = 5  # offsets a strand's own colour is averaged over
ALIKE: Final = 3.5  # robust SDs of the core's own spread; our choice
UNLIKE_SHARE: Final = 0.3  # of the places along the line that end the strip
KEPT: Final = 0.8  # of the width found: edges are mixed with what lies beside

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


def estimate_width(photo: Photo, line: Floats) -> float:
    """How wide the hair beside a line stays alike. [pixels]

    The colour across the line, averaged along it on the encoded scale, is compared with that of
    a narrow core; the strip ends where it leaves the core's own spread.
    """
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    core = max(CORE_SHARE * length, NARROWEST_PX / 4)
    reach = WIDEST * length / 2
    offsets = np.linspace(-reach, reach, 161)
    seen = _across(photo, resampled(line, points=STATIONS), offsets)
    core_seen = seen[:, np.abs(offsets) <= max(core, offsets[81])].reshape(-1, 3)
    middle = np.nanmedian(core_seen, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(core_seen - middle), axis=0) + 2 / 255
    pull = np.abs(seen - middle) / spread
    most = np.where(np.isnan(pull), np.inf, pull).max(axis=2)
    most = np.stack([np.convolve(row, np.ones(SMOOTH) / SMOOTH, mode="same") for row in most])
    unlike = np.quantile(most, 1 - UNLIKE_SHARE, axis=0, method="nearest")
    stops = unlike > ALIKE
    left = np.flatnonzero(stops & (offsets < 0))
    right = np.flatnonzero(stops & (offsets > 0))
    low = offsets[left[-1]] if left.size else -reach
    high = offsets[right[0]] if right.size else reach
    return float(np.clip(2 * KEPT * min(-low, high), NARROWEST_PX, WIDEST * length))


def _across(photo: Photo, line: Floats, offsets: Floats) -> Floats:
    """Encoded values across the line, shape (stations, offsets, 3); NaN outside the frame."""
    places = line[:, None] + offsets[None, :, None] * normals(line)[:, None]
    xs, ys = np.round(places).astype(int).transpose(2, 0, 1)
    width, height = photo.size
    inside = (xs >= 0) & (ys >= 0) & (xs < width) & (ys < height)
    codes = photo.pixels[np.clip(ys, 0, height - 1), np.clip(xs, 0, width - 1), :3]
    values = codes / photo.top_code
    if photo.encoding.is_linear:
        values = np.sqrt(values)
    return np.where(inside[..., None], values, np.nan)


def _malformed(photo: Photo, says: str) -> HairError:
    return HairError(
        "line-malformed",
        f"{says}.",
        where=photo.name,
        remedy=f"Give 'x,y x,y …', roots first. {DRAW_AGAIN}",
    )

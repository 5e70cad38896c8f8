"""A line that a person gave: read, and refused where it is none."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import resampled
from hairtone.hair.types import Strand
from hairtone.photo.types import Photo

PLACES: Final = 200  # of a line that are looked at
ON_CHART: Final = 0.02  # of a line that may touch the chart: how exactly its corners are known
FRAME: Final = 1.08  # the chart with the dark frame around its patches, against the patches alone
SPARSE: Final = 4  # pixels between those of a mask that are looked at
OFF_LINE: Final = 0.02  # of the length that a mark may lie beside its line; our choice
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


def refuse_on_chart(photo: Photo, line: ArrayLike, corners: Floats) -> None:
    """Refuse a line that runs over the chart: patches are no hair.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : array_like, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    corners : ndarray, shape (4, 2)
        Of the patch field, in order around it. [pixels, xy]

    Raises
    ------
    HairError
        ``line-on-chart``; or as `check_line`.
    """
    on_chart = _share_inside(resampled(check_line(photo, line), points=PLACES), corners)
    if on_chart > ON_CHART:
        raise HairError(
            "line-on-chart",
            f"{100 * on_chart:.0f} % of the line lies on the colour chart.",
            where=photo.name,
            remedy="Draw the line on the hair; lay hair and chart side by side.",
        )


def outline_on_chart(strand: Strand, corners: Floats) -> tuple[Flag, ...]:
    """A doubt where a strand's outline has run over the chart or its frame.

    Parameters
    ----------
    strand : Strand
        Along a given line.
    corners : ndarray, shape (4, 2)
        Of the patch field, in order around it. [pixels, xy]
    """
    if strand.mask is None:
        return ()
    ys, xs = np.nonzero(strand.mask[::SPARSE, ::SPARSE])
    places = np.stack([xs, ys], axis=1) * float(SPARSE) + np.array(strand.box[:2])
    middle = corners.mean(axis=0)
    share = _share_inside(places, middle + FRAME * (corners - middle))
    if share <= ON_CHART:
        return ()
    return (
        Flag(
            code="outline-on-chart",
            says=f"{100 * share:.0f} % of what was measured lies on the colour chart or its frame.",
            remedy="Set the width of the strip in the picker, or lay the chart farther away.",
        ),
    )


def _share_inside(places: Floats, corners: Floats) -> float:
    """Share of points inside a convex four-sided outline, whichever way it runs."""
    sides = np.roll(corners, -1, axis=0) - corners
    gaps = places[:, None] - corners
    turn = sides[:, 0] * gaps[..., 1] - sides[:, 1] * gaps[..., 0]
    inside = np.all(turn > 0, axis=1) | np.all(turn < 0, axis=1)
    return float(np.mean(inside)) if len(inside) else 0.0


def after_regrowth(photo: Photo, line: Floats, mark: ArrayLike) -> tuple[Floats, float]:
    """The line from where new growth ends, and the length that was left out. [pixels]

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line, roots first. [pixels, xy]
    mark : array_like, shape (2,)
        Point on the line where new growth ends. [pixels, xy]

    Raises
    ------
    HairError
        ``regrowth-off-line``: the mark lies beside the line. ``regrowth-all``: at or beyond its
        ends, so that no hair is left.
    """
    point = np.asarray(mark, dtype=np.float64).reshape(2)
    steps = np.diff(line, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    share = np.clip(((point - line[:-1]) * steps).sum(axis=1) / lengths**2, 0, 1)
    feet = line[:-1] + share[:, None] * steps
    away = np.linalg.norm(feet - point, axis=1)
    at = int(away.argmin())
    if not away[at] <= max(OFF_LINE * lengths.sum(), 2.0):
        raise HairError(
            "regrowth-off-line",
            f"The mark where new growth ends ({point[0]:.0f},{point[1]:.0f}) lies "
            f"{away[at]:.0f} pixels beside the line.",
            where=photo.name,
            remedy="Set the mark on the line itself, in the picker.",
        )
    grown = float(lengths[:at].sum() + share[at] * lengths[at])
    if grown > lengths.sum() - 1.0:
        raise HairError(
            "regrowth-all",
            "The mark where new growth ends lies at the line's ends: no coloured hair is left.",
            where=photo.name,
            remedy="Set the mark where new growth ends, or turn the line round: roots first.",
        )
    rest = np.concatenate([feet[at : at + 1], line[at + 1 :]])
    moved = np.concatenate([[True], np.any(np.abs(np.diff(rest, axis=0)) > 1e-9, axis=1)])
    return rest[moved], grown


def _malformed(photo: Photo, says: str) -> HairError:
    return HairError(
        "line-malformed",
        f"{says}.",
        where=photo.name,
        remedy=f"Give 'x,y x,y …', roots first. {DRAW_AGAIN}",
    )

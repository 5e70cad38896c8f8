"""The 24-patch chart in a photo: found by itself, or at four corners that a person gave."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from hairtone.chart.identity import COLUMNS, PROVEN, ROWS, is_mirrored, rate_readings
from hairtone.chart.judge import check_frame, judge_patches
from hairtone.chart.patches import read_patches
from hairtone.chart.refine import CENTRES, STANDARD_HALF, lay_flat, refine_grid
from hairtone.chart.search import search_chart
from hairtone.chart.types import ChartReading, ChartReference
from hairtone.colorimetry import Floats
from hairtone.errors import ChartError, Flag, HairtoneError
from hairtone.photo.types import Photo

CELL = 16  # pixels a patch is given when its colour is looked at
SMALLEST_SIDE = 20.0  # of the chart [pixels]; under it no patch has pixels enough
MIRRORED = Flag(
    code="mirrored",
    says="The photo is mirrored: its chart runs the other way round.",
    remedy="Colours are not changed by that; left and right are. Switch the mirror image of the "
    "front camera off.",
)


def place_by_hand(photo: Photo, corners: Floats, *, reference: ChartReference) -> Floats:
    """Chart column and row -> xy of the photo, shape (3, 3), from four corners by hand.

    A person may begin at another corner: the colours decide which one is first.

    Raises
    ------
    ChartError
        ``chart-corners`` where the four points are no chart, ``chart-false`` where the colours
        between them are not the chart's.
    """
    _check(photo, corners)
    fits = []
    for turn in range(4):
        for order in (corners, corners[::-1]):
            matrix = _matrix(np.roll(order, -turn, axis=0))
            flat = lay_flat(photo, matrix, cell=CELL)
            colours = np.stack(
                [
                    flat[y - 3 : y + 4, x - 3 : x + 4].mean(axis=(0, 1))
                    for x, y in (CENTRES + 1) * CELL
                ]
            )
            agreeing, residual = rate_readings(colours[None].astype(np.float64), reference)
            fits.append((-int(agreeing[0]), float(residual[0]), matrix))
    fewest, _, matrix = min(fits, key=lambda fit: fit[:2])
    if -fewest < PROVEN:
        raise ChartError(
            "chart-false",
            f"Between the four corners only {-fewest} of 24 patches have the colours of the "
            f"chart; {PROVEN} are needed.",
            where=photo.name,
            remedy="Set the corners on the outer corners of the patch field, clockwise from the "
            "corner beside the first (dark skin) patch.",
        )
    return matrix


def _matrix(corners: Floats) -> Floats:
    far = np.array([COLUMNS - 1, ROWS - 1]) + STANDARD_HALF
    near = -STANDARD_HALF
    chart = np.array([[near, near], [far[0], near], [far[0], far[1]], [near, far[1]]])
    matrix, _ = cv2.findHomography(chart, corners, 0)
    return np.asarray(matrix, dtype=np.float64)


def _check(photo: Photo, corners: Floats) -> None:
    width, height = photo.size
    remedy = "Give x,y of the patch field's four outer corners, clockwise from the first patch."
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise ChartError(
            "chart-corners",
            f"The chart's corners have shape {corners.shape}; four points x,y are needed.",
            where=photo.name,
            remedy=remedy,
        )
    if (corners < -0.5).any() or (corners > np.array([width, height]) - 0.5).any():
        raise ChartError(
            "chart-corners",
            f"A corner of the chart lies outside the photo of {width} x {height} pixels: "
            f"{np.round(corners).astype(int).tolist()}.",
            where=photo.name,
            remedy=remedy,
        )
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    lengths = np.linalg.norm(sides, axis=1)
    if lengths.min() < SMALLEST_SIDE or not ((turns > 0).all() or (turns < 0).all()):
        raise ChartError(
            "chart-corners",
            f"The four corners {np.round(corners).astype(int).tolist()} do not go round a chart.",
            where=photo.name,
            remedy=remedy,
        )


def find_chart(
    photo: Photo, *, reference: ChartReference, corners: ArrayLike | None = None
) -> ChartReading:
    """Return where the chart lies in a photo and how its 24 patches read.

    Any turn, tilted up to about 30°, mirrored or not, from 12 % of the frame wide. The same photo
    gives the same reading, always.

    Parameters
    ----------
    photo : Photo
        The photo; encoded or linear.
    reference : ChartReference
        The chart that is looked for.
    corners : array_like, shape (4, 2), optional
        Outer corners of the patch field by hand, clockwise from the one beside the first patch;
        overrules finding. The colours must still be the chart's. [pixels, xy]

    Raises
    ------
    ChartError
        ``chart-not-found``, ``chart-false``, ``chart-version``, ``chart-twice``, ``chart-cut``,
        ``chart-covered``, ``chart-corners``, ``too-few-pixels``, ``over-exposed``,
        ``under-exposed``, ``glare``.
    PhotoError
        ``under-exposed``: the photo is too dark to measure dark hair.
    """
    if corners is None:
        start = search_chart(photo, reference=reference)
    else:
        start = place_by_hand(photo, np.asarray(corners, np.float64), reference=reference)
    grid = refine_grid(photo, start)
    check_frame(grid, photo)
    patches = read_patches(photo, grid)
    try:
        usable, doubts = judge_patches(patches, grid=grid, reference=reference, photo=photo)
    except HairtoneError as error:
        raise error.at(photo.name) from None
    mirrored = is_mirrored(grid.to_photo)
    return ChartReading(
        reference=reference,
        corners=grid.corners,
        centres=grid.centres,
        patch_px=grid.patch_px,
        encoded=patches.encoded,
        covariance=patches.covariance,
        clipped=patches.clipped,
        usable=usable,
        is_mirrored=mirrored,
        edge_px=grid.edge_px,
        flags=((MIRRORED,) if mirrored else ()) + doubts,
    )

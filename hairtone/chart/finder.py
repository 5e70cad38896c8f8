"""Find the 24-patch chart in a photo and read its patches."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hairtone.chart.by_hand import place_by_hand
from hairtone.chart.frame import check_frame
from hairtone.chart.identity import is_mirrored
from hairtone.chart.judge import judge_patches
from hairtone.chart.patches import read_patches
from hairtone.chart.refine import refine_grid
from hairtone.chart.search import search_chart
from hairtone.chart.types import ChartReading, ChartReference
from hairtone.errors import Flag, HairtoneError
from hairtone.photo.types import Photo

MIRRORED = Flag(
    code="mirrored",
    says="The photo is mirrored: its chart runs the other way round.",
    remedy="Colours are not changed by that; left and right are. Switch the mirror image of the "
    "front camera off.",
)


def find_chart(
    photo: Photo, *, reference: ChartReference, corners: ArrayLike | None = None
) -> ChartReading:
    """Where the chart lies in a photo, and what the photo shows of its 24 patches.

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
        ``under-exposed``: the white patch is too dark for dark hair to be told apart.
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
        flags=((MIRRORED,) if mirrored else ()) + doubts,
    )

"""Regions of a photograph, and lines across them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.photo.types import Photo

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Box = tuple[int, int, int, int]  # left, top, right, bottom; right and bottom are not part of it

_GROUP: Final = 4  # our choice: columns side by side, which memory hands over together
_LINES: Final = 200  # our choice: rows and columns looked at; more change the figures by 2 %


def cut_region(photo: Photo, region: Box | None) -> Codes:
    """Codes of a region, or of the whole frame; a part outside the frame is left out."""
    width, height = photo.size
    left, top, right, bottom = region or (0, 0, width, height)
    left, top = max(0, left), max(0, top)
    codes = photo.pixels[top : min(bottom, height), left : min(right, width)]
    if codes.size == 0:
        raise ValueError(f"region {region} lies outside a photo of {width} x {height} pixels.")
    return codes


def some_lines(photo: Photo, region: Box | None) -> tuple[Codes, Codes]:
    """Green codes of some rows and of some columns of a region, a line a row.

    Green holds most of the detail and least of the noise; lines are spread evenly, whole.
    """
    green = cut_region(photo, region)[..., 1]
    width = green.shape[1]
    groups = np.arange(0, width, max(1, -(-width * _GROUP // _LINES)))
    each = np.unique(np.minimum(groups[:, None] + np.arange(_GROUP), width - 1))
    return green[:: max(1, -(-len(green) // _LINES))], green.T[each]

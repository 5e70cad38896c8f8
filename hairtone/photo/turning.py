"""Turning a picture upright by its EXIF orientation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8] | NDArray[np.uint16]


def turn_upright(pixels: Codes, orientation: int) -> Codes:
    """The picture as the photographer saw it; a copy unless nothing is to be done.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, channels)
        As stored.
    orientation : int
        1..8 of CIPA DC-008 (Exif), 4.6.4: the side the stored first row and column belong to.
    """
    views: dict[int, Codes] = {
        1: pixels,
        2: pixels[:, ::-1],
        3: pixels[::-1, ::-1],
        4: pixels[::-1],
        5: pixels.swapaxes(0, 1),
        6: pixels[::-1].swapaxes(0, 1),
        7: pixels[::-1, ::-1].swapaxes(0, 1),
        8: pixels[:, ::-1].swapaxes(0, 1),
    }
    return views[orientation].copy(order="C") if orientation != 1 else pixels

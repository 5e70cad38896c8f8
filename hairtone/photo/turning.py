"""Turning a picture upright by its EXIF orientation."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8] | NDArray[np.uint16]

_SIDE: Final = 128  # our choice: pixels of a square that is turned at once; its rows stay in cache


def turn_upright(pixels: Codes, orientation: int) -> Codes:
    """The picture as the photographer saw it; a copy unless nothing is to be done.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, channels)
        As stored.
    orientation : int
        1..8 of CIPA DC-008 (Exif), 4.6.4: the side the stored first row and column belong to.
    """
    if orientation == 1:
        return pixels
    height, width, channels = pixels.shape
    shape = (width, height, channels) if orientation > 4 else pixels.shape
    upright: Codes = np.empty(shape, dtype=pixels.dtype)
    stored: NDArray[Any] = np.ascontiguousarray(pixels)
    turned: NDArray[Any] = upright
    if pixels.dtype == np.uint8 and channels == 4:  # one number a pixel is faster than four
        stored, turned = stored.view(np.uint32), turned.view(np.uint32)
    flipped = {
        2: stored[:, ::-1],
        3: stored[::-1, ::-1],
        4: stored[::-1],
        5: stored,
        6: stored[::-1],
        7: stored[::-1, ::-1],
        8: stored[:, ::-1],
    }[orientation]
    if orientation > 4:
        _swap_sides(flipped, turned)
    else:
        turned[:] = flipped
    return upright


def _swap_sides(flipped: NDArray[Any], turned: NDArray[Any]) -> None:
    """Fill `turned` with rows for columns, square by square."""
    height, width = flipped.shape[:2]
    for top in range(0, height, _SIDE):
        for left in range(0, width, _SIDE):
            square = flipped[top : top + _SIDE, left : left + _SIDE]
            turned[left : left + _SIDE, top : top + _SIDE] = square.swapaxes(0, 1)

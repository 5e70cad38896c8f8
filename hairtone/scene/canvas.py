"""The picture under work: camera light of every pixel, and the boxes that are drawn into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.colorimetry import Floats

Box = tuple[int, int, int, int]  # x0, y0, x1, y1; the far edges excluded
Singles = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """Camera light of every pixel under even light, drawn into in place.

    Attributes
    ----------
    light : ndarray, shape (height, width, 3), float32
        A perfect white in even light reads 1 in every channel.
    """

    light: Singles

    @property
    def size(self) -> tuple[int, int]:
        """Width and height. [pixels]"""
        return self.light.shape[1], self.light.shape[0]

    def coordinates(self, box: Box) -> tuple[Floats, Floats]:
        """x and y of the pixels of a box, shapes (h, w)."""
        x0, y0, x1, y1 = box
        x, y = np.meshgrid(np.arange(x0, x1, dtype=np.float64), np.arange(y0, y1, dtype=np.float64))
        return x, y

    def inside(self, box: Box) -> Singles:
        """The box's own pixels, to write into."""
        x0, y0, x1, y1 = box
        return self.light[y0:y1, x0:x1]

    def lay(self, box: Box, colours: Singles, cover: ArrayLike) -> None:
        """Lay colours over a box, `cover` 0..1 being how much of each pixel they hide."""
        under = self.inside(box)
        share = np.asarray(cover, np.float32)[..., None]
        under += share * (colours - under)


def box_around(points: ArrayLike, *, size: tuple[int, int], margin: float) -> Box:
    """Smallest box of whole pixels around points and a margin, cut at the frame."""
    points = np.asarray(points, np.float64)
    low = np.floor(points.min(axis=0) - margin)
    high = np.ceil(points.max(axis=0) + margin) + 1
    low = np.clip(low, 0, size)
    high = np.clip(high, low, size)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])

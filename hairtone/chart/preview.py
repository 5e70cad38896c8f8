"""A small 8-bit picture of a photo, to search in; what is measured comes from the photo itself."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import encode_srgb
from hairtone.photo.types import Photo

WHITE_SHARE = 0.995  # of a linear photo's pixels lie below what its preview shows as white


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Preview:
    """A photo at reduced size.

    Attributes
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        RGB, encoded.
    scale : ndarray, shape (2,)
        Photo pixels per preview pixel, x and y.
    """

    picture: NDArray[np.uint8]
    scale: NDArray[np.float64]

    def to_photo(self) -> NDArray[np.float64]:
        """3×3 that takes preview positions to photo positions; pixel centres are whole numbers."""
        x, y = self.scale
        return np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1]])


def make_preview(photo: Photo, *, edge: int) -> Preview:
    """The photo with its longer side at most `edge` pixels, never enlarged."""
    width, height = photo.size
    shrink = min(1.0, edge / max(width, height))
    size = max(1, round(width * shrink)), max(1, round(height * shrink))
    stored = _stored(photo.pixels)
    small = stored if size == (width, height) else _shrink(stored, size)
    return Preview(
        picture=_to_8_bit(small[..., :3], photo),
        scale=np.array([width / size[0], height / size[1]]),
    )


def _stored(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint8 | np.uint16]:
    """The buffer behind a three-channel view of four channels: OpenCV would copy the view."""
    base = pixels.base
    if (
        isinstance(base, np.ndarray)
        and base.shape == (*pixels.shape[:2], 4)
        and base.strides[:2] == pixels.strides[:2]
    ):
        return base
    return pixels


def _shrink(
    stored: NDArray[np.uint8 | np.uint16], size: tuple[int, int]
) -> NDArray[np.uint8 | np.uint16]:
    """Mean over areas, after leaving out rows and columns that the result has no need of."""
    step = max(1, min(stored.shape[1] // size[0], stored.shape[0] // size[1]) // 3)
    small = cv2.resize(stored[::step, ::step], size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=stored.dtype)


def _to_8_bit(small: NDArray[np.uint8 | np.uint16], photo: Photo) -> NDArray[np.uint8]:
    if photo.encoding.is_linear:
        light = np.stack([photo.encoding.table[small[..., c], c] for c in range(3)], axis=-1)
        white = np.quantile(light[::4, ::4], WHITE_SHARE)
        bright = encode_srgb(np.clip(light / max(float(white), 1e-6), 0, 1))
        return (255 * bright + 0.5).astype(np.uint8)
    if small.dtype == np.uint16:
        return (small >> 8).astype(np.uint8)
    return np.ascontiguousarray(small, dtype=np.uint8)

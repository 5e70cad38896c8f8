"""A small 8-bit picture of a photo, to search in; what is measured comes from the photo itself."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import encode_srgb
from hairtone.photo.types import Photo

BRIGHT_SHARE = 0.9998  # of the pixels are darker than what a lifted preview shows as white
DARK = 150  # code under which the brightest pixels of an encoded photo call for lifting


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Preview:
    """A photo at reduced size.

    Attributes
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        RGB, encoded.
    to_photo : ndarray, shape (3, 3)
        Preview positions -> photo positions; centres of pixels are whole numbers.
    """

    picture: NDArray[np.uint8]
    to_photo: NDArray[np.float64]


def make_preview(photo: Photo, *, edge: int) -> Preview:
    """The photo with its longer side about `edge` pixels, never enlarged.

    Every so many-th row and column, averaged two by two or three by three: fast, and good enough
    to search in.
    """
    stored = stored_pixels(photo)
    times = round(max(photo.size) / edge)
    times += times % 2 if times > 3 else 0
    if times > 1:
        mean = 3 if times == 3 else 2
        step = times // mean
        wide, high = (mean * (-(-side // step) // mean) for side in photo.size)
        thin = _thinned(stored, step)[:high, :wide]
        size = (wide // mean, high // mean)
        small = np.asarray(cv2.resize(thin, size, interpolation=cv2.INTER_AREA), stored.dtype)
        origin = step * (mean - 1) / 2
    else:
        small, times, origin = stored, 1, 0.0
    return Preview(
        picture=_to_8_bit(small, photo),
        to_photo=np.array([[times, 0, origin], [0, times, origin], [0, 0, 1.0]]),
    )


def stored_pixels(photo: Photo) -> NDArray[np.uint8 | np.uint16]:
    """The buffer behind a three-channel view of four channels: OpenCV would copy the view."""
    pixels = photo.pixels
    base = pixels.base
    if (
        isinstance(base, np.ndarray)
        and base.shape == (*pixels.shape[:2], 4)
        and base.dtype == pixels.dtype
        and base.strides == (*pixels.strides[:2], pixels.itemsize)
        and base.ctypes.data == pixels.ctypes.data
    ):
        return base
    return pixels


def _thinned(stored: NDArray[np.uint8 | np.uint16], step: int) -> NDArray[np.uint8 | np.uint16]:
    """Every `step`-th row and column; whole words of the decoder's buffer copy faster."""
    thin = stored[::step, ::step]
    if stored.dtype != np.uint8 or stored.shape[-1] != 4 or not stored.flags.c_contiguous:
        return thin
    words = np.ascontiguousarray(stored.view(np.uint32)[::step, ::step, 0])
    return words.view(np.uint8).reshape(thin.shape)


def _to_8_bit(small: NDArray[np.uint8 | np.uint16], photo: Photo) -> NDArray[np.uint8]:
    """Encoded 8-bit codes, lifted where the whole photo is dark."""
    if photo.encoding.is_linear:
        light = np.stack([photo.encoding.table[small[..., c], c] for c in range(3)], axis=-1)
        bright = max(float(np.quantile(light[::2, ::2], BRIGHT_SHARE)), 1e-4)
        lifted = encode_srgb(np.clip(light / min(bright, 1.0), 0, 1))
        return (255 * lifted + 0.5).astype(np.uint8)
    codes = np.asarray(small >> 8 if small.dtype == np.uint16 else small, np.uint8)
    if codes.shape[-1] == 4:
        codes = np.asarray(cv2.cvtColor(codes, cv2.COLOR_RGBA2RGB), np.uint8)
    levels = cv2.calcHist([codes], [1], None, [256], [0, 256]).cumsum()
    bright = int(np.searchsorted(levels, BRIGHT_SHARE * levels[-1]))
    if bright >= DARK:
        return codes
    lift = np.clip(np.arange(256) * 255.0 / max(bright, 8), 0, 255).astype(np.uint8)
    return lift[codes]

"""Codes of a photograph as numbers to reckon with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.colorimetry import decode_srgb, encode_srgb
from hairtone.photo.types import Photo

KEY_MASK: Final = 0xFFFFFF  # the 24 bits of a packed pixel that hold its colour

_HIGH: Final = 0.985  # our choice: codes this near the top are taken for clipped
_LOW: Final = 0.02  # our choice: encoded values under this are lost in black


def codes_at(photo: Photo, rows: NDArray[np.integer], columns: NDArray[np.integer]) -> NDArray[Any]:
    """Codes where `rows` and `columns` point, shape (…, 3); the two broadcast together."""
    pixels = photo.pixels
    if pixels.dtype == np.uint8 and pixels.strides[1] == 4:  # a whole word at a time
        words = packed_pixels(photo)[rows, columns]
        return words.view(np.uint8).reshape(*words.shape, 4)[..., :3]
    return np.asarray(pixels[rows, columns])


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippedShare:
    """Share of pixels in which at least one channel is clipped.

    Attributes
    ----------
    high, low : float
        Share at the top and at the bottom of the scale, 0..1.
    """

    high: float
    low: float


def encoded_values(photo: Photo, codes: ArrayLike) -> NDArray[np.float64]:
    """Encoded values of sRGB, 0..1, whatever the photo's encoding; for camera RAW, linear light.

    A colour that sRGB cannot hold has a value a little under 0 or above 1: the transfer runs on,
    odd about 0, as in IEC 61966-2-1, Amendment 1 (from memory).

    Parameters
    ----------
    photo : Photo
        Its encoding's table is used.
    codes : array_like, shape (..., 3), integer
        RGB codes as they stand in ``photo.pixels``.

    Returns
    -------
    ndarray, shape (..., 3), float64
    """
    codes = np.asarray(codes)
    if not np.issubdtype(codes.dtype, np.integer) or codes.shape[-1:] != (3,):
        raise ValueError(
            f"codes are {codes.dtype} of shape {codes.shape}; expected integers, shape (..., 3)."
        )
    table = photo.encoding.table
    if codes.size and not 0 <= int(codes.min()) <= int(codes.max()) < len(table):
        raise ValueError(
            f"codes run from {codes.min()} to {codes.max()}; this photo's are 0..{len(table) - 1}."
        )
    values = np.stack([table[:, k].take(codes[..., k]) for k in range(3)], axis=-1)
    if photo.encoding.to_srgb is None:
        return values
    linear = decode_srgb(values) @ photo.encoding.to_srgb.T
    return np.asarray(np.copysign(encode_srgb(np.abs(linear)), linear))


def packed_pixels(photo: Photo) -> NDArray[np.uint32]:
    """Each pixel as one number: red + 256 green + 65536 blue, in the lower 24 bits.

    ``packed & KEY_MASK`` is the key of a colour, ``unpack_keys`` the way back. A view of the
    decoder's own buffer where there is one, else a copy; its uppermost byte means nothing.

    Parameters
    ----------
    photo : Photo
        Of 8 bits a channel.

    Returns
    -------
    ndarray, shape (height, width), uint32
        Read-only.
    """
    pixels = photo.pixels
    if pixels.dtype != np.uint8:
        raise ValueError(f"{photo.name} has {pixels.dtype} codes; 24-bit keys need uint8.")
    buffer = pixels.base
    if not (isinstance(buffer, np.ndarray) and _is_buffer_of(pixels, buffer)):
        height, width = pixels.shape[:2]
        buffer = np.zeros((height, width, 4), dtype=np.uint8)
        buffer[..., :3] = pixels
    packed: NDArray[np.uint32] = buffer.view("<u4")[..., 0]
    packed.flags.writeable = False
    return packed


def _is_buffer_of(pixels: NDArray[Any], buffer: NDArray[Any]) -> bool:
    """Whether `pixels` are the first three channels of a whole 4-channel `buffer`."""
    return (
        buffer.shape == (*pixels.shape[:2], 4)
        and buffer.dtype == np.uint8
        and buffer.flags.c_contiguous
        and buffer.ctypes.data == pixels.ctypes.data
    )


def unpack_keys(keys: ArrayLike) -> NDArray[np.uint8]:
    """RGB codes of 24-bit keys, shape (..., 3)."""
    keys = np.asarray(keys, dtype=np.uint32)
    return np.stack([keys & 255, (keys >> 8) & 255, (keys >> 16) & 255], axis=-1).astype(np.uint8)


def clipped_share(
    photo: Photo, codes: ArrayLike, *, high: float = _HIGH, low: float = _LOW
) -> ClippedShare:
    """How much of a region is clipped.

    Parameters
    ----------
    photo : Photo
        The photo that the codes are of.
    codes : array_like, shape (..., 3), integer
        The region's pixels, such as ``photo.pixels[mask]``.
    high : float, optional
        Share of the top code from which on a channel counts as clipped.
    low : float, optional
        Value on the encoded scale under which a channel counts as lost in black; for camera
        RAW only code 0, the black level, does.
    """
    codes = np.asarray(codes)
    pixels = codes.reshape(-1, 3)
    if len(pixels) == 0:
        raise ValueError("A region of no pixels has no clipped share.")
    top = high * photo.top_code
    bottom = 0.0 if photo.encoding.is_linear else low * photo.top_code
    return ClippedShare(
        high=float((pixels > top).any(axis=1).mean()),
        low=float((pixels <= bottom).any(axis=1).mean()),
    )

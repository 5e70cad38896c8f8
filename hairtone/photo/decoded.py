"""What every decoder of the photo room hands to the reader."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.types import Encoding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decoded:
    """Pixels as the file stores them, and the file's own words about them, still unread.

    Attributes
    ----------
    format : str
        ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"WebP"``, ``"HEIC"`` or ``"RAW"``.
    pixels : ndarray, shape (height, width, 4) uint8 or (height, width, 3) uint16
        RGB and a filling byte, so that four bytes make one 32-bit key; or 16-bit RGB.
    exif : bytes or None
        The EXIF block, beginning with its byte-order mark.
    profile : bytes or None
        The ICC profile.
    stated : Encoding or None
        What the file says of its encoding by other means than an ICC profile.
    is_upright : bool
        True where the decoder has turned the picture already.
    flags : tuple of Flag
        Doubts that only the decoder can see.
    """

    format: str
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    exif: bytes | None = None
    profile: bytes | None = None
    stated: Encoding | None = None
    is_upright: bool = False
    flags: tuple[Flag, ...] = ()

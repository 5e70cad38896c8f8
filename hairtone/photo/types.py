"""What a photograph is to the rest of the house, and what a decoder hands to the reader."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Encoding:
    """How stored code values stand for light.

    Attributes
    ----------
    name : str
        ``"sRGB"``, ``"Display P3"``, ``"Adobe RGB"``, ``"linear raw"`` or the profile's own name.
    table : ndarray, shape (levels, 3), float64
        Code value of each channel -> value on the sRGB tone scale, 0..1. The identity
        ``code / (levels - 1)`` for sRGB and Display P3, whose transfer is the same; another
        profile's transfer is undone and sRGB's applied, so that one tone prior serves all.
        For ``"linear raw"`` code -> linear light, 0..1.
    to_xyz : ndarray, shape (3, 3), float64
        Linear RGB of this encoding -> XYZ (D65, Y of white = 1). The identity for
        ``"linear raw"``.
    is_linear : bool
        True for camera RAW: no tone curve stands between light and code.
    to_srgb : ndarray, shape (3, 3), float64, or None
        Linear RGB of this encoding -> linear RGB of sRGB's primaries; None where they are the
        same, and for camera RAW. `pixels.encoded_values` applies it, so that one scene gives one
        set of values in whatever encoding it is stored; `table` alone does not.
    """

    name: str
    table: NDArray[np.float64]
    to_xyz: NDArray[np.float64]
    is_linear: bool = False
    to_srgb: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What the camera wrote of itself; never a serial number, an owner or a place.

    Attributes
    ----------
    make, model, software : str
        As the file says; empty where it does not.
    iso, time_s, f_number, focal_length_mm : float or None
        Exposure facts.
    taken : str
        ISO date and time without zone, or empty. Only ever used to check the sheet.
    """

    make: str = ""
    model: str = ""
    software: str = ""
    iso: float | None = None
    time_s: float | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    taken: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Photo:
    """A photograph, upright, as its file stores it.

    Attributes
    ----------
    name : str
        File name without folders.
    sha256 : str
        Of the file's bytes, hexadecimal.
    pixels : ndarray, shape (height, width, 3), uint8 or uint16
        RGB codes, turned upright by EXIF. Read-only. May be a view of a 4-channel buffer.
    encoding : Encoding
        What the codes mean.
    exposure : Exposure
        What the camera said.
    flags : tuple of Flag
        Doubts about the file itself.
    format : str
        ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"HEIC"``, ``"RAW"``, ``"WebP"`` …
    """

    name: str
    sha256: str
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    encoding: Encoding
    exposure: Exposure = field(default_factory=Exposure)
    flags: tuple[Flag, ...] = ()
    format: str = ""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height. [pixels]"""
        height, width = self.pixels.shape[:2]
        return width, height

    @property
    def top_code(self) -> int:
        """Largest code the pixels can hold: 255 or 65535."""
        return int(np.iinfo(self.pixels.dtype).max)

    def __repr__(self) -> str:
        width, height = self.size
        return f"Photo({self.name!r}, {width} x {height} pixels, {self.encoding.name})"


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

"""JPEG: a walk over its segments, then one strict decode into a buffer that is used again.

Fresh memory would be zeroed page by page for each photo; the buffer of the photo before is not.

References
----------
.. [1] ITU-T T.81 (1992), Annex B (segments) and Annex K.1 (tables that encoders scale).
.. [2] ICC.1:2022 (profile version 4.4), Annex B.4: profiles in JPEG segments.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.limits import (
    DECODER_FAULTS,
    bad_profile,
    check_dimensions,
    damaged,
    decoder_says,
    incomplete,
    unusable,
)
from hairtone.photo.types import Decoded

MOST_KEPT: Final = 256 << 20  # bytes that may wait for the next photo; 64 megapixels, our choice
_UNSHARED: Final = 2  # references to a buffer that nobody else holds: ours and the question's

_spare: list[NDArray[np.uint8]] = []
_FRAMES: Final = {  # [1], table B.1: start of frame -> process that the decoder can undo
    0xC0: "baseline",
    0xC1: "extended",
    0xC2: "progressive",
    0xC9: "arithmetic",
    0xCA: "progressive arithmetic",
}
_OTHER_FRAMES: Final = {0xC3, 0xC5, 0xC6, 0xC7, 0xCB, 0xCD, 0xCE, 0xCF}  # lossless, hierarchical
_STANDALONE: Final = {0x01, *range(0xD0, 0xD8)}  # [1], table B.1: markers without a length
_ICC: Final = b"ICC_PROFILE\0"  # [2]
_GAIN_MAP_MARKS: Final = (  # of the published gain-map metadata: XMP name spaces, ISO 21496-1
    b"ns.adobe.com/hdr-gain-map",
    b"HDRGainMap",
    b"urn:iso:std:iso:ts:21496:-1",
)
_LUMA_SUM_AT_50: Final = 3685  # sum of the 64 luminance steps of [1], table K.1


def pixel_buffer(height: int, width: int) -> NDArray[np.uint8]:
    """A buffer of shape (height, width, 4) to decode into; what it holds means nothing.

    The one of the last photo, if that has the same size and neither the photo nor any view of its
    pixels lives on: all of them refer to the buffer. CPython counts its references.
    """
    shape = (height, width, 4)
    buffer = _spare.pop() if _spare else None  # at once: of two threads one gets it
    if buffer is None or buffer.shape != shape or sys.getrefcount(buffer) > _UNSHARED:
        buffer = np.empty(shape, np.uint8)
    buffer.flags.writeable = True
    if buffer.nbytes <= MOST_KEPT:
        _spare[:] = [buffer]
    return buffer


@dataclass(slots=True, kw_only=True)
class JpegHeader:
    """What stands before the picture data."""

    width: int = 0
    height: int = 0
    precision: int = 0
    components: int = 0
    process: int = 0
    exif: bytes | None = None
    has_gain_map: bool = False
    luma_steps: tuple[int, ...] = ()
    profile_parts: dict[int, bytes] = field(default_factory=dict)
    profile_count: int = 0

    @property
    def quality(self) -> float:
        """Compression as the 1..100 of common encoders, from the luminance table; 100 if none.

        Encoders scale table K.1 of [1]_ by 50/q below 50 and by 2 - q/50 above.
        """
        if not self.luma_steps:
            return 100.0
        scale = sum(self.luma_steps) / _LUMA_SUM_AT_50
        return 50 / scale if scale > 1 else 100 - 50 * scale


def decode_jpeg(data: bytes, *, flag_quality_below: float) -> Decoded:
    """A JPEG's first picture, decoded strictly: any doubt of the decoder refuses the file.

    Raises
    ------
    PhotoError
        Damaged, incomplete, grey, CMYK, of more than 8 bits, too large, or of a process
        that no camera writes.
    """
    import simplejpeg

    header = read_jpeg_header(data)
    _check_layout(header)
    profile = _join_profile(header)
    try:
        buffer = pixel_buffer(header.height, header.width)
        pixels = simplejpeg.decode_jpeg(data, colorspace="RGBX", strict=True, buffer=buffer)
    except DECODER_FAULTS as fault:
        if "remature end" in str(fault) and "data segment" not in str(fault):
            raise incomplete("the JPEG data ends before the picture does") from fault
        raise decoder_says("JPEG", fault) from fault
    if pixels.shape != (header.height, header.width, 4):
        raise damaged(f"its header says {header.width} x {header.height}, its data differ")
    flags = []
    if header.has_gain_map:
        flags.append(gain_map_flag())
    if header.quality < flag_quality_below:
        flags.append(
            Flag(
                code="heavily-compressed",
                says=f"The photo is heavily compressed: JPEG quality {header.quality:.0f} of 100, "
                f"limit {flag_quality_below:.0f}; fine colour has been thrown away.",
                remedy="Send the camera's original file, not a copy from a messenger.",
            )
        )
    return Decoded(
        format="JPEG", pixels=pixels, exif=header.exif, profile=profile, flags=tuple(flags)
    )


def gain_map_flag() -> Flag:
    """The file holds a second picture that brightens the first on some screens."""
    return Flag(
        code="gain-map",
        says="The file holds an HDR gain map; the base picture is measured, the map left out.",
        remedy="Switch HDR off and photograph again; HDR changes tones from place to place.",
    )


def read_jpeg_header(data: bytes) -> JpegHeader:
    """Segments up to the first scan.

    Raises
    ------
    PhotoError
        The segments do not follow [1]_, or the file ends among them.
    """
    header = JpegHeader()
    at = 2
    while True:
        at, marker, body = _next_segment(data, at)
        if marker == 0xDA:  # start of scan
            if not header.process:
                raise damaged("JPEG data begin before the size of the picture is given")
            return header
        if marker in _FRAMES or marker in _OTHER_FRAMES:
            _read_frame(header, marker, body)
        elif marker == 0xDB:
            _read_steps(header, body)
        elif marker in (0xE1, 0xE2):
            _read_application(header, body)


def _next_segment(data: bytes, at: int) -> tuple[int, int, bytes]:
    """Position behind the next segment, its marker, and what it holds."""
    while True:
        start = data.find(b"\xff", at)
        while start >= 0 and data[start + 1 : start + 2] == b"\xff":  # fill bytes; [1], B.1.1.2
            start += 1
        if start < 0 or start + 4 > len(data):
            raise incomplete("it ends among the JPEG headers")
        marker = data[start + 1]
        if marker == 0xD9:
            raise damaged("the JPEG ends before any picture data")
        at = start + 2
        if marker not in _STANDALONE and marker != 0:
            break
    (length,) = struct.unpack_from(">H", data, at)
    if length < 2:
        raise damaged(f"a JPEG segment of length {length}")
    if at + length > len(data):
        raise incomplete("it ends among the JPEG headers")
    return at + length, marker, data[at + 2 : at + length]


def _read_frame(header: JpegHeader, marker: int, body: bytes) -> None:
    if header.process:
        raise damaged("it gives the size of the picture twice")
    if len(body) < 6:
        raise damaged(f"a JPEG frame header of {len(body)} bytes")
    header.precision, header.height, header.width, header.components = struct.unpack_from(
        ">BHHB", body
    )
    header.process = marker


def _read_steps(header: JpegHeader, body: bytes) -> None:
    """Keep quantisation table 0, which holds the luminance steps by common practice."""
    at = 0
    while at < len(body):
        letter, size = ("H", 128) if body[at] >> 4 else ("B", 64)
        if at + 1 + size > len(body):
            raise damaged("a JPEG quantisation table is cut off")
        if body[at] & 15 == 0:
            header.luma_steps = struct.unpack_from(f">64{letter}", body, at + 1)
        at += 1 + size


def _read_application(header: JpegHeader, body: bytes) -> None:
    if body.startswith(b"Exif\0"):
        header.exif = header.exif or body[6:]
    elif body.startswith(_ICC) and len(body) >= 14:
        header.profile_parts.setdefault(body[12], body[14:])
        header.profile_count = body[13]
    header.has_gain_map |= any(mark in body for mark in _GAIN_MAP_MARKS)


def _join_profile(header: JpegHeader) -> bytes | None:
    if not header.profile_parts:
        return None
    wanted = range(1, header.profile_count + 1)
    if sorted(header.profile_parts) != list(wanted):
        found = len(header.profile_parts)
        raise bad_profile(f"{found} of its {header.profile_count} parts are there")
    return b"".join(header.profile_parts[part] for part in wanted)


def _check_layout(header: JpegHeader) -> None:
    check_dimensions(header.width, header.height)
    if header.process in _OTHER_FRAMES:
        raise unusable("unknown-layout", "The file is a lossless or hierarchical JPEG.")
    if header.precision != 8:
        raise unusable("unknown-layout", f"The file is a JPEG of {header.precision} bits.")
    if header.components == 4:
        raise unusable("cmyk", "The photo is in CMYK, the colours of a printing press.")
    if header.components == 1:
        raise unusable("grey", "The photo is grey: no hue can be measured.")
    if header.components != 3:
        raise unusable("unknown-layout", f"The JPEG has {header.components} colour channels.")

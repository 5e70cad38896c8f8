"""PNG: a walk over its chunks with their checksums, before any decoder sees them.

References
----------
.. [1] W3C PNG Specification (Third Edition), 5 (structure), 11 (chunks): IHDR, iCCP, sRGB, gAMA,
   cHRM, cICP, eXIf, acTL.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.photo.encodings import (
    D65_WHITE,
    PRIMARIES,
    adaptation,
    curved_encoding,
    display_p3_encoding,
    power_curve,
    primaries_to_xyz,
    srgb_encoding,
)
from hairtone.photo.limits import check_dimensions
from hairtone.photo.refusals import bad_profile, damaged, incomplete, unusable
from hairtone.photo.types import Encoding

_MOST_PROFILE: Final = 16_000_000  # our choice: bytes of an unpacked profile; they need thousands
_SRGB_GAMMA: Final = 45455  # [1], 11.3.2.2: gAMA that goes with sRGB, 1/2.2
_SAMPLES: Final = {2: 3, 3: 1, 6: 4}  # [1], table 11.1: colour type -> samples a pixel
_INTERLACED: Final = (  # [1], 8.1: first column, first row, step across, step down
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
_PIECE: Final = 1 << 20  # our choice: bytes unpacked at a time
_KNOWN_CICP: Final = {(1, 13): srgb_encoding, (12, 13): display_p3_encoding}  # ITU-T H.273


@dataclass(frozen=True, slots=True, kw_only=True)
class PngHeader:
    """A sound PNG's chunks as far as a measurement needs them; `colour_type` as in [1]_."""

    width: int
    height: int
    depth: int
    colour_type: int
    is_interlaced: bool
    chunks: dict[bytes, bytes]

    @property
    def levels(self) -> int:
        """Number of codes of a channel after decoding."""
        return 65536 if self.depth == 16 else 256


def read_png_header(data: bytes) -> PngHeader:
    """Chunks of a PNG, every checksum verified; picture data joined in chunk ``IDAT``.

    Raises
    ------
    PhotoError
        Damaged, incomplete, too large or small, grey, or animated.
    """
    chunks: dict[bytes, bytes] = {}
    parts: list[bytes] = []
    for name, body in _walk(data):
        if name == b"IDAT":
            parts.append(body)
        else:
            chunks.setdefault(name, body)
        if name == b"IHDR":
            if len(body) != 13:
                raise damaged(f"a PNG header of {len(body)} bytes")
            check_dimensions(*struct.unpack_from(">II", body))
    if b"IHDR" not in chunks or not parts:
        raise damaged("the PNG holds no picture")
    chunks[b"IDAT"] = b"".join(parts)
    width, height, depth, colour_type, _, _, interlace = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    header = PngHeader(
        width=width, height=height, depth=depth, colour_type=colour_type,
        is_interlaced=bool(interlace), chunks=chunks,
    )  # fmt: skip
    _check_layout(header)
    return header


def _walk(data: bytes) -> list[tuple[bytes, bytes]]:
    """Chunks up to ``IEND``, header first."""
    at = 8
    chunks: list[tuple[bytes, bytes]] = []
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            break
        body = data[at + 8 : end]
        if zlib.crc32(data[at + 4 : end]) != struct.unpack_from(">I", data, end)[0]:
            raise damaged(f"the checksum of PNG chunk {name.decode('latin-1')!r} is wrong")
        if chunks and name == b"IHDR":
            raise damaged("it holds a second PNG header")
        chunks.append((name, body))
        if name == b"IEND":
            return chunks
        if len(chunks) == 1 and name == b"IHDR" and length == 13:
            check_dimensions(*struct.unpack_from(">II", body))
        at = end + 4
    raise incomplete("the PNG ends before its end mark")


def _check_layout(header: PngHeader) -> None:
    if header.colour_type in (0, 4):
        raise unusable("grey", f"The photo is grey, {header.depth} bits: no hue can be measured.")
    if header.colour_type not in _SAMPLES:
        raise damaged(f"PNG colour type {header.colour_type}")
    frames = header.chunks.get(b"acTL", b"\0\0\0\1")
    if len(frames) < 4 or struct.unpack_from(">I", frames)[0] != 1:
        raise unusable("animated", "The file is animated: several pictures in one.")


def check_data_length(header: PngHeader) -> None:
    """Refuse a PNG whose packed data hold too few bytes; decoders fill the rest in silence.

    Raises
    ------
    PhotoError
        Damaged or incomplete.
    """
    wanted = _unpacked_size(header)
    unpacker = zlib.decompressobj()
    packed, found = header.chunks[b"IDAT"], 0
    try:
        while packed and found < wanted:
            found += len(unpacker.decompress(packed, _PIECE))
            packed = unpacker.unconsumed_tail
        if found >= wanted:  # whatever is left is the checksum's
            unpacker.decompress(packed, _PIECE)
    except zlib.error as fault:
        raise damaged(f"the packed data say {str(fault)!r}") from fault
    if found < wanted:
        raise incomplete(f"{found} of {wanted} bytes of picture are there")


def _unpacked_size(header: PngHeader) -> int:
    """Bytes of the filtered rows, those of interlacing's seven passes together [1]_."""
    bits = _SAMPLES[header.colour_type] * header.depth
    passes = _INTERLACED if header.is_interlaced else ((0, 0, 1, 1),)
    total = 0
    for left, top, across, down in passes:
        columns = -(-(header.width - left) // across)
        rows = -(-(header.height - top) // down)
        total += rows * (1 + (columns * bits + 7) // 8) * (columns > 0)
    return total


def png_profile(header: PngHeader) -> bytes | None:
    """The ICC profile, unpacked.

    Raises
    ------
    PhotoError
        It cannot be unpacked.
    """
    packed = header.chunks.get(b"iCCP")
    if packed is None:
        return None
    name_end = packed.find(b"\0")
    unpacker = zlib.decompressobj()
    try:
        profile = unpacker.decompress(packed[name_end + 2 :], _MOST_PROFILE)
    except zlib.error as fault:
        raise bad_profile("it is damaged (it cannot be unpacked)") from fault
    if not unpacker.eof:
        raise bad_profile("it is damaged (it is cut off or far too large)")
    return profile


def png_encoding(header: PngHeader) -> Encoding | None:
    """What a PNG says of its encoding without an ICC profile, or None.

    Raises
    ------
    PhotoError
        It says an encoding that cannot be measured, such as an HDR one.
    """
    chunks, levels = header.chunks, header.levels
    if len(chunks.get(b"cICP", b"")) >= 2:
        primaries, transfer = chunks[b"cICP"][:2]
        try:
            return _KNOWN_CICP[primaries, transfer](levels)
        except KeyError:
            says = f"it is one of primaries {primaries} and transfer {transfer} (ITU-T H.273)"
            raise bad_profile(says) from None
    if b"sRGB" in chunks:
        return srgb_encoding(levels)
    if len(chunks.get(b"gAMA", b"")) != 4:
        return None
    (gamma,) = struct.unpack(">I", chunks[b"gAMA"])
    to_xyz = _chromaticities(chunks.get(b"cHRM", b""))
    if abs(gamma - _SRGB_GAMMA) < 100 and to_xyz is None:
        return srgb_encoding(levels)
    if gamma == 0:
        raise damaged("its gAMA chunk says 0")
    curve = power_curve(100000 / gamma)
    matrix = primaries_to_xyz(PRIMARIES["sRGB"]) if to_xyz is None else to_xyz
    return curved_encoding(
        f"gamma {100000 / gamma:.2f}", (curve, curve, curve), matrix, levels=levels
    )


def _chromaticities(body: bytes) -> NDArray[np.float64] | None:
    """Linear RGB -> XYZ (D65) of a cHRM chunk; None where absent, impossible or that of sRGB."""
    if len(body) != 32:
        return None
    xy = np.array(struct.unpack(">8I", body)).reshape(4, 2) / 100000
    if (xy[:, 1] <= 0).any():
        raise damaged("its cHRM chunk holds a colour that cannot be")
    if np.abs(xy[1:] - np.array(PRIMARIES["sRGB"])).max() < 2e-3:
        return None
    (x, y), primaries = xy[0], tuple(map(tuple, xy[1:]))
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    try:
        matrix = primaries_to_xyz(primaries, white=white)
    except np.linalg.LinAlgError:
        raise damaged("its cHRM chunk holds colours that cannot be") from None
    return adaptation(white, D65_WHITE) @ matrix

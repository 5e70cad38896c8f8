"""TIFF before it is decoded: what its numbers mean, and whether all of its pieces are sound.

Neither decoder looks at the checksum of packed pieces, fills missing ones with black, or tells
lost sectors from dark ones; what can be known is found out here.

References
----------
.. [1] TIFF Revision 6.0 (1992), sections 8 (baseline tags), 13 (LZW), 15 (tiles).
.. [2] RFC 1950, ZLIB: the checksum behind packed data.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

from hairtone.errors import Flag
from hairtone.photo.limits import check_dimensions
from hairtone.photo.refusals import damaged, incomplete, unusable
from hairtone.photo.tiff import Directory

# [1] and its supplements
_WIDTH, _HEIGHT, _BITS, _PHOTOMETRIC = 0x0100, 0x0101, 0x0102, 0x0106
_SAMPLES, _SAMPLE_FORMAT, _SUBFILE = 0x0115, 0x0153, 0x00FE
_COMPRESSION, _ORIENTATION, _PLANES = 0x0103, 0x0112, 0x011C
_STRIPS, _STRIP_BYTES, _STRIP_ROWS = 0x0111, 0x0117, 0x0116
_TILES, _TILE_BYTES, _TILE_WIDTH, _TILE_HEIGHT = 0x0144, 0x0145, 0x0142, 0x0143
_PHOTOMETRICS: Final = {
    0: "grey", 1: "grey", 2: "RGB", 3: "palette", 4: "mask", 5: "CMYK", 6: "YCbCr", 8: "Lab",
    9: "Lab", 10: "Lab",
}  # fmt: skip
_SAMPLE_FORMATS: Final = {1: "whole numbers", 2: "signed", 3: "float", 4: "undefined"}
_UNPACKED, _LZW, _DEFLATE = 1, 5, (8, 32946)
_CLUSTER: Final = bytes(4096)  # our choice: one cluster of a memory card
_SECTOR: Final = bytes(512)  # our choice: one sector; no LZW coder writes the same code so often
_PIECE: Final = 1 << 20  # our choice: bytes unpacked at a time


def check_tiff(pages: list[Directory]) -> int:
    """Bits of a channel, when the layout can be measured.

    Raises
    ------
    PhotoError
        Several pages, grey, CMYK, Lab, float, of odd depth, too large or small.
    """
    first = pages[0]
    width, height = (int(first.number(tag) or 0) for tag in (_WIDTH, _HEIGHT))
    if not (width and height):
        raise damaged("the TIFF does not say its size")
    check_dimensions(width, height)
    pictures = [page for page in pages if not int(page.number(_SUBFILE) or 0) & 1]
    if len(pictures) > 1:
        raise unusable("pages", f"The file holds {len(pictures)} pages, not one photo.")
    photometric = _PHOTOMETRICS.get(int(first.number(_PHOTOMETRIC) or 0), "an unknown layout")
    if photometric == "grey":
        raise unusable("grey", "The photo is grey: no hue can be measured.")
    if photometric not in ("RGB", "palette", "YCbCr"):
        code = "cmyk" if photometric == "CMYK" else "unknown-layout"
        raise unusable(code, f"The photo is in {photometric}, not in RGB.")
    return _check_numbers(first, photometric)


def _check_numbers(page: Directory, photometric: str) -> int:
    kinds = set(page.numbers(_SAMPLE_FORMAT)) or {1}
    if kinds != {1}:
        names = ", ".join(_SAMPLE_FORMATS.get(int(kind), str(kind)) for kind in sorted(kinds))
        raise unusable(
            "float",
            f"The photo's values are {names}; a float file does not say how they stand for light "
            "and may hold NaN.",
        )
    depths = set(page.numbers(_BITS)) or {1}
    if len(depths) != 1 or not depths & ({8, 16} if photometric == "RGB" else {1, 2, 4, 8}):
        raise unusable("unknown-layout", f"The photo has {sorted(depths)} bits a channel.")
    if depths == {16} and page.number(_PLANES) == 2:  # OpenCV mixes the planes up
        raise unusable("unknown-layout", "The photo has 16 bits in separate colour planes.")
    return int(depths.pop())


def check_pieces(data: bytes, page: Directory) -> tuple[Flag, ...]:
    """A doubt about the pieces of picture data, where they carry nothing to check them by.

    Parameters
    ----------
    data : bytes
        The whole file.
    page : Directory
        The picture's.

    Raises
    ------
    PhotoError
        A piece is missing, reaches past the end, or its checksum is wrong.
    """
    pieces = _pieces(page)
    if len(pieces) < _wanted_pieces(page):
        raise damaged(f"{len(pieces)} of {_wanted_pieces(page)} pieces of the picture are there")
    if any(start + length > len(data) for start, length in pieces):
        raise incomplete("the TIFF's picture data reach past its end")
    compression = int(page.number(_COMPRESSION) or _UNPACKED)
    if compression in _DEFLATE:
        found = sum(_unpacked_length(data[start : start + length]) for start, length in pieces)
        _check_length(found, page)
    elif compression == _UNPACKED:
        _check_length(sum(length for _, length in pieces), page)
        if any(data.find(_CLUSTER, start, start + length) >= 0 for start, length in pieces):
            return (zero_flag(len(_CLUSTER)),)
    elif any(data.find(_SECTOR, start, start + length) >= 0 for start, length in pieces):
        raise damaged("a run of zeros stands in the packed picture")
    return ()


def unturned(data: bytes, page: Directory) -> bytes | bytearray:
    """The TIFF with its orientation set to 1: OpenCV turns some orientations and not others."""
    kind, _, place = page.entries.get(_ORIENTATION, (0, 0, 0))
    if kind != 3:
        return data
    level = bytearray(data)
    struct.pack_into(f"{page.order}H", level, place, 1)
    return level


def _pieces(page: Directory) -> list[tuple[int, int]]:
    """Start and length of each strip or tile."""
    offsets, counts = (_TILES, _TILE_BYTES) if _TILES in page else (_STRIPS, _STRIP_BYTES)
    pairs = zip(page.numbers(offsets), page.numbers(counts), strict=False)
    return [(int(start), int(length)) for start, length in pairs]


def _wanted_pieces(page: Directory) -> int:
    width, height = (int(page.number(tag) or 0) for tag in (_WIDTH, _HEIGHT))
    if _TILES in page:
        across, down = (int(page.number(tag) or 1) for tag in (_TILE_WIDTH, _TILE_HEIGHT))
    else:
        across, down = width, int(page.number(_STRIP_ROWS) or height)
    planes = int(page.number(_SAMPLES) or 1) if page.number(_PLANES) == 2 else 1
    return planes * -(-width // max(across, 1)) * -(-height // max(down, 1))


def _check_length(found: int, page: Directory) -> None:
    """Refuse pieces that are together shorter than the picture."""
    width, height, samples = (int(page.number(tag) or 1) for tag in (_WIDTH, _HEIGHT, _SAMPLES))
    bits = samples * int(page.number(_BITS) or 1)
    if int(page.number(_PHOTOMETRIC) or 0) != 6 and found < height * (width * bits // 8):
        raise incomplete("its pieces are shorter than the picture")


def _unpacked_length(packed: bytes) -> int:
    """Length of a packed piece, whose checksum is verified [2]_."""
    unpacker, found = zlib.decompressobj(), 0
    try:
        while packed and not unpacker.eof:
            found += len(unpacker.decompress(packed, _PIECE))
            packed = unpacker.unconsumed_tail
    except zlib.error as fault:
        raise damaged(f"the packed data say {str(fault)!r}") from fault
    if not unpacker.eof:
        raise damaged("a packed piece of the picture is cut off")
    return found


def zero_flag(length: int) -> Flag:
    """The picture's data hold a run of at least `length` zero bytes."""
    return Flag(
        code="zero-block",
        says=f"A run of {length} zero bytes stands in the picture: pure black, or a lost "
        "piece of the file.",
        remedy="Look at the photo; where a strip is black, copy it again.",
    )

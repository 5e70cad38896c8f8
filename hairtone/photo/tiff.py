"""The structure of TIFF files, walked with every bound checked, before anything is decoded.

EXIF blocks and camera RAW share this structure. Neither decoder looks at the checksum of packed
pieces, fills missing ones with black, or tells lost sectors from dark ones, so the pieces are
checked here.

References
----------
.. [1] TIFF Revision 6.0 (1992), sections 2 (structure), 8 (baseline tags), 13 (LZW), 15 (tiles).
   Opened as public copies; type numbers as printed there.
.. [2] RFC 1950, ZLIB: the checksum behind packed data.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Final

from hairtone.errors import Flag
from hairtone.photo.limits import check_dimensions, damaged, incomplete, unusable

_TYPES: Final = {  # [1], section 2, "Types": number -> bytes, struct letter
    1: (1, "B"),
    2: (1, "s"),
    3: (2, "H"),
    4: (4, "L"),
    5: (8, "LL"),
    6: (1, "b"),
    7: (1, "s"),
    8: (2, "h"),
    9: (4, "l"),
    10: (8, "ll"),
    11: (4, "f"),
    12: (8, "d"),
    13: (4, "L"),
}
_MOST_ENTRIES: Final = 4096  # our choice: cameras write dozens
_MOST_DIRECTORIES: Final = 64  # our choice: pages beyond this change no answer
_MOST_VALUES: Final = 65536  # our choice: larger tags are tables no caller asks for

Number = int | float
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


@dataclass(frozen=True, slots=True)
class Directory:
    """One image file directory; tags are decoded when asked for."""

    data: bytes
    order: str
    entries: dict[int, tuple[int, int, int]]  # tag -> type, count, where the value lies

    def __contains__(self, tag: int) -> bool:
        return tag in self.entries

    def numbers(self, tag: int) -> tuple[Number, ...]:
        """Values of a numeric tag, rationals divided out; empty where absent or unreadable."""
        kind, count, place = self.entries.get(tag, (0, 0, 0))
        size, letter = _TYPES.get(kind, (0, "s"))
        end = place + size * count
        if letter == "s" or count > _MOST_VALUES or end > len(self.data):
            return ()
        values = struct.unpack(f"{self.order}{letter * count}", self.data[place:end])
        if len(letter) == 2:
            pairs = zip(values[::2], values[1::2], strict=True)
            return tuple(top / bottom if bottom else float("nan") for top, bottom in pairs)
        return values

    def number(self, tag: int) -> Number | None:
        """First value of a numeric tag, or None."""
        values = self.numbers(tag)
        return values[0] if values else None

    def raw(self, tag: int) -> bytes:
        """Bytes of a tag of any type; empty where absent or outside the data."""
        kind, count, place = self.entries.get(tag, (0, 0, 0))
        size, _ = _TYPES.get(kind, (0, "s"))
        end = place + size * count
        return self.data[place:end] if end <= len(self.data) else b""

    def text(self, tag: int) -> str:
        """A text tag up to its first zero byte, printable characters only, at most 80 of them."""
        if self.entries.get(tag, (0, 0, 0))[0] not in (2, 7):
            return ""
        text = self.raw(tag).split(b"\0", 1)[0].decode("utf-8", errors="replace")
        return " ".join("".join(c for c in text if c.isprintable()).split())[:80]


def byte_order(data: bytes) -> str:
    """``"<"`` or ``">"`` of a TIFF structure.

    Raises
    ------
    ValueError
        These are not the first bytes of TIFF.
    """
    try:
        return {b"II*\0": "<", b"MM\0*": ">"}[data[:4]]
    except KeyError:
        raise ValueError(f"a TIFF structure does not begin with {data[:4]!r}") from None


def read_directory(data: bytes, offset: int, *, order: str) -> tuple[Directory, int]:
    """The directory at `offset`, and the offset of the next (0 when there is none).

    Raises
    ------
    ValueError
        The directory lies outside the data or has more entries than are believable.
    """
    if not 8 <= offset <= len(data) - 2:
        raise ValueError(f"a directory at byte {offset} of {len(data)}")
    (count,) = struct.unpack_from(f"{order}H", data, offset)
    end = offset + 2 + 12 * count
    if count > _MOST_ENTRIES or end > len(data):
        raise ValueError(f"a directory of {count} entries at byte {offset} of {len(data)}")
    entries: dict[int, tuple[int, int, int]] = {}
    for at in range(offset + 2, end, 12):
        tag, kind, values = struct.unpack_from(f"{order}HHL", data, at)
        size, _ = _TYPES.get(kind, (0, ""))
        inline = size * values <= 4
        place = at + 8 if inline else struct.unpack_from(f"{order}L", data, at + 8)[0]
        entries.setdefault(tag, (kind, values, place))
    following = struct.unpack_from(f"{order}L", data, end)[0] if end + 4 <= len(data) else 0
    return Directory(data, order, entries), following


def read_chain(data: bytes) -> list[Directory]:
    """All main directories (pages) of a TIFF structure, in order.

    Raises
    ------
    ValueError
        No TIFF structure, a directory outside the data, or a chain that runs in a ring.
    """
    order = byte_order(data)
    if len(data) < 8:
        raise ValueError("a TIFF structure of fewer than 8 bytes")
    offset = struct.unpack_from(f"{order}L", data, 4)[0]
    pages: list[Directory] = []
    seen: set[int] = set()
    while offset and len(pages) < _MOST_DIRECTORIES:
        if offset in seen:
            raise ValueError(f"a chain of directories that returns to byte {offset}")
        seen.add(offset)
        page, offset = read_directory(data, offset, order=order)
        pages.append(page)
    return pages


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

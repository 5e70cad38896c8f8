"""Directories of TIFF, the structure that EXIF blocks and camera RAW share; bounds checked.

References
----------
.. [1] TIFF Revision 6.0 (1992), section 2. Opened as public copies; type numbers as printed there.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

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

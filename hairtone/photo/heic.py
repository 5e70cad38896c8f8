"""HEIC, the format of phones: by the extra ``heic``; turned by its own boxes, never by EXIF.

The decoder at hand conceals damage without a word. Two guards stand before it: boxes that point
outside the file (it looks itself), and runs of zero bytes inside the coded pictures, which the
coding forbids and which bad memory cards leave.

References
----------
.. [1] ISO/IEC 14496-12, 8.11: boxes ``meta``, ``iinf``, ``iloc``. Layout from memory, checked in
   the tests against files of a second implementation.
.. [2] ITU-T H.265, 7.4.2: three zero bytes in a row cannot stand inside a coded unit; the length
   before it may begin with three.
.. [3] ISO/IEC 23008-12 (HEIF), 6.5 and Annex A: ``irot`` and ``imir`` rule, EXIF orientation is
   informative.
"""

from __future__ import annotations

import struct
import warnings
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag, PhotoError
from hairtone.photo.encodings import display_p3_encoding, srgb_encoding
from hairtone.photo.jpeg import gain_map_flag
from hairtone.photo.limits import (
    DECODER_FAULTS,
    bad_profile,
    check_dimensions,
    damaged,
    decoder_says,
    unusable,
)
from hairtone.photo.types import Decoded, Encoding

_BRANDS: Final = 64  # bytes that hold the list of brands; "tmap" is that of tone-map pictures
_FORBIDDEN: Final = bytes(8)  # [2], with room for the length before a unit and padding behind it
_KNOWN_NCLX: Final = {(1, 13): srgb_encoding, (12, 13): display_p3_encoding}  # ITU-T H.273
_HDR_TRANSFERS: Final = {16: "PQ", 18: "HLG"}  # ITU-T H.273


def decode_heic(data: bytes) -> Decoded:
    """The primary picture of a HEIC file, upright.

    Raises
    ------
    PhotoError
        The extra is missing; damaged, grey, transparent, HDR-coded, too large or small.
    """
    heif = _library()
    check_coded_data(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            file = heif.open_heif(data, convert_hdr_to_8bit=False)
            picture = file[file.primary_index]
            check_dimensions(*picture.size)
            if not picture.mode.startswith("RGB"):
                raise unusable(
                    "grey", f"The photo is grey ({picture.mode}): no hue can be measured."
                )
            stored = np.asarray(picture)
    except DECODER_FAULTS as fault:
        raise decoder_says("HEIC", fault) from fault
    info = picture.info
    profile = info.get("icc_profile") or None
    pixels, flags = _pixels(stored)
    kinds = " ".join(str(kind).lower() for kind in info.get("aux") or ())
    if "gainmap" in kinds or b"tmap" in data[:_BRANDS]:
        flags += (gain_map_flag(),)
    levels = int(np.iinfo(pixels.dtype).max) + 1
    exif = info.get("exif")
    return Decoded(
        format="HEIC",
        pixels=pixels,
        exif=exif.removeprefix(b"Exif\0\0") if exif else None,
        profile=profile,
        stated=None if profile else _stated(info.get("nclx_profile"), levels=levels),
        is_upright=True,
        flags=flags,
    )


def _library() -> Any:
    try:
        import pillow_heif
    except ImportError as fault:
        raise PhotoError(
            "extra-missing",
            "HEIC photos need the extra 'heic', which is not installed.",
            remedy="In the hairtone folder run: python -m pip install '.[heic]', "
            "or export the photo as JPEG.",
        ) from fault
    return pillow_heif


def _pixels(
    stored: NDArray[Any],
) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], tuple[Flag, ...]]:
    """Codes in the layout of `Decoded`; more than 8 bits arrive spread over 16."""
    if stored.shape[2] == 4:
        top = np.iinfo(stored.dtype).max
        if (stored[..., 3] < top).any():
            raise unusable("transparent", "The photo is transparent in places.")
    if stored.dtype == np.uint16:
        return np.ascontiguousarray(stored[..., :3]), ()
    filled = np.full((*stored.shape[:2], 4), 255, dtype=np.uint8)
    filled[..., :3] = stored[..., :3]
    return filled, ()


def _stated(nclx: dict[str, Any] | None, *, levels: int) -> Encoding | None:
    if not nclx:
        return None
    key = (int(nclx["color_primaries"]), int(nclx["transfer_characteristics"]))
    if key[1] in _HDR_TRANSFERS:
        raise bad_profile(f"it is the HDR encoding {_HDR_TRANSFERS[key[1]]}")
    known = _KNOWN_NCLX.get(key)
    return known(levels) if known else None


def check_coded_data(data: bytes) -> None:
    """Refuse coded pictures with a run of zero bytes that the coding forbids [2]_.

    Raises
    ------
    PhotoError
        Damaged.
    """
    try:
        for start, length in _coded_extents(data):
            at = data.find(_FORBIDDEN, start, start + length)
            if at >= 0:
                raise damaged(f"the picture data are zeros at byte {at}")
    except (struct.error, IndexError) as fault:
        raise damaged("its boxes are cut off") from fault


def _coded_extents(data: bytes) -> Iterator[tuple[int, int]]:
    """Start and length of the pieces of HEVC-coded pictures in the file."""
    meta = dict(_boxes(data, 0, len(data))).get(b"meta")
    if meta is None:
        raise damaged("it has no directory of pictures")
    inside = dict(_boxes(data, meta[0] + 4, meta[1]))
    if b"iinf" not in inside or b"iloc" not in inside:
        raise damaged("its directory of pictures is not whole")
    coded = _coded_items(data, *inside[b"iinf"])
    for item, start, length in _locations(data, inside[b"iloc"][0]):
        if item in coded:
            yield start, length


def _boxes(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, tuple[int, int]]]:
    """Name, and start and end of the body, of the boxes between two places [1]_."""
    while start + 8 <= end:
        size, name = struct.unpack_from(">I4s", data, start)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, start + 8)
            head = 16
        size = size or end - start
        if size < head or start + size > end:
            raise damaged(f"its box {name.decode('latin-1')!r} reaches past the end")
        yield name, (start + head, start + size)
        start += size


def _coded_items(data: bytes, start: int, end: int) -> set[int]:
    """Numbers of the items that are coded by HEVC."""
    entries = start + (6 if data[start] == 0 else 8)
    coded = set()
    for name, (at, _) in _boxes(data, entries, end):
        if name != b"infe" or data[at] < 2:
            continue
        wide = data[at] >= 3
        (item,) = struct.unpack_from(">I" if wide else ">H", data, at + 4)
        kind = data[at + (10 if wide else 8) : at + (14 if wide else 12)]
        if kind == b"hvc1":
            coded.add(item)
    return coded


def _locations(data: bytes, at: int) -> Iterator[tuple[int, int, int]]:
    """Item, start and length of each extent that lies in the file itself [1]_."""
    version = data[at]
    offset_size, length_size = data[at + 4] >> 4, data[at + 4] & 15
    base_size, index_size = data[at + 5] >> 4, data[at + 5] & 15 if version else 0
    at += 6
    count, at = _number(data, at, 4 if version == 2 else 2)
    for _ in range(count):
        item, at = _number(data, at, 4 if version == 2 else 2)
        method = 0
        if version:
            method, at = _number(data, at, 2)
        _, at = _number(data, at, 2)
        base, at = _number(data, at, base_size)
        extents, at = _number(data, at, 2)
        for _ in range(extents):
            at += index_size
            offset, at = _number(data, at, offset_size)
            length, at = _number(data, at, length_size)
            if method & 15 == 0:
                yield item, base + offset, length


def _number(data: bytes, at: int, size: int) -> tuple[int, int]:
    """A big-endian number of so many bytes, and the place behind it."""
    if at + size > len(data):
        raise IndexError(at)
    return int.from_bytes(data[at : at + size], "big"), at + size

"""One strict reader: any bytes whatever give a photo that is right, or a `PhotoError`.

What a file is shows in its first bytes, never in its name.

References
----------
.. [1] Signatures as the formats' own documents print them (ITU-T T.81, W3C PNG, TIFF 6.0, RFC 9649
   WebP, ISO/IEC 23008-12 HEIF); those of camera RAW by common practice.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag, PhotoError
from hairtone.photo.encodings import (
    adobe_rgb_encoding,
    display_p3_encoding,
    linear_raw_encoding,
    srgb_encoding,
)
from hairtone.photo.limits import (
    COPY_AGAIN,
    EXPORT_RGB,
    check_dimensions,
    check_file_size,
    damaged,
    photo_limits,
)
from hairtone.photo.metadata import ExifFacts, doubts_about, name_notes, read_exif, turn_upright
from hairtone.photo.tiff import Directory, byte_order, read_chain, read_directory
from hairtone.photo.types import Decoded, Encoding, Photo

Source: TypeAlias = str | os.PathLike[str] | bytes | NDArray[Any]
EncodingName = Literal["sRGB", "Display P3", "Adobe RGB", "linear raw"]
ENCODINGS: Final[dict[str, Callable[[int], Encoding]]] = {
    "sRGB": srgb_encoding,
    "Display P3": display_p3_encoding,
    "Adobe RGB": adobe_rgb_encoding,
    "linear raw": linear_raw_encoding,
}
UNNAMED: Final = "unnamed photo"  # what messages call bytes and arrays
COLOUR_SPACE_ASSUMED: Final = Flag(
    code="colour-space-assumed",
    says="The file does not say its colour space; sRGB is assumed.",
    remedy="Send the camera's original file, or export with an embedded profile.",
)
_HEIC_BRANDS: Final = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_RAW_STARTS: Final = (
    b"FUJIFILMCCD-RAW",
    b"IIRO",
    b"IIRS",
    b"MMOR",
    b"IIU\0",
    b"FOVb",
    b"\0MRM",
    b"IIII",
)
_OTHER: Final = {  # formats that are recognised so that the refusal can name them
    b"GIF8": "GIF",
    b"BM": "BMP",
    b"%!PS": "PostScript",
    b"%PDF": "PDF",
    b"8BPS": "layered picture",
    b"\0\0\1\0": "icon",
    b"\0\0\0\x0cjP  ": "JPEG 2000",
    b"\xff\x4f\xff\x51": "JPEG 2000",
    b"\xff\x0a": "JPEG XL",
    b"\0\0\0\x0cJXL ": "JPEG XL",
    b"II+\0": "BigTIFF",
    b"MM\0+": "BigTIFF",
    b"PK\3\4": "ZIP or office document",
    b"<svg": "SVG",
    b"\x76\x2f\x31\x01": "OpenEXR",
    b"#?RADIANCE": "Radiance HDR",
}
_DNG_VERSION, _PHOTOMETRIC, _SUB_FILES, _MAKE = 0xC612, 0x0106, 0x014A, 0x010F
_SENSOR_DATA: Final = (32803, 34892)  # photometric interpretations of mosaic and linear RAW, DNG
_SAYS_OF: Final = {
    errno.ENOENT: ("not-found", "The file is not found."),
    errno.ENOTDIR: ("not-found", "The file is not found."),
    errno.ENAMETOOLONG: ("not-found", "The file is not found: its name is too long."),
    errno.EISDIR: ("folder", "This is a folder, not a photo."),
    errno.EACCES: ("not-readable", "You are not allowed to open this file."),
    errno.EPERM: ("not-readable", "You are not allowed to open this file."),
}


def format_of(data: bytes) -> str:
    """``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"WebP"``, ``"HEIC"`` or ``"RAW"``.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    PhotoError
        Any other format, or no picture at all.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[4:8] == b"ftyp":
        return _format_by_brand(data)
    if data.startswith(_RAW_STARTS):
        return "RAW"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "RAW" if data[8:10] == b"CR" or _is_camera_raw(data) else "TIFF"
    raise _not_read(data)


def _format_by_brand(data: bytes) -> str:
    """Of files in boxes (ISO/IEC 14496-12): major brand, then the compatible ones."""
    end = min(int.from_bytes(data[:4], "big"), 256)
    brands = [data[8:12], *(data[at : at + 4] for at in range(16, end, 4))]
    if brands[0] == b"crx ":
        return "RAW"
    if {b"avif", b"avis"}.intersection(brands):
        raise _unread_format("AVIF")
    if _HEIC_BRANDS.intersection(brands):
        return "HEIC"
    raise _unread_format("film or other container")


def _is_camera_raw(data: bytes) -> bool:
    """Whether a TIFF structure holds sensor data, by the tags of its first directory."""
    try:
        first = read_chain(data)[0]
    except (ValueError, IndexError) as fault:
        raise damaged(f"its TIFF structure has {fault}") from fault
    if _DNG_VERSION in first or first.number(_PHOTOMETRIC) in _SENSOR_DATA:
        return True
    return _MAKE in first and _has_sensor_data(data, first)


def _has_sensor_data(data: bytes, first: Directory) -> bool:
    """Whether a directory under the first, which is a preview then, is one of sensor data."""
    order = byte_order(data)
    for offset in first.numbers(_SUB_FILES)[:8]:
        try:
            below, _ = read_directory(data, int(offset), order=order)
        except ValueError:
            continue
        if below.number(_PHOTOMETRIC) in _SENSOR_DATA:
            return True
    return False


def _not_read(data: bytes) -> PhotoError:
    for start, name in _OTHER.items():
        if data.startswith(start):
            return _unread_format(name)
    if not data.strip(b"\0"):
        return damaged("it holds nothing but zero bytes")
    return PhotoError(
        "not-a-photo",
        "The file is not a photo: its first bytes are those of no known picture format.",
        remedy="Copy the photo itself from the camera or phone, not a web page or a link to it.",
    )


def _unread_format(name: str) -> PhotoError:
    return PhotoError(
        "format-not-read", f"The file's format ({name}) is not read.", remedy=EXPORT_RGB
    )


def read_photo(
    source: Source,
    *,
    encoding: EncodingName | None = None,
    name: str = "",
    expected_sha256: str | None = None,
) -> Photo:
    """Return a photograph, upright, with the meaning of its codes and flags about the file.

    A file is opened once; the bytes that are hashed are the bytes that are decoded.

    Parameters
    ----------
    source : path-like, bytes or ndarray
        A file, the bytes of one, or RGB codes of shape (height, width, 3), uint8 or uint16.
    encoding : str, optional
        What the codes of an array mean: ``"sRGB"``, ``"Display P3"``, ``"Adobe RGB"`` or
        ``"linear raw"``. Files say it themselves; sRGB is assumed, and said, where nobody does.
    name : str, optional
        What messages call bytes or an array.
    expected_sha256 : str, optional
        SHA-256 the file had when it was registered, hexadecimal.

    Raises
    ------
    PhotoError
        Not there, damaged, changed since it was registered, of a layout or encoding that
        cannot be measured, too large or too small; named by file, with cause and remedy.
    ValueError
        `encoding` is given for a file or not known, or the array has another shape.
    """
    if isinstance(source, np.ndarray):
        return _photo_of_array(source, encoding=encoding, name=name or UNNAMED)
    if encoding is not None:
        raise ValueError("encoding is for arrays only; a file says itself what its codes mean.")
    if isinstance(source, bytes):
        return read_photo_bytes(source, name=name or UNNAMED, expected_sha256=expected_sha256)
    name = printable_name(source)
    try:
        data = _read_bytes(source)
    except PhotoError as error:
        raise error.at(name) from error
    return read_photo_bytes(data, name=name, expected_sha256=expected_sha256)


def _photo_of_array(pixels: NDArray[Any], *, encoding: EncodingName | None, name: str) -> Photo:
    """A photo of codes that somebody else has decoded."""
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype not in (np.uint8, np.uint16):
        raise ValueError(
            f"The array has shape {pixels.shape} and type {pixels.dtype}; expected RGB codes of "
            f"shape (height, width, 3), uint8 or uint16."
        )
    if encoding is not None and encoding not in ENCODINGS:
        raise ValueError(f"encoding is {encoding!r}; choose one of {', '.join(ENCODINGS)}.")
    height, width = pixels.shape[:2]
    check_dimensions(width, height)
    own = np.array(pixels)  # our own copy
    own.flags.writeable = False
    return Photo(
        name=name,
        sha256=hashlib.sha256(own.tobytes()).hexdigest(),
        pixels=own,
        encoding=ENCODINGS[encoding or "sRGB"](int(np.iinfo(own.dtype).max) + 1),
        flags=() if encoding else (COLOUR_SPACE_ASSUMED,),
        format="array",
    )


def read_photo_bytes(data: bytes, *, name: str, expected_sha256: str | None = None) -> Photo:
    """A photograph from a file's bytes, as `read_photo` reads it.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        File name without folders, for messages.
    expected_sha256 : str, optional
        SHA-256 the file had when it was registered, hexadecimal.

    Raises
    ------
    PhotoError
        As `read_photo`.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    try:
        if expected_sha256 is not None and sha256 != expected_sha256.lower():
            raise PhotoError(
                "changed",
                f"The file has changed since it was registered (SHA-256 {sha256[:12]}…, "
                f"registered {expected_sha256[:12]}…).",
                remedy="Put the registered file back, or register this one as a new photo.",
            )
        check_file_size(len(data))
        return _assemble(_decode(data), name=name, sha256=sha256)
    except PhotoError as error:
        raise error.at(name) from error
    except MemoryError as fault:
        raise PhotoError(
            "out-of-memory",
            "There is not enough memory to decode the photo.",
            where=name,
            remedy="Close other programs, use fewer workers, or export a smaller copy.",
        ) from fault


def printable_name(path: str | os.PathLike[str]) -> str:
    """File name without folders; bytes that are not text are shown escaped."""
    return Path(path).name.encode("utf-8", errors="backslashreplace").decode("utf-8")


def _read_bytes(path: str | os.PathLike[str]) -> bytes:
    try:
        os.fspath(path).encode("utf-8")
        with open(path, "rb", opener=_open_without_waiting) as file:
            facts = os.fstat(file.fileno())
            if not stat.S_ISREG(facts.st_mode):
                raise PhotoError(
                    "not-a-photo",
                    "This is not an ordinary file.",
                    remedy="Copy the photo into the study folder.",
                )
            check_file_size(facts.st_size)
            data = file.read(facts.st_size + 1)
            if len(data) > facts.st_size:  # it grew, or its system does not tell sizes
                data += file.read(int(photo_limits().most_file_mb * 1e6) + 1 - len(data))
            return data
    except UnicodeEncodeError as fault:
        raise PhotoError(
            "file-name", "The file name holds bytes that are not text.", remedy="Rename the file."
        ) from fault
    except ValueError as fault:  # a zero byte in the name
        raise PhotoError(
            "file-name", "The file name holds a NUL character.", remedy="Rename the file."
        ) from fault
    except OSError as fault:
        code, says = _SAYS_OF.get(
            fault.errno or 0,
            ("not-readable", f"The file cannot be read: {os.strerror(fault.errno or 0)}."),
        )
        raise PhotoError(code, says, remedy=_remedy_for(code)) from fault


def _open_without_waiting(path: str, flags: int) -> int:
    """A pipe named like a photo must not hold the batch up."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _remedy_for(code: str) -> str:
    return {
        "not-found": "Check the name in the sheet, upper and lower case included.",
        "folder": "Name the photo inside it.",
    }.get(code, COPY_AGAIN)


def _decode(data: bytes) -> Decoded:
    """The decoder is chosen by content alone, and loaded only when needed."""
    kind = format_of(data)
    if kind == "JPEG":
        from hairtone.photo.jpeg import decode_jpeg

        return decode_jpeg(data, flag_quality_below=photo_limits().flag_quality_below)
    if kind == "RAW":
        from hairtone.photo.raw import decode_raw

        return decode_raw(data)
    if kind == "HEIC":
        from hairtone.photo.heic import decode_heic

        return decode_heic(data)
    from hairtone.photo import raster

    decoders = {"PNG": raster.decode_png, "TIFF": raster.decode_tiff, "WebP": raster.decode_webp}
    return decoders[kind](data)


def _assemble(decoded: Decoded, *, name: str, sha256: str) -> Photo:
    facts = read_exif(decoded.exif)
    encoding, colour_flags = _encoding_of(decoded, facts)
    pixels = turn_upright(decoded.pixels, 1 if decoded.is_upright else facts.orientation)
    pixels.flags.writeable = False
    return Photo(
        name=name,
        sha256=sha256,
        pixels=pixels[..., :3],
        encoding=encoding,
        exposure=facts.exposure,
        flags=(
            *decoded.flags,
            *colour_flags,
            *doubts_about(decoded, facts, pixels),
            *name_notes(name, decoded.format),
        ),
        format=decoded.format,
    )


def _encoding_of(decoded: Decoded, facts: ExifFacts) -> tuple[Encoding, tuple[Flag, ...]]:
    """By ICC profile, else by the file's other words, else by EXIF, else assumed and said."""
    levels = int(np.iinfo(decoded.pixels.dtype).max) + 1
    if decoded.profile:
        from hairtone.photo.encodings import read_profile

        return read_profile(decoded.profile, levels=levels)
    if decoded.stated is not None:
        return decoded.stated, ()
    if facts.colour_space == "sRGB":
        return srgb_encoding(levels), ()
    if facts.colour_space == "Adobe RGB":
        return adobe_rgb_encoding(levels), (
            Flag(
                code="colour-space-from-exif",
                says="The file has no colour profile; its EXIF data say that it is not sRGB, and "
                "Adobe RGB is taken.",
                remedy="Export with an embedded profile, or as sRGB.",
            ),
        )
    return srgb_encoding(levels), (COLOUR_SPACE_ASSUMED,)

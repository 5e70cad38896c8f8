"""What a file is, by its first bytes; never by its name.

References
----------
.. [1] Signatures as the formats' own documents print them (ITU-T T.81, W3C PNG, TIFF 6.0, RFC 9649
   WebP, ISO/IEC 23008-12 HEIF); those of camera RAW by common practice.
"""

from __future__ import annotations

from typing import Final

from hairtone.errors import PhotoError
from hairtone.photo.refusals import EXPORT_RGB, damaged
from hairtone.photo.tiff import Directory, byte_order, read_chain, read_directory

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

"""What the camera wrote into the EXIF block; serial numbers, owners and places are never read.

References
----------
.. [1] CIPA DC-008, Exchangeable image file format (Exif) version 2.3, 4.6; tag numbers from memory,
   checked in the tests against a second implementation.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from hairtone.photo.tiff import Directory, read_chain, read_directory
from hairtone.photo.types import Exposure

# [1]; main directory
_MAKE, _MODEL, _ORIENTATION, _SOFTWARE, _EXIF = 0x010F, 0x0110, 0x0112, 0x0131, 0x8769
# [1]; EXIF directory
_SAVED: Final = 0x0132  # [1]; main directory: when the file was last changed
_TIME, _F_NUMBER, _ISO, _TAKEN = 0x829A, 0x829D, 0x8827, 0x9003
_COMMENT, _FOCAL, _COLOUR_SPACE, _INTEROP = 0x9286, 0x920A, 0xA001, 0xA005
_INTEROP_INDEX: Final = 0x0001  # [1]; interoperability directory
# 1 and 65535 (uncalibrated) by [1]; 2 outside it, common practice
_COLOUR_SPACES: Final = {1: "sRGB", 2: "Adobe RGB", 65535: "Adobe RGB"}
_DATE: Final = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class ExifFacts:
    """The EXIF block as understood.

    Attributes
    ----------
    exposure : Exposure
        What the camera said of itself and of the exposure.
    orientation : int
        1..8; 1 where absent or invalid.
    colour_space : str
        ``"sRGB"``, ``"Adobe RGB"`` or empty where the block does not say.
    says_screenshot : bool
        True where the user comment says that the picture is of a screen.
    trouble : str
        What could not be read; empty where all was well.
    date_trouble : str
        The date as written where it is no date.
    saved : str
        When the file was last changed, as `Exposure.taken`; empty where it does not say.
    """

    exposure: Exposure = field(default_factory=Exposure)
    orientation: int = 1
    colour_space: str = ""
    says_screenshot: bool = False
    trouble: str = ""
    date_trouble: str = ""
    saved: str = ""


def read_exif(block: bytes | None) -> ExifFacts:
    """Facts of an EXIF block; one that cannot be read gives the fact that it cannot.

    Parameters
    ----------
    block : bytes or None
        From the byte-order mark on; None or empty where the file has none.
    """
    if not block:
        return ExifFacts()
    try:
        main = read_chain(block)[0]
    except (ValueError, IndexError) as fault:
        return ExifFacts(trouble=f"the EXIF block holds {fault}")
    camera, lost = _branch(main, _EXIF)
    interop, lost_too = _branch(camera if _INTEROP in camera else main, _INTEROP)
    written = main.number(_ORIENTATION)
    orientation = int(written) if written is not None and written in range(1, 9) else 1
    trouble = lost or lost_too
    if written is not None and written not in range(1, 9):
        trouble = f"the EXIF block holds orientation {written}, which is none of 1 to 8"
    taken, date_trouble = _date(camera.text(_TAKEN))
    return ExifFacts(
        exposure=Exposure(
            make=main.text(_MAKE),
            model=main.text(_MODEL),
            software=main.text(_SOFTWARE),
            iso=_positive(camera, _ISO),
            time_s=_positive(camera, _TIME),
            f_number=_positive(camera, _F_NUMBER),
            focal_length_mm=_positive(camera, _FOCAL),
            taken=taken,
        ),
        orientation=orientation,
        colour_space=_colour_space(camera, interop),
        says_screenshot=b"screenshot" in camera.raw(_COMMENT).replace(b"\0", b"").lower(),
        trouble=trouble,
        date_trouble=date_trouble,
        saved=_date(main.text(_SAVED))[0],
    )


def _branch(directory: Directory, tag: int) -> tuple[Directory, str]:
    """The directory that `tag` points to, and what is wrong with it."""
    empty = Directory(directory.data, directory.order, {})
    offset = directory.number(tag)
    if offset is None:
        return empty, ""
    try:
        return read_directory(directory.data, int(offset), order=directory.order)[0], ""
    except ValueError as fault:
        return empty, f"the EXIF block holds {fault}"


def _colour_space(camera: Directory, interop: Directory) -> str:
    """Colour space by ColorSpace and the interoperability index.

    A camera that says "uncalibrated" (65535) says that it is not sRGB; the design rule for camera
    file systems knows one other, marked R03: Adobe RGB. The mark is often lost by programs.
    """
    number = int(camera.number(_COLOUR_SPACE) or 0)
    if number in _COLOUR_SPACES:
        return _COLOUR_SPACES[number]
    return "Adobe RGB" if interop.text(_INTEROP_INDEX) == "R03" else ""


def _positive(directory: Directory, tag: int) -> float | None:
    value = directory.number(tag)
    return float(value) if value is not None and math.isfinite(value) and value > 0 else None


def _date(written: str) -> tuple[str, str]:
    """ISO date and time, and the text where it is none."""
    if not written:
        return "", ""
    parts = _DATE.match(written)
    if parts is None:
        return "", written
    year, month, day, hour, minute, second = (int(part) for part in parts.groups())
    try:
        return datetime(year, month, day, hour, minute, second).isoformat(), ""
    except ValueError:
        return "", written

"""What the camera wrote into the EXIF block, and the doubts that follow from it.

Serial numbers, owners and places are never read. The block's orientation turns the picture
upright; missing or odd entries become flags and notes.

References
----------
.. [1] CIPA DC-008, Exchangeable image file format (Exif) version 2.3, 4.6; tag numbers from memory,
   checked in the tests against a second implementation.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import PurePath
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.tiff import Directory, read_chain, read_directory
from hairtone.photo.types import Decoded, Exposure

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
Codes = NDArray[np.uint8] | NDArray[np.uint16]
_SIDE: Final = 128  # our choice: pixels of a square that is turned at once; its rows stay in cache
_SEND_ORIGINAL: Final = "Send the camera's original file."
_FIRMWARE_WORDS: Final = {"version", "firmware", "camera", "digital", "application", "release"}
_SUFFIXES: Final = {
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff"),
    "WebP": (".webp",),
    "HEIC": (".heic", ".heif", ".hif"),
}
_WRITING: Final = timedelta(minutes=2)  # our choice: longer than a camera exposes and writes
_LEAST_BAR: Final = 0.03  # our choice: share of the height that one-coloured rows must fill


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


def turn_upright(pixels: Codes, orientation: int) -> Codes:
    """The picture as the photographer saw it; a copy unless nothing is to be done.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, channels)
        As stored.
    orientation : int
        1..8 of CIPA DC-008 (Exif), 4.6.4: the side the stored first row and column belong to.
    """
    if orientation == 1:
        return pixels
    height, width, channels = pixels.shape
    shape = (width, height, channels) if orientation > 4 else pixels.shape
    upright: Codes = np.empty(shape, dtype=pixels.dtype)
    stored: NDArray[Any] = np.ascontiguousarray(pixels)
    turned: NDArray[Any] = upright
    if pixels.dtype == np.uint8 and channels == 4:  # one number a pixel is faster than four
        stored, turned = stored.view(np.uint32), turned.view(np.uint32)
    flipped = {
        2: stored[:, ::-1],
        3: stored[::-1, ::-1],
        4: stored[::-1],
        5: stored,
        6: stored[::-1],
        7: stored[::-1, ::-1],
        8: stored[:, ::-1],
    }[orientation]
    if orientation > 4:
        _swap_sides(flipped, turned)
    else:
        turned[:] = flipped
    return upright


def _swap_sides(flipped: NDArray[Any], turned: NDArray[Any]) -> None:
    """Fill `turned` with rows for columns, square by square."""
    height, width = flipped.shape[:2]
    for top in range(0, height, _SIDE):
        for left in range(0, width, _SIDE):
            square = flipped[top : top + _SIDE, left : left + _SIDE]
            turned[left : left + _SIDE, top : top + _SIDE] = square.swapaxes(0, 1)


def doubts_about(
    decoded: Decoded, facts: ExifFacts, pixels: NDArray[np.uint8] | NDArray[np.uint16]
) -> tuple[Flag, ...]:
    """Flags for what metadata and layout give away.

    Parameters
    ----------
    decoded : Decoded
        As the decoder handed it over.
    facts : ExifFacts
        As read from its EXIF block.
    pixels : ndarray, shape (height, width, channels)
        Upright.
    """
    knows_camera = bool(facts.exposure.make or facts.exposure.model)
    flags = _metadata_flags(facts, knows_camera=knows_camera)
    if facts.says_screenshot or _is_screen_like(decoded, knows_camera, pixels):
        flags += (
            Flag(
                code="screenshot",
                says="The file looks like a screenshot: no camera data, bars of one colour.",
                remedy="Send the photo itself, not a picture of the screen that shows it.",
            ),
        )
    edit = _edit_told_by(facts)
    if edit:
        says = f"The photo was edited or saved by a program: {edit}."
        flags += (Flag(code="edited", says=says, remedy=_SEND_ORIGINAL),)
    return flags


def _edit_told_by(facts: ExifFacts) -> str:
    """What gives an edit away; empty where nothing does."""
    if names_editor(facts.exposure):
        return repr(facts.exposure.software)
    if facts.saved and facts.exposure.taken:
        later = datetime.fromisoformat(facts.saved) - datetime.fromisoformat(facts.exposure.taken)
        if later > _WRITING:
            return f"it was changed {later} after it was taken"
    return ""


def _metadata_flags(facts: ExifFacts, *, knows_camera: bool) -> tuple[Flag, ...]:
    flags: tuple[Flag, ...] = ()
    if facts.trouble:
        flags += (
            Flag(
                code="metadata-unreadable",
                says=f"The photo's metadata cannot be relied on: {facts.trouble}.",
                remedy=f"{_SEND_ORIGINAL} Check that the photo stands upright.",
            ),
        )
    elif not knows_camera:
        flags += (
            Flag(
                code="no-metadata",
                says="The file says nothing of the camera: it is a copy, a render or a screenshot.",
                remedy=_SEND_ORIGINAL,
                is_note=True,
            ),
        )
    if facts.date_trouble:
        flags += (
            Flag(
                code="date-unknown",
                says=f"The camera's date is not a real date: {facts.date_trouble!r}.",
                remedy="Set the camera's clock; the sheet's wash number is used.",
            ),
        )
    return flags


def name_notes(name: str, kind: str) -> tuple[Flag, ...]:
    """A note where the file's name says one format and its content is another.

    Parameters
    ----------
    name : str
        File name.
    kind : str
        Format by content.
    """
    suffix = PurePath(name).suffix.lower()
    promised = next((key for key, ends in _SUFFIXES.items() if suffix in ends), kind)
    if promised == kind:
        return ()
    return (
        Flag(
            code="name-misleads",
            says=f"The name ends in {suffix}, the content is {kind}; read by its content.",
            remedy="Rename the file, so that other programs are not misled.",
            is_note=True,
        ),
    )


def names_editor(exposure: Exposure) -> bool:
    """Whether the Software tag names a program rather than a camera's firmware.

    Firmware is written as a version, a build number, or the camera's own name. Anything with
    another plain word of four letters or more is taken for a program (our choice: a wrong flag
    costs a look, a missed edit costs a number).
    """
    own = f"{exposure.make} {exposure.model}".lower()
    words = re.findall(r"(?<![A-Za-z0-9])[A-Za-z]{4,}(?![A-Za-z0-9])", exposure.software)
    return any(word.lower() not in _FIRMWARE_WORDS and word.lower() not in own for word in words)


def _is_screen_like(
    decoded: Decoded, knows_camera: bool, pixels: NDArray[np.uint8] | NDArray[np.uint16]
) -> bool:
    """Lossless, no camera, and bars of one colour across the whole width at top or bottom."""
    if knows_camera or decoded.format not in ("PNG", "WebP"):
        return False
    height = len(pixels)
    reach = max(1, round(_LEAST_BAR * height))
    edges = (pixels[:reach, :, :3], pixels[height - reach :, :, :3])
    return any((edge == edge[:, :1]).all() for edge in edges)

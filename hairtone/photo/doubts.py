"""Doubts about the file itself: nothing known of the camera, edited, a picture of a screen."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.decoded import Decoded
from hairtone.photo.exif import ExifFacts
from hairtone.photo.types import Exposure

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
                says=f"The camera's date is none: {facts.date_trouble!r}.",
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

"""The limits of a file, judged before it is decoded, and the words of every refusal."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from functools import cache
from typing import Final

from hairtone.errors import PhotoError
from hairtone.locations import read_limits

COPY_AGAIN: Final = "Copy it again from the camera or phone."
EXPORT_RGB: Final = "Export it as an 8- or 16-bit RGB JPEG, PNG or TIFF, or send the original."
EXPORT_SRGB: Final = "Export it as sRGB, or send the camera's original file."
EXPORT_SMALLER: Final = "Export a smaller copy, or crop it to chart and hair."
SEND_ORIGINAL: Final = "Send the camera's original file, not a preview or a thumbnail."

# Everything a decoder has been seen to throw, or may by its own documentation, on hostile bytes.
# A programmer's slip in our own modules is not in reach of this: it wraps decoder calls only.
# MemoryError is left to the reader, which says what to do about it.
DECODER_FAULTS: Final = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    Warning,
    struct.error,
    zlib.error,
)


def damaged(what: str) -> PhotoError:
    """The bytes are not what the format demands; `what` says where it shows."""
    return PhotoError("damaged", f"The file is damaged: {what}.", remedy=COPY_AGAIN)


def incomplete(what: str) -> PhotoError:
    """The file ends before the picture does; `what` says where it shows."""
    return PhotoError(
        "damaged", f"The file is damaged: it is incomplete, {what}.", remedy=COPY_AGAIN
    )


def decoder_says(name: str, fault: BaseException) -> PhotoError:
    """A decoder has given up; its own words, for whoever looks into it."""
    words = " ".join(str(fault).split())[:160] or type(fault).__name__
    return damaged(f"the {name} decoder says {words!r}")


def unusable(code: str, says: str) -> PhotoError:
    """A sound file whose layout of pixels cannot be measured."""
    return PhotoError(code, says, remedy=EXPORT_RGB)


def bad_profile(what: str) -> PhotoError:
    """The embedded ICC profile cannot be used."""
    return PhotoError(
        "colour-profile",
        f"The colour profile in the file cannot be used: {what}.",
        remedy=EXPORT_SRGB,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLimits:
    """Table ``[photo]`` of ``limits.toml``, where each limit's source stands."""

    most_megapixels: float
    most_file_mb: float
    least_side_px: float
    flag_quality_below: float


@cache
def photo_limits() -> PhotoLimits:
    """The limits in force."""
    table = read_limits("photo")
    return PhotoLimits(**{name: table[name] for name in PhotoLimits.__dataclass_fields__})


def check_file_size(size: int) -> None:
    """Refuse a file of no bytes, or of more than are ever needed.

    Parameters
    ----------
    size : int
        Size of the file. [bytes]

    Raises
    ------
    PhotoError
        Empty or too large.
    """
    most = photo_limits().most_file_mb
    if size == 0:
        raise PhotoError(
            "empty",
            "The file is empty (0 bytes).",
            remedy="Copy it again from the camera or phone.",
        )
    if size > most * 1e6:
        raise PhotoError(
            "too-large",
            f"The file is too large: {size / 1e6:.0f} MB, limit {most:.0f} MB.",
            remedy=EXPORT_SMALLER,
        )


def check_dimensions(width: int, height: int) -> None:
    """Refuse a picture with too many pixels to decode, or too few to measure.

    Parameters
    ----------
    width, height : int
        As the header says. [pixels]

    Raises
    ------
    PhotoError
        Too large or too small.
    """
    limits = photo_limits()
    if width * height > limits.most_megapixels * 1e6:
        raise PhotoError(
            "too-large",
            f"The picture is too large: {width} x {height} pixels, "
            f"limit {limits.most_megapixels:.0f} million.",
            remedy=EXPORT_SMALLER,
        )
    if min(width, height) < limits.least_side_px:
        raise PhotoError(
            "too-small",
            f"The picture is too small: {width} x {height} pixels are too few pixels to read "
            f"a chart from, limit {limits.least_side_px:.0f} on the shorter side.",
            remedy=SEND_ORIGINAL,
        )

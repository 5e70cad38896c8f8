"""How the photo room refuses: remedies in one place, and what a decoder may throw."""

from __future__ import annotations

import struct
import zlib
from typing import Final

from hairtone.errors import PhotoError

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

"""Limits that are judged from a file's size and header, before anything is decoded."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from hairtone.errors import PhotoError
from hairtone.photo.refusals import EXPORT_SMALLER, SEND_ORIGINAL
from hairtone.reference import read_limits


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

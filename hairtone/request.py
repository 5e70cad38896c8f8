"""What is asked of one photo: which hairs, seen how, against which chart."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from hairtone.chart.reference import DEFAULT_CHART
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, Viewing
from hairtone.hair.types import Side
from hairtone.result import ZONES


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairRequest:
    """Which hair of a photo is wanted.

    Attributes
    ----------
    place : int
        1, 2, … left to right.
    line : ndarray, shape (n, 2), or None
        Root-to-ends line; overrules finding. [pixels of the upright photo, xy]
    width : float or None
        Strip that the outline grown from `line` does not leave. [pixels]
    regrowth : ndarray, shape (2,), or None
        Where on `line` new growth ends; what is measured begins there. [pixels, xy]
    roots : str or None
        ``"top"``, ``"bottom"``, ``"left"`` or ``"right"``; default the clamped (top) end.
    white_percent : float or None
        White hair as the sheet states it: it explains fibres of two kinds. [%]
    known_lab : tuple of float or None
        L*a*b* of a reference tress, for the request's viewing: it sharpens the calibration.
    known_u95 : float
        95 % of readings of `known_lab` lie within this ΔE00 of it, re-laying included.
    """

    place: int = 1
    line: Floats | None = None
    width: float | None = None
    regrowth: Floats | None = None
    roots: Side | None = None
    white_percent: float | None = None
    known_lab: tuple[float, float, float] | None = None
    known_u95: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoRequest:
    """A photo to measure, and how.

    Attributes
    ----------
    path : Path
        The file.
    name : str
        What results call it; default its file name.
    viewing : Viewing
        Illuminant and observer of results.
    chart : str
        Chart reference, or a chart file starting from `folder`.
    chart_is_stated : bool
        A person wrote the edition down; otherwise results carry a note.
    folder : Path or None
        Where relative paths start.
    corners : ndarray, shape (4, 2), or None
        Chart corners by hand, clockwise from the first patch.
    card : Path or None
        Photo of the bare board or a plain card in the same light.
    hairs : tuple of HairRequest
        Empty: every hair that is found, roots at the clamped end.
    zones : tuple of float
        Where roots end and ends begin, 0..1.
    chart_mm : tuple of float or None
        Outside of the patch field as measured; gives the scale. [mm]
    expected_sha256 : str or None
        Refuse the file if its bytes have changed.
    """

    path: Path
    name: str = ""
    viewing: Viewing = DEFAULT_VIEWING
    chart: str = DEFAULT_CHART
    chart_is_stated: bool = False
    folder: Path | None = None
    corners: Floats | None = None
    card: Path | None = None
    hairs: tuple[HairRequest, ...] = ()
    zones: tuple[float, float] = ZONES
    chart_mm: tuple[float, float] | None = None
    expected_sha256: str | None = None

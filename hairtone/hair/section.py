"""The outline of a section of hair along a line that a person gave, and what is doubtful in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.hair.grown import SMOOTH, Sides, grow_sides, smooth_normals
from hairtone.photo.types import Photo

NARROWEST_PX: Final = 16.0  # of a strip where no outline can be grown
OPEN_SHARE: Final = 0.06  # of the length that a side without an edge may lie off the line
SEEN: Final = 0.6  # of a side's length where its edge is to be seen, or it counts as open
LOOSE: Final = 1.5  # times the side's usual reach where its own edge is not seen
BULGE: Final = 2.0  # times the width nearby: there the outline has run into something else
FEW: Final = 0.05  # of the length where a bulge that was cut back goes unsaid
NEARBY: Final = 20  # stations up and down: a bulge over a third of the length is seen
FAINT: Final = 3.1  # spreads by which what lies beyond a sound side is off the hair
FILLED: Final = 0.95  # of both sides that lie at the stated width: the strip itself is taken
WITHIN: Final = 1.5  # steps that an edge is known to
SHRUNK: Final = 0.9  # of the stated strip; what is narrower is told


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """What is measured along a line.

    Attributes
    ----------
    outline : ndarray, shape (n, 2)
        Its corners: one side from roots to ends, the other one back. [pixels, xy]
    width : float
        Median across the line. [pixels]
    is_strip : bool
        The plain strip of that width, not an outline of its own.
    flags : tuple of Flag
        Doubts about the outline.
    """

    outline: Floats
    width: float
    is_strip: bool
    flags: tuple[Flag, ...]


def section_along(photo: Photo, line: Floats, *, width: float | None = None) -> Section:
    """The section of hair along a line: grown over what looks like the hair on the line.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    width : float, optional
        Strip that the outline does not leave; where no outline is found in it, the strip itself.
        Without it sides that show no edge are kept close to the line, and that is told. [pixels]
    """
    sides = grow_sides(photo, line, at_least=0.0 if width is None else width / 2)
    flags: tuple[Flag, ...] = ()
    if width is None:
        reach, flags = _open_sides(sides, line)
    else:
        reach = _limited(sides, width / 2)
    reach, bulges = _without_bulges(reach)
    across = float(np.median(reach.sum(axis=0)))
    if across < NARROWEST_PX and (width is None or across < SHRUNK * width):
        return _strip(sides, width or NARROWEST_PX, (_nothing_alike(across, width),))
    if width is not None and (reach >= width / 2 - 1e-6).mean() > FILLED:
        return _strip(sides, width, ())
    if width is None and not flags:
        flags = (_faint(sides) or _grown(reach),)
    elif width is not None and across < SHRUNK * width:
        flags = (*flags, _inside_strip(across, width))
    if bulges.mean() > FEW:
        flags = (*flags, _bulging(bulges))
    outline = _outline(sides.stations, reach)
    return Section(outline=outline, width=across, is_strip=False, flags=flags)


def section_mask(
    section: Section, *, size: tuple[int, int]
) -> tuple[NDArray[np.bool_], tuple[int, int, int, int]]:
    """The pixels inside a section's outline, and the box x0, y0, x1, y1 they lie in.

    Parameters
    ----------
    section : Section
        From `section_along`.
    size : tuple of int
        Width and height of the photo. [pixels]
    """
    x0, y0 = np.clip(np.floor(section.outline.min(axis=0)).astype(int), 0, np.array(size) - 1)
    x1, y1 = np.clip(np.ceil(section.outline.max(axis=0)).astype(int) + 1, 1, np.array(size))
    canvas = np.zeros((y1 - y0, x1 - x0), np.uint8)
    fixed = np.round((section.outline - [x0, y0]) * 16).astype(np.int32)  # sixteenths of a pixel
    cv2.fillPoly(canvas, [fixed], 1, lineType=cv2.LINE_8, shift=4)
    return canvas.astype(bool), (int(x0), int(y0), int(x1), int(y1))


def _open_sides(sides: Sides, line: Floats) -> tuple[Floats, tuple[Flag, ...]]:
    """Reach of both sides without a stated width; a side that shows no edge stays close."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    reach = sides.reach.copy()
    is_open = sides.is_closed.mean(axis=1) < SEEN
    usual = [
        float(np.median(side[closed])) if closed.any() else np.inf
        for side, closed in zip(sides.reach, sides.is_closed, strict=True)
    ]
    for k in (0, 1):
        if is_open[k]:
            other = np.inf if is_open[1 - k] else usual[1 - k]
            reach[k] = np.minimum(reach[k], min(other, OPEN_SHARE * length))
        else:
            unseen = ~sides.is_closed[k]
            reach[k, unseen] = np.minimum(reach[k, unseen], LOOSE * usual[k])
    if not is_open.any():
        return reach, ()
    return reach, (_edge_not_seen(int(is_open.sum()), float(np.median(reach.sum(axis=0)))),)


def _limited(sides: Sides, half: float) -> Floats:
    """Reach of both sides inside a stated strip; an edge as good as at its border is its border."""
    return np.where(sides.reach > half - WITHIN * sides.step, half, sides.reach)


def _without_bulges(reach: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Reach cut where it leaps out against the width nearby, and where that was."""
    count = reach.shape[1]
    padded = np.pad(reach, ((0, 0), (NEARBY, NEARBY)), mode="edge")
    around = np.stack([padded[:, k : k + count] for k in range(2 * NEARBY + 1)])
    most = BULGE * np.maximum(np.median(around, axis=0), np.median(around.mean(axis=1), axis=0))
    bulges = (reach > most) & (reach > 2.0)
    return np.where(bulges, most / BULGE, reach), np.any(bulges, axis=0)


def _outline(stations: Floats, reach: Floats) -> Floats:
    across = smooth_normals(stations, over=SMOOTH)
    one = stations - reach[0, :, None] * across
    other = stations + reach[1, :, None] * across
    return np.concatenate([one, other[::-1]])


def _strip(sides: Sides, width: float, flags: tuple[Flag, ...]) -> Section:
    half = np.full((2, len(sides.stations)), width / 2)
    outline = _outline(sides.stations, half)
    return Section(outline=outline, width=float(width), is_strip=True, flags=flags)


def _faint(sides: Sides) -> Flag | None:
    if sides.beyond.min() >= FAINT:
        return None
    return Flag(
        code="outline-faint",
        says="What lies beside the hair looks much like it, so the outline may take in a few "
        "pixels of it.",
        remedy="Look at the outline in the picker and set the width of the strip, or lay the hair "
        "on a ground of another lightness.",
    )


def _grown(reach: Floats) -> Flag:
    low, high = np.percentile(reach.sum(axis=0), [5, 95])
    return Flag(
        code="outline-grown",
        says=f"We measured what looks like the hair on the line, {low:.0f} to {high:.0f} pixels "
        f"wide.",
        remedy="Look at it in the picker, and set the width of the strip where it is not right.",
        is_note=True,
    )


def _inside_strip(across: float, width: float) -> Flag:
    return Flag(
        code="outline-grown",
        says=f"The strip is wider than the hair. We measured only the hair: {across:.0f} of "
        f"{width:.0f} pixels on average.",
        remedy="Look at the outline in the picker; move the line if it misses hair.",
        is_note=True,
    )


def _edge_not_seen(count: int, width: float) -> Flag:
    where = "one side" if count == 1 else "either side"
    return Flag(
        code="outline-open",
        says=f"We could not see where the hair ends on {where} of the line. We measured a strip of "
        f"{width:.0f} pixels along it.",
        remedy="Look at the outline in the picker and set the width of the strip.",
    )


def _bulging(bulges: NDArray[np.bool_]) -> Flag:
    at = np.flatnonzero(bulges) / len(bulges)
    return Flag(
        code="outline-bulge",
        says=f"Something as light and as coloured as the hair lies beside it between "
        f"{100 * at[0]:.0f} and {100 * at[-1]:.0f} % of the length. We left it out.",
        remedy="Look at the outline in the picker, and set the width of the strip.",
        is_note=True,
    )


def _nothing_alike(across: float, width: float | None) -> Flag:
    taken = f"We measured a strip of {width or NARROWEST_PX:.0f} pixels along the line."
    return Flag(
        code="outline-none",
        says=f"What lies on the line is only {across:.0f} pixels wide. {taken}",
        remedy="Draw the line through the middle of the hair, on hair only; go nearer if the hair "
        "is small in the photo.",
    )

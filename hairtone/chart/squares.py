"""Flat, compact areas of a picture: what the patches of a chart look like before it is known."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats

CONTRASTS = (36, 14, 6)  # steps of the 8-bit picture taken as an edge; our choice
SMALLEST = 3  # side of the flat core of a patch in the picture [pixels]; our choice
SMALLEST_SHARE = 0.005  # the same over the picture's longer side: a chart 8 % of it wide
LARGEST = 0.24  # side of a patch over the picture's longer side; four rows have to fit
FILLED = 0.72  # of its smallest rectangle; a square tilted by 30° fills 0.8. Our choice
LONGEST = 2.2  # long over short side of a patch seen at 30°, with room for perspective
EQUAL_CODES, EQUAL_SIDES = 10, 0.2  # 8-bit codes, share: squares of one pattern. Our choice
MOST_EQUAL = 12  # squares of one pattern, the square itself included. Our choice
MOST = 900  # squares kept, largest first: bounds the work on textured backgrounds. Our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Squares:
    """Candidates for patches.

    Attributes
    ----------
    centres : ndarray, shape (n, 2)
        xy. [preview pixels]
    sides : ndarray, shape (n,)
        Square root of the area, with the edge zone added back. [preview pixels]
    """

    centres: Floats
    sides: Floats


def find_squares(picture: NDArray[np.uint8], *, contrasts: tuple[int, ...] = CONTRASTS) -> Squares:
    """Flat areas of about the shape of a patch, at several edge contrasts, without doubles."""
    edges = _edge_strength(picture)
    found = [_flat_areas(edges, contrast=contrast) for contrast in contrasts]
    return _without_pattern(_without_doubles(np.concatenate(found)), picture)


def _edge_strength(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Largest range over 3×3 pixels of any channel."""
    smooth = cv2.blur(picture, (3, 3)) if max(picture.shape) >= 600 else picture
    spread = cv2.morphologyEx(smooth, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    red, green, blue = cv2.split(spread)
    return np.asarray(cv2.max(cv2.max(red, green), blue), dtype=np.uint8)


def _flat_areas(edges: NDArray[np.uint8], *, contrast: int) -> Floats:
    """Rows of x, y, side."""
    flat = (edges < contrast).astype(np.uint8)
    _, raw_labels, raw_stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4)
    labels, stats = np.asarray(raw_labels, np.int32), np.asarray(raw_stats, np.int32)
    width, height, area = (stats[:, k].astype(np.float64) for k in (2, 3, 4))
    largest = LARGEST * max(edges.shape)
    smallest = max(SMALLEST, SMALLEST_SHARE * max(edges.shape))
    fits = (np.minimum(width, height) >= smallest) & (np.maximum(width, height) <= largest * 1.5)
    fits &= np.maximum(width, height) <= LONGEST * 1.1 * np.minimum(width, height) + 2
    fits &= area > 0.4 * width * height
    fits[0] = False
    chosen = np.flatnonzero(fits)
    chosen = chosen[np.argsort(-area[chosen], kind="stable")][:MOST]
    rows = [_rectangle(labels, int(number), stats[number]) for number in chosen]
    return np.array([row for row in rows if row is not None], dtype=np.float64).reshape(-1, 3)


def _rectangle(
    labels: NDArray[np.int32], number: int, box: NDArray[np.int32]
) -> tuple[float, float, float] | None:
    """Centre and side of one flat area, or None where it is no rectangle."""
    x, y, width, height, area = (int(value) for value in box)
    inside = (labels[y : y + height, x : x + width] == number).astype(np.uint8)
    outlines, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    outline = outlines[0]
    (cx, cy), (long, short), _ = cv2.minAreaRect(outline)
    long, short = max(long, short) + 1, min(long, short) + 1
    hull = cv2.contourArea(outline) + cv2.arcLength(outline, closed=True) / 2 + 1
    if long > LONGEST * short + 1 or hull < FILLED * long * short or area < 0.6 * hull:
        return None
    moments = cv2.moments(outline)
    if moments["m00"] > 0:
        cx, cy = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
    return x + cx, y + cy, float(np.sqrt(hull)) + 2  # the edge zone takes a pixel each side


def _without_doubles(rows: Floats) -> Squares:
    """Of areas about the same place the largest."""
    rows = rows[np.argsort(-rows[:, 2], kind="stable")][: 2 * MOST]
    gap = np.hypot(*(rows[:, None, k] - rows[None, :, k] for k in (0, 1)))
    near = gap < 0.3 * np.minimum(rows[:, None, 2], rows[None, :, 2])
    keep = np.ones(len(rows), dtype=bool)
    for k in range(len(rows)):
        if keep[k]:
            keep[k + 1 :] &= ~near[k, k + 1 :]
    rows = rows[keep][:MOST]
    return Squares(centres=rows[:, :2].copy(), sides=rows[:, 2].copy())


def _without_pattern(squares: Squares, picture: NDArray[np.uint8]) -> Squares:
    """Without those that many others equal in colour and size: tiles, checks, ruled mats.

    No two patches of a chart have the same colour.
    """
    x, y = squares.centres.round().astype(np.int64).T
    colours = cv2.blur(picture, (3, 3))[y, x].astype(np.float32)
    equal = np.ones((len(x), len(x)), dtype=bool)
    for channel in colours.T:
        equal &= np.abs(channel[:, None] - channel[None]) < EQUAL_CODES
    ratio = squares.sides[:, None] / squares.sides[None]
    equal &= np.abs(ratio - 1) < EQUAL_SIDES
    keep = equal.sum(axis=1) <= MOST_EQUAL
    return Squares(centres=squares.centres[keep], sides=squares.sides[keep])

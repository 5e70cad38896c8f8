"""Flat, compact areas of a picture, and the regular grids that they form in perspective."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

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
MAX_SQUARES = (
    900  # squares kept, largest first: bounds the work on textured backgrounds. Our choice
)
NEIGHBOURS = 8  # looked at around each square
FEWEST = 8  # squares that make a grid; a third of a chart. Our choice
MATCH = 0.25  # of the pitch: how far a square may lie from where the grid expects it
SPAN = 16  # steps a grid may reach from its first square; a 140-patch chart has 14 columns
MAX_GRID_SQUARES = 160  # squares of a grid; more are tiles or a woven pattern, not a chart
UNLIKE = 1.8  # times the side of its neighbour that the next square may have; our choice
SAME = 0.2  # of a cell: how far two cells of one grid may differ, seen in perspective
SEEDS = 40  # starting points tried, best supported first. Our choice


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
    chosen = chosen[np.argsort(-area[chosen], kind="stable")][:MAX_SQUARES]
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
    rows = rows[np.argsort(-rows[:, 2], kind="stable")][: 2 * MAX_SQUARES]
    gap = np.hypot(*(rows[:, None, k] - rows[None, :, k] for k in (0, 1)))
    near = gap < 0.3 * np.minimum(rows[:, None, 2], rows[None, :, 2])
    keep = np.ones(len(rows), dtype=bool)
    for k in range(len(rows)):
        if keep[k]:
            keep[k + 1 :] &= ~near[k, k + 1 :]
    rows = rows[keep][:MAX_SQUARES]
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """Squares in rows and columns.

    Attributes
    ----------
    places : ndarray of int, shape (n, 2)
        Column and row of each square, smallest 0.
    members : ndarray of int, shape (n,)
        Which squares they are.
    to_picture : ndarray, shape (3, 3)
        Column and row -> xy of the picture.
    """

    places: NDArray[np.int64]
    members: NDArray[np.int64]
    to_picture: Floats


def find_lattices(squares: Squares) -> tuple[Lattice, ...]:
    """Grids of at least `FEWEST` squares, best supported first, each once."""
    if len(squares.centres) < FEWEST:
        return ()
    # of the grids each square was in, the inverse of its cell (rows: its sides)
    seen: list[list[Floats]] = [[] for _ in squares.centres]
    grids: list[Lattice] = []
    tried = 0
    for seed, u, v in zip(*_seeds(squares), strict=True):
        if any(_is_same_grid(inverse, np.array([u, v])) for inverse in seen[seed]):
            continue
        tried += 1
        if tried > SEEDS:
            break
        places, members, cells = _grow(squares, int(seed), u, v)
        for member, inverse in zip(members, np.linalg.inv(np.array(cells)), strict=True):
            seen[member].append(inverse)
        grid = (
            _settle(squares, places, members)
            if FEWEST <= len(members) <= MAX_GRID_SQUARES
            else None
        )
        if grid is not None:
            grids.append(grid)
    return tuple(sorted(grids, key=lambda grid: -len(grid.members)))


def _is_same_grid(inverse: Floats, other: Floats) -> bool:
    """Whether another cell (rows: its sides) spans the same grid, or part of it: its diagonals."""
    steps = other @ inverse
    whole = steps.round()
    (a, b), (c, d) = whole
    return bool(np.abs(steps - whole).max() < SAME and a * d != b * c)


def map_points(matrix: Floats, points: Floats) -> Floats:
    """Points (n, 2) through a 3×3 projective mapping."""
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    depth = np.where(np.abs(lifted[:, 2:]) < 1e-9, 1e-9, lifted[:, 2:])
    return np.asarray(lifted[:, :2] / depth)


def _seeds(squares: Squares) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Squares with two sides of a grid cell, ordered by how many of 8 neighbours they explain."""
    centres, sides = squares.centres, squares.sides
    count = min(NEIGHBOURS + 4, len(centres) - 1)
    offset = centres[None] - centres[:, None]
    distance = np.hypot(offset[..., 0], offset[..., 1])
    ratio = sides[None] / sides[:, None]
    unlike = (ratio > UNLIKE) | (ratio < 1 / UNLIKE) | (distance > 2.4 * sides[:, None])
    np.fill_diagonal(unlike, val=True)
    order = np.argsort(np.where(unlike, np.inf, distance), axis=1, kind="stable")[:, :count]
    index = np.arange(len(centres))[:, None]
    near = np.where(unlike[index, order][..., None], 1e6, offset[index, order])

    left, right = np.array(list(combinations(range(min(NEIGHBOURS, count)), 2))).T
    u, v = near[:, left], near[:, right]
    long_u, long_v = np.linalg.norm(u, axis=-1), np.linalg.norm(v, axis=-1)
    cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    square = np.abs(cross) > 0.75 * long_u * long_v
    square &= (np.maximum(long_u, long_v) < 1.7 * np.minimum(long_u, long_v)) & (long_u < 1e5)
    square &= np.minimum(long_u, long_v) > 0.85 * sides[:, None]
    rows, pairs = np.nonzero(square)
    if not len(rows):
        none = np.zeros((0, 2))
        return np.zeros(0, dtype=np.int64), none, none
    u, v = u[rows, pairs], v[rows, pairs]
    steps = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b], dtype=np.float64)
    wanted = steps[:, :1] * u[:, None] + steps[:, 1:] * v[:, None]
    gap = np.full(wanted.shape[:2], np.inf)
    for k in range(count):
        gap = np.minimum(gap, np.linalg.norm(near[rows, None, k] - wanted, axis=-1))
    pitch = np.minimum(np.linalg.norm(u, axis=1), np.linalg.norm(v, axis=1))
    support = (gap < 0.22 * pitch[:, None]).sum(axis=1)
    good = support >= 3
    rank = np.lexsort((rows[good], -support[good]))
    return rows[good][rank], u[good][rank], v[good][rank]


def _grow(
    squares: Squares, seed: int, u: Floats, v: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], list[Floats]]:
    """Step from square to square as long as one lies where the last step points.

    Returns column and row, number and cell of each square of the grid.
    """
    centres, sides = squares.centres, squares.sides
    at: dict[tuple[int, int], int] = {(0, 0): seed}
    basis = {(0, 0): np.array([u, v])}
    used = {seed}
    queue = [(0, 0)]
    while queue and len(at) <= MAX_GRID_SQUARES:
        place = queue.pop(0)
        here, steps = centres[at[place]], basis[place]
        nearest = MATCH * np.linalg.norm(steps, axis=1).min()
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            beside = (place[0] + sign * (axis == 0), place[1] + sign * (axis == 1))
            if beside in at or max(map(abs, beside)) > SPAN:
                continue
            gap = np.hypot(*(centres - here - sign * steps[axis]).T)
            best = int(gap.argmin())
            like = sides[at[place]] / UNLIKE < sides[best] < sides[at[place]] * UNLIKE
            if best in used or gap[best] > nearest or not like:
                continue
            at[beside] = best
            used.add(best)
            turned = steps.copy()
            turned[axis] = (steps[axis] + sign * (centres[best] - here)) / 2
            basis[beside] = turned
            queue.append(beside)
    return np.array(list(at)), np.array(list(at.values())), list(basis.values())


def _settle(
    squares: Squares, places: NDArray[np.int64], members: NDArray[np.int64]
) -> Lattice | None:
    """Fit the perspective, drop what does not lie on it, pick up what was jumped over."""
    for _ in range(3):
        if len(members) < FEWEST or np.ptp(places, axis=0).min() < 1:
            return None
        matrix = _perspective(squares, places, members)
        pitch = _pitch(matrix, places)
        expected = map_points(matrix, places.astype(np.float64))
        gap = np.hypot(*(expected - squares.centres[members]).T)
        near = gap < MATCH * pitch
        if near.sum() < FEWEST:
            return None
        places, members = places[near], members[near]
        places, members = _collect(squares, places, members, matrix)
    matrix = _perspective(squares, places, members)
    low = places.min(axis=0)
    shift = np.array([[1, 0, low[0]], [0, 1, low[1]], [0, 0, 1]], dtype=np.float64)
    return Lattice(places=places - low, members=members, to_picture=matrix @ shift)


def _perspective(squares: Squares, places: NDArray[np.int64], members: NDArray[np.int64]) -> Floats:
    """Column and row -> xy, least squares over all members."""
    matrix, _ = cv2.findHomography(places.astype(np.float64), squares.centres[members], 0)
    return np.asarray(np.full((3, 3), np.nan) if matrix is None else matrix, dtype=np.float64)


def _collect(
    squares: Squares, places: NDArray[np.int64], members: NDArray[np.int64], matrix: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Squares on the free places up to two steps around the grid."""
    low, high = places.min(axis=0) - 2, places.max(axis=0) + 2
    wanted = {(x, y) for x in range(low[0], high[0] + 1) for y in range(low[1], high[1] + 1)}
    free = np.array(sorted(wanted - set(map(tuple, places.tolist()))))
    rest = np.setdiff1d(np.arange(len(squares.centres)), members)
    if not len(free) or not len(rest):
        return places, members
    expected = map_points(matrix, free.astype(np.float64))
    gap = np.linalg.norm(expected[:, None] - squares.centres[rest][None], axis=-1)
    nearest = gap.argmin(axis=1)
    typical = np.median(squares.sides[members])
    size = squares.sides[rest][nearest] / typical
    good = (gap.min(axis=1) < 0.2 * _pitch(matrix, free)) & (size > 0.5) & (size < 2)
    _, once = np.unique(nearest[good], return_index=True)
    new = np.flatnonzero(good)[once]
    return np.vstack([places, free[new]]), np.concatenate([members, rest[nearest[new]]])


def _pitch(matrix: Floats, places: NDArray[np.int64]) -> Floats:
    """Shorter step of the grid at each place. [pixels]"""
    middle = places.astype(np.float64)
    along = [
        np.linalg.norm(
            map_points(matrix, middle + step) - map_points(matrix, middle - step), axis=1
        )
        for step in (np.array([0.5, 0.0]), np.array([0.0, 0.5]))
    ]
    return np.minimum(*along)

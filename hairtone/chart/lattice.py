"""Regular grids among candidate squares, seen in perspective."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.chart.squares import Squares
from hairtone.colorimetry import Floats

NEIGHBOURS = 8  # looked at around each square
FEWEST = 8  # squares that make a grid; a third of a chart. Our choice
MATCH = 0.25  # of the pitch: how far a square may lie from where the grid expects it
SPAN = 16  # steps a grid may reach from its first square; a 140-patch chart has 14 columns
MOST = 160  # squares of a grid; more are tiles or a woven pattern, not a chart
UNLIKE = 1.8  # times the side of its neighbour that the next square may have; our choice
SAME = 0.2  # of a cell: how far two cells of one grid may differ, seen in perspective
SEEDS = 40  # starting points tried, best supported first. Our choice


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
        grid = _settle(squares, places, members) if FEWEST <= len(members) <= MOST else None
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
    while queue and len(at) <= MOST:
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

"""The centre line of a piece of hair: where it runs, how wide it is, where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats

POINTS: Final = 33  # of a line; our choice: a bend over a tenth of the length is followed
INNER_POINTS: Final = slice(3, -3)  # of a line's 33: fanned ends and clamps are no bulge
SAMPLE: Final = 6000  # pixels that place the line; the middle of 100 is known to 0.3 % of the width
FULL_SHARE: Final = 0.9  # of the breadth nearby: beyond, single fibres let the board through
FULL_SAMPLE: Final = 30_000  # pixels of a full-size mask that place the ends
ROUNDS: Final = 4  # of laying the line through the middle anew, or until it settles:
SETTLED: Final = 0.05  # reduced pixels; our choice
DEGREE: Final = 4  # of the bend that one round can lay; rounds add up
LEAST_ADVANCE: Final = 0.5  # cosine to the chord over which pieces need not be searched
END_SHARE: Final = 0.5  # of the usual breadth: where the mean fibre ends


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CentreLine:
    """A line through the middle of a piece and its breadth along it, reduced pixels.

    `spread` is the breadth of an even strip whose pixels lie as far from the line: that of a piece
    with a gap in its middle is larger than its own.
    """

    points: Floats
    breadth: Floats
    spread: float

    @property
    def length(self) -> float:
        """Arc length. [reduced pixels]"""
        return _length(self.points)

    @property
    def width(self) -> float:
        """Median breadth. [reduced pixels]"""
        return float(np.median(self.breadth))


def centre_line(mask: NDArray[np.bool_]) -> CentreLine:
    """Centre line of a mask, from one end of it to the other, in no particular direction."""
    pixels = pixels_of(mask).astype(np.float64)
    line = _first_line(pixels)
    sample = pixels[np.random.default_rng(0).permutation(len(pixels))[:SAMPLE]]
    for _ in range(ROUNDS):
        along, across = project(sample, line)
        before, line = line, _recentred(line, along, across)
        if np.abs(line - before).max() < SETTLED:
            break
    along, across = project(pixels, line)
    return _trimmed(line, along, across)


def pixels_of(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Pixels of a mask, xy, shape (n, 2), row by row."""
    found = cv2.findNonZero(np.ascontiguousarray(mask).view(np.uint8))
    return np.asarray([] if found is None else found, np.int32).reshape(-1, 2)


def project(points: Floats, line: Floats) -> tuple[Floats, Floats]:
    """Arc length along a polyline and signed distance from it, of points; ends run on straight."""
    steps = np.diff(line, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    starts = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    units = steps / lengths[:, None]
    chord = (line[-1] - line[0]) / np.linalg.norm(line[-1] - line[0])
    if (units @ chord).min() > LEAST_ADVANCE:
        at = np.clip(np.searchsorted(line @ chord, points @ chord) - 1, 0, len(steps) - 1)
        first, (x, y) = line[:-1], points.T
        along = (starts - (first * units).sum(axis=1))[at]
        across = (first[:, 0] * units[:, 1] - first[:, 1] * units[:, 0])[at]
        ahead, aside = units[:, 0][at], units[:, 1][at]
        return along + x * ahead + y * aside, across + y * ahead - x * aside
    return _project_on_nearest(points, line[:-1], units, lengths, starts)


def _project_on_nearest(
    points: Floats, origins: Floats, units: Floats, lengths: Floats, starts: Floats
) -> tuple[Floats, Floats]:
    """The same for lines that turn back on themselves: the nearest piece decides."""
    best = np.full(len(points), np.inf)
    along, across = np.zeros(len(points)), np.zeros(len(points))
    for k, (origin, unit, length) in enumerate(zip(origins, units, lengths, strict=True)):
        gap = points - origin
        s = gap @ unit
        low = -np.inf if k == 0 else 0.0
        high = np.inf if k == len(lengths) - 1 else length
        kept = np.clip(s, low, high)
        t = gap[:, 1] * unit[0] - gap[:, 0] * unit[1]
        distance = np.hypot(t, s - kept)
        nearer = distance < best
        best = np.where(nearer, distance, best)
        along = np.where(nearer, starts[k] + kept, along)
        across = np.where(nearer, t, across)
    return along, across


def resampled(line: Floats, *, points: int) -> Floats:
    """The same polyline by points at equal arc length."""
    starts = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0, starts[-1], points)
    return np.stack([np.interp(at, starts, line[:, axis]) for axis in (0, 1)], axis=1)


def _first_line(pixels: Floats) -> Floats:
    """Principal axis of the pixels, ends included."""
    centre = pixels.mean(axis=0)
    some = pixels[:: max(1, len(pixels) // SAMPLE)] - centre
    direction = np.linalg.eigh(some.T @ some)[1][:, 1]
    reach = (pixels - centre) @ direction
    ends = centre + np.outer([reach.min(), reach.max()], direction)
    return resampled(ends, points=POINTS)


def _recentred(line: Floats, along: Floats, across: Floats) -> Floats:
    """The line moved to the middle of the pixels beside it, smoothly.

    Half a breadth at either end is left out: a slanted end pulls the middle aside.
    """
    length = _length(line)
    bins = np.clip((along / length * 60).astype(int), 0, 59)
    count = np.bincount(bins, minlength=60)
    middle = np.bincount(bins, across, minlength=60) / np.maximum(count, 1)
    at = (np.arange(60) + 0.5) / 60
    breadth = np.median(count[count > 0]) * 60 / length
    end = min(0.6 * breadth / length, 0.25)
    used = (count > 0.3 * np.median(count[count > 0])) & (at > end) & (at < 1 - end)
    degree = int(np.clip(used.sum() // 8, 1, DEGREE))
    bend = np.linalg.lstsq(_bends(at[used], degree), middle[used], rcond=None)[0]
    low, high = at[used].min(), at[used].max()
    knots = np.linspace(low, high, len(line))
    inner = _between(line, low * length, high * length)
    moved = inner + (_bends(knots, degree) @ bend)[:, None] * normals(inner)
    return _between(moved, -low * length, _length(moved) + (1 - high) * length)


def _bends(at: Floats, degree: int) -> Floats:
    """Legendre polynomials at places 0 .. 1."""
    return np.asarray(np.polynomial.legendre.legvander(2 * at - 1, degree))


def _length(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def normals(line: Floats) -> Floats:
    """Unit normals at the points of a polyline; positive where `project` is positive."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def _trimmed(line: Floats, along: Floats, across: Floats) -> CentreLine:
    """The line cut, or run on, to where half of the usual breadth is reached."""
    start = float(np.floor(along.min()))
    cells = int(np.ceil(along.max()) - start) + 1
    pixels = np.bincount((along - start + 0.5).astype(int), minlength=cells + 1)[:cells]
    count = np.convolve(pixels, np.ones(3) / 3, mode="same")
    usual = float(np.median(count[count > 0]))
    full = np.flatnonzero(count >= END_SHARE * usual)
    low, high = full[0] + start - 0.5, full[-1] + start + 0.5
    cut = _between(line, low, high)
    at = np.linspace(low, high, POINTS) - start
    return CentreLine(
        points=cut,
        breadth=np.interp(at, np.arange(cells), count),
        spread=float(np.sqrt(12 * across.var())),
    )


def fitted_ends(
    mask: NDArray[np.bool_], line: Floats, *, origin: tuple[int, int]
) -> tuple[Floats, float]:
    """Line and mean breadth by a mask at full size: it ends where fibres begin to lack.

    Parameters
    ----------
    mask : ndarray of bool
        Hair at full size.
    line : ndarray, shape (n, 2)
        Line in the photo.
    origin : tuple of int
        Photo pixel of the mask's first. [xy]
    """
    stride = max(1, int(np.sqrt(np.count_nonzero(mask) / FULL_SAMPLE)))
    pixels = pixels_of(mask[::stride, ::stride]) * float(stride) + np.array(origin)
    along, _ = project(pixels, line)
    cell = 2.0 * stride
    start = float(along.min())
    count = np.bincount(((along - start) / cell).astype(int)) * stride**2 / cell
    smooth = np.convolve(np.pad(count, 1, mode="edge"), np.ones(3) / 3, mode="valid")
    third = max(len(smooth) // 3, 1)
    first = _full_from(smooth[:third])
    last = len(smooth) - 1 - _full_from(smooth[::-1][:third])
    low, high = start + first * cell, start + (last + 1) * cell
    return _between(line, low, high), float(count[first : last + 1].mean())


def _full_from(breadth: Floats) -> int:
    """First station of an end from which on nearly all of the hair is there."""
    at = np.arange(len(breadth))
    inner = at >= len(breadth) // 3
    if inner.sum() < 3:
        return 0
    usual = np.polyval(np.polyfit(at[inner], breadth[inner], 1), at)  # a tress may taper
    usual = np.maximum(usual, 0.5 * np.median(breadth))
    return int(np.argmax(breadth >= FULL_SHARE * usual))


def _between(line: Floats, low: float, high: float) -> Floats:
    """The part of a polyline between two arc lengths; beyond its ends it runs on straight."""
    steps = np.diff(line, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.linspace(low, high, POINTS)
    inner = np.stack([np.interp(at, starts, line[:, axis]) for axis in (0, 1)], axis=1)
    before = np.minimum(at - starts[0], 0.0)[:, None] * (steps[0] / lengths[0])
    after = np.maximum(at - starts[-1], 0.0)[:, None] * (steps[-1] / lengths[-1])
    return np.asarray(inner + before + after)

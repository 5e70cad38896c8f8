"""What lies along a line: hair or not, and what is laid over it.

Two things tell hair from all else. Its fibres run on along it, which card, wall, seeds and patches
of a chart do not show; and no dye changes it at an edge straight across and back again at another,
with other fibres between the two: a tie, a ribbon or a clip does.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel, LightField
from hairtone.colorimetry import Floats
from hairtone.hair.cells import BINS
from hairtone.hair.centre import normals, resampled
from hairtone.hair.types import Strand
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo

FIBRE_PLACES: Final = 48  # along a line, at which fibres are looked for; our choice: 2 % of it each
FIBRE_LAG_PX: Final = 12.0  # a fibre is the same so far on: hair keeps 0.4 there, seeds nothing
FIBRE_ROWS_PX: Final = (-3.0, -1.0, 1.0, 3.0)  # pixels that one look across is the mean of
FIBRE_SLANT_PX: Final = 5  # sideways, over the lag: fibres may cross the line by 22 degrees
FIBRE_WIDTH_PX: Final = 9  # what is broader across is shading or a blotch, no fibre
MOST_ACROSS_PX: Final = 128  # that are looked at; our choice, speed
LEAST_ACROSS_PX: Final = 12  # three fibres and their gaps
ROWS: Final = 8  # of each place that what lies over the hair is looked for in; our choice
COLUMNS: Final = 12  # across the hair; in three groups, that all show an edge of it
GAP: Final = 2  # rows to either side of an edge that it may take: tilted, or a little blurred
SIDE: Final = 7  # rows to either side beyond those that are compared
EDGE: Final = 5.0  # times what rows usually differ by there
LEAST_STEP: Final = (0.10, 0.05)  # of log light, and of log ratios of channels: no step worth it
LIKE_STEP: Final = 0.75  # of the whole change, that its edge is; a patch of dye rises to half in it
IN_GROUP: Final = 0.35  # of an edge, that each third of the width shows
OPPOSITE: Final = -0.5  # cosine of the two edges: there and back
LONGEST: Final = 0.25  # of the length; our choice: no tie is longer
RUNS_ON: Final = 0.5  # of how fibres run on beside it, from which on they run on under an edge
INNER_SHARE: Final = 0.7  # of the width, clear of its edges
MOST_OF_LINE: Final = 0.75  # of the places; edges and folds cross a part of a line only
ALIKE_PLACES: Final = 3  # to either side, that share one slant


def see_fibres(photo: Photo, line: Floats, *, width: float) -> float:
    """How well fibres run on along a line: 1 where they do, about 0 on anything else.

    The correlation of what is seen across the line with what is seen `FIBRE_LAG_PX` further on,
    reached at three quarters of the places along it.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    width : float
        Of the hair, or of what may be hair. [pixels]
    """
    alike = _correlations(*_looks_across(photo, line, width))
    near = np.ones(2 * ALIKE_PLACES + 1)
    pooled = np.stack([np.convolve(column, near, "same") for column in alike.T], axis=1)
    run = alike[np.arange(len(alike)), pooled.argmax(axis=1)]
    return float(np.quantile(run, 1 - MOST_OF_LINE))


def _correlations(first: Floats, second: Floats) -> Floats:
    """How alike pairs of looks across the hair are, at each slant, shape (pairs, slants)."""
    first, second = _fine(first), _fine(second)
    count = first.shape[1] - 2 * FIBRE_SLANT_PX
    inner = first[:, FIBRE_SLANT_PX : FIBRE_SLANT_PX + count]
    windows = np.lib.stride_tricks.sliding_window_view(second, count, axis=1)
    size = np.sqrt((inner**2).sum(axis=1) + 1e-9)
    sizes = np.sqrt((windows**2).sum(axis=2) + 1e-9)
    return np.asarray(np.einsum("pn,psn->ps", inner, windows) / (size[:, None] * sizes))


def _looks_across(photo: Photo, line: Floats, width: float) -> tuple[Floats, Floats]:
    """Log light across the line at places along it and a lag further on, shape (places, n)."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    at = (np.arange(FIBRE_PLACES) + 1) / (FIBRE_PLACES + 1)
    lag = min(FIBRE_LAG_PX / length, 4 / FIBRE_PLACES)
    return (
        _looks_at(photo, line, width, at - lag / 2),
        _looks_at(photo, line, width, at + lag / 2),
    )


def _looks_at(photo: Photo, line: Floats, width: float, at: Floats) -> Floats:
    """Log light across the line at shares of its length, shape (places, n)."""
    fine = resampled(np.asarray(line, np.float64), points=1 + 20 * FIBRE_PLACES)
    rows = np.clip(np.round(at * (len(fine) - 1)).astype(int), 0, len(fine) - 1)
    stations, across = fine[rows], normals(fine)[rows]
    ahead = np.stack([across[:, 1], -across[:, 0]], axis=1)
    count = int(np.clip(INNER_SHARE * width, LEAST_ACROSS_PX, MOST_ACROSS_PX)) + 2 * FIBRE_SLANT_PX
    offsets = np.arange(count) - (count - 1) / 2
    total = np.zeros((len(at), count))
    for row in FIBRE_ROWS_PX:
        places = stations + row * ahead
        total += _log_light(photo, places[:, None] + offsets[None, :, None] * across[:, None])
    return total / len(FIBRE_ROWS_PX)


def _alike(photo: Photo, strand: Strand, pairs: Floats) -> Floats:
    """How alike the looks across a strand are at pairs of shares of its length, (pairs, slants)."""
    looks = [_looks_at(photo, strand.line, strand.width, pairs[:, k]) for k in (0, 1)]
    return _correlations(looks[0], looks[1])


def _nearest(photo: Photo, points: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of the pixels nearest to points, shape (..., 2) xy."""
    width, height = photo.size
    xs = np.clip(np.round(points[..., 0]).astype(np.intp), 0, width - 1)
    ys = np.clip(np.round(points[..., 1]).astype(np.intp), 0, height - 1)
    return ys, xs


def _log_light(photo: Photo, points: Floats) -> Floats:
    """About the logarithm of light at points, shape (..., 2) xy; for looking, not measuring."""
    codes = codes_at(photo, *_nearest(photo, points)) @ np.array([0.25, 0.5, 0.25]) / photo.top_code
    return np.asarray(
        np.log(codes + 0.002) if photo.encoding.is_linear else 2.2 * np.log(codes + 0.02)
    )


def _fine(looks: Floats) -> Floats:
    """What is narrower than a fibre may be, edges held down so that one of them is no fibre."""
    reach = FIBRE_WIDTH_PX // 2
    padded = np.pad(looks, ((0, 0), (reach, reach)), mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, FIBRE_WIDTH_PX, axis=1)
    fine = looks - windows.mean(axis=-1)
    most = 2.5 * np.median(np.abs(fine), axis=1, keepdims=True) + 1e-6
    return np.clip(fine, -most, most)


def laid_over(
    photo: Photo, model: ColourModel, light: LightField, strand: Strand, *, white: Floats
) -> NDArray[np.bool_]:
    """Which places of a strand something lies over: a tie, a ribbon, a clip; shape (60,).

    Parameters
    ----------
    photo, model, light, strand : Photo, ColourModel, LightField, Strand
        The hair, and how its light is read.
    white : ndarray, shape (3,)
        Linear light of a perfect white where the light field is 1.
    """
    points = _grid(strand)
    codes = codes_at(photo, *_nearest(photo, points))
    linear = model.linear(encoded_values(photo, codes.reshape(-1, 3))) / white
    linear = linear.reshape(*points.shape[:2], 3) / light.at(points[:, COLUMNS // 2])[:, None, None]
    groups = np.median(linear.reshape(len(points), 3, -1, 3), axis=2)
    logs = np.log(np.maximum(groups, 1e-4))
    looks = np.stack([logs.mean(-1), logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], -1)
    is_over = np.zeros(len(looks), bool)
    for first, last in _there_and_back(looks):
        if not _fibres_run_on(photo, strand, first / len(looks), last / len(looks)):
            is_over[max(first - GAP, 0) : last + 1 + GAP] = True
    return np.asarray(is_over.reshape(BINS, ROWS).any(axis=1))


def _grid(strand: Strand) -> Floats:
    """Places along and across a strand, shape (480, 12, 2). [pixels, xy]"""
    line = resampled(np.asarray(strand.line, np.float64), points=2 * BINS * ROWS + 1)[1::2]
    offsets = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * INNER_SHARE * strand.width
    return np.asarray(line[:, None] + offsets[None, :, None] * normals(line)[:, None])


def _there_and_back(looks: Floats) -> list[tuple[int, int]]:
    """First and last row of what has sharp edges straight across at both sides.

    Parameters
    ----------
    looks : ndarray, shape (rows, 3, 3)
        Log light and two log ratios of channels, of each third of the width.
    """
    groups = _changes(looks)
    whole = _changes(np.median(looks, axis=1)[:, None])[:, 0]
    usual = 1.4826 * np.median(np.abs(whole), axis=0)
    scale = np.maximum(usual, np.array([0.03, 0.015, 0.015]))
    size = np.linalg.norm(whole / scale, axis=1)
    along = (
        np.einsum("rgc,rc->rg", groups / scale, whole / scale)
        / np.maximum(size, 1e-9)[:, None] ** 2
    )
    is_edge = (size > EDGE) & (along > IN_GROUP).all(axis=1)
    is_edge &= (np.abs(whole[:, 0]) > LEAST_STEP[0]) | (np.abs(whole[:, 1:]) > LEAST_STEP[1]).any(
        axis=1
    )
    is_edge &= size == _highest_near(size)
    edges, middle = np.flatnonzero(is_edge), np.median(looks, axis=1)
    found: list[tuple[int, int]] = []
    for k, first in enumerate(edges):
        if found and first <= found[-1][1]:
            continue
        for last in edges[k + 1 :]:
            if last - first > LONGEST * len(looks):
                break
            if _is_return(whole, middle, scale, int(first), int(last)):
                found.append((int(first), int(last)))
                break
    return found


def _changes(looks: Floats) -> Floats:
    """What rows behind each row's edge have more than those before it; 0 near the ends."""
    total = np.concatenate([np.zeros((1, *looks.shape[1:])), np.cumsum(looks, axis=0)])
    rows = np.arange(SIDE + GAP, len(looks) - SIDE - GAP)
    after = total[rows + GAP + SIDE] - total[rows + GAP]
    before = total[rows - GAP] - total[rows - GAP - SIDE]
    changes = np.zeros_like(looks)
    changes[rows] = (after - before) / SIDE
    return changes


def _highest_near(size: Floats) -> Floats:
    reach = SIDE // 2
    padded = np.pad(size, reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1))


def _is_return(whole: Floats, middle: Floats, scale: Floats, first: int, last: int) -> bool:
    """Whether one edge leads to something and the other one back, each at one step."""
    there, back = whole[first] / scale, whole[last] / scale
    cosine = float(there @ back / np.linalg.norm(there) / np.linalg.norm(back))
    if cosine > OPPOSITE or last - first < 2 * GAP + 1:
        return False
    inside = np.median(middle[first + GAP : last - GAP + 1], axis=0)
    for edge, near in ((first, slice(max(first - 3 * SIDE, 0), first - GAP)),
                       (last, slice(last + GAP, last + 3 * SIDE))):  # fmt: skip
        change = np.linalg.norm((inside - np.median(middle[near], axis=0)) / scale)
        if np.linalg.norm(whole[edge] / scale) < LIKE_STEP * change:
            return False
    return True


def _fibres_run_on(photo: Photo, strand: Strand, start: float, stop: float) -> bool:
    """Whether the fibres beside something are those within it: then it is dye, and not laid over.

    Where the hair beside it shows none either, this says no.
    """
    length = float(np.linalg.norm(np.diff(strand.line, axis=0), axis=1).sum())
    lag = FIBRE_LAG_PX / length
    pairs = np.array([(start, -1), (stop, 1)])
    across, beside = [], []
    for edge, outwards in pairs:
        across.append((edge - lag / 2 * outwards, edge + lag / 2 * outwards))
        beside += [(edge + k * lag * outwards, edge + (k + 1) * lag * outwards) for k in (1, 2, 3)]
    usual = float(np.mean(_alike(photo, strand, np.array(beside)).max(axis=1)))
    within = float(np.mean(_alike(photo, strand, np.array(across)).max(axis=1)))
    return usual > 2 * RUNS_ON * RUNS_ON and within > 0.8 * usual

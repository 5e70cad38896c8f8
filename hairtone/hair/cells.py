"""A strand cut into cells (bins from roots to ends, lanes across), and their sums of light."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel
from hairtone.colorimetry import Floats
from hairtone.errors import HairError
from hairtone.hair.centre import normals, pixels_of, project, resampled
from hairtone.hair.types import Strand
from hairtone.photo.pixels import KEY_MASK, encoded_values, packed_pixels, unpack_keys
from hairtone.photo.types import Photo

BINS: Final = 60  # of a profile, roots to ends
LEAST_LANES, MOST_LANES = 6, 18  # our choice: enough to resample, each wider than a fibre
LANE_PX: Final = 4.0  # narrowest lane; neighbouring pixels share fibres
INSET_SHARE: Final = 0.04  # of the width left out at either side, where hair mixes with board
LEAST_INSET: Final = 1.5  # photo pixels; a sharp edge is mixed over one pixel and its neighbours
SIDE_QUANTILE: Final = 0.03  # of the pixels lie outside the side taken: stray fibres
LOOSE_BINS: Final = 4  # at the ends, where fibres of different length leave gaps of board
MIXED: Final = 5  # photo pixels; a pixel within two of a gap or of the clamp is mixed with it
LEFT: Final = 0.3  # of an end bin's pixels that must be left without those
LEAST_PIXELS: Final = 25  # in a bin; our choice: under this its mean is noise

Box = tuple[int, int, int, int]
LEVEL_STEP: Final = 0.06  # of log light between levels; our choice: a third of a fibre's spread
LEVELS: Final = 112  # 6.7 in log light: from a perfect white down to 1 in 650
HIGH_CODE: Final = 0.985  # share of the top code from which on a channel is clipped
CHUNK: Final = 1 << 17  # pixels worked on at a time: they stay in cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Where the cells lie.

    Attributes
    ----------
    labels : ndarray, shape (height, width) of the box, int16
        Cell of each pixel, ``bin * lanes + lane``; -1 outside.
    box : tuple of int
        x0, y0, x1, y1.
    lanes : int
        Lanes in a bin.
    centres : ndarray, shape (60 * lanes, 2)
        Middles of the cells. [photo pixels, xy]
    across : ndarray, shape (lanes,)
        Middle of each lane, -1 .. 1 from side to side of the whole strand.
    """

    labels: NDArray[np.int16]
    box: Box
    lanes: int
    centres: Floats
    across: Floats


def strand_cells(strand: Strand, *, size: tuple[int, int], blur_px: float = 0.0) -> Cells:
    """Cells of a strand, the mixed edges left out.

    Parameters
    ----------
    strand : Strand
        What to cut.
    size : tuple of int
        Width and height of the photo. [pixels]
    blur_px : float, optional
        SD of the photo's blur; the edges left out grow with it.
    """
    stations = resampled(np.asarray(strand.line, np.float64), points=BINS + 1)
    low, high = _sides(strand, stations)
    inset = np.maximum(INSET_SHARE * (high - low), LEAST_INSET + 2 * blur_px)
    if strand.mask is None:
        inset = np.zeros_like(inset)
    inner_low, inner_high = low + inset, high - inset
    breadth = float(np.median(inner_high - inner_low))
    lanes = int(np.clip(breadth // LANE_PX, LEAST_LANES, MOST_LANES))
    share = np.linspace(0, 1, lanes + 1)
    offsets = inner_low[:, None] + share * np.maximum(inner_high - inner_low, 1.0)[:, None]
    corners = stations[:, None] + offsets[..., None] * normals(stations)[:, None]
    box = _box(corners, size)
    labels = _fill(corners - np.array(box[:2]), box, lanes)
    if strand.mask is not None:
        labels = _without_mixed(np.where(_mask_in(strand, box), labels, np.int16(-1)), lanes)
    quads = (corners[:-1, :-1] + corners[:-1, 1:] + corners[1:, :-1] + corners[1:, 1:]) / 4
    middle = (share[:-1] + share[1:]) / 2
    inner = float(np.median((inner_high - inner_low) / np.maximum(high - low, 1.0)))
    return Cells(
        labels=labels,
        box=box,
        lanes=lanes,
        centres=quads.reshape(-1, 2),
        across=(2 * middle - 1) * inner,
    )


def check_filled(pixels: NDArray[np.int64], strand: Strand) -> None:
    """Refuse a strand whose bins hold too few pixels to say anything."""
    thin = int((pixels < LEAST_PIXELS).sum())
    if thin > BINS // 10:
        raise HairError(
            "hair-too-small",
            f"{thin} of {BINS} places along hair {strand.name} hold fewer than {LEAST_PIXELS} "
            f"pixels inside its edges; it is {strand.width:.0f} pixels wide.",
            where=f"hair {strand.name}",
            remedy="Go nearer or photograph at full size; by hand, draw a wider or longer strip.",
        )


def _sides(strand: Strand, stations: Floats) -> tuple[Floats, Floats]:
    """Signed offsets of the two sides from the line at each station, shape (61,) each."""
    if strand.mask is None:
        half = np.full(len(stations), strand.width / 2)
        return -half, half
    stride = max(1, int(strand.width // 48))
    pixels = pixels_of(strand.mask[::stride, ::stride]) * float(stride) + np.array(strand.box[:2])
    along, across = project(pixels, stations)
    length = float(np.linalg.norm(np.diff(stations, axis=0), axis=1).sum())
    bins = np.floor(along / length * 30).astype(int)
    inside = (bins >= 0) & (bins < 30)
    order = np.lexsort((across[inside], bins[inside]))
    bins, across = bins[inside][order], across[inside][order]
    count = np.bincount(bins, minlength=30)
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    used = np.flatnonzero(count > 4)
    if len(used) < 3:
        half = np.full(len(stations), strand.width / 2)
        return -half, half
    at = (used + 0.5) / 30
    where = np.linspace(0, 1, len(stations))
    sides = []
    for quantile in (SIDE_QUANTILE, 1 - SIDE_QUANTILE):
        side = across[start[used] + (quantile * (count[used] - 1)).astype(int)]
        sides.append(np.interp(where, at, _running_median(side)))
    spread = (sides[1] - sides[0]) * SIDE_QUANTILE / (1 - 2 * SIDE_QUANTILE)
    return sides[0] - spread, sides[1] + spread


def _running_median(values: Floats) -> Floats:
    padded = np.pad(values, 1, mode="edge")
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0))


def _box(corners: Floats, size: tuple[int, int]) -> Box:
    points = corners.reshape(-1, 2)
    x0, y0 = np.maximum(np.floor(points.min(axis=0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 1, size)
    return int(x0), int(y0), int(x1), int(y1)


def _fill(corners: Floats, box: Box, lanes: int) -> NDArray[np.int16]:
    """Cell numbers drawn as quadrilaterals; a border belongs to the cell drawn later."""
    canvas = np.full((box[3] - box[1], box[2] - box[0]), -1, np.int16)
    fixed = np.round(corners * 16).astype(np.int32)  # sixteenths of a pixel
    quads = np.stack([fixed[:-1, :-1], fixed[:-1, 1:], fixed[1:, 1:], fixed[1:, :-1]], axis=2)
    for number, quad in enumerate(quads.reshape(-1, 4, 2)):
        cv2.fillConvexPoly(canvas, quad, number, lineType=cv2.LINE_8, shift=4)
    return canvas


def _without_mixed(labels: NDArray[np.int16], lanes: int) -> NDArray[np.int16]:
    """Labels of the end bins without the pixels that lie beside a gap, where enough are left."""
    is_end = (labels >= (BINS - LOOSE_BINS) * lanes) | (
        (labels >= 0) & (labels < LOOSE_BINS * lanes)
    )
    at = np.flatnonzero(is_end)
    pure = cv2.erode((labels >= 0).astype(np.uint8), np.ones((MIXED, MIXED), np.uint8))
    bins, is_pure = labels.ravel()[at] // lanes, pure.ravel()[at] > 0
    before, after = (np.bincount(b, minlength=BINS) for b in (bins, bins[is_pure]))
    is_cleaned = after >= np.maximum(LEFT * before, 2 * LEAST_PIXELS)
    cleaned = labels.copy()
    cleaned.ravel()[at[~is_pure & is_cleaned[bins]]] = -1
    return cleaned


def _mask_in(strand: Strand, box: Box) -> NDArray[np.bool_]:
    """The strand's mask as it lies inside another box."""
    if strand.mask is None:
        raise ValueError("A strand without a mask has no mask to place.")
    placed = np.zeros((box[3] - box[1], box[2] - box[0]), dtype=bool)
    x0, y0 = max(box[0], strand.box[0]), max(box[1], strand.box[1])
    x1, y1 = min(box[2], strand.box[2]), min(box[3], strand.box[3])
    if x1 > x0 and y1 > y0:
        placed[y0 - box[1] : y1 - box[1], x0 - box[0] : x1 - box[0]] = strand.mask[
            y0 - strand.box[1] : y1 - strand.box[1], x0 - strand.box[0] : x1 - strand.box[0]
        ]
    return placed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellSums:
    """Pixels of every cell, sorted by how bright they are.

    Attributes
    ----------
    count : ndarray, shape (60, lanes, levels)
        Pixels; levels rise by `LEVEL_STEP` of log light, from the darkest that occurs.
    light : ndarray, shape (60, lanes, levels, 3)
        Sum of their linear light, white of the lamp = (1, 1, 1).
    clipped : ndarray, shape (60,)
        Pixels of the bin that were clipped and left out.
    """

    count: Floats
    light: Floats
    clipped: Floats


def cell_sums(photo: Photo, model: ColourModel, cells: Cells, *, white: Floats) -> CellSums:
    """Sums over the cells of a strand.

    Parameters
    ----------
    photo : Photo
        8-bit photos go by distinct colours, others pixel by pixel; both in float64.
    model : ColourModel
        Codes to linear light.
    cells : Cells
        Where.
    white : ndarray, shape (3,)
        Linear light of a perfect white where the light field is 1.
    """
    inside = cells.labels >= 0
    cell = cells.labels[inside]
    x0, y0, x1, y1 = cells.box
    if photo.pixels.dtype == np.uint8:
        keys = packed_pixels(photo)[y0:y1, x0:x1][inside] & np.uint32(KEY_MASK)
        colours, index = distinct(keys)
        level, amounts = _amounts(photo, model, unpack_keys(colours), white)
        level -= level.min(initial=LEVELS - 1)
        shape = (BINS, cells.lanes, int(level.max(initial=0)) + 1)
        parts = (_heaped(cell[p], index[p], level, amounts, shape) for p in _chunks(len(cell)))
    else:
        deep = photo.pixels[y0:y1, x0:x1, :3][inside]
        shape = (BINS, cells.lanes, LEVELS)
        parts = (
            _heaped(cell[p], None, *_amounts(photo, model, deep[p], white), shape)
            for p in _chunks(len(cell))
        )
    sums = sum(parts, np.zeros((*shape, 5)))
    return CellSums(count=sums[..., 3], light=sums[..., :3], clipped=sums[..., 4].sum(axis=(1, 2)))


def _chunks(count: int) -> Iterator[slice]:
    return (slice(start, start + CHUNK) for start in range(0, count, CHUNK))


def _amounts(
    photo: Photo, model: ColourModel, codes: NDArray[np.integer], white: Floats
) -> tuple[NDArray[np.int32], Floats]:
    """Level of brightness of codes (n, 3), and what one pixel of each adds to its cell, (n, 5).

    Its light, itself, and nothing else; or, clipped, only that it was.
    """
    linear = model.linear(encoded_values(photo, codes)) / white
    luminance = np.maximum(linear.mean(axis=1), 1e-9)
    level = np.clip((np.log(luminance) / LEVEL_STEP).round() + LEVELS - 4, 0, LEVELS - 1)
    is_clipped = (codes >= HIGH_CODE * photo.top_code).any(axis=-1)
    amounts = np.column_stack([linear, np.ones(len(linear)), np.zeros(len(linear))])
    amounts[is_clipped] = [0, 0, 0, 0, 1]
    return level.astype(np.int32), amounts


def _heaped(
    cell: NDArray[np.int16],
    index: NDArray[np.int32] | None,
    level: NDArray[np.int32],
    amounts: Floats,
    shape: tuple[int, int, int],
) -> Floats:
    """Amounts added up by bin, lane and level: a matrix that counts colours, times the amounts.

    `index` tells each pixel's place in `level` and `amounts`; without it they are pixel by pixel.
    """
    from scipy.sparse import coo_array

    index = np.arange(len(cell), dtype=np.int32) if index is None else index
    slot = level.take(index)
    slot += cell.astype(np.int32) * np.int32(shape[-1])
    counts = coo_array((np.ones(len(slot)), (slot, index)), shape=(np.prod(shape), len(amounts)))
    return np.asarray(counts @ amounts).reshape(*shape, 5)


def distinct(keys: NDArray[np.uint32]) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Sorted distinct 24-bit keys, and for each pixel its place among them.

    By marking a table of all colours between the smallest and the largest code of each channel,
    looked through eight at a time: no sort, and hair's table is small enough to stay in cache.
    """
    if not len(keys):
        return np.empty(0, np.int64), np.empty(0, np.int32)
    codes = np.ascontiguousarray(keys, dtype="<u4").view(np.uint8).reshape(-1, 4)
    low = [int(codes[:, k].min()) for k in range(3)]
    sides = [int(codes[:, k].max()) - low[k] + 1 for k in range(3)]
    first = low[0] + sides[0] * (low[1] + sides[1] * low[2])
    seen = np.zeros(-(-(sides[0] * sides[1] * sides[2]) // 8) * 8, dtype=bool)
    dense = np.empty(len(keys), np.uint32)
    for part in _chunks(len(keys)):
        place = codes[part, 2] * np.uint32(sides[1])
        place += codes[part, 1]
        place *= np.uint32(sides[0])
        place += codes[part, 0]
        place -= np.uint32(first)
        seen[place] = True
        dense[part] = place
    words = np.flatnonzero(seen.view(np.uint64))
    within, offset = np.nonzero(seen.reshape(-1, 8)[words])
    found = words[within] * 8 + offset
    number = np.empty(len(seen), dtype=np.int32)
    number[found] = np.arange(len(found), dtype=np.int32)
    rest, red = np.divmod(found, sides[0])
    blue, green = np.divmod(rest, sides[1])
    colours = red + low[0] + ((green + low[1]) << 8) + ((blue + low[2]) << 16)
    index = np.empty(len(keys), np.int32)
    for part in _chunks(len(keys)):
        np.take(number, dense[part], out=index[part], mode="clip")  # "raise" would copy
    return colours, index

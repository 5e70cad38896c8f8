"""Pixels of a strand as sums of linear light: each distinct colour is converted once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel
from hairtone.colorimetry import Floats
from hairtone.hair.cells import BINS, Cells
from hairtone.photo.pixels import KEY_MASK, encoded_values, packed_pixels, unpack_keys
from hairtone.photo.types import Photo

LEVEL_STEP: Final = 0.06  # of log light between levels; our choice: a third of a fibre's spread
LEVELS: Final = 112  # 6.7 in log light: from a perfect white down to 1 in 650
HIGH_CODE: Final = 0.985  # share of the top code from which on a channel is clipped
CHUNK: Final = 1 << 17  # pixels worked on at a time: they stay in cache


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

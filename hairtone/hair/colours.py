"""Pixels of a strand as sums of linear light: each distinct colour is converted once."""

from __future__ import annotations

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
CHUNK: Final = 1 << 18  # pixels converted at a time where there are no 24-bit keys


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellSums:
    """Pixels of every cell, sorted by how bright they are.

    Attributes
    ----------
    count : ndarray, shape (60, lanes, levels)
        Pixels.
    light : ndarray, shape (60, lanes, levels, 3)
        Sum of their linear light, white of the lamp = (1, 1, 1).
    level : ndarray, shape (levels,)
        Logarithm of light at the middle of each level.
    clipped : ndarray, shape (60,)
        Share of the bin's pixels that were clipped and left out.
    """

    count: Floats
    light: Floats
    level: Floats
    clipped: Floats


def cell_sums(photo: Photo, model: ColourModel, cells: Cells, *, white: Floats) -> CellSums:
    """Sums over the cells of a strand.

    Parameters
    ----------
    photo : Photo
        8-bit photos go by distinct colours, others pixel by pixel in chunks; both in float64.
    model : ColourModel
        Codes to linear light.
    cells : Cells
        Where.
    white : ndarray, shape (3,)
        Linear light of a perfect white where the light field is 1.
    """
    inside = cells.labels >= 0
    cell = cells.labels[inside].astype(np.int64)
    x0, y0, x1, y1 = cells.box
    if photo.pixels.dtype == np.uint8:
        keys = packed_pixels(photo)[y0:y1, x0:x1][inside] & np.uint32(KEY_MASK)
        colours, index = distinct(keys)
        codes = unpack_keys(colours)
        linear = model.linear(encoded_values(photo, codes)) / white
        return _summed(cell, index, linear, _is_clipped(photo, codes), cells.lanes)
    deep = photo.pixels[y0:y1, x0:x1, :3][inside]
    parts = [
        _summed(
            cell[k : k + CHUNK],
            None,
            model.linear(encoded_values(photo, deep[k : k + CHUNK])) / white,
            _is_clipped(photo, deep[k : k + CHUNK]),
            cells.lanes,
        )
        for k in range(0, max(len(cell), 1), CHUNK)
    ]
    return _added(parts)


def distinct(keys: NDArray[np.uint32]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Sorted distinct 24-bit keys, and for each pixel its place among them.

    By marking a table of all colours between the smallest and the largest code of each channel,
    looked through eight at a time: no sort, and hair's table is small enough to stay in cache.
    """
    if not len(keys):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    codes = np.ascontiguousarray(keys, dtype="<u4").view(np.uint8).reshape(-1, 4)
    low = [int(codes[:, k].min()) for k in range(3)]
    sides = [int(codes[:, k].max()) - low[k] + 1 for k in range(3)]
    first = low[0] + sides[0] * (low[1] + sides[1] * low[2])
    dense = codes[:, 2] * np.uint32(sides[1])
    dense += codes[:, 1]
    dense *= np.uint32(sides[0])
    dense += codes[:, 0]
    dense -= np.uint32(first)
    seen = np.zeros(-(-(sides[0] * sides[1] * sides[2]) // 8) * 8, dtype=bool)
    seen[dense] = True
    words = np.flatnonzero(seen.view(np.uint64))
    within, offset = np.nonzero(seen.reshape(-1, 8)[words])
    found = words[within] * 8 + offset
    place = np.empty(len(seen), dtype=np.int32)
    place[found] = np.arange(len(found), dtype=np.int32)
    rest, red = np.divmod(found, sides[0])
    blue, green = np.divmod(rest, sides[1])
    colours = red + low[0] + ((green + low[1]) << 8) + ((blue + low[2]) << 16)
    return colours, place.take(dense).astype(np.int64)


def _is_clipped(photo: Photo, codes: NDArray[np.integer]) -> NDArray[np.bool_]:
    return np.asarray((codes >= HIGH_CODE * photo.top_code).any(axis=-1))


def _summed(
    cell: NDArray[np.int64],
    index: NDArray[np.int64] | None,
    linear: Floats,
    is_clipped: NDArray[np.bool_],
    lanes: int,
) -> CellSums:
    """Sums of one set of pixels; `index` gathers from the distinct colours' `linear`."""
    luminance = np.maximum(linear.mean(axis=1), 1e-9)
    level = np.clip((np.log(luminance) / LEVEL_STEP).round() + LEVELS - 4, 0, LEVELS - 1)
    level = level.astype(np.int64)
    level[is_clipped] = -1
    slot = level if index is None else level.take(index)
    lost = slot < 0
    any_lost = bool(lost.any())
    clipped = np.bincount(cell[lost] // lanes, minlength=BINS) if any_lost else np.zeros(BINS)
    if any_lost:
        cell, slot = cell[~lost], slot[~lost]
        index = np.flatnonzero(~lost) if index is None else index[~lost]
    slot += cell * LEVELS
    size = BINS * lanes * LEVELS
    shape = (BINS, lanes, LEVELS)
    count = np.bincount(slot, minlength=size).reshape(shape).astype(np.float64)
    light = np.empty((*shape, 3))
    weights = np.empty(len(slot))
    for channel in range(3):
        values = np.ascontiguousarray(linear[:, channel])
        if index is None:
            weights = values
        else:  # into one buffer; "clip" takes without a second one, no index is out of bounds
            np.take(values, index, out=weights, mode="clip")
        light[..., channel] = np.bincount(slot, weights, minlength=size).reshape(shape)
    return CellSums(
        count=count,
        light=light,
        level=np.asarray((np.arange(LEVELS) - LEVELS + 4) * LEVEL_STEP),
        clipped=np.asarray(clipped, np.float64),
    )


def _added(parts: list[CellSums]) -> CellSums:
    return CellSums(
        count=np.sum([p.count for p in parts], axis=0),
        light=np.sum([p.light for p in parts], axis=0),
        level=parts[0].level,
        clipped=np.sum([p.clipped for p in parts], axis=0),
    )

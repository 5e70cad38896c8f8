"""The mask of a piece of hair at full size, its edge drawn where colour turns to board."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.hair.features import SINGLES, Features
from hairtone.photo.types import Photo

BAND: Final = 1.6  # reach of the edge search to either side; reduced pixels, our choice
LEAST_CONTRAST: Final = 12.0  # codes between hair and board; under it colour is no guide
FINE: Final = 3.0  # grains of the edge to a reduced pixel: hair is inset by more than one anyway
COARSE: Final = 60  # places across the short side that local colours are taken on
LOCAL: Final = 15  # least reach of the local hair and board colour; grains
LOCAL_SHARE: Final = 0.125  # the same of the short side

Box = tuple[int, int, int, int]


def full_mask(
    photo: Photo, piece: NDArray[np.bool_], loose: NDArray[np.bool_], features: Features
) -> tuple[NDArray[np.bool_], Box]:
    """Mask at full size inside a box x0, y0, x1, y1 of the photo.

    The reduced outline is enlarged; in a band along it, and all through the `loose` ends, each
    pixel goes to hair or board by which local mean colour it is nearer to. Where the two are too
    alike the enlarged outline stays.
    """
    area, box = _box(piece, features, photo.size)
    grain = max(1, round(features.step / FINE))
    size = (-(-(box[2] - box[0]) // grain), -(-(box[3] - box[1]) // grain))
    distance = _enlarged(_signed_distance(piece[area]), area, box, features, size)
    mask = distance > 0
    band = np.abs(distance) < BAND
    band |= _enlarged(loose[area].astype(np.float32), area, box, features, size) > 0.5
    ys, xs = np.nonzero(band)
    if len(ys):
        mask[ys, xs] = _nearer_to_hair(photo, box, ys, xs, distance, grain)
        kernel = np.ones((3, 3), np.uint8)
        opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel)
        mask = np.asarray(opened, dtype=bool)
    full = np.repeat(np.repeat(mask, grain, axis=0), grain, axis=1)
    return np.ascontiguousarray(full[: box[3] - box[1], : box[2] - box[0]]), box


def _box(
    piece: NDArray[np.bool_], features: Features, size: tuple[int, int]
) -> tuple[tuple[slice, slice], Box]:
    """The piece and a margin: as slices of the reduced frame and as a box of the photo."""
    rows, columns = np.flatnonzero(piece.any(axis=1)), np.flatnonzero(piece.any(axis=0))
    margin = 3
    y0, y1 = max(rows[0] - margin, 0), min(rows[-1] + 1 + margin, piece.shape[0])
    x0, x1 = max(columns[0] - margin, 0), min(columns[-1] + 1 + margin, piece.shape[1])
    step = int(features.step)
    edge = (piece.shape[1], piece.shape[0])
    box = (
        int(x0) * step,
        int(y0) * step,
        size[0] if x1 == edge[0] else int(x1) * step,
        size[1] if y1 == edge[1] else int(y1) * step,
    )
    return (slice(y0, y1), slice(x0, x1)), box


def _signed_distance(piece: NDArray[np.bool_]) -> SINGLES:
    """Distance from the outline in reduced pixels, positive inside."""
    flat = piece.astype(np.uint8)
    inside = cv2.distanceTransform(np.pad(flat, 1, mode="edge"), cv2.DIST_L2, 3)[1:-1, 1:-1]
    outside = cv2.distanceTransform(1 - flat, cv2.DIST_L2, 3)
    return np.asarray(np.where(piece, inside - 0.5, 0.5 - outside), dtype=np.float32)


def _enlarged(
    signed: SINGLES,
    area: tuple[slice, slice],
    box: Box,
    features: Features,
    size: tuple[int, int],
) -> SINGLES:
    """Reduced values laid over the box on a grid of `size`."""
    step, offset = features.step, features.offset
    grain_x, grain_y = (box[2] - box[0]) / size[0], (box[3] - box[1]) / size[1]
    x_shift = (box[0] + (grain_x - 1) / 2 - offset) / step - area[1].start
    y_shift = (box[1] + (grain_y - 1) / 2 - offset) / step - area[0].start
    matrix = np.array([[grain_x / step, 0, x_shift], [0, grain_y / step, y_shift]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    placed = cv2.warpAffine(signed, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(placed)


def _nearer_to_hair(
    photo: Photo,
    box: Box,
    ys: NDArray[np.intp],
    xs: NDArray[np.intp],
    distance: SINGLES,
    grain: int,
) -> NDArray[np.bool_]:
    """For places of the edge band: whether they are nearer the local hair than the local board."""
    stride = max(1, min(distance.shape) // COARSE)
    codes = _codes(photo, box, grain)
    coarse = np.ascontiguousarray(codes[::stride, ::stride]).astype(np.float32)
    sure = distance[::stride, ::stride]
    rows = np.minimum(ys // stride, coarse.shape[0] - 1)
    columns = np.minimum(xs // stride, coarse.shape[1] - 1)
    reach = max(2, round(max(LOCAL, LOCAL_SHARE * min(distance.shape)) / stride))
    h = _local_mean(coarse, sure > BAND, (rows, columns), reach)
    b = _local_mean(coarse, sure < -BAND, (rows, columns), reach)
    gap = h - b
    length2 = np.einsum("nc,nc->n", gap, gap)
    share = np.einsum("nc,nc->n", codes[ys, xs] - b, gap) / np.maximum(length2, 1.0)
    is_told = length2 > LEAST_CONTRAST**2
    return np.where(is_told, share > 0.5, distance[ys, xs] > 0)


def _codes(photo: Photo, box: Box, grain: int) -> NDArray[np.uint8]:
    """Every `grain`-th code of the box on an 8-bit scale."""
    x0, y0, x1, y1 = box
    codes = photo.pixels[y0:y1:grain, x0:x1:grain, :3]
    if codes.dtype == np.uint8:
        return np.asarray(codes)
    return np.asarray(np.sqrt(codes / photo.top_code) * 255, dtype=np.uint8)


def _local_mean(
    values: SINGLES,
    use: NDArray[np.bool_],
    at: tuple[NDArray[np.intp], NDArray[np.intp]],
    reach: int,
) -> SINGLES:
    """Mean of the pixels in use around the places `at`; of all in use where none are near."""
    weight = use.astype(np.float32)
    window = (2 * reach + 1, 2 * reach + 1)
    total = cv2.blur(cv2.multiply(values, cv2.merge([weight] * 3)), window)[at]
    count = cv2.blur(weight, window)[at][:, None]
    local = np.asarray(total / np.maximum(count, np.float32(1e-6)), dtype=np.float32)
    alone = count[:, 0] <= 0.01
    if alone.any():
        local[alone] = values[use].mean(axis=0) if use.any() else values.reshape(-1, 3).mean(axis=0)
    return local

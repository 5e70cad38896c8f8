"""The frame at reduced size, told against its board: how light, how coloured, how textured."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb
from hairtone.errors import HairError
from hairtone.hair.lamp import lamp_white
from hairtone.photo.pixels import packed_pixels
from hairtone.photo.types import Photo

SINGLES = NDArray[np.float32]

SAMPLED_EDGE: Final = 2000  # longest edge that texture is read at; our choice: fibres still show
REDUCED_EDGE: Final = 640  # longest edge that outlines are found at; our choice: 1 % of a tress
CHART_FRAME: Final = 0.85  # width of a chart's own frame, in patches; our choice: the widest seen
BOARD_RING: Final = 3.0  # reach of the ring that the board's colour is taken from, in patches
MID_GREY: Final = 0.18  # luminance of a board as the protocol wants it
BOARD_STRIDE: Final = 5  # of the reduced pixels that the board's median is taken over
LEAST_BOARD: Final = 50  # of those pixels that a median is taken of; our choice
LEAST_TEXTURE: Final = 0.9  # codes; a board rounded flat is not smoother than this
BAND: Final = 1 << 19  # numbers of a band of rows that are worked on together; our choice, speed
FIELD_GRID: Final = 24  # places along each edge that the light field is read at; our choice
DARK_FLOOR: Final = 0.02  # relative light added before logarithms: noise of blacks stays quiet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """What each reduced pixel is, relative to the board.

    Attributes
    ----------
    lightness : ndarray, shape (h, w), float32
        Natural logarithm of light over the board's.
    tint : ndarray, shape (h, w), float32
        Distance from the board's chromaticity, in logarithms of channel ratios.
    texture : ndarray, shape (h, w), float32
        Mean step between neighbouring pixels over the board's own; 1 = as smooth as the board.
    greyness : ndarray, shape (h, w), float32
        Distance from the lamp's own chromaticity, in logarithms of channel ratios; 0 = neutral.
    is_chart : ndarray of bool, shape (h, w)
        Chart and its frame.
    step : float
        Photo pixels to a reduced pixel.
    offset : float
        Photo coordinate of reduced pixel 0 in x and in y.
    """

    lightness: SINGLES
    tint: SINGLES
    texture: SINGLES
    greyness: SINGLES
    is_chart: NDArray[np.bool_]
    step: float
    offset: float

    def to_photo(self, points: Floats) -> Floats:
        """Photo coordinates of reduced coordinates, xy."""
        return np.asarray(points * self.step + self.offset)

    def to_reduced(self, points: Floats) -> Floats:
        """Reduced coordinates of photo coordinates, xy."""
        return np.asarray((points - self.offset) / self.step)


def frame_features(
    photo: Photo, reading: ChartReading, calibration: Calibration, light: LightField
) -> Features:
    """Features of the whole frame; one pass over every n-th pixel."""
    stride = max(1, round(max(photo.size) / SAMPLED_EDGE))
    sampled = [-(-edge // stride) for edge in photo.size]
    block = max(1, round(max(sampled) / REDUCED_EDGE))
    size = (sampled[0] // block, sampled[1] // block)
    step, offset = float(stride * block), stride * (block - 1) / 2

    sums = _block_sums(photo, stride=stride, block=block, size=size)
    tables = _log_tables(photo, calibration, pixels=block**2)
    texture = sums[3] / np.float32(block**2)
    field = _log_field(light, size, step=step, offset=offset)

    corners = (np.asarray(reading.corners) - offset) / step
    patch = reading.patch_px / step
    is_chart = _quad(size, corners, grow=CHART_FRAME * patch)
    ring = _quad(size, corners, grow=BOARD_RING * patch) & ~is_chart
    thin = np.s_[..., ::BOARD_STRIDE, ::BOARD_STRIDE]
    _check_room(is_chart[thin], photo)
    logs = _looked_up(tables, sums[thin]) - field[thin]
    board, smoothness = _board(logs, texture[thin], ring[thin], is_chart[thin])
    lightness, tint, greyness = _told_against(board, sums, tables)
    lightness -= field
    texture /= np.float32(smoothness)
    return Features(
        lightness=lightness,
        tint=tint,
        texture=texture,
        greyness=greyness,
        is_chart=is_chart,
        step=step,
        offset=offset,
    )


def _bands(rows: int, width: int) -> Iterator[slice]:
    """Rows a band at a time, each half a million numbers: they stay in cache."""
    high = max(1, BAND // width)
    return (slice(top, min(top + high, rows)) for top in range(0, rows, high))


def _block_sums(
    photo: Photo, *, stride: int, block: int, size: tuple[int, int]
) -> NDArray[np.uint16]:
    """Sums of red, green, blue and green's steps over blocks of pixels, shape (4, h, w).

    Every `stride`-th pixel is taken. Four 16-bit sums lie side by side in one 64-bit word and are
    added together: blocks of up to 16 pixels a side cannot carry over from one to the next.
    """
    width, height = size
    sums = np.empty((4, height, width), np.uint16)
    for band in _bands(height, 4 * width * block**2):
        layers = _sampled_codes(photo, stride, slice(band.start * block, band.stop * block + 1))
        layers = layers[:, : width * block]
        cv2.insertChannel(_steps(layers), layers, 3)
        rows = layers[: (band.stop - band.start) * block]
        down = np.add(rows[::block], rows[1::block] if block > 1 else 0, dtype=np.uint16)
        for row in range(2, block):
            down += rows[row::block]
        words = down.view(np.uint64)[..., 0]
        total = words[:, ::block].copy()
        for column in range(1, block):
            total += words[:, column::block]
        sums[:, band] = np.moveaxis(total.view(np.uint16).reshape(*total.shape, 4), -1, 0)
    return sums


def _sampled_codes(photo: Photo, stride: int, rows: slice) -> NDArray[np.uint8]:
    """Some rows of every `stride`-th pixel on an 8-bit tone scale; for looking, not measuring.

    A copy, shape (h, w, 4); its last channel means nothing and is free to use.
    """
    at = np.s_[rows.start * stride : rows.stop * stride : stride, ::stride]
    if photo.pixels.dtype == np.uint8 and not photo.encoding.is_linear:
        words = packed_pixels(photo)[at].copy()
        return words.view(np.uint8).reshape(*words.shape, 4)
    codes = photo.pixels[at]
    shown = photo.encoding.table
    shown = encode_srgb(shown) if photo.encoding.is_linear else shown
    table = np.round(255 * np.clip(shown, 0, 1)).astype(np.uint8)
    return np.stack([table[codes[..., c], c] for c in (0, 1, 2, 2)], axis=-1)


def _steps(sampled: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Larger step of green to the next pixel right or below, shape (h, w)."""
    green = np.asarray(cv2.extractChannel(sampled, 1), np.uint8)
    steps = np.zeros_like(green)
    cv2.absdiff(green[:, 1:], green[:, :-1], dst=steps[:, :-1])
    down = np.asarray(cv2.absdiff(green[1:], green[:-1]), np.uint8)
    np.maximum(steps[:-1], down, out=steps[:-1])
    return steps


def _log_tables(photo: Photo, calibration: Calibration, *, pixels: int) -> SINGLES:
    """Logarithm of linear light over a mid-grey's under the lamp, shape (3, 255 * pixels + 1).

    By the sum of a block's codes, a row a channel; light is read at 256 greys.
    """
    greys = np.repeat(np.arange(256)[:, None] / 255, 3, axis=1)
    if photo.encoding.is_linear:
        greys = decode_srgb(greys)
    linear = np.maximum(calibration.model.linear(greys), 0.0)
    white = lamp_white(calibration.model)
    logs = np.log(linear / (MID_GREY * white) + DARK_FLOOR).astype(np.float32)
    nearest = (np.arange(255 * pixels + 1) + pixels // 2) // pixels
    return np.ascontiguousarray(logs[nearest].T)


def _looked_up(tables: SINGLES, sums: NDArray[np.uint16]) -> SINGLES:
    """Log light of the three channels of block sums, shape (3, h, w)."""
    return np.stack([table.take(codes) for table, codes in zip(tables, sums, strict=False)])


def _told_against(
    board: SINGLES, sums: NDArray[np.uint16], tables: SINGLES
) -> tuple[SINGLES, SINGLES, SINGLES]:
    """Mean log light over the board's, and distances of its colour from the board and the lamp.

    The light field, the same in all channels, is in the first and not in the others.
    """
    told = np.empty((3, *sums.shape[1:]), np.float32)
    for band in _bands(sums.shape[1], 4 * sums.shape[2]):
        logs = _looked_up(tables, sums[:, band])
        lightness, tint, greyness = told[:, band]
        np.add(logs[0], logs[1], out=lightness)
        lightness += logs[2]
        lightness /= np.float32(3)
        warm, cool = logs[0] - logs[1], logs[2] - logs[1]
        greyness[:] = _length(warm, cool)
        warm -= board[0] - board[1]
        cool -= board[2] - board[1]
        tint[:] = _length(warm, cool)
    told[0] -= board.mean()
    return told[0], told[1], told[2]


def _length(warm: SINGLES, cool: SINGLES) -> SINGLES:
    """Length of log light less its mean over the channels, from red and blue over green."""
    square = warm * warm
    square += cool * cool
    square -= warm * cool
    square *= np.float32(2 / 3)
    return np.asarray(np.sqrt(np.maximum(square, 0, out=square), out=square))


def _log_field(light: LightField, size: tuple[int, int], *, step: float, offset: float) -> SINGLES:
    """Logarithm of the light field, read on a coarse grid and enlarged: it is smooth."""
    xs, ys = (np.linspace(0, edge - 1, FIELD_GRID) for edge in size)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    coarse = np.log(light.at(grid * step + offset)).reshape(FIELD_GRID, FIELD_GRID)
    across, down = (_between_knots(edge) for edge in size)
    return np.asarray(down @ (coarse.astype(np.float32) @ across.T))


def _between_knots(edge: int) -> SINGLES:
    """Weights that interpolate an edge of pixels from evenly spread knots, (edge, knots)."""
    at = np.linspace(0, FIELD_GRID - 1, edge, dtype=np.float32)[:, None]
    return np.asarray(np.maximum(1 - np.abs(at - np.arange(FIELD_GRID)), 0), np.float32)


def _quad(size: tuple[int, int], corners: Floats, *, grow: float) -> NDArray[np.bool_]:
    """The corners' quadrilateral, its sides moved outwards by `grow`."""
    before, after = np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0)
    outwards = _unit(corners - before) + _unit(corners - after)
    spread = corners + grow * outwards
    canvas = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillConvexPoly(canvas, np.round(spread).astype(np.int32), 1)
    return np.asarray(canvas, dtype=bool)


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _check_room(is_chart: NDArray[np.bool_], photo: Photo) -> None:
    """Refuse a frame that the chart fills."""
    if np.count_nonzero(~is_chart) < LEAST_BOARD:
        raise HairError(
            "hair-not-found",
            f"The chart takes {is_chart.mean():.0%} of the frame: there is no room for hair in it.",
            where=photo.name,
            remedy="Step back until chart and hair lie in one frame.",
        )


def _board(
    logs: SINGLES, texture: SINGLES, ring: NDArray[np.bool_], is_chart: NDArray[np.bool_]
) -> tuple[SINGLES, float]:
    """Log light and texture of the board: the commonest smooth material around the chart."""
    if ring.sum() < LEAST_BOARD:
        ring = ~is_chart
    smooth = ring & (texture <= np.quantile(texture[ring], 0.6))
    start = np.median(logs[:, smooth], axis=1)[:, None, None]
    near = ~is_chart & (np.abs(logs - start).max(axis=0) < 0.25)
    if near.sum() < LEAST_BOARD:
        near = smooth
    board = np.median(logs[:, near], axis=1)
    return np.asarray(board, dtype=np.float32), max(float(np.median(texture[near])), LEAST_TEXTURE)

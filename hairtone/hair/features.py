"""The frame at reduced size, told against its board: how light, how coloured, how textured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb
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
LEAST_TEXTURE: Final = 0.9  # codes; a board rounded flat is not smoother than this
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
    sampled = sampled_codes(photo, stride)
    block = max(1, round(max(sampled.shape[:2]) / REDUCED_EDGE))
    height, width = (edge // block * block for edge in sampled.shape[:2])
    sampled = sampled[:height, :width]
    size = (width // block, height // block)
    step, offset = float(stride * block), stride * (block - 1) / 2

    sampled[..., 3] = _steps(sampled)
    sums = _block_sums(sampled, block)
    texture = sums[3] / np.float32(block**2)
    logs = _log_light((sums[:3] + block**2 // 2) // block**2, photo, calibration)
    logs -= _log_field(light, size, step=step, offset=offset)

    corners = (np.asarray(reading.corners) - offset) / step
    patch = reading.patch_px / step
    is_chart = _quad(size, corners, grow=CHART_FRAME * patch)
    ring = _quad(size, corners, grow=BOARD_RING * patch) & ~is_chart
    board, smoothness = _board(logs, texture, ring, is_chart)
    logs_over_board = logs - board[:, None, None]
    lightness = np.asarray(logs_over_board.mean(axis=0))
    tint = _off_grey(logs_over_board)
    return Features(
        lightness=lightness,
        tint=tint,
        texture=texture / smoothness,
        greyness=_off_grey(logs),
        is_chart=is_chart,
        step=step,
        offset=offset,
    )


def sampled_codes(photo: Photo, stride: int) -> NDArray[np.uint8]:
    """Every `stride`-th pixel on an 8-bit tone scale; for looking, not measuring.

    A copy, shape (h, w, 4); its last channel means nothing and is free to use.
    """
    codes = photo.pixels[::stride, ::stride, :3]
    if codes.dtype == np.uint8 and not photo.encoding.is_linear:
        words = packed_pixels(photo)[::stride, ::stride].copy()
        return words.view(np.uint8).reshape(*words.shape, 4)
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


def _block_sums(layers: NDArray[np.uint8], block: int) -> NDArray[np.uint16]:
    """Sums over blocks of four layers (h, w, 4) at once, shape (4, h / block, w / block).

    Four 16-bit sums lie side by side in one 64-bit word and are added together: blocks of up to
    16 pixels a side cannot carry over from one to the next.
    """
    down = np.add(layers[::block], layers[1::block] if block > 1 else 0, dtype=np.uint16)
    for row in range(2, block):
        down += layers[row::block]
    words = down.view(np.uint64)[..., 0]
    sums = words[:, ::block].copy()
    for column in range(1, block):
        sums += words[:, column::block]
    return np.ascontiguousarray(np.moveaxis(sums.view(np.uint16).reshape(*sums.shape, 4), -1, 0))


def _log_light(codes: NDArray[np.uint16], photo: Photo, calibration: Calibration) -> SINGLES:
    """Logarithm of linear light over a mid-grey's under the lamp, by channel, shape (3, h, w).

    Through a table of 256 greys.
    """
    greys = np.repeat(np.arange(256)[:, None] / 255, 3, axis=1)
    if photo.encoding.is_linear:
        greys = decode_srgb(greys)
    linear = np.maximum(calibration.model.linear(greys), 0.0)
    white = lamp_white(calibration.model)
    table = np.log(linear / (MID_GREY * white) + DARK_FLOOR).astype(np.float32)
    return np.stack([table[:, c].take(codes[c]) for c in range(3)])


def _off_grey(logs: SINGLES) -> SINGLES:
    """Length of what is left of log ratios when their mean over the channels is taken off."""
    away = logs - logs.mean(axis=0)
    return np.asarray(np.sqrt(np.einsum("chw,chw->hw", away, away)), dtype=np.float32)


def _log_field(light: LightField, size: tuple[int, int], *, step: float, offset: float) -> SINGLES:
    """Logarithm of the light field, read on a coarse grid and enlarged: it is smooth."""
    width, height = size
    xs, ys = np.linspace(0, width - 1, 24), np.linspace(0, height - 1, 24)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    coarse = np.log(light.at(grid * step + offset)).reshape(24, 24).astype(np.float32)
    map_x = np.linspace(0, 23, width, dtype=np.float32)[None].repeat(height, axis=0)
    map_y = np.linspace(0, 23, height, dtype=np.float32)[:, None].repeat(width, axis=1)
    return np.asarray(cv2.remap(coarse, map_x, map_y, cv2.INTER_LINEAR))


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


def _board(
    logs: SINGLES, texture: SINGLES, ring: NDArray[np.bool_], is_chart: NDArray[np.bool_]
) -> tuple[SINGLES, float]:
    """Log light and texture of the board: the commonest smooth material around the chart."""
    thin = np.s_[..., ::BOARD_STRIDE, ::BOARD_STRIDE]
    logs, texture, ring, is_chart = logs[thin], texture[thin], ring[thin], is_chart[thin]
    if ring.sum() < 50:
        ring = ~is_chart
    smooth = ring & (texture <= np.quantile(texture[ring], 0.6))
    start = np.median(logs[:, smooth], axis=1)[:, None, None]
    near = ~is_chart & (np.abs(logs - start).max(axis=0) < 0.25)
    if near.sum() < 50:
        near = smooth
    board = np.median(logs[:, near], axis=1)
    return np.asarray(board, dtype=np.float32), max(float(np.median(texture[near])), LEAST_TEXTURE)

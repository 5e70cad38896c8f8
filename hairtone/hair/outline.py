"""Which pixels of a frame are hair.

The frame is set against its board at reduced size, what stands out is joined to pieces, and each
piece gets its mask at full size.
"""

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
from hairtone.hair.shine import lamp_white
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
BAND_NUMBERS: Final = (
    1 << 19
)  # numbers of a band of rows that are worked on together; our choice, speed
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
    high = max(1, BAND_NUMBERS // width)
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


Mask = NDArray[np.bool_]

# All our choice, in natural logarithms of light relative to the board; drawn and real photos.
TINTED: Final = 0.12  # chromaticity this far off is not the board: shadows and bounce reach 0.08
LIGHTER: Final = 0.25  # white hair on a mid-grey board is 0.7 to 1.2 above it
DARKER: Final = 0.9  # with fibres to be seen
DARKER_SMOOTH: Final = 1.7  # without: a contact shadow falls to 0.2 of the light, 1.6
SHADE: Final = -1.0  # a shadow that a tress casts goes no deeper beyond its ends
FIBRED: Final = 3.0  # times the board's own texture
SMOOTH: Final = 1.8  # up to this a thing has no fibres: clamp, label, shadow
NEUTRAL: Final = 0.10  # off the lamp's colour: clamps and labels are black, white or metal
NEUTRAL_DARK: Final = 0.2  # the same beyond the ends, where black things tinted by veiling light
# may hold the hair; not used to take hair away: dark hair is as grey
LIVELY: Final = 1.35  # times the board's texture that a whole piece shows at least, or has a tint
UNLIKE: Final = 0.75  # score from which on a pixel is hair; soft shadows reach 0.7
NOISY: Final = 5.0  # SDs of the board's own score that hair is clear of: one pixel in a frame
THIN: Final = 3  # of the reduced pixels, read for the board's noise
ROBUST_SD: Final = 1.4826  # median absolute deviation -> SD of a normal law; closed form
LEAST_LEFT: Final = 0.6  # of a piece that must be left when bars and clamps are taken out of it
BAY: Final = 40  # reduced pixels around a piece that closing its bays may fill
SOUND: Final = 0.93  # of a piece's filled outline that must be there
LEAST_SHARE: Final = 0.002  # of the frame; smaller is no tress
LEAST_OF_LARGEST: Final = 0.12  # smaller than this share of the largest piece is a stray lock
LEAST_ELONGATION: Final = 1.15  # length over width
SLENDER: Final = 2.5  # length over width from which a piece without fibres may be hair at all
BAR_LENGTH: Final = 0.15  # of the frame's longer side: shorter plain grey pieces are clamps
FELLOW_LIGHT: Final = 0.35  # of log light: a smooth piece beside hair of its kind is hair too
FELLOW_TINT: Final = 0.08  # of chromaticity
FELLOW_BREADTH: Final = (0.6, 1.7)  # of the other's
FELLOW_AREA: Final = (0.4, 2.5)  # of the other's
BORDER_SHARE: Final = 0.25  # of a side of the frame: what lies along it is not on the board


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """One connected piece of hair at reduced size, and whether its line's ends are held."""

    mask: Mask
    solid: Mask
    is_held: tuple[bool, bool] = (False, False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Pieces of hair, largest first, and what looks like hair but was not taken for it."""

    hair: list[Piece]
    left_out: list[Mask]


def find_pieces(features: Features) -> Pieces:
    """Pieces of hair on the board, largest first; empty where there are none."""
    texture = np.asarray(cv2.blur(features.texture, (5, 5)), dtype=np.float32)
    score = hair_score(features)
    mask = _opened(score >= unlike_board(features, score), 3) & ~features.is_chart
    mask = _closed(mask, 5)
    solid = _solid(features, texture, NEUTRAL)
    pieces = [part for piece in _components(mask) for part in _without_bars(piece, solid)]
    pieces = [m for m in pieces if _may_be_hair(m, texture, features)]
    textured = [m for m in pieces if np.median(texture[m]) > LIVELY or _is_tinted(features, m)]
    smooth = [m for m in pieces if not any(m is one for one in textured)]
    smooth = [m for m in smooth if _elongation(m) > SLENDER]
    if textured:
        kept, smooth = _with_fellows(textured, smooth, features)
    else:  # retouched or very dark hair shows no fibres: take the smooth pieces then
        opened = [m for m in _components(_opened(mask, 5)) if _elongation(m) > SLENDER]
        kept, smooth = [m for m in opened if _may_be_hair(m, texture, features)], []
    if not kept:
        return Pieces(hair=[], left_out=[])
    kept = _joined(kept)
    least = LEAST_OF_LARGEST * max(np.count_nonzero(m) for m in kept)
    kept = [m for m in kept if np.count_nonzero(m) >= least and _elongation(m) >= LEAST_ELONGATION]
    holding = (solid | _solid(features, texture, NEUTRAL_DARK)) & ~_is_shade(features)
    return Pieces(
        hair=[
            Piece(mask=m, solid=holding) for m in sorted(kept, key=lambda m: -np.count_nonzero(m))
        ],
        left_out=[m for m in smooth if m.sum() >= least and not (m & solid).sum() > m.sum() / 2],
    )


def _may_be_hair(mask: Mask, texture: SINGLES, features: Features) -> bool:
    """Whether a piece is neither the chart's surroundings, nor the frame's, nor a clamp alone."""
    return (
        _stands_on_board(mask, features)
        and not _hugs_chart(mask, features)
        and not _is_clamp_alone(mask, texture, features)
    )


def _is_clamp_alone(mask: Mask, texture: SINGLES, features: Features) -> bool:
    """Whether a piece is a short plain bar: the clamp of hair that the board hides."""
    plain = np.median(texture[mask]) < SMOOTH and np.median(features.greyness[mask]) < NEUTRAL
    return bool(plain and axis_of(mask)[2] < BAR_LENGTH * max(mask.shape))


def _with_fellows(
    hair: list[Mask], smooth: list[Mask], features: Features
) -> tuple[list[Mask], list[Mask]]:
    """Hair with the smooth pieces that are like some of it, and the smooth pieces left."""
    kept, todo = list(hair), list(smooth)
    for one in kept:  # grows while it is gone through: a fellow may have fellows
        alike = [is_fellow(mask, one, features) for mask in todo]
        kept += [mask for mask, is_alike in zip(todo, alike, strict=True) if is_alike]
        todo = [mask for mask, is_alike in zip(todo, alike, strict=True) if not is_alike]
    return kept, todo


def is_fellow(mask: Mask, hair: Mask, features: Features) -> bool:
    """Whether a smooth piece is as light, as coloured, as broad and as large as a piece of hair."""

    def apart(values: SINGLES) -> float:
        return abs(float(np.median(values[mask])) - float(np.median(values[hair])))

    breadth = axis_of(mask)[3] / max(axis_of(hair)[3], 1e-9)
    area = float(np.count_nonzero(mask) / np.count_nonzero(hair))
    return (
        apart(features.lightness) < FELLOW_LIGHT
        and apart(features.tint) < FELLOW_TINT
        and FELLOW_BREADTH[0] < breadth < FELLOW_BREADTH[1]
        and FELLOW_AREA[0] < area < FELLOW_AREA[1]
    )


def _without_bars(piece: Mask, solid: Mask) -> list[Mask]:
    """The tresses of a piece without the bar that holds them.

    Where taking plain things out leaves rags, the plain things were hair: black or white hair can
    be as plain as a clamp. Then the piece stays whole, and its ends are looked at later.
    """
    if not (piece & solid).any():
        return [piece]
    near = _around(piece, margin=5)
    parts = _components(_opened(piece[near] & ~_grown(solid[near], 5), 5), least=_least(piece))
    whole = sum(map(np.count_nonzero, parts)) > LEAST_LEFT * np.count_nonzero(piece)
    if not (whole and all(_is_sound(part) for part in parts)):
        return [piece]
    placed = [np.zeros_like(piece) for _ in parts]
    for canvas, part in zip(placed, parts, strict=True):
        canvas[near] = part
    return placed


def _around(mask: Mask, *, margin: int) -> tuple[slice, slice]:
    """The box of a mask and a margin."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return np.s_[
        max(rows[0] - margin, 0) : rows[-1] + 1 + margin,
        max(columns[0] - margin, 0) : columns[-1] + 1 + margin,
    ]


def _is_sound(part: Mask) -> bool:
    """Whether a piece has neither holes nor bays."""
    near = np.pad(part[_around(part, margin=0)], BAY)
    inner = cv2.distanceTransform(near.astype(np.uint8), cv2.DIST_L2, 3)
    reach = 0.6 * float(inner.max())
    thin = max(1, int(reach / 8))  # a circle eight pixels wide is round enough
    near = near[::thin, ::thin]
    return bool(near.sum() > SOUND * _closed(near, 2 * int(reach / thin) + 1).sum())


def hair_score(features: Features) -> SINGLES:
    """How unlike board and shadow each reduced pixel is; 0 is board."""
    texture = cv2.blur(features.texture, (3, 3))
    darker = np.where(texture > SMOOTH, np.float32(DARKER), np.float32(DARKER_SMOOTH))
    scale = np.where(features.lightness > 0, np.float32(LIGHTER), darker)
    tint = cv2.blur(features.tint, (3, 3)) / np.float32(TINTED)
    # an edge is one line of steps, however high: fibres are steps all over
    capped = np.minimum(features.texture, np.float32(FIBRED + 1))
    fibres = np.maximum(cv2.blur(capped, (5, 5)) - np.float32(1), 0)
    fibres /= np.float32(FIBRED - 1)
    light = features.lightness / scale
    return np.asarray(np.sqrt(tint * tint + fibres * fibres + light * light), dtype=np.float32)


def unlike_board(features: Features, score: SINGLES) -> float:
    """Score from which on a pixel is hair: what this photo's noise makes of its own board.

    In a noisy photo the board scores up to 1.5; there only what stands clear of it is hair.
    """
    thin = np.s_[::THIN, ::THIN]
    lightness, is_chart = features.lightness[thin], features.is_chart[thin]
    board = score[thin][~is_chart & (np.abs(lightness) < LIGHTER)]
    if not board.size:
        return UNLIKE
    middle = float(np.median(board))
    spread = ROBUST_SD * float(np.median(np.abs(board - middle)))
    return max(UNLIKE, middle + NOISY * spread)


def _solid(features: Features, texture: SINGLES, grey: float) -> Mask:
    """Black, white or metal without fibres: clamps, labels, clips."""
    plain = (features.texture < SMOOTH) & (features.greyness < grey)
    plain &= np.abs(features.lightness) > LIGHTER
    return _opened(_closed(plain, 3), 5) & (texture < 2 * SMOOTH)


def _is_shade(features: Features) -> Mask:
    """As light as board in shadow may be."""
    return np.asarray((features.lightness > SHADE) & (features.lightness < LIGHTER))


def _is_tinted(features: Features, mask: Mask) -> bool:
    return float(np.median(features.tint[mask])) > 1.5 * TINTED


def _components(mask: Mask, *, least: float | None = None) -> list[Mask]:
    """Connected pieces of at least some pixels; by default a tress's least share of the frame."""
    flat = mask.astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=8)
    areas = stats[1:count, cv2.CC_STAT_AREA]
    least = _least(mask) if least is None else least
    return [labels == k + 1 for k in np.flatnonzero(areas >= least)]


def _least(frame: Mask) -> float:
    """Fewest pixels of a tress in a frame."""
    return LEAST_SHARE * frame.size


def _stands_on_board(mask: Mask, features: Features) -> bool:
    """Whether a piece is clear of the frame's sides, but for a tress that is cut off by one."""
    height, width = mask.shape
    sides = (mask[0], mask[-1], mask[:, 0], mask[:, -1])
    touching = [s.sum() / (width if k < 2 else height) for k, s in enumerate(sides)]
    return max(touching) < BORDER_SHARE and sum(t > 0 for t in touching) <= 2


def _hugs_chart(mask: Mask, features: Features) -> bool:
    """Whether most of a piece lies within a hand's breadth of the chart: rest of its frame."""
    if not features.is_chart.any():
        return False
    reach = 0.06 * np.sqrt(np.count_nonzero(features.is_chart))
    near = _around(features.is_chart, margin=int(reach) + 1)
    part, half = mask[near], 0.5 * np.count_nonzero(mask)
    if np.count_nonzero(part) <= half:
        return False
    away = cv2.distanceTransform((~features.is_chart[near]).astype(np.uint8), cv2.DIST_L2, 3)
    return bool(part[away <= reach].sum() > half)


def _elongation(mask: Mask) -> float:
    """Length over width of a piece: area over the square of its median breadth."""
    distance = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    inner = distance[distance > 0.6 * distance.max()]
    breadth = 2 * float(np.median(inner)) if inner.size else 1.0
    return np.count_nonzero(mask) / breadth**2


def _joined(masks: list[Mask]) -> list[Mask]:
    """Pieces that a band of shine or a tie has cut in two, put together again."""
    todo, done = list(masks), []
    while todo:
        one = todo.pop(0)
        partner = next((k for k, other in enumerate(todo) if _continues(one, other)), None)
        if partner is None:
            done.append(one)
        else:
            todo.append(one | todo.pop(partner))
    return done


def _continues(one: Mask, other: Mask) -> bool:
    """Whether two pieces lie in one line, end to end, with a gap shorter than their width."""
    (c1, u1, l1, w1), (c2, u2, l2, w2) = axis_of(one), axis_of(other)
    link = c2 - c1
    distance = float(np.linalg.norm(link))
    link = link / max(distance, 1e-9)
    longer = u1 if l1 >= l2 else u2
    gap = distance - (l1 + l2) / 2
    aside = distance * abs(float(longer[0] * link[1] - longer[1] * link[0]))
    alike = 0.6 < w1 / w2 < 1.7
    return alike and aside < 0.5 * max(w1, w2) and -0.5 * max(w1, w2) < gap < 1.0 * max(w1, w2)


def axis_of(mask: Mask) -> tuple[Floats, Floats, float, float]:
    """Centre, direction, length and width of a piece, by its second moments."""
    m = cv2.moments(mask.astype(np.uint8), binaryImage=True)
    centre = np.array([m["m10"], m["m01"]]) / m["m00"]
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / m["m00"]
    values, vectors = np.linalg.eigh(spread)
    length, width = np.sqrt(12 * np.maximum(values[::-1], 1e-9))
    return centre, vectors[:, 1], float(length), float(width)


def _opened(mask: Mask, size: int) -> Mask:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel), dtype=bool)


def _closed(mask: Mask, size: int) -> Mask:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, kernel), dtype=bool)


def _grown(mask: Mask, size: int) -> Mask:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel), dtype=bool)


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

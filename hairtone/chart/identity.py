"""Which way round a grid of squares is the 24-patch chart, decided by its colours alone.

The search looks at a small 8-bit preview; what is measured comes from the photo itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.chart.lattice import Lattice, map_points
from hairtone.chart.types import PATCHES, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, decode_srgb, encode_srgb
from hairtone.photo.types import Photo

BRIGHT_SHARE = 0.9998  # of the pixels are darker than what a lifted preview shows as white
DARK = 150  # code under which the brightest pixels of an encoded photo call for lifting
MIDDLE_PART = 0.18  # of a cell to either side of its middle
SIDES = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])  # between neighbours [cells]
ROWS, COLUMNS = 4, 6
NEAR = 0.13  # encoded: a patch agrees with the reference after the plain fit. Our choice
PROVEN = 14  # patches in agreement that make a chart; a grid of random colours reaches 8 or so
SHORTLIST = 24  # windows looked at closely
_SRGB_FROM_XYZ = np.array(  # IEC 61966-2-1:1999
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Preview:
    """A photo at reduced size.

    Attributes
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        RGB, encoded.
    to_photo : ndarray, shape (3, 3)
        Preview positions -> photo positions; centres of pixels are whole numbers.
    """

    picture: NDArray[np.uint8]
    to_photo: NDArray[np.float64]


def make_preview(photo: Photo, *, edge: int) -> Preview:
    """The photo with its longer side about `edge` pixels, never enlarged.

    Every so many-th row and column, averaged two by two or three by three: fast, and good enough
    to search in.
    """
    stored = stored_pixels(photo)
    times = round(max(photo.size) / edge)
    times += times % 2 if times > 3 else 0
    if times > 1:
        mean = 3 if times == 3 else 2
        step = times // mean
        wide, high = (mean * (-(-side // step) // mean) for side in photo.size)
        thin = _thinned(stored, step)[:high, :wide]
        size = (wide // mean, high // mean)
        small = np.asarray(cv2.resize(thin, size, interpolation=cv2.INTER_AREA), stored.dtype)
        origin = step * (mean - 1) / 2
    else:
        small, times, origin = stored, 1, 0.0
    return Preview(
        picture=_to_8_bit(small, photo),
        to_photo=np.array([[times, 0, origin], [0, times, origin], [0, 0, 1.0]]),
    )


def stored_pixels(photo: Photo) -> NDArray[np.uint8 | np.uint16]:
    """The buffer behind a three-channel view of four channels: OpenCV would copy the view."""
    pixels = photo.pixels
    base = pixels.base
    if (
        isinstance(base, np.ndarray)
        and base.shape == (*pixels.shape[:2], 4)
        and base.dtype == pixels.dtype
        and base.strides == (*pixels.strides[:2], pixels.itemsize)
        and base.ctypes.data == pixels.ctypes.data
    ):
        return base
    return pixels


def _thinned(stored: NDArray[np.uint8 | np.uint16], step: int) -> NDArray[np.uint8 | np.uint16]:
    """Every `step`-th row and column; whole words of the decoder's buffer copy faster."""
    thin = stored[::step, ::step]
    if stored.dtype != np.uint8 or stored.shape[-1] != 4 or not stored.flags.c_contiguous:
        return thin
    words = np.ascontiguousarray(stored.view(np.uint32)[::step, ::step, 0])
    return words.view(np.uint8).reshape(thin.shape)


def _to_8_bit(small: NDArray[np.uint8 | np.uint16], photo: Photo) -> NDArray[np.uint8]:
    """Encoded 8-bit codes, lifted where the whole photo is dark."""
    if photo.encoding.is_linear:
        light = np.stack([photo.encoding.table[small[..., c], c] for c in range(3)], axis=-1)
        bright = max(float(np.quantile(light[::2, ::2], BRIGHT_SHARE)), 1e-4)
        lifted = encode_srgb(np.clip(light / min(bright, 1.0), 0, 1))
        return (255 * lifted + 0.5).astype(np.uint8)
    codes = np.asarray(small >> 8 if small.dtype == np.uint16 else small, np.uint8)
    if codes.shape[-1] == 4:
        codes = np.asarray(cv2.cvtColor(codes, cv2.COLOR_RGBA2RGB), np.uint8)
    levels = cv2.calcHist([codes], [1], None, [256], [0, 256]).cumsum()
    bright = int(np.searchsorted(levels, BRIGHT_SHARE * levels[-1]))
    if bright >= DARK:
        return codes
    lift = np.clip(np.arange(256) * 255.0 / max(bright, 8), 0, 255).astype(np.uint8)
    return lift[codes]


def colours_at(
    lattice: Lattice, preview: Preview, spots: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Mean encoded colour (n, 3) around the middle of each place; whether that is in the frame."""
    reach = np.linspace(-MIDDLE_PART, MIDDLE_PART, 4)
    around = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(1, -1, 2)
    values, inside = _sample(lattice, preview, spots[:, None] + around)
    seen: NDArray[np.bool_] = np.asarray(inside.all(axis=1))
    return values.mean(axis=1), seen


def unveiled_at(lattice: Lattice, preview: Preview, spots: NDArray[np.int64]) -> Floats:
    """The same less the light of the darkest gap around each place.

    Glare lies over the chart's black frame as over its patches: what the frame seems to give off
    is glare.
    """
    colours, _ = colours_at(lattice, preview, spots)
    gaps, _ = _sample(lattice, preview, spots[:, None] + SIDES)
    darkest = np.take_along_axis(gaps, gaps.sum(axis=-1).argmin(axis=1)[:, None, None], axis=1)
    left = np.clip(decode_srgb(colours) - decode_srgb(darkest[:, 0]), 0, 1)
    return encode_srgb(left / max(float(np.quantile(left, 0.98)), 1e-6))


def _sample(lattice: Lattice, preview: Preview, places: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Encoded values (n, k, 3) at places (n, k, 2) in columns and rows; which are in the frame."""
    points = map_points(lattice.to_picture, places.reshape(-1, 2).astype(np.float64))
    height, width = preview.picture.shape[:2]
    inside = np.isfinite(points).all(axis=1) & (points > -0.5).all(axis=1)
    inside &= (points < np.array([width - 0.5, height - 0.5])).all(axis=1)
    pixels = np.zeros_like(points, dtype=np.int64)
    pixels[inside] = np.round(points[inside]).astype(np.int64)
    values = preview.picture[pixels[:, 1], pixels[:, 0]] / 255.0
    seen: NDArray[np.bool_] = np.asarray(inside.reshape(places.shape[:2]))
    return values.reshape(*places.shape[:2], 3), seen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """A 4×6 part of a grid, read as the chart.

    Attributes
    ----------
    to_picture : ndarray, shape (3, 3)
        Chart column (0..5) and row (0..3) -> xy of the preview.
    agreeing : int
        Patches that agree with the reference after a plain fit.
    residual : float
        RMS distance of the agreeing ones, encoded.
    seen : int
        Patches of which the middle lies inside the frame.
    squares : int
        Patches that were found as a square of their own.
    is_mirrored : bool
        Columns and rows run the other way round than on the chart.
    """

    to_picture: Floats
    agreeing: int
    residual: float
    seen: int
    squares: int
    is_mirrored: bool


def best_window(
    lattice: Lattice, preview: Preview, *, reference: ChartReference, is_veiled: bool = False
) -> Window | None:
    """The part of a grid, and its turn, that shows the reference's colours best.

    Parameters
    ----------
    lattice : Lattice
        Squares in rows and columns.
    preview : Preview
        The picture they were found in.
    reference : ChartReference
        What the chart's colours are.
    is_veiled : bool, optional
        Take off what the gaps between the squares give off, as glare does.
    """
    top = lattice.places.max(axis=0)
    margin = np.array([COLUMNS - 2, COLUMNS - 2])
    size = top + 1 + 2 * margin
    columns, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    spots = np.stack([columns, rows], axis=-1) - margin
    colours, inside = colours_at(lattice, preview, spots.reshape(-1, 2))
    if is_veiled:
        colours = unveiled_at(lattice, preview, spots.reshape(-1, 2))
    filled = np.zeros((size[1], size[0]), dtype=np.int64)
    filled[lattice.places[:, 1] + margin[1], lattice.places[:, 0] + margin[0]] = 1

    readings = _readings(filled, need=min(max(7, int(0.6 * len(lattice.members))), 14))
    if not len(readings):
        return None
    known = np.clip(_known_colours(reference), 0, 1)
    measured, seen = colours[readings], inside[readings].astype(np.float64)
    loss = _plain_loss(measured, seen, known)
    short = np.argsort(loss, kind="stable")[:SHORTLIST]
    agreeing, residual = _consensus(measured[short], seen[short], known)
    best = int(np.lexsort((residual, -agreeing))[0])
    chosen = readings[short[best]]
    matrix = lattice.to_picture @ _chart_to_lattice(spots.reshape(-1, 2)[chosen])
    return Window(
        to_picture=matrix,
        agreeing=int(agreeing[best]),
        residual=float(residual[best]),
        seen=int(seen[short[best]].sum()),
        squares=int(filled.reshape(-1)[chosen].sum()),
        is_mirrored=is_mirrored(matrix),
    )


def _chart_to_lattice(spots: NDArray[np.int64]) -> Floats:
    """Chart column and row -> column and row of the grid, from the places of the 24 patches."""
    places = spots.reshape(ROWS, COLUMNS, 2).astype(np.float64)
    first, across, down = places[0, 0], places[0, 1] - places[0, 0], places[1, 0] - places[0, 0]
    return np.vstack([np.column_stack([across, down, first]), [0.0, 0.0, 1.0]])


def is_mirrored(to_picture: Floats) -> bool:
    """Whether the chart's rows run anticlockwise from its columns: seen in a mirror."""
    a, b, c = map_points(to_picture, np.array([[2.0, 1.5], [3.0, 1.5], [2.0, 2.5]]))
    across, down = b - a, c - a
    return bool(across[0] * down[1] - across[1] * down[0] < 0)


def rate_readings(measured: Floats, reference: ChartReference) -> tuple[NDArray[np.int64], Floats]:
    """Agreeing patches, and their RMS distance, of stacked readings (n, 24, 3), encoded 0..1."""
    seen = np.ones(measured.shape[:2])
    return _consensus(measured, seen, np.clip(_known_colours(reference), 0, 1))


def _known_colours(reference: ChartReference) -> Floats:
    """The patches as an ideal camera in daylight would encode them, shape (24, 3)."""
    return encode_srgb(np.clip(reference.xyz(VIEWINGS["D65/2"]) @ _SRGB_FROM_XYZ.T, 0, 1))


def _readings(filled: NDArray[np.int64], *, need: int) -> NDArray[np.int64]:
    """Flat indices (n, 24) of every 4×6 window in every turn and mirror image."""
    index = np.arange(filled.size).reshape(filled.shape)
    found = []
    for tall in (False, True):
        shape = (COLUMNS, ROWS) if tall else (ROWS, COLUMNS)
        if filled.shape[0] < shape[0] or filled.shape[1] < shape[1]:
            continue
        counts = np.lib.stride_tricks.sliding_window_view(filled, shape).sum(axis=(2, 3))
        windows = np.lib.stride_tricks.sliding_window_view(index, shape)
        chosen = windows[counts >= min(need, int(counts.max()))]
        if tall:
            chosen = chosen.swapaxes(1, 2)
        flips = (chosen, chosen[:, ::-1], chosen[:, :, ::-1], chosen[:, ::-1, ::-1])
        found += [flip.reshape(-1, PATCHES) for flip in flips]
    return np.concatenate(found) if found else np.zeros((0, PATCHES), dtype=np.int64)


def _fit(measured: Floats, weight: Floats, known: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Weighted affine fit measured -> known for a stack of readings.

    Returns what is left, (n, 24, 3), and whether more light gives lighter colours, (n,).
    """
    terms = np.concatenate([measured, np.ones((*measured.shape[:-1], 1))], axis=-1)
    weighted = terms * weight[..., None]
    normal = weighted.swapaxes(1, 2) @ terms + 1e-4 * np.eye(4)
    answer = np.linalg.solve(normal, weighted.swapaxes(1, 2) @ known)
    return terms @ answer - known, (answer[:, :3].sum(axis=1) > 0).all(axis=1)


def _plain_loss(measured: Floats, seen: Floats, known: Floats) -> Floats:
    left = (_fit(measured, seen, known)[0] ** 2).sum(axis=-1)
    return np.asarray((np.minimum(left, 0.16) * seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def _consensus(measured: Floats, seen: Floats, known: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Most patches that agree, from starts that leave a covered part of the chart out."""
    best = np.zeros(len(measured), dtype=np.int64)
    residual = np.full(len(measured), np.inf)
    for part in covered_parts():
        weight = seen * ~part
        for _ in range(5):
            left, is_positive = _fit(measured, weight, known)
            distance = np.linalg.norm(left, axis=-1)
            weight = seen * (distance < NEAR)
        agreeing = (weight.sum(axis=1) * is_positive).astype(np.int64)
        rms = np.sqrt((distance**2 * weight).sum(axis=1) / np.maximum(agreeing, 1))
        better = (agreeing > best) | ((agreeing == best) & (rms < residual))
        best, residual = np.where(better, agreeing, best), np.where(better, rms, residual)
        if best.max() == seen.shape[1]:
            break  # a whole chart: nothing covers it
    return best, residual


def covered_parts() -> NDArray[np.bool_]:
    """Parts of a chart that a hand or a strand may hide, shape (n, 24); the first is none."""
    row, column = np.divmod(np.arange(PATCHES), COLUMNS)
    return np.array(
        [
            row < 0,
            column < 2,
            column > 3,
            (column > 1) & (column < 4),
            row < 1,
            row > 2,
            (row < 2) & (column < 3),
            (row < 2) & (column > 2),
            (row > 1) & (column < 3),
            (row > 1) & (column > 2),
        ]
    )

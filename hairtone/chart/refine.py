"""The exact place of the 24 patches, from their own edges in the photo at full size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.chart.borders import fit_borders, sum_borders
from hairtone.chart.identity import COLUMNS, ROWS
from hairtone.chart.lattice import map_points
from hairtone.chart.preview import stored_pixels
from hairtone.chart.types import PATCHES
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb
from hairtone.photo.types import Photo

LEAST, MOST = 12, 48  # pixels a cell is given when the chart is laid flat; our choice
ROUNDS = 3  # of laying flat and moving, at most
SETTLED = 0.03  # of a cell; a smaller move needs no other look
NEAREST, FARTHEST = 0.33, 0.62  # of a cell from its middle: where the patch may end
FAINTEST = 0.05  # encoded step that still counts as an edge; our choice
STANDARD_HALF = 0.475  # half a patch over the pitch where the edges do not tell; 40 of 42 mm
FEWEST_EDGES = 10  # patches with both edges seen, each way, before the grid is moved
SHARP = 0.8  # of the gap between patches: edges that rise over less need no help. Our choice
LARGEST_CORRECTION = 0.2  # of a cell by the borders; more, and something lies over the chart
LARGEST_MOVE = 0.35  # of a cell; farther, the edges of the neighbours were taken
CENTRES = np.stack(np.meshgrid(np.arange(COLUMNS), np.arange(ROWS)), axis=-1).reshape(-1, 2)
MIDDLE = np.array([(COLUMNS - 1) / 2, (ROWS - 1) / 2])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Where the patches lie in the photo.

    Attributes
    ----------
    to_photo : ndarray, shape (3, 3)
        Chart column (0..5) and row (0..3) -> xy of the photo.
    half : ndarray, shape (2,)
        Half the width and height of a patch. [cells]
    edge_px : float
        Width over which the patch edges rise from 10 to 90 %, NaN where too few are seen.
        [photo pixels]
    edges : int
        Patches of which the edges were seen, the smaller of the two directions.
    """

    to_photo: Floats
    half: Floats
    edge_px: float
    edges: int

    @property
    def centres(self) -> Floats:
        """Patch centres, shape (24, 2). [pixels, xy]"""
        return map_points(self.to_photo, CENTRES.astype(np.float64))

    @property
    def corners(self) -> Floats:
        """Outer corners of the patch field, from the first patch on along its row."""
        x, y = self.half
        outer = np.array(
            [[-x, -y], [COLUMNS - 1 + x, -y], [COLUMNS - 1 + x, ROWS - 1 + y], [-x, ROWS - 1 + y]]
        )
        return map_points(self.to_photo, outer)

    @property
    def patch_px(self) -> float:
        """Side of a patch: square root of the mean area. [pixels]"""
        return patch_side(self.to_photo, self.half)


def patch_side(to_photo: Floats, half: Floats) -> float:
    """Square root of the mean area of the 24 patches. [pixels]"""
    turns = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    quads = map_points(to_photo, (CENTRES[:, None] + turns).reshape(-1, 2)).reshape(-1, 4, 2)
    x, y = quads[..., 0], quads[..., 1]
    area = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1) / 2
    return float(np.sqrt(np.abs(area).mean()))


def refine_grid(photo: Photo, to_photo: Floats) -> Grid:
    """Move the grid to where the patches' own edges and borders say it lies.

    Edges come first: they stand a start that is off by a third of a patch, and glare. Where blur
    fills the gaps, so that edges lean to the brighter neighbour, the borders between patches
    follow, which blur does not move.
    """
    half = np.array([STANDARD_HALF, STANDARD_HALF])
    edge, seen = float("nan"), 0
    for _ in range(ROUNDS):
        flat, cell = _flat_and_cell(photo, to_photo)
        across, down = _edges(flat, cell=cell, axis=0), _edges(flat, cell=cell, axis=1)
        seen = int(min(np.isfinite(across.middle).sum(), np.isfinite(down.middle).sum()))
        if seen < FEWEST_EDGES:
            break
        to_photo, moved = _move(to_photo, _shift_by_edges(across.middle, down.middle))
        half = np.array([across.half, down.half])
        edge = float(np.nanmedian([across.width, down.width])) / cell
        if not moved > SETTLED:
            break
    if not edge < SHARP * (1 - 2 * half).min():
        to_photo, half = _refine_blurred(photo, to_photo, half)
    pitch = patch_side(to_photo, np.array([0.5, 0.5]))
    return Grid(to_photo=to_photo, half=half, edge_px=edge * pitch, edges=seen)


def _refine_blurred(photo: Photo, to_photo: Floats, half: Floats) -> tuple[Floats, Floats]:
    """Grid and half a patch by the borders; as they were where borders ask for a large move."""
    start, moves = (to_photo, half), 0.0
    for _ in range(ROUNDS):
        flat, cell = _flat_and_cell(photo, to_photo)
        light = decode_srgb(flat)
        answer, gaps = fit_borders(
            sum_borders(light, cell=cell, axis=0),
            sum_borders(light, cell=cell, axis=1),
            middle=MIDDLE,
            gaps=1 - 2 * half,
        )
        to_photo, moved = _move(to_photo, answer)
        moves += moved
        if not moves < LARGEST_CORRECTION:
            return start
        half = np.clip((1 - gaps) / 2, NEAREST, 0.5)
        if moved < SETTLED:
            break
    return to_photo, half


def _flat_and_cell(photo: Photo, to_photo: Floats) -> tuple[Floats, int]:
    pitch = patch_side(to_photo, np.array([0.5, 0.5]))
    cell = int(np.clip(round(pitch / 2) * 2, LEAST, MOST))
    return lay_flat(photo, to_photo, cell=cell), cell


def _move(to_photo: Floats, shift: Floats) -> tuple[Floats, float]:
    """The grid after a small projective shift, and how far its patches moved. [cells]

    Unmoved, with NaN, where that is no small shift.
    """
    a0, a1, a2, b0, b1, b2, g, h = shift
    change = np.array([[1 + a1, a2, a0], [b1, 1 + b2, b0], [-g, -h, 1]])
    centred = np.array([[1, 0, MIDDLE[0]], [0, 1, MIDDLE[1]], [0, 0, 1]])
    change = np.asarray(centred @ change @ np.linalg.inv(centred), dtype=np.float64)
    moved = float(np.abs(map_points(change, CENTRES.astype(np.float64)) - CENTRES).max())
    if moved > LARGEST_MOVE:
        return to_photo, float("nan")
    return np.asarray(to_photo @ change), moved


def lay_flat(photo: Photo, to_photo: Floats, *, cell: int) -> Floats:
    """The chart seen straight on, encoded 0..1, `cell` pixels a patch and one cell around."""
    size = (COLUMNS + 1) * cell + 1, (ROWS + 1) * cell + 1
    to_chart = np.array([[1 / cell, 0, -1], [0, 1 / cell, -1], [0, 0, 1]])
    matrix = to_photo @ to_chart
    rim = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], dtype=np.float64)
    around = map_points(matrix, rim)
    width, height = photo.size
    x0, y0 = (int(v) for v in np.clip(np.floor(around.min(axis=0)) - 2, 0, [width - 1, height - 1]))
    x1, y1 = (int(v) for v in np.clip(np.ceil(around.max(axis=0)) + 3, 1, [width, height]))
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1]], dtype=np.float64)
    codes: NDArray[np.integer] = np.asarray(
        cv2.warpPerspective(
            stored_pixels(photo)[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)],
            shift @ matrix,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )
    table = photo.encoding.table
    values = np.stack([table[:, c].take(codes[..., c]) for c in range(3)], axis=-1)
    return encode_srgb(np.clip(values, 0, 1)) if photo.encoding.is_linear else values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sides:
    """Patch middles (24,), NaN where faint; half a patch; 10-90 % width [flat pixels]."""

    middle: Floats
    half: float
    width: float


def _edges(flat: Floats, *, cell: int, axis: int) -> _Sides:
    """Where the patches end along x (axis 0) or y (axis 1), in cells from where they should."""
    picture = flat if axis == 0 else flat.swapaxes(0, 1)
    lines, length = (ROWS, COLUMNS) if axis == 0 else (COLUMNS, ROWS)
    reach = max(1, round(0.25 * cell))
    strips = [
        picture[(k + 1) * cell - reach : (k + 1) * cell + reach + 1].mean(axis=0)
        for k in range(lines)
    ]
    profile = np.stack(strips).astype(np.float64)
    steps = np.arange(round(FARTHEST * cell) + 1)
    middle = (np.arange(length) + 1) * cell
    outward = profile[:, middle[:, None] + steps]
    inward = profile[:, middle[:, None] - steps]
    right, right_width = _half_way(outward.reshape(-1, len(steps), 3), cell=cell)
    left, left_width = _half_way(inward.reshape(-1, len(steps), 3), cell=cell)
    offset, half = (right - left) / 2 / cell, (right + left) / 2 / cell
    sound = np.isfinite(offset) & (half > NEAREST) & (half < 0.53)
    offset = np.where(sound, offset, np.nan)
    typical = float(np.median(half[sound])) if sound.any() else STANDARD_HALF
    widths = np.concatenate([right_width, left_width])
    widths = widths[np.isfinite(widths)]
    order = offset.reshape(lines, length)
    return _Sides(
        middle=(order if axis == 0 else order.T).reshape(PATCHES),
        half=float(np.clip(typical, NEAREST, 0.5)),
        width=float(np.median(widths)) if len(widths) else float("nan"),
    )


def _half_way(lines: Floats, *, cell: int) -> tuple[Floats, Floats]:
    """Distance at which each line (n, k, 3) from a patch's middle is half-way to what lies beside.

    Beside a patch lies the dark frame where there is one, else the neighbour.
    """
    first = max(1, round(NEAREST * cell))
    patch = np.median(lines[:, : max(2, round(0.22 * cell))], axis=1)
    away = np.linalg.norm(lines - patch[:, None], axis=-1)
    darkest = first + lines[:, first:].sum(axis=-1).argmin(axis=1)
    farthest = first + away[:, first:].argmax(axis=1)
    row = np.arange(len(lines))
    use_dark = away[row, darkest] > np.maximum(0.35 * away[row, farthest], FAINTEST)
    stop = np.where(use_dark, darkest, farthest)
    toward = patch - lines[row, stop]
    step = np.maximum((toward**2).sum(axis=-1), 1e-9)
    share = ((lines - lines[row, stop][:, None]) * toward[:, None]).sum(axis=-1) / step[:, None]
    before = np.arange(lines.shape[1])[None] <= stop[:, None]
    found = {level: _crossing(np.where(before, share, 0.0), level) for level in (0.9, 0.5, 0.1)}
    faint = np.sqrt(step) < FAINTEST
    strong = np.sqrt(step) > 4 * FAINTEST
    return (
        np.where(faint, np.nan, found[0.5]),
        np.where(strong & use_dark, found[0.1] - found[0.9], np.nan),
    )


def _crossing(share: Floats, level: float) -> Floats:
    """Last place where each falling line (n, k) goes through `level`, between samples."""
    above = share >= level
    last = share.shape[1] - 1 - above[:, ::-1].argmax(axis=1)
    last = np.minimum(last, share.shape[1] - 2)
    row = np.arange(len(share))
    high, low = share[row, last], share[row, last + 1]
    inner = np.where(high > low, (high - level) / np.maximum(high - low, 1e-9), 0.0)
    return np.where(above.any(axis=1), last + np.clip(inner, 0, 1), np.nan)


def _shift_by_edges(across: Floats, down: Floats) -> Floats:
    """Small projective shift that meets the offsets of the patch middles best; see `borders`."""
    x, y = (CENTRES - MIDDLE).T
    zero, one = np.zeros(PATCHES), np.ones(PATCHES)
    terms = np.vstack(
        [
            np.stack([one, x, y, zero, zero, zero, x * x, x * y], axis=1),
            np.stack([zero, zero, zero, one, x, y, x * y, y * y], axis=1),
        ]
    )
    wanted = np.concatenate([across, down])
    seen = np.isfinite(wanted)
    terms, wanted = terms[seen], wanted[seen]
    weight = np.ones(len(wanted))
    answer = np.zeros(8)
    for _ in range(8):
        scaled = terms * weight[:, None]
        answer = np.linalg.solve(scaled.T @ terms + 1e-6 * np.eye(8), scaled.T @ wanted)
        left = wanted - terms @ answer
        scale = max(1.4826 * float(np.median(np.abs(left))), 0.003)
        weight = 1 / (1 + (left / (2 * scale)) ** 2) ** 2
    return answer

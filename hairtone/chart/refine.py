"""The exact place of the 24 patches, from their own edges in the photo at full size.

However blurred the gap between two patches is, blur moves light about but loses none. Summed from
the middle of patch A to the middle of patch B, linear light gives

    sum = A (1/2 + x) + B (1/2 - x) - g (A + B) / 2 + d,

x being how far the border lies from half-way, g the width of the dark gap and d the light that
the gap itself gives off. g and d are common to a chart, so that all borders of one direction are
solved together, along with the perspective.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.chart.identity import COLUMNS, ROWS, stored_pixels
from hairtone.chart.lattice import map_points
from hairtone.chart.types import PATCHES
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb
from hairtone.photo.types import Photo

REACH = 0.42  # of a cell to either side of the border that is summed
ACROSS = 0.25  # of a cell to either side of the line through the middles that is averaged
FLAT = 0.18  # of a cell around a middle that gives a patch's own light
REWEIGHTING_ROUNDS = (
    10  # of reweighting; it starts from the edges' grid, so that spoilt borders stand out
)
SHIFTS = 8  # unknowns of a projective shift
FAINT = 0.05  # of the brightest: added to the contrast of a border, so that faint ones weigh little
ERROR = 0.01  # of a border [cells]; this and the next two are our choice
EXPECTED = 0.05  # error that the edges leave in the grid where patches are blurred [cells]
GAP_ERROR = 0.03  # the same of the gap [cells]
LEAST, MOST = 12, 48  # pixels a cell is given when the chart is laid flat; our choice
PLACING_ROUNDS = 3  # of laying flat and moving, at most
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
class Borders:
    """Sums over the borders of one direction.

    Attributes
    ----------
    places : ndarray, shape (n, 2)
        Column and row of each border.
    sums : ndarray, shape (n, 3)
        What is summed, less what two patches without gap or shift would give. [cells]
    step, mean : ndarray, shape (n, 3)
        A - B and (A + B) / 2.
    """

    places: Floats
    sums: Floats
    step: Floats
    mean: Floats


def sum_borders(flat: Floats, *, cell: int, axis: int) -> Borders:
    """Borders between neighbours in a row (axis 0) or column (axis 1) of the chart laid flat."""
    picture = flat if axis == 0 else flat.swapaxes(0, 1)
    lines, length = (ROWS, COLUMNS) if axis == 0 else (COLUMNS, ROWS)
    across, reach, inner = (max(1, round(share * cell)) for share in (ACROSS, REACH, FLAT))
    strips = np.stack(
        [
            picture[(k + 1) * cell - across : (k + 1) * cell + across + 1].mean(axis=0)
            for k in range(lines)
        ]
    ).astype(np.float64)
    total = np.concatenate([np.zeros((lines, 1, 3)), np.cumsum(strips, axis=1)], axis=1)
    middle = (np.arange(length) + 1) * cell
    own = (total[:, middle + inner + 1] - total[:, middle - inner]) / (2 * inner + 1)
    first, second = own[:, :-1], own[:, 1:]
    # A border lies between two samples where `cell` is odd: half a sample is added each side.
    start, stop = middle[:-1] + cell - cell // 2 - reach, middle[:-1] + cell // 2 + reach
    span = (stop - start + 1)[:, None]
    border = middle[:-1] + cell / 2
    left = (border - (start - 0.5))[:, None]
    sums = total[:, stop + 1] - total[:, start] - left * first - (span - left) * second
    line, place = np.meshgrid(np.arange(lines), np.arange(length - 1) + 0.5, indexing="ij")
    columns, rows = (place, line) if axis == 0 else (line, place)
    return Borders(
        places=np.stack([columns, rows], axis=-1).reshape(-1, 2).astype(np.float64),
        sums=(sums / cell).reshape(-1, 3),
        step=(first - second).reshape(-1, 3),
        mean=((first + second) / 2).reshape(-1, 3),
    )


def fit_borders(
    across: Borders, down: Borders, *, middle: Floats, gaps: Floats
) -> tuple[Floats, Floats]:
    """Projective shift of the grid that explains all borders, and the gaps.

    Parameters
    ----------
    across, down : Borders
        In the rows and in the columns of the chart.
    middle : ndarray, shape (2,)
        Column and row the shift is stated about.
    gaps : ndarray, shape (2,)
        Width of the gap between patches, across and down, as their edges show it. [cells]

    Returns
    -------
    shift : ndarray, shape (8,)
        a0, a1, a2, b0, b1, b2, g, h: dx = a0 + a1·x + a2·y + g·x² + h·x·y and
        dy = b0 + b1·x + b2·y + g·x·y + h·y², about `middle`. [cells]
    gaps : ndarray, shape (2,)
        Width of the gaps as the borders show it. [cells]
    """
    bright = max(float(across.mean.max()), float(down.mean.max()), 1e-6)
    parts = [_equations(borders, middle=middle, axis=k) for k, borders in enumerate((across, down))]
    terms = np.vstack([part[0] for part in parts])
    wanted = np.concatenate([part[1] for part in parts])
    size = np.concatenate([part[2] for part in parts]) + FAINT * bright
    expected = np.concatenate([np.zeros(SHIFTS), _start(across, gaps[0]), _start(down, gaps[1])])
    reach = np.array([1, *middle, 1, *middle, *(middle * middle.max())])
    loose = np.tile([GAP_ERROR / ERROR, *[10 / bright] * 3], 2)
    stiffness = np.diag(np.concatenate([ERROR / EXPECTED * reach, 1 / loose]) ** 2)

    answer = expected
    for _ in range(REWEIGHTING_ROUNDS):
        offset = np.linalg.norm((wanted - terms @ answer).reshape(-1, 3), axis=1) / size
        spread = max(1.4826 * float(np.median(offset)), 1e-3)
        weight = 1 / (1 + (offset / (2 * spread)) ** 2) ** 2
        each = np.repeat(weight / size**2, 3)[:, None]
        answer = expected + np.linalg.solve(
            (terms * each).T @ terms + stiffness, (terms * each).T @ (wanted - terms @ expected)
        )
    return answer[:SHIFTS], answer[[SHIFTS, SHIFTS + 4]]


def _start(borders: Borders, gap: float) -> Floats:
    """The gap, and the light it gives off as most borders show it."""
    return np.array([gap, *np.median(borders.sums + gap * borders.mean, axis=0)])


def _equations(borders: Borders, *, middle: Floats, axis: int) -> tuple[Floats, Floats, Floats]:
    """Rows of the linear system (3n, 16), what they should give (3n,), contrast (n,)."""
    x, y = (borders.places - middle).T
    one, zero = np.ones(len(x)), np.zeros(len(x))
    if axis == 0:
        shift = np.stack([one, x, y, zero, zero, zero, x * x, x * y], axis=1)
    else:
        shift = np.stack([zero, zero, zero, one, x, y, x * y, y * y], axis=1)
    terms = np.zeros((len(x), 3, 16))
    terms[:, :, :8] = borders.step[:, :, None] * shift[:, None, :]
    first = 8 + 4 * axis
    terms[:, :, first] = -borders.mean
    terms[:, [0, 1, 2], [first + 1, first + 2, first + 3]] = 1.0
    return terms.reshape(-1, 16), borders.sums.reshape(-1), np.linalg.norm(borders.step, axis=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchGrid:
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


def refine_grid(photo: Photo, to_photo: Floats) -> PatchGrid:
    """Move the grid to where the patches' own edges and borders say it lies.

    Edges come first: they stand a start that is off by a third of a patch, and glare. Where blur
    fills the gaps, so that edges lean to the brighter neighbour, the borders between patches
    follow, which blur does not move.
    """
    half = np.array([STANDARD_HALF, STANDARD_HALF])
    edge, seen = float("nan"), 0
    for _ in range(PLACING_ROUNDS):
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
    return PatchGrid(to_photo=to_photo, half=half, edge_px=edge * pitch, edges=seen)


def _refine_blurred(photo: Photo, to_photo: Floats, half: Floats) -> tuple[Floats, Floats]:
    """Grid and half a patch by the borders; as they were where borders ask for a large move."""
    start, moves = (to_photo, half), 0.0
    for _ in range(PLACING_ROUNDS):
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

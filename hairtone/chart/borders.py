"""Where two patches meet, however blurred the gap between them is.

Blur moves light about but loses none. Summed from the middle of patch A to the middle of patch B,
linear light gives

    sum = A (1/2 + x) + B (1/2 - x) - g (A + B) / 2 + d,

x being how far the border lies from half-way, g the width of the dark gap and d the light that
the gap itself gives off. g and d are common to a chart, so that all borders of one direction are
solved together, along with the perspective.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hairtone.chart.identity import COLUMNS, ROWS
from hairtone.colorimetry import Floats

REACH = 0.42  # of a cell to either side of the border that is summed
ACROSS = 0.25  # of a cell to either side of the line through the middles that is averaged
FLAT = 0.18  # of a cell around a middle that gives a patch's own light
ROUNDS = 10  # of reweighting; it starts from the edges' grid, so that spoilt borders stand out
SHIFTS = 8  # unknowns of a projective shift
FAINT = 0.05  # of the brightest: added to the contrast of a border, so that faint ones weigh little
ERROR = 0.01  # of a border [cells]; this and the next two are our choice
EXPECTED = 0.05  # error that the edges leave in the grid where patches are blurred [cells]
GAP_ERROR = 0.03  # the same of the gap [cells]


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
    for _ in range(ROUNDS):
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

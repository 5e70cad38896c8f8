"""How the light falls over the frame, from the bare board or from a photo of a plain card.

A low-order polynomial in log light [ours], of the order that predicts held-out parts of the board
best. It holds on the board's plane only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.calibration.board import (
    Board,
    Cells,
    find_board,
    find_card,
    light_of_codes,
    reduce_photo,
)
from hairtone.calibration.polynomial import COUNTS, RobustFit, fit_robust, terms
from hairtone.calibration.types import ColourModel, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, LightError
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

RIDGE: Final = 0.6  # SD of a coefficient over half the frame's diagonal; our choice, wide
BLOCKS: Final = 6  # parts of the frame along each side that are held out in turn; our choice
SIMPLER: Final = 1.1  # a lower order is kept while its held-out error is this close; our choice
MOST_CELLS: Final = 3000  # board cells a fit takes; our choice, speed
UNKNOWN_SD: Final = (0.06, 0.06, 0.03, 0.03, 0.03)  # of the terms where no board tells; our choice


def fit_light_field(
    photo: Photo, reading: ChartReading, model: ColourModel, *, card: Photo | None = None
) -> LightField:
    """The light over the frame, 1 where the chart stands.

    Parameters
    ----------
    photo : Photo
        The photograph.
    reading : ChartReading
        Its chart.
    model : ColourModel
        Turns codes into linear light; each channel by itself.
    card : Photo, optional
        The bare board or a plain card in the same light; then only this is asked.

    Raises
    ------
    LightError
        Light of two colours, or light that no smooth field follows.
    """
    source = "board" if card is None else "card"
    shown = photo if card is None else card
    cells = reduce_photo(shown, light_of_codes(shown, model))
    board = find_board(cells, reading) if card is None else find_card(cells, reading)
    limits = read_limits("light")
    share = float(board.bare.mean())
    if share < limits["least_board_share"]:
        return unknown_light(photo, reading, flags=(_little_board(share, source),))
    problem = _Problem.of(cells, board, photo, reading)
    count, missed = _choose_order(problem)
    is_even = count == 0  # the board says that correcting would not help
    count = max(count, COUNTS[1])
    fit = fit_robust(problem.design[:, :count], problem.log_light, ridge=RIDGE)
    field = LightField(
        coefficients=np.zeros(count) if is_even else fit.coefficients,
        covariance=_covariance(problem, fit, missed),
        origin=problem.origin,
        scale=problem.scale,
        source=source,
        fall=_fall(problem, fit, count),
        residual_slope=_slope(problem, missed),
        residual_sd=_coarse_sd(problem, fit, count),
        flags=(),
    )
    return _judged(field, _tint(problem), _shadow_share(cells, board), photo.name)


def unknown_light(
    photo: Photo, reading: ChartReading, *, flags: tuple[Flag, ...] = ()
) -> LightField:
    """An even light, as unsure as an unchecked set-up is."""
    width, height = photo.size
    return LightField(
        coefficients=np.zeros(len(UNKNOWN_SD)),
        covariance=np.diag(np.square(UNKNOWN_SD)),
        origin=np.asarray(reading.centres, np.float64).mean(axis=0),
        scale=float(np.hypot(width, height) / 2),
        source="none",
        fall=0.0,
        residual_slope=0.0,
        residual_sd=0.0,
        flags=flags,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Problem:
    """Board cells as a regression: `design` (n, 14), `log_light` (n,), `tint` (n, 2), `block`."""

    design: Floats
    log_light: Floats
    tint: Floats
    block: np.ndarray
    points: Floats
    origin: Floats
    scale: float

    @classmethod
    def of(cls, cells: Cells, board: Board, photo: Photo, reading: ChartReading) -> _Problem:
        width, height = photo.size
        origin = np.asarray(reading.centres, np.float64).mean(axis=0)
        scale = float(np.hypot(width, height) / 2)
        stride = max(1, int(board.bare.sum()) // MOST_CELLS)
        points = cells.points[board.bare][::stride]
        colour = cells.colour[board.bare][::stride]
        part = np.minimum((points / np.array([width, height]) * BLOCKS).astype(int), BLOCKS - 1)
        _, block = np.unique(part[:, 0] + BLOCKS * part[:, 1], return_inverse=True)
        return cls(
            design=terms((points - origin) / scale, count=COUNTS[-1]),
            log_light=colour[:, 0],
            tint=colour[:, 1:],
            block=block,
            points=points,
            origin=origin,
            scale=scale,
        )


def _choose_order(problem: _Problem) -> tuple[int, Floats]:
    """Terms to keep, and the error of each cell when its part of the board is held out."""
    tried = [(count, _held_out(problem, count)) for count in COUNTS]
    errors = [_block_error(problem, missed) for _, missed in tried]
    best = next(k for k, error in enumerate(errors) if error <= SIMPLER * min(errors))
    return tried[best]


def _held_out(problem: _Problem, count: int) -> Floats:
    """Log light of each cell less its prediction from the other parts of the board."""
    fit = fit_robust(problem.design[:, :count], problem.log_light, ridge=RIDGE)
    full = np.hstack([np.ones((len(problem.block), 1)), problem.design[:, :count]])
    weighted = full * fit.weights[:, None]
    hold = np.full(full.shape[1], 1e-4)
    hold[0] = 1e-9
    normal, right = weighted.T @ full + np.diag(hold), weighted.T @ problem.log_light
    order = np.argsort(problem.block, kind="stable")
    ends = np.cumsum(np.bincount(problem.block))
    full, weighted, shown = full[order], weighted[order], problem.log_light[order]
    missed = np.empty(len(full))
    for mine in map(slice, [0, *ends[:-1]], ends):
        rest = np.linalg.solve(
            normal - weighted[mine].T @ full[mine], right - weighted[mine].T @ shown[mine]
        )
        missed[order[mine]] = shown[mine] - full[mine] @ rest
    return np.where(fit.weights > 0, missed, np.nan)


def _block_means(problem: _Problem, values: Floats) -> Floats:
    """Mean of each part of the board over the cells that count (the others are NaN)."""
    known = np.isfinite(values)
    size = np.bincount(problem.block[known], minlength=problem.block.max() + 1)
    total = np.bincount(problem.block[known], values[known], minlength=len(size))
    return np.asarray(total[size > 0] / size[size > 0])


def _block_error(problem: _Problem, missed: Floats) -> float:
    """Size of held-out errors, RMS over the parts of the board, the worst tenth left out."""
    square = np.sort(_block_means(problem, missed) ** 2)
    return float(np.sqrt(square[: max(1, int(0.9 * len(square)))].mean()))


def _covariance(problem: _Problem, fit: RobustFit, missed: Floats) -> Floats:
    """Covariance of the coefficients, each part of the board counting as one observation.

    What is left after the fit is smooth (weave, soft shadow, bounce), so cells repeat each other.
    """
    count = len(fit.coefficients)
    used = fit.weights > 0
    full = np.hstack([np.ones((len(used), 1)), problem.design[:, :count]]) * fit.weights[:, None]
    per_block = used.sum() / (problem.block.max() + 1)
    spread = _block_error(problem, missed)
    normal = full.T @ full / per_block + np.diag([1e-9, *[(spread / RIDGE) ** 2] * count])
    return np.asarray(spread**2 * np.linalg.inv(normal)[1:, 1:])


def _fall(problem: _Problem, fit: RobustFit, count: int) -> float:
    smooth = problem.design[:, :count] @ fit.coefficients
    low, high = np.quantile(smooth, (0.005, 0.995))
    return float(1 - np.exp(low - high))


def _slope(problem: _Problem, missed: Floats) -> float:
    """Slope of the held-out errors over the board's width and height together."""
    known = np.isfinite(missed)
    rise = fit_robust(problem.design[known, :2], missed[known], ridge=RIDGE).coefficients
    extent = np.ptp(problem.design[:, :2], axis=0)
    return float(np.hypot(*(rise * extent)))


def _coarse_sd(problem: _Problem, fit: RobustFit, count: int) -> float:
    """Robust SD of what the fit leaves, over the parts of the board."""
    rest = problem.log_light - fit.level - problem.design[:, :count] @ fit.coefficients
    left = _block_means(problem, np.where(fit.weights > 0, rest, np.nan))
    return float(1.4826 * np.median(np.abs(left - np.median(left))))


def _tint(problem: _Problem) -> float:
    """Largest change of the light's colour over the board, as a log ratio of two channels."""
    spans = []
    for channel in (0, 1):
        fit = fit_robust(problem.design[:, :2], problem.tint[:, channel], ridge=RIDGE)
        smooth = problem.design[:, :2] @ fit.coefficients
        spans.append(float(np.diff(np.quantile(smooth, (0.01, 0.99)))[0]))
    return max(spans)


def _shadow_share(cells: Cells, board: Board) -> float:
    """Shadowed board against all board that was seen, 0..1."""
    dark, bare = board.shadowed.sum(), board.bare.sum()
    return float(dark / max(dark + bare, 1))


def _judged(field: LightField, tint: float, shadow: float, name: str) -> LightField:
    """The field with its flags, or the error that it is."""
    limits = read_limits("light")
    if tint > limits["refuse_tint"]:
        raise LightError(
            "mixed-light",
            f"The light changes its colour by {tint:.0%} over the board "
            f"(limit {limits['refuse_tint']:.0%}): mixed light, such as a window and a lamp.",
            where=name,
            remedy="Use one kind of lamp only, shut out the window, and photograph again.",
        )
    if field.residual_sd > limits["refuse_residual_sd"]:
        raise LightError(
            "light-uneven",
            f"The light over the board is uneven by {field.residual_sd:.1%} after correction "
            f"(limit {limits['refuse_residual_sd']:.0%}): no smooth field follows it.",
            where=name,
            remedy="Light the board evenly from both sides without hard shadows, or photograph a "
            "plain card in the same light and name it as plain_card.",
        )
    flags = [
        flag
        for flag, is_raised in (
            (_uneven(field.fall), field.fall > limits["flag_fall"]),
            (_left(field), field.residual_sd > limits["flag_residual_sd"]),
            (_left(field), field.residual_slope > limits["flag_residual_slope"]),
            (_tinted(tint), tint > limits["flag_tint"]),
            (_shadowed(shadow), shadow > limits["flag_shadow_share"]),
        )
        if is_raised
    ]
    unique = {flag.code: flag for flag in flags}
    return _with_flags(field, tuple(unique.values()))


def _with_flags(field: LightField, flags: tuple[Flag, ...]) -> LightField:
    import dataclasses

    return dataclasses.replace(field, flags=field.flags + flags)


def _little_board(share: float, source: str) -> Flag:
    return Flag(
        code="little-board",
        says=f"Only {share:.1%} of the {'frame' if source == 'board' else 'card photo'} shows a "
        f"plain {source} (at least {read_limits('light')['least_board_share']:.0%} is needed): "
        f"the fall of the light is not corrected, and its uncertainty is widened.",
        remedy="Lay hair and chart on one plain matt board, or photograph a plain card in the "
        "same light.",
    )


def _uneven(fall: float) -> Flag:
    limit = read_limits("light")["flag_fall"]
    return Flag(
        code="uneven-light",
        says=f"Uneven light: it falls by {fall:.0%} over the board (flagged above {limit:.0%}); "
        f"it is corrected.",
        remedy="Use two lamps at equal distance on both sides.",
    )


def _left(field: LightField) -> Flag:
    return Flag(
        code="light-residual",
        says=f"After correction the light still varies by {field.residual_sd:.1%} and slopes by "
        f"{field.residual_slope:.1%} over the board: evenness along the hair is less sure.",
        remedy="Keep shadows off the board, or photograph a plain card in the same light.",
    )


def _tinted(tint: float) -> Flag:
    return Flag(
        code="tinted-light",
        says=f"The light changes its colour by {tint:.0%} over the board "
        f"(flagged above {read_limits('light')['flag_tint']:.0%}).",
        remedy="Use one kind of lamp only and shut out the window.",
    )


def _shadowed(share: float) -> Flag:
    return Flag(
        code="shadow",
        says=f"A shadow lies on {share:.0%} of the board that shows; it was left out of the light "
        f"field, and hair inside it reads too dark.",
        remedy="Move what casts the shadow, or the lamps, and photograph again.",
    )

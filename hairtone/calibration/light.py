"""How the light falls over the frame, from the bare board or from a photo of a plain card.

A polynomial of the fourth order in log light, its coefficients held by a wide expectation [ours]:
where the board shows it follows the board, and beyond it is as unsure as what the board leaves
open. No order is chosen, so that no small change of the picture flips the field. It holds on the
board's plane only.
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
from hairtone.calibration.types import BoardSeen, ColourModel, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, LightError
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

RIDGE: Final = 0.6  # SD of a coefficient where cells are weighed against shadows; our choice, wide
# SD of the coefficients of each order over half the frame's diagonal; our choice: parts of the
# board left out of 37 real photos are then off by 0.11 (RMS) and covered in 89 of 100 cases
EXPECTED: Final = (0.6, 0.6, 0.3, 0.15)
BLOCKS: Final = 6  # parts of the frame along each side that are held out in turn; our choice
LEAST_SPREAD: Final = 0.002  # of a part's log light; our choice: no tone curve is known better
ROUNDS: Final = 3  # of finding that spread and the field from each other
MOST_CELLS: Final = 1600  # board cells a fit takes; our choice, speed
# of the terms where no board tells; our choice: at 0.4 of the half diagonal it comes to 0.09, the
# middle one of the spreads that log light has over the boards of those photos
UNKNOWN_SD: Final = (0.2, 0.2, 0.3, 0.3, 0.3)


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
    found = _fit(problem)
    field = LightField(
        coefficients=found.mean[1:],
        covariance=found.covariance[1:, 1:],
        origin=problem.origin,
        scale=problem.scale,
        source=source,
        fall=_fall(problem, found),
        residual_slope=_slope(problem, found.missed),
        residual_sd=_coarse_sd(problem, found),
        seen=_seen(problem, found, cells, board) if card is None else None,
    )
    return _judged(field, _tint(problem), _shadow_share(cells, board), photo.name)


def _seen(problem: _Problem, found: _Found, cells: Cells, board: Board) -> BoardSeen:
    """The frame's cells, and the board under its light field."""
    coefficients = np.zeros((COUNTS[-1], 3))
    coefficients[:, 0] = found.mean[1:]
    for channel, fit in enumerate(problem.tints, start=1):
        coefficients[: len(fit.coefficients), channel] = fit.coefficients
    return BoardSeen(
        points=cells.points,
        colour=cells.colour,
        is_sound=cells.is_sound,
        is_smooth=board.smooth,
        is_bare=board.bare,
        by_chart=board.by_chart,
        level=np.array([found.mean[0], *(fit.level for fit in problem.tints)]),
        coefficients=coefficients,
        origin=problem.origin,
        scale=problem.scale,
    )


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
    """Board cells as a regression: `design` (n, 14), `log_light` (n,), `block`, both tints."""

    design: Floats
    log_light: Floats
    tints: tuple[RobustFit, ...]
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
        design = terms((points - origin) / scale, count=COUNTS[-1])
        tints = (fit_robust(design[:, :2], tint, ridge=RIDGE) for tint in colour[:, 1:].T)
        return cls(
            design=design,
            log_light=colour[:, 0],
            tints=tuple(tints),
            block=block,
            points=points,
            origin=origin,
            scale=scale,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """Level and coefficients, shape (15,), their covariance, and what each cell says of them.

    `missed` is the log light of a cell less its prediction from the other parts of the board; NaN
    where the cell does not count.
    """

    mean: Floats
    covariance: Floats
    missed: Floats
    is_used: np.ndarray


def _fit(problem: _Problem) -> _Found:
    """The field and how far it is known, each part of the board counting as one observation.

    What is left after a fit is smooth (weave, soft shadow, bounce), so cells repeat each other.
    """
    robust = fit_robust(problem.design, problem.log_light, ridge=RIDGE)
    order = np.argsort(problem.block, kind="stable")
    ends = np.cumsum(np.bincount(problem.block))
    parts = [slice(start, stop) for start, stop in zip([0, *ends[:-1]], ends, strict=True)]
    full = np.hstack([np.ones((len(order), 1)), problem.design])[order]
    believed = (full * np.square(robust.weights[order])[:, None]).T
    light = problem.log_light[order]
    own = np.array([believed[:, part] @ full[part] for part in parts])
    own_right = np.array([believed[:, part] @ light[part] for part in parts])
    normal, right = own.sum(axis=0), own_right.sum(axis=0)
    is_used = robust.weights > 0
    per_part = is_used.sum() / len(parts)
    expected = np.append(1e-9, np.square(np.repeat(EXPECTED, (2, 3, 4, 5))) ** -1.0)
    spread, missed = 10 * LEAST_SPREAD, np.empty(len(full))
    for _ in range(ROUNDS):
        held = np.diag(expected * per_part * spread**2)
        others = np.linalg.solve(normal - own + held, (right - own_right)[..., None])[..., 0]
        missed[order] = light - np.einsum("nt,nt->n", full, others[problem.block[order]])
        counted = np.where(is_used, missed, np.nan)
        spread = max(float(np.sqrt((_block_means(problem, counted) ** 2).mean())), LEAST_SPREAD)
    inverse = np.linalg.inv(normal + np.diag(expected * per_part * spread**2))
    return _Found(
        mean=np.asarray(inverse @ right),
        covariance=np.asarray(per_part * spread**2 * inverse),
        missed=counted,
        is_used=is_used,
    )


def _block_means(problem: _Problem, values: Floats) -> Floats:
    """Mean of each part of the board over the cells that count (the others are NaN)."""
    known = np.isfinite(values)
    size = np.bincount(problem.block[known], minlength=problem.block.max() + 1)
    total = np.bincount(problem.block[known], values[known], minlength=len(size))
    return np.asarray(total[size > 0] / size[size > 0])


def _fall(problem: _Problem, found: _Found) -> float:
    low, high = np.quantile(problem.design @ found.mean[1:], (0.005, 0.995))
    return float(1 - np.exp(low - high))


def _slope(problem: _Problem, missed: Floats) -> float:
    """Slope of the held-out errors over the board's width and height together."""
    known = np.isfinite(missed)
    rise = fit_robust(problem.design[known, :2], missed[known], ridge=RIDGE).coefficients
    extent = np.ptp(problem.design[:, :2], axis=0)
    return float(np.hypot(*(rise * extent)))


def _coarse_sd(problem: _Problem, found: _Found) -> float:
    """Robust SD of what the fit leaves, over the parts of the board."""
    rest = problem.log_light - found.mean[0] - problem.design @ found.mean[1:]
    left = _block_means(problem, np.where(found.is_used, rest, np.nan))
    return float(1.4826 * np.median(np.abs(left - np.median(left))))


def _tint(problem: _Problem) -> float:
    """Largest change of the light's colour over the board, as a log ratio of two channels."""
    spans = []
    for fit in problem.tints:
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

"""How the light falls over the frame, from the bare board or from a photo of a plain card.

The board is whatever lies around the chart, and everything that continues it without an edge or
fits its light, at coarse scale. No hair finder is needed: hair, shadows, the chart and its frame
fall out.

The light is a polynomial of the fourth order in log light, its coefficients held by a wide
expectation [ours]: where the board shows it follows the board, and beyond it is as unsure as what
the board leaves open. No order is chosen, so that no small change of the picture flips the field.
It holds on the board's plane only.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.polynomial import COUNTS, RobustFit, fit_robust, middle_of, terms
from hairtone.calibration.types import BoardSeen, ColourModel, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, LightError
from hairtone.locations import read_limits
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo

Mask = NDArray[np.bool_]
Codes = NDArray[Any]

CELLS: Final = 168  # along the longer side; our choice: a strand 1 % of the frame wide still shows
MOST_POINTS: Final = 1000  # that a smooth light over the board is laid through; our choice, speed
SAMPLES: Final = 4  # pixels along each side of a cell; our choice: eight do no better, three worse
LEAST_LIGHT: Final = 0.008  # of white; darker cells tell noise and flare, not light; our choice
MOST_CODE: Final = 0.96  # of the top code; above it tone curves flatten and colours bleach; ours
WIDE: Final = (-0.3, 1.3)  # sRGB values that colours of wider encodings may have
FRAME: Final = 0.9  # of a patch: the chart's own frame around its patches; our choice, with room
BESIDE: Final = 1.25  # patches from the chart that still get the chart's own light; our choice
RING: Final = 4.0  # patches from the chart within which the board must show itself; our choice
ALIKE: Final = np.array([0.15, 0.05, 0.05])  # log light, red/green, blue/green of one board; ours
STEP: Final = np.array([0.02, 0.02, 0.02])  # least step between cells that is an edge; our choice:
# twice the steepest step of light that falls to 35 % over the frame
JOINED: Final = np.array([0.08, 0.05, 0.05])  # how well a separate piece must fit the light; ours
LEAST_SHARE: Final = 0.08  # of the ring must share a colour, or there is no board; our choice, low
# enough for light that changes its colour across the ring
LEAST_PIECE: Final = 6  # cells of a piece of board; our choice
SHADOW: Final = (-1.2, -0.08)  # log light of a board in shadow, 30 % to 92 %; our choice
LEAST_SHADOW: Final = 12  # cells of a shadow worth telling; our choice
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardCells:
    """A photo at coarse scale.

    Attributes
    ----------
    colour : ndarray, shape (h, w, 3)
        Log of green-weighted light, of red over green, of blue over green; means over a cell.
    texture : ndarray, shape (h, w)
        Spread of the light inside a cell, relative.
    is_sound : ndarray of bool, shape (h, w)
        Neither clipped nor too dark.
    points : ndarray, shape (h, w, 2)
        Middle of each cell. [pixels, xy]
    """

    colour: Floats
    texture: Floats
    is_sound: Mask
    points: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Board:
    """Which cells show the board, each shape (h, w).

    Attributes
    ----------
    bare, shadowed : ndarray of bool
        The board in its light, and in a shadow.
    smooth : ndarray of bool
        Whatever is as smooth as the board.
    by_chart : ndarray of bool
        Cells close enough to the chart to share its light.
    """

    bare: Mask
    shadowed: Mask
    smooth: Mask
    by_chart: Mask


def light_of_codes(photo: Photo, model: ColourModel) -> Callable[[Codes], Floats]:
    """A function from codes (…, 3) to linear light, flare off, by look-up.

    Channel by channel where the photo has sRGB's primaries or is RAW; else through the values
    that the photo has in sRGB.
    """
    if photo.encoding.to_srgb is None:
        columns = np.ascontiguousarray(model.linear(photo.encoding.table).T)
        return lambda codes: np.stack([c.take(codes[..., k]) for k, c in enumerate(columns)], -1)
    fine = np.linspace(*WIDE, 4097)
    curves = model.linear(np.repeat(fine[:, None], 3, axis=1))

    def look_up(codes: Codes) -> Floats:
        values = encoded_values(photo, codes)
        return np.stack([np.interp(values[..., k], fine, curves[:, k]) for k in range(3)], axis=-1)

    return look_up


def reduce_photo(photo: Photo, to_light: Callable[[Codes], Floats]) -> BoardCells:
    """The photo in cells.

    Parameters
    ----------
    photo : Photo
        The photograph.
    to_light : callable
        Linear light, flare off, of codes; see `light_of_codes`.
    """
    height, width = photo.pixels.shape[:2]
    size = max(max(height, width) / CELLS, 1.0)
    rows, columns = max(int(height / size), 1), max(int(width / size), 1)
    y = _sample_places(height, rows)
    x = _sample_places(width, columns)
    shown = codes_at(photo, *np.ix_(y, x))
    light, level, square = np.zeros((rows, columns, 3)), np.zeros((rows, columns)), 0.0
    for down, across in np.ndindex(SAMPLES, SAMPLES):
        sample = to_light(shown[down::SAMPLES, across::SAMPLES])
        bright = sample @ np.array([0.25, 0.5, 0.25])
        light += sample
        level += bright
        square = square + bright**2
    brightest = reduce(np.maximum, np.moveaxis(shown, -1, 0))
    brightest = reduce(np.maximum, (brightest[k::SAMPLES] for k in range(SAMPLES)))
    brightest = reduce(np.maximum, (brightest[:, k::SAMPLES] for k in range(SAMPLES)))
    count = SAMPLES**2
    mean, level = np.maximum(light / count, LEAST_LIGHT), np.maximum(level / count, LEAST_LIGHT)
    spread = np.sqrt(np.maximum(square / count - level**2, 0.0))
    clipped: Mask = np.asarray(brightest > MOST_CODE * photo.top_code)
    colour = np.log(np.stack([level, mean[..., 0] / mean[..., 1], mean[..., 2] / mean[..., 1]], -1))
    middle = np.meshgrid(
        (np.arange(columns) + 0.5) * width / columns - 0.5,
        (np.arange(rows) + 0.5) * height / rows - 0.5,
    )
    return BoardCells(
        colour=colour,
        texture=spread / level,
        is_sound=np.asarray(~clipped & (mean > LEAST_LIGHT).all(axis=-1)),
        points=np.stack(middle, axis=-1),
    )


def _sample_places(length: int, cells: int) -> NDArray[np.int64]:
    """Indices of `SAMPLES` pixels in each of `cells` equal parts of a side."""
    return ((np.arange(cells * SAMPLES) + 0.5) * length / (cells * SAMPLES)).astype(np.int64)


def find_board(cells: BoardCells, reading: ChartReading) -> Board:
    """The board that the chart lies on; empty where none shows around it."""
    distance = _distance_from_chart(cells.points, reading)
    outside = distance > FRAME
    ring = outside & (distance < RING) & cells.is_sound
    board = _grow(cells, outside & cells.is_sound, ring, middle=reading.centres.mean(axis=0))
    return dataclasses.replace(board, by_chart=outside & (distance < BESIDE))


def find_card(cells: BoardCells, reading: ChartReading) -> Board:
    """The card that fills a photo of its own, taken where `reading`'s chart lay."""
    return _grow(cells, cells.is_sound, cells.is_sound, middle=reading.centres.mean(axis=0))


def _grow(cells: BoardCells, allowed: Mask, near: Mask, *, middle: Floats) -> Board:
    """Board cells out of the `allowed` ones, starting from the commonest colour of the `near`."""
    none = np.zeros_like(allowed)
    empty = Board(bare=none, shadowed=none, smooth=none, by_chart=none)
    seeds = _commonest(cells, near)
    if seeds.sum() < LEAST_PIECE:
        return empty
    smooth = allowed & (cells.texture < 0.02 + 2.5 * np.median(cells.texture[seeds]))
    calm = _calm(cells.colour, smooth)
    pieces = _pieces(calm, smooth, _edge_height(calm, seeds & smooth))
    sizes = np.bincount(pieces[smooth], minlength=pieces.max() + 1)
    seeded = np.bincount(pieces[seeds & smooth], minlength=len(sizes))
    chosen = (seeded >= max(3, 0.1 * seeded.sum())) & (sizes >= LEAST_PIECE)
    if not chosen.any():
        return empty
    members = _members(pieces, smooth)
    away = (cells.points - middle) / np.hypot(*cells.points[-1, -1])
    for _ in range(3):
        rest = _left_over(cells.colour, away, smooth & chosen[pieces])
        typical = _median_by_piece(rest, members, len(sizes))
        before = chosen
        chosen = (np.abs(typical) < JOINED).all(axis=1) & (sizes >= LEAST_PIECE) | (
            chosen & (seeded > 0)
        )
        if (chosen == before).all():
            break
    low, high = SHADOW
    tinted = (np.abs(typical[:, 1:]) < ALIKE[1:]).all(axis=1)
    dark = tinted & (typical[:, 0] > low) & (typical[:, 0] < high) & (sizes >= LEAST_SHADOW)
    bare = smooth & chosen[pieces]
    return dataclasses.replace(
        empty, bare=_inner(bare), shadowed=smooth & dark[pieces] & ~bare, smooth=smooth
    )


def _commonest(cells: BoardCells, near: Mask) -> Mask:
    """Cells of `near` that share the colour most of them have."""
    found = np.zeros_like(near)
    places = np.argwhere(near & (cells.texture < 0.25))
    if len(places) < LEAST_PIECE:
        return found
    colours = cells.colour[places[:, 0], places[:, 1]]
    some = colours[:: max(1, len(colours) // 300)] / ALIKE
    alike = np.ones((len(some), len(some)), bool)
    for channel in some.T:
        alike &= np.abs(channel[:, None] - channel) < 1
    middle = some[alike.sum(axis=1).argmax()] * ALIKE
    best = (np.abs(colours - middle) < ALIKE).all(axis=-1)
    if best.mean() < LEAST_SHARE:
        return found
    found[tuple(places[best].T)] = True
    return found


def _calm(colour: Floats, used: Mask) -> Floats:
    """Mean over the 3 x 3 cells around, of those that are `used`."""
    held = np.where(used[..., None], np.dstack([colour, np.ones(used.shape)]), 0.0)
    padded = np.pad(held, ((1, 1), (1, 1), (0, 0)))
    rows = padded[:-2] + padded[1:-1] + padded[2:]
    total = rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]
    return np.asarray(total[..., :3] / np.maximum(total[..., 3:], 1.0))


def _edge_height(calm: Floats, seeds: Mask) -> Floats:
    """Step between neighbouring cells above which there is an edge, shape (3,)."""
    both = seeds[:, 1:] & seeds[:, :-1]
    steps = np.abs(np.diff(calm, axis=1)[both])
    noise = 1.4826 * np.median(steps, axis=0) if len(steps) else np.zeros(3)
    return np.asarray(np.clip(4 * noise, STEP, 3 * STEP))


def _pieces(calm: Floats, smooth: Mask, edge: Floats) -> NDArray[np.int64]:
    """Number of the edge-free piece each cell belongs to, shape (h, w)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    number = np.arange(smooth.size).reshape(smooth.shape)
    links = []
    for axis in (0, 1):
        first = tuple(slice(None, -1) if k == axis else slice(None) for k in (0, 1))
        second = tuple(slice(1, None) if k == axis else slice(None) for k in (0, 1))
        level = (np.abs(np.diff(calm, axis=axis)) < edge).all(axis=-1)
        joined = level & smooth[first] & smooth[second]
        links.append(np.stack([number[first][joined], number[second][joined]]))
    pairs = np.concatenate(links, axis=1)
    graph = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(smooth.size,) * 2)
    return connected_components(graph, directed=False)[1].reshape(smooth.shape).astype(np.int64)


def _left_over(colour: Floats, away: Floats, bare: Mask) -> Floats:
    """Colour less what a smooth light over the bare board predicts, shape (h, w, 3)."""
    shown = np.flatnonzero(bare)
    shown = shown[:: max(1, len(shown) // MOST_POINTS)]
    every = terms(away.reshape(-1, 2), count=5)
    design, values = every[shown], colour.reshape(-1, 3)[shown].T
    rest = np.empty_like(colour)
    for channel, count in enumerate((5, 2, 2)):
        fit = fit_robust(design[:, :count], values[channel], ridge=0.5)
        smooth = fit.level + every[:, :count] @ fit.coefficients
        rest[..., channel] = colour[..., channel] - smooth.reshape(bare.shape)
    return rest


def _members(pieces: NDArray[np.int64], used: Mask) -> dict[int, NDArray[np.intp]]:
    """Which used cells, counted through the frame, make up each piece that is large enough."""
    places = np.flatnonzero(used)
    numbers = pieces.ravel()[places]
    order = np.argsort(numbers, kind="stable")
    parts = np.split(places[order], np.flatnonzero(np.diff(numbers[order])) + 1)
    return {int(pieces.flat[part[0]]): part for part in parts if len(part) >= LEAST_PIECE}


def _median_by_piece(rest: Floats, members: dict[int, NDArray[np.intp]], count: int) -> Floats:
    """Median of `rest` over each piece, shape (count, 3); far off where a piece is too small."""
    typical = np.full((count, rest.shape[-1]), np.inf)
    values = rest.reshape(-1, rest.shape[-1])
    for number, part in members.items():
        typical[number] = [middle_of(channel) for channel in values[part].T]
    return typical


def _inner(mask: Mask) -> Mask:
    """Cells whose four neighbours belong to the mask too; the frame's border counts as inside."""
    padded = np.pad(mask, 1, constant_values=True)
    return np.asarray(
        mask & padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]
    )


def _distance_from_chart(points: Floats, reading: ChartReading) -> Floats:
    """How far points lie outside the patch field, shape (h, w). [patches]"""
    unit = _to_chart(np.asarray(reading.corners, np.float64))
    flat = np.concatenate([points.reshape(-1, 2), np.ones((points[..., 0].size, 1))], axis=1)
    mapped = flat @ unit.T
    ahead = mapped[:, 2] > 1e-9  # beyond the horizon of the board's plane nothing is near
    place = mapped[:, :2] / np.where(ahead, mapped[:, 2], 1.0)[:, None]
    out = np.maximum(np.abs(place - 0.5) - 0.5, 0.0) * np.array([6.0, 4.0])
    far = np.where(ahead, np.hypot(out[:, 0], out[:, 1]), np.inf)
    return np.asarray(far.reshape(points.shape[:2]))


def _to_chart(corners: Floats) -> Floats:
    """Homography that takes the four corners to the unit square, shape (3, 3)."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    rows, values = [], []
    for (x, y), (u, v) in zip(corners, square, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        values += [u, v]
    found = np.linalg.solve(np.array(rows), np.array(values))
    matrix = np.append(found, 1.0).reshape(3, 3)
    if (matrix @ np.append(corners.mean(axis=0), 1.0))[2] < 0:
        matrix = -matrix
    return matrix


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


def _seen(problem: _Problem, found: _Found, cells: BoardCells, board: Board) -> BoardSeen:
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
    def of(cls, cells: BoardCells, board: Board, photo: Photo, reading: ChartReading) -> _Problem:
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


def _shadow_share(cells: BoardCells, board: Board) -> float:
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

"""Doubts about a measured strand: its light, shine, clipping, shadow, retouching, size."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import Beside, BoardSeen, LightField
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.body import Body
from hairtone.hair.cells import Cells, CellSums
from hairtone.hair.centre import project
from hairtone.hair.types import Strand
from hairtone.locations import read_limits
from hairtone.photo.pixels import codes_at
from hairtone.photo.types import Photo

CLEAR: Final = 1.5  # cells beside the outline that may show some hair; our choice
BAND: Final = (4.0, 0.6)  # cells, or widths of the hair, beyond those; our choice
PARTS: Final = 3  # of the hair, whose light is looked at each by itself; our choice
LEAST_BARE: Final = 0.25  # of what lies beside it, that hair lies on the board; our choice
GREY: Final = 0.05  # of tint: what lies off the board's may be board in shadow; our choice
DEEPEST: Final = 1.25  # of log light, that such a shadow may take; our choice, white cloth is more
UNSEEN: Final = 0.09  # SD of log light where no board lies beside hair: as `light.UNKNOWN_SD`
ONE_LIGHT = (
    "Move what casts a shadow on hair or chart, lay both side by side on one plain matt board, and "
    "photograph again."
)
MORE_BOARD = (
    "Lay hair and chart side by side on one plain matt board that reaches beyond the hair, or "
    "photograph a plain card in the same light."
)
SIDE: Final = 5  # bins either side of a shadow's edge that are compared
GAP: Final = 2  # bins of the edge itself
EVEN_STEP: Final = (
    0.25  # of a shadow's step by which channels may differ; tone curves bend 0.2, dye 0.45
)
MIXTURE: Final = (
    3.0  # times what fibres of a mixture differ by, that an edge stands out; our choice
)
LANES_BESIDE: Final = 3  # lanes of fibres either side of a step that are compared
LANE_PIXELS: Final = 6  # in each lane of a bin, or the bin is not asked
LEAST_BINS: Final = 20  # that are asked
TILE, TILES = 24, 10  # pixels of a tile, and tiles across the frame
LEAST_TILES: Final = 12  # that tell of the board; our choice
CALM_TILES: Final = 0.4  # quantile of the tiles that stands for the board
LOOKED_AT: Final = 150_000  # pixels that texture is judged on
STRAIGHT: Final = 0.6  # of a shadow's step, that each third of the width shows; our choice
FLAT: Final = 0.4  # of the step that either side may change by: an edge, not a slope


def light_of_strand(
    light: LightField, strand: Strand, middles: Floats
) -> tuple[LightField, tuple[Flag, ...]]:
    """The light on a strand, as unsure as the board beside it leaves it, and the doubt that told.

    A step of grey between what lies beside the chart and beside the hair may be a shadow's edge,
    or some other grey thing: the light lies anywhere between none of the step and all of it. The
    worst third of the hair tells the doubt; a step that most of the hair has is refused.

    Parameters
    ----------
    light : LightField
        Of the photo.
    strand : Strand
        The hair.
    middles : ndarray, shape (n, 2)
        Places on it. [pixels, xy]

    Raises
    ------
    HairError
        ``shadow-between``: hair and chart lie in different light. ``light-unseen``: the board
        leaves it so open that no colour can be given.
    """
    if light.seen is None:
        return light, _doubts((light, light), strand, middles, told="")
    chart, here = light.seen.among(light.seen.by_chart), beside_strand(light.seen, strand)
    steps = np.array([one.rest - chart.rest for one in here])
    steps = steps[np.isfinite(steps).all(axis=1)]
    if not len(steps):
        return _unseen(light, strand, middles, told="")
    size, tint = np.abs(steps[:, 0]), np.hypot(steps[:, 1], steps[:, 2])
    told = _told(float(steps[size.argmax(), 0]), float(tint.max()))
    is_board = tint.max() < GREY and size.max() < DEEPEST
    if strand.is_given and np.mean([one.bare for one in here]) < LEAST_BARE and not is_board:
        return _unseen(light, strand, middles, told=told)  # a head, a cloth
    if np.median(tint) > (limit := read_limits("light")["refuse_tint_step"]):
        raise HairError(
            "shadow-between",
            f"{told} (limit of the colour {limit:.0%}): they do not share one light, or lie on "
            f"different things.",
            where=f"hair {strand.name}",
            remedy=ONE_LIGHT,
        )
    worst = dataclasses.replace(light, step=float(size.max()))
    usual = dataclasses.replace(light, step=float(np.median(size)))
    return worst, _doubts((worst, usual), strand, middles, told=told, is_edge=True)


def _unseen(
    light: LightField, strand: Strand, middles: Floats, *, told: str
) -> tuple[LightField, tuple[Flag, ...]]:
    """The light where no board lies beside the hair."""
    light = dataclasses.replace(light, step=UNSEEN)
    return light, _doubts((light, light), strand, middles, told=told)


def beside_strand(seen: BoardSeen, strand: Strand) -> list[Beside]:
    """What lies on either side of a strand: of its first, second and last third."""
    cell = float(seen.points[0, 1, 0] - seen.points[0, 0, 0])
    line = np.asarray(strand.line, np.float64)
    inner = strand.width / 2 + CLEAR * cell
    outer = inner + max(BAND[0] * cell, BAND[1] * strand.width)
    low, high = line.min(axis=0) - outer, line.max(axis=0) + outer
    near = tuple(
        slice(*np.searchsorted(seen.points[:, 0, 1] if axis else seen.points[0, :, 0], ends))
        for axis, ends in ((1, (low[1], high[1])), (0, (low[0], high[0])))
    )
    along, across = project(seen.points[near].reshape(-1, 2), line)
    along /= float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    is_beside = (np.abs(across) > inner) & (np.abs(across) < outer)
    found = []
    for part in range(PARTS):
        chosen = np.zeros(seen.is_bare.shape, bool)
        within = is_beside & (along * PARTS > part) & (along * PARTS < part + 1)
        chosen[near] = within.reshape(chosen[near].shape)
        found.append(seen.among(chosen))
    return found


def _told(step: float, tint: float) -> str:
    tinted = "under 1%" if tint < 0.01 else f"{tint:.0%}"
    share, how = abs(float(np.expm1(step))), "lighter" if step > 0 else "darker"
    return (
        f"What lies beside the hair is up to {share:.0%} {how} than what lies beside the chart and "
        f"differs in colour by {tinted}"
    )


def _doubts(
    lights: tuple[LightField, LightField],
    strand: Strand,
    middles: Floats,
    *,
    told: str,
    is_edge: bool = False,
) -> tuple[Flag, ...]:
    """The doubt that the light on a hair is not known, at its worst and as most of it has it.

    An error where most of it is known too badly.
    """
    limits = read_limits("light")
    worst, usual = (float(light.doubt_at(middles).max()) for light in lights)
    if worst <= limits["flag_doubt"]:
        return ()
    if is_edge and lights[0].step > worst / 2:
        code, remedy = "shadow-between", ONE_LIGHT
        cause = (
            f"{told}: a shadow may lie on one of them, or an app has lightened part of the "
            f"picture. How much light falls on hair {strand.name} is"
        )
    else:
        code, remedy = "light-unseen", MORE_BOARD
        cause = f"No bare board beside hair {strand.name} shows how much light falls on it: that is"
    says = (
        f"{cause} known only to within {worst:.0%} (one SD; flagged above "
        f"{limits['flag_doubt']:.0%}, refused where most of the hair is above "
        f"{limits['refuse_doubt']:.0%})"
    )
    if usual > limits["refuse_doubt"]:
        raise HairError(code, f"{says}.", where=f"hair {strand.name}", remedy=remedy)
    tail = f" {told}." if told and code == "light-unseen" else ""
    return (Flag(code=code, says=f"{says}; its intervals allow for that.{tail}", remedy=remedy),)


def profile_flags(
    photo: Photo, strand: Strand, cells: Cells, sums: CellSums, body: Body
) -> tuple[Flag, ...]:
    """What is doubtful about a strand's profile.

    Raises
    ------
    HairError
        ``hair-clipped``: so much is clipped that no mean can be believed.
    """
    limits = read_limits("hair")
    found = (
        _shine(body, limits),
        _sheen(body, limits),
        _two_colours(sums, limits),
        _clipped(photo, strand, sums, limits),
        _narrow(strand, limits["flag_width_px_below"]),
        _shadow(body, sums, limits["flag_shadow_step_above"]),
        _retouched(photo, cells, limits),
    )
    return tuple(flag for flag in found if flag is not None)


def _shine(body: Body, limits: Mapping[str, float]) -> Flag | None:
    """A flag where the interval had to grow for glare, a note where it was only taken out."""
    if body.unlooked > limits["note_shine_above"]:
        return Flag(
            code="glare-despite-polarisers",
            says=f"The study says that polarisers kept glare out, and yet up to "
            f"{100 * body.unlooked:.0f} % of the light of a place looks like glare. It was left.",
            remedy="Turn the polariser before the lens until the hair looks dullest, or take "
            "'polarised' out of study.toml.",
        )
    most, doubt = float(body.shine.share.max()), body.shine.doubt
    is_doubtful = doubt > limits["flag_shine_doubt_above"]
    if not is_doubtful and most <= limits["note_shine_above"]:
        return None
    says = f"Part of the hair was shiny: up to {100 * most:.0f} % of the light of a place was glare"
    if is_doubtful:
        says = (
            f"Part of the hair is lighter, and the photo does not show whether that is glare or "
            f"the hair itself. Light of roots against ends is known to {100 * doubt:.0f} % only "
            f"(one SD; flagged above {100 * limits['flag_shine_doubt_above']:.0f} %)"
        )
    return Flag(
        code="shine",
        says=f"{says}. The intervals allow for both."
        if is_doubtful
        else f"{says}. The glare has been removed.",
        remedy="Use larger, softer lights at 45 degrees, or photograph the same lay again, turned "
        "by 180 degrees.",
        is_note=not is_doubtful,
    )


def _sheen(body: Body, limits: Mapping[str, float]) -> Flag | None:
    """Lamp-coloured spread over the whole length: wet or greased hair, or white hairs among it."""
    shine = body.shine
    if (
        shine.all_along <= limits["flag_sheen_above"]
        and shine.spread <= limits["flag_spread_above"]
    ):
        return None
    return Flag(
        code="sheen",
        says=f"The hair glistens over its whole length: bright and dull fibres differ by "
        f"{100 * shine.spread:.0f} %. White hairs among dark ones look like that, and so does wet "
        f"or greasy hair, which reads too light and too grey. We left it as it is.",
        remedy="Dry the hair, comb it flat and use larger, softer lights at 45 degrees. If there "
        "are white hairs, state how many per cent.",
        is_note=shine.spread <= limits["flag_sheen_spread_above"],
    )


def _two_colours(sums: CellSums, limits: Mapping[str, float]) -> Flag | None:
    """A step of colour from side to side all along: two hairs side by side taken for one."""
    count = sums.count.sum(axis=2)
    mean = np.maximum(sums.light.sum(axis=2) / np.maximum(count, 1)[..., None], 1e-6)
    logs = np.log(np.stack([mean.mean(-1), *(mean[..., k] / mean[..., 1] for k in (0, 2))], -1))
    logs = logs[(count >= LANE_PIXELS).all(axis=1)]
    lanes = logs.shape[1]
    if len(logs) < LEAST_BINS or lanes <= 2 * LANES_BESIDE:
        return None
    across = np.median(logs - np.median(logs, axis=1, keepdims=True), axis=0)
    cuts = np.arange(LANES_BESIDE, lanes - LANES_BESIDE + 1)
    before = np.cumsum(across[:, 1:], axis=0)[cuts - 1]
    after = across[:, 1:].sum(axis=0) - before
    tints = after / (lanes - cuts)[:, None] - before / cuts[:, None]
    tint = float(np.linalg.norm(tints, axis=1).max())
    # white fibres among dark ones differ from lane to lane all over: no two sides of anything
    noise = MIXTURE * np.median(np.abs(np.diff(across, axis=0)), axis=0)
    side, last = LANES_BESIDE, cuts[-1]
    light = max(
        abs(float(np.median(across[k + 1 : k + 1 + side, 0]) - np.median(across[k - side : k, 0])))
        for k in range(side, max(last, side + 1))
    )
    if tint <= max(limits["flag_tint_across"], float(np.linalg.norm(noise[1:]))) and (
        light <= max(limits["flag_step_across"], float(noise[0]))
    ):
        return None
    return Flag(
        code="two-colours",
        says=f"The left and right side of the hair have different colours along its whole length "
        f"({100 * np.expm1(tint):.0f} % in colour, {100 * np.expm1(light):.0f} % in light). There "
        f"may be two tresses side by side. The figures are their mean.",
        remedy="Lay tresses a finger's breadth apart, or draw a narrower strip in one of them.",
    )


def _clipped(
    photo: Photo, strand: Strand, sums: CellSums, limits: Mapping[str, float]
) -> Flag | None:
    kept = sums.count.sum(axis=(1, 2))
    share = sums.clipped / np.maximum(sums.clipped + kept, 1)
    most, mean = float(share.max()), float(share.mean())
    remedy = "Lower the exposure by a stop, or soften the light, and photograph again."
    if mean > limits["refuse_clipped_above"]:
        raise HairError(
            "hair-clipped",
            f"Hair {strand.name} is too bright in this photo: {100 * mean:.0f} % of its pixels are "
            f"clipped (limit {100 * limits['refuse_clipped_above']:.0f} %).",
            where=photo.name,
            remedy=remedy,
        )
    if most <= limits["flag_clipped_above"]:
        return None
    return Flag(
        code="hair-clipped",
        says=f"Parts of the hair are too bright: {100 * mean:.1f} % of its pixels are clipped, up "
        f"to {100 * most:.0f} % in one place. We left them out, so that place may read too dark.",
        remedy=remedy,
    )


def _narrow(strand: Strand, limit: float) -> Flag | None:
    if strand.width >= limit:
        return None
    return Flag(
        code="hair-narrow",
        says=f"The hair is only {strand.width:.0f} pixels wide. Below {limit:.0f} pixels we see "
        f"its shading and glare only roughly.",
        remedy="Go nearer, or photograph at full size.",
    )


def _shadow(body: Body, sums: CellSums, limit: float) -> Flag | None:
    """An edge straight across the hair at which all channels fall alike: light, not colour."""
    logs = np.log(np.maximum(body.linear, 1e-6))
    edges = np.arange(SIDE + GAP, len(logs) - SIDE - GAP)
    sides = np.median(np.lib.stride_tricks.sliding_window_view(logs, SIDE, axis=0), axis=-1)
    steps = sides[edges + GAP] - sides[edges - GAP - SIDE]
    size = steps.mean(axis=1)
    apart = np.ptp(steps, axis=1) / np.maximum(np.abs(size), 1e-9)
    calm = _calm_sides(logs.mean(axis=1), edges, size)
    # what the choice of fibres alone moves a place by: a few white ones among dark are no shadow
    fibres = np.log(np.maximum(body.draws, 1e-6)).std(axis=0).mean(axis=1)
    by_chance = MIXTURE * np.hypot(fibres[edges + GAP], fibres[edges - GAP - 1])
    straight = _least_in_thirds(sums, edges, size) > STRAIGHT
    is_edge = (np.abs(size) > np.maximum(limit, by_chance)) & (apart < EVEN_STEP) & calm & straight
    if not is_edge.any():
        return None
    worst = int(np.argmax(np.where(is_edge, np.abs(size), 0.0)))
    place, fall = edges[worst] / len(logs), 1 - np.exp(-abs(float(size[worst])))
    return Flag(
        code="shadow",
        says=f"A shadow seems to lie across the hair: at {100 * place:.0f} % of the length the "
        f"light changes by {100 * fall:.0f} % at one edge, and the colour does not.",
        remedy="Take away what stands in the light and photograph again.",
    )


def _least_in_thirds(sums: CellSums, edges: NDArray[np.int64], size: Floats) -> Floats:
    """The part of each step that every third of the width shows, shape (edges,).

    Locks lie higher and lower, each in its own lanes; a shadow's edge crosses them all.
    """
    lanes = np.array_split(np.arange(sums.count.shape[1]), 3)
    parts = []
    for some in lanes:
        pixels = np.maximum(sums.count[:, some].sum(axis=(1, 2)), 1)
        light = np.log(np.maximum(sums.light[:, some].sum(axis=(1, 2, 3)) / pixels, 1e-6))
        sides = np.median(np.lib.stride_tricks.sliding_window_view(light, SIDE), axis=-1)
        parts.append((sides[edges + GAP] - sides[edges - GAP - SIDE]) / size)
    return np.asarray(np.min(parts, axis=0))


def _calm_sides(light: Floats, edges: NDArray[np.int64], size: Floats) -> NDArray[np.bool_]:
    """Whether the light stays level on both sides of each edge."""
    triples = np.median(np.lib.stride_tricks.sliding_window_view(light, 3), axis=-1)
    before = np.abs(triples[edges - GAP - SIDE] - light[edges - GAP - 1])
    after = np.abs(triples[edges + GAP + 2] - light[edges + GAP])
    return np.asarray(np.maximum(before, after) < FLAT * np.abs(size))


def _retouched(photo: Photo, cells: Cells, limits: Mapping[str, float]) -> Flag | None:
    """Hair smoother than the bare board beside it: fibres have been smoothed away."""
    hair, board = fine_contrast(photo, cells)
    if board is None:
        least = limits["flag_contrast_below"]
    else:  # a coarse board can outdo sound hair
        least = min(limits["flag_contrast_ratio_below"] * board, limits["flag_contrast_most"])
    if hair >= least:
        return None
    beside = "" if board is None else f" (the board has {board:.2f})"
    return Flag(
        code="retouched",
        says=f"The hair has been smoothed: neighbouring pixels differ by only {hair:.2f} codes"
        f"{beside}. A beauty filter, noise reduction or strong compression does that, and may have "
        f"changed the colour too.",
        remedy="Switch off beauty, portrait and night modes, and use the camera's own file.",
    )


def fine_contrast(photo: Photo, cells: Cells) -> tuple[float, float | None]:
    """Mean absolute second difference of green in the hair, and over the rest of the frame.

    On an 8-bit scale. Of the rest the calmer tiles count: they are the board. None where too few
    tiles lie clear of the hair's box, in which a filter may have been at work too.
    """
    area = _middle(cells)
    x0, y0 = cells.box[0] + area[1].start, cells.box[1] + area[0].start
    inside = (cells.labels[area] >= 0).astype(np.uint8)
    core = cv2.erode(inside, np.ones((3, 3), np.uint8)) > 0
    finest = _second_difference(photo, (x0, y0, x0 + inside.shape[1], y0 + inside.shape[0]))
    hair = float(finest[core].mean()) if core.any() else 0.0
    width, height = photo.size
    margin = 2 * TILE
    low, high = np.array(cells.box[:2]) - margin, np.array(cells.box[2:]) + margin
    corners = np.array(
        [
            (x, y)
            for y in range(0, height - TILE, max(TILE, height // TILES))
            for x in range(0, width - TILE, max(TILE, width // TILES))
            if not (low[0] < x < high[0] and low[1] < y < high[1])
        ]
    )
    if len(corners) < LEAST_TILES:
        return hair, None
    each = np.arange(TILE)
    columns, rows = (corners[:, axis, None] + each for axis in (0, 1))
    green = _green(photo, codes_at(photo, rows[:, :, None], columns[:, None, :])[..., 1])
    around = green[:, :-2, 1:-1] + green[:, 2:, 1:-1] + green[:, 1:-1, :-2] + green[:, 1:-1, 2:]
    tiles = np.abs(around - 4 * green[:, 1:-1, 1:-1]).mean(axis=(1, 2))
    return hair, float(np.quantile(tiles, CALM_TILES))


def _second_difference(photo: Photo, box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    x0, y0, x1, y1 = box
    green = _green(photo, photo.pixels[y0:y1, x0:x1, 1])
    return np.asarray(np.abs(cv2.Laplacian(green, cv2.CV_32F)), dtype=np.float32)


def _green(photo: Photo, codes: NDArray[np.integer]) -> NDArray[np.float32]:
    """Green codes on an 8-bit tone scale."""
    share = codes.astype(np.float32, order="C") / np.float32(photo.top_code)
    return np.asarray(np.float32(255) * (np.sqrt(share) if photo.encoding.is_linear else share))


def _middle(cells: Cells) -> tuple[slice, slice]:
    """The middle of the box, no more of it than is needed to judge its texture."""
    height, width = cells.labels.shape
    if height >= width:
        rows = min(height, max(LOOKED_AT // width, 64))
        return slice((height - rows) // 2, (height + rows) // 2), slice(0, width)
    columns = min(width, max(LOOKED_AT // height, 64))
    return slice(0, height), slice((width - columns) // 2, (width + columns) // 2)

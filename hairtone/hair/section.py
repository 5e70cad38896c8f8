"""The section of hair along a line that a person gave: the line checked, its outline, its doubts.

No calibration enters: the picker shows the outline before a chart is read, and measuring grows the
same one again from the photo, the line and the width.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import normals, resampled
from hairtone.hair.types import Strand
from hairtone.photo.types import Photo

NARROWEST_PX: Final = 16.0  # of a strip where no outline can be grown
OPEN_SHARE: Final = 0.06  # of the length that a side without an edge may lie off the line
SEEN: Final = 0.6  # of a side's length where its edge is to be seen, or it counts as open
LOOSE: Final = 1.5  # times the side's usual reach where its own edge is not seen
BULGE: Final = 2.0  # times the width nearby: there the outline has run into something else
FEW: Final = 0.05  # of the length where a bulge that was cut back goes unsaid
NEARBY: Final = 20  # stations up and down: a bulge over a third of the length is seen
FAINT: Final = 3.1  # spreads by which what lies beyond a sound side is off the hair
FILLED: Final = 0.95  # of both sides that lie at the stated width: the strip itself is taken
WITHIN: Final = 1.5  # steps that an edge is known to
SHRUNK: Final = 0.9  # of the stated strip; what is narrower is flagged


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """What is measured along a line.

    Attributes
    ----------
    outline : ndarray, shape (n, 2)
        Its corners: one side from roots to ends, the other one back. [pixels, xy]
    width : float
        Median across the line. [pixels]
    is_strip : bool
        The plain strip of that width, not an outline of its own.
    flags : tuple of Flag
        Doubts about the outline.
    """

    outline: Floats
    width: float
    is_strip: bool
    flags: tuple[Flag, ...]


def section_along(photo: Photo, line: Floats, *, width: float | None = None) -> Section:
    """The section of hair along a line: grown over what looks like the hair on the line.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    width : float, optional
        Strip that the outline does not leave; where no outline is found in it, the strip itself.
        Without it sides that show no edge are kept close to the line, with a flag. [pixels]
    """
    sides = grow_sides(photo, line, at_least=0.0 if width is None else width / 2)
    flags: tuple[Flag, ...] = ()
    if width is None:
        reach, flags = _open_sides(sides, line)
    else:
        reach = _limited(sides, width / 2)
    reach, bulges = _without_bulges(reach)
    across = float(np.median(reach.sum(axis=0)))
    if across < NARROWEST_PX and (width is None or across < SHRUNK * width):
        return _strip(sides, width or NARROWEST_PX, (_nothing_alike(across, width),))
    if width is not None and (reach >= width / 2 - 1e-6).mean() > FILLED:
        return _strip(sides, width, ())
    if width is None and not flags:
        flags = (_faint(sides) or _grown(reach),)
    elif width is not None and across < SHRUNK * width:
        flags = (*flags, _inside_strip(across, width))
    if bulges.mean() > FEW:
        flags = (*flags, _bulging(bulges))
    outline = _outline(sides.stations, reach)
    return Section(outline=outline, width=across, is_strip=False, flags=flags)


def section_mask(
    section: Section, *, size: tuple[int, int]
) -> tuple[NDArray[np.bool_], tuple[int, int, int, int]]:
    """The pixels inside a section's outline, and the box x0, y0, x1, y1 they lie in.

    Parameters
    ----------
    section : Section
        From `section_along`.
    size : tuple of int
        Width and height of the photo. [pixels]
    """
    x0, y0 = np.clip(np.floor(section.outline.min(axis=0)).astype(int), 0, np.array(size) - 1)
    x1, y1 = np.clip(np.ceil(section.outline.max(axis=0)).astype(int) + 1, 1, np.array(size))
    canvas = np.zeros((y1 - y0, x1 - x0), np.uint8)
    fixed = np.round((section.outline - [x0, y0]) * 16).astype(np.int32)  # sixteenths of a pixel
    cv2.fillPoly(canvas, [fixed], 1, lineType=cv2.LINE_8, shift=4)
    return canvas.astype(bool), (int(x0), int(y0), int(x1), int(y1))


def _open_sides(sides: Sides, line: Floats) -> tuple[Floats, tuple[Flag, ...]]:
    """Reach of both sides without a stated width; a side that shows no edge stays close."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    reach = sides.reach.copy()
    is_open = sides.is_closed.mean(axis=1) < SEEN
    usual = [
        float(np.median(side[closed])) if closed.any() else np.inf
        for side, closed in zip(sides.reach, sides.is_closed, strict=True)
    ]
    for k in (0, 1):
        if is_open[k]:
            other = np.inf if is_open[1 - k] else usual[1 - k]
            reach[k] = np.minimum(reach[k], min(other, OPEN_SHARE * length))
        else:
            unseen = ~sides.is_closed[k]
            reach[k, unseen] = np.minimum(reach[k, unseen], LOOSE * usual[k])
    if not is_open.any():
        return reach, ()
    return reach, (_edge_not_seen(int(is_open.sum()), float(np.median(reach.sum(axis=0)))),)


def _limited(sides: Sides, half: float) -> Floats:
    """Reach of both sides inside a stated strip; an edge as good as at its border is its border."""
    return np.where(sides.reach > half - WITHIN * sides.step, half, sides.reach)


def _without_bulges(reach: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Reach cut where it leaps out against the width nearby, and where that was."""
    count = reach.shape[1]
    padded = np.pad(reach, ((0, 0), (NEARBY, NEARBY)), mode="edge")
    around = np.stack([padded[:, k : k + count] for k in range(2 * NEARBY + 1)])
    most = BULGE * np.maximum(np.median(around, axis=0), np.median(around.mean(axis=1), axis=0))
    bulges = (reach > most) & (reach > 2.0)
    return np.where(bulges, most / BULGE, reach), np.any(bulges, axis=0)


def _outline(stations: Floats, reach: Floats) -> Floats:
    across = smooth_normals(stations, over=SMOOTH)
    one = stations - reach[0, :, None] * across
    other = stations + reach[1, :, None] * across
    return np.concatenate([one, other[::-1]])


def _strip(sides: Sides, width: float, flags: tuple[Flag, ...]) -> Section:
    half = np.full((2, len(sides.stations)), width / 2)
    outline = _outline(sides.stations, half)
    return Section(outline=outline, width=float(width), is_strip=True, flags=flags)


def _faint(sides: Sides) -> Flag | None:
    if sides.beyond.min() >= FAINT:
        return None
    return Flag(
        code="outline-faint",
        says="What lies beside the hair looks much like it, so the outline may take in a few "
        "pixels of it.",
        remedy="Look at the outline in the picker and set the width of the strip, or lay the hair "
        "on a ground of another lightness.",
    )


def _grown(reach: Floats) -> Flag:
    low, high = np.percentile(reach.sum(axis=0), [5, 95])
    return Flag(
        code="outline-grown",
        says=f"We measured what looks like the hair on the line, {low:.0f} to {high:.0f} pixels "
        f"wide.",
        remedy="Look at it in the picker, and set the width of the strip where it is not right.",
        is_note=True,
    )


def _inside_strip(across: float, width: float) -> Flag:
    return Flag(
        code="outline-grown",
        says=f"The strip is wider than the hair. We measured only the hair: {across:.0f} of "
        f"{width:.0f} pixels on average.",
        remedy="Look at the outline in the picker; move the line if it misses hair.",
        is_note=True,
    )


def _edge_not_seen(count: int, width: float) -> Flag:
    where = "one side" if count == 1 else "either side"
    return Flag(
        code="outline-open",
        says=f"We could not see where the hair ends on {where} of the line. We measured a strip of "
        f"{width:.0f} pixels along it.",
        remedy="Look at the outline in the picker and set the width of the strip.",
    )


def _bulging(bulges: NDArray[np.bool_]) -> Flag:
    at = np.flatnonzero(bulges) / len(bulges)
    return Flag(
        code="outline-bulge",
        says=f"Something as light and as coloured as the hair lies beside it between "
        f"{100 * at[0]:.0f} and {100 * at[-1]:.0f} % of the length. We left it out.",
        remedy="Look at the outline in the picker, and set the width of the strip.",
        is_note=True,
    )


def _nothing_alike(across: float, width: float | None) -> Flag:
    taken = f"We measured a strip of {width or NARROWEST_PX:.0f} pixels along the line."
    return Flag(
        code="outline-none",
        says=f"What lies on the line is only {across:.0f} pixels wide. {taken}",
        remedy="Draw the line through the middle of the hair, on hair only; go nearer if the hair "
        "is small in the photo.",
    )


# All our choice, in lengths of the line or in steps across it; drawn heads and real photos.
STATIONS: Final = 60  # along the line; one for each bin of a profile
ROWS: Final = 4  # looked at for each station
STEPS: Final = 60  # across the line on either side, as far as `WIDEST`
WIDEST: Final = 0.5  # of the length, both sides together: a section, not an area
CORE: Final = 1  # step beside the line that is hair for certain: the thinnest lock is five wide
ALONG: Final = 4  # stations up and down whose core a place may look like: a slanting border
STRANDS: Final = (0.1, 0.5, 0.9)  # of the lightness at the line: dark, middling, light strands
WIDER: Final = 1.5  # times the core's own spread: hair beside it varies more
POOLED: Final = 5  # stations over which the core's own spread is pooled
UNLIKE: Final = 2.4  # spreads off the core from which on a place is not its hair
MOST_UNLIKE: Final = 6.0
APART: Final = 2  # steps from an end: what lies on either side of it
BESIDE: Final = 6
RISE: Final = 14.0  # four steps in a row that are not hair at all end it, whatever lies beyond
BEYOND: Final = 2.0  # cost of each step beyond that end: no path pays it
SMOOTH: Final = 5  # stations to either side that a corner of the line is rounded over
STIFF: Final = 2.0  # cost of a side moving one step from station to station
LIGHT_SHARE: Final = 0.09  # of its lightness that hair varies by, as it turns from the lamp
LEAST_SPREAD: Final = np.array([0.035, 0.014, 0.014, 0.35])  # lightness, two tints, log of fibres
NOISE: Final = 1.5 / 255  # encoded; fibres fainter than a camera's noise are none
TALLEST_PX: Final = 2400  # of what is looked at; larger photos are reduced to it

Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sides:
    """How far hair reaches on either side of a line.

    Attributes
    ----------
    stations : ndarray, shape (60, 2)
        Places along the line, roots first. [pixels, xy]
    reach : ndarray, shape (2, 60)
        From the line to its negative and to its positive side, as `normals` has it. [pixels]
    is_closed : ndarray of bool, shape (2, 60)
        Whether an end of the hair was seen there; elsewhere the reach is the limit.
    beyond : ndarray, shape (2,)
        Spreads by which what lies just beyond is off the hair, at most 6.
    limit : float
        Farthest that was looked. [pixels]
    step : float
        How finely it was looked. [pixels]
    """

    stations: Floats
    reach: Floats
    is_closed: NDArray[np.bool_]
    beyond: Floats
    limit: float
    step: float


def grow_sides(photo: Photo, line: Floats, *, at_least: float = 0.0) -> Sides:
    """How far the hair along a line reaches on either side of it.

    A place across the line is hair while it looks like the hair at the line nearby, in lightness,
    tint and fibres; the colour may change along the line as it will. The sides are the smooth
    pair of curves that best part what does from what does not.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    at_least : float, optional
        Look at least so far to either side; else a quarter of the length. [pixels]
    """
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    step = WIDEST * length / 2 / STEPS
    steps = max(STEPS, int(np.ceil(at_least / step)))
    unlike = _unlikeness(_looks(photo, line, step, steps))
    found = [_refined(unlike[:, steps::-1]), _refined(unlike[:, steps:])]
    return Sides(
        stations=resampled(np.asarray(line, np.float64), points=STATIONS),
        reach=np.array([_steady(at) * step for at, _, _ in found]),
        is_closed=np.array([is_closed for _, is_closed, _ in found]),
        beyond=np.array([beyond for _, _, beyond in found]),
        limit=steps * step,
        step=step,
    )


def _looks(photo: Photo, line: Floats, step: float, steps: int) -> Floats:
    """Lightness, tints and fibres along and across, shape (60, 4, 2 steps + 1, 4); NaN outside."""
    reach = step * steps
    size = np.array(photo.size)
    low = np.clip(np.floor(line.min(axis=0) - reach - 8).astype(int), 0, size - 1)
    high = np.clip(np.ceil(line.max(axis=0) + reach + 9).astype(int), 1, size)
    part = photo.pixels[low[1] : high[1], low[0] : high[0], :3]
    values: Picture = np.asarray(part / np.float32(photo.top_code), np.float32)
    if photo.encoding.is_linear:
        values = np.asarray(np.sqrt(values), np.float32)
    shrink = min(1.0, TALLEST_PX / max(values.shape[:2]))
    if shrink < 1:
        smaller = cv2.resize(values, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        values = np.asarray(smaller, np.float32)
    picture = _features(values, max(1.0, step * shrink))
    rows = resampled(np.asarray(line, np.float64), points=STATIONS * ROWS)
    across = smooth_normals(rows, over=SMOOTH * ROWS)
    offsets = (np.arange(2 * steps + 1) - steps) * step
    places = rows[:, None] + offsets[None, :, None] * across[:, None]
    inside = np.all((places >= -0.5) & (places <= size - 0.5), axis=2)
    xy = ((places - low + 0.5) * shrink - 0.5).astype(np.float32)
    looks = cv2.remap(picture, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    looks = np.where(inside[..., None], looks, np.nan)
    return np.asarray(looks.reshape(STATIONS, ROWS, 2 * steps + 1, 4), np.float64)


def smooth_normals(line: Floats, *, over: int) -> Floats:
    """Unit normals along a line, its corners rounded over so many points to either side."""
    padded = np.pad(normals(line), ((over, over), (0, 0)), mode="edge")
    around = np.stack([padded[k : k + len(line)] for k in range(2 * over + 1)])
    mean = around.mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean, axis=1, keepdims=True))


def _features(values: Picture, step: float) -> Picture:
    """Lightness, two tints, and how strong the fibres are, averaged over a step."""
    total = values.sum(axis=2)
    grey = total / 3
    tint = (values[..., ::2] - values[..., 1:2]) / (total + np.float32(0.15))[..., None]
    fine = grey - cv2.GaussianBlur(grey, (0, 0), 2.0)
    size = 2 * round(1.5 * step) + 1
    power = cv2.blur(fine * fine, (size, size))
    # against its own light: a shadow dims fibres as it dims all else
    fibres = 0.5 * np.log(power + np.float32(NOISE**2)) - np.log(grey + np.float32(0.05))
    blurred = cv2.GaussianBlur(np.dstack([grey, tint]), (0, 0), max(0.6, 0.5 * step))
    return np.asarray(np.dstack([blurred, fibres]), np.float32)


def _unlikeness(looks: Floats) -> Floats:
    """How many spreads each place is off the hair at the line, shape (60, n), at most 6."""
    at_line = looks.shape[2] // 2
    core = looks[:, :, at_line - CORE : at_line + CORE + 1].reshape(STATIONS, -1, 4)
    middle = np.nanmedian(core, axis=1)
    spread = _spread(core, middle)
    seen = np.median(looks, axis=1)  # a place outside the frame is no hair
    nearest = np.full(seen.shape[:2], np.inf)
    for light in np.nanquantile(core[..., 0], STRANDS, axis=1):
        strand = np.concatenate([light[:, None], middle[:, 1:]], axis=1)
        for shift in range(-ALONG, ALONG + 1):
            at = np.clip(np.arange(STATIONS) + shift, 0, STATIONS - 1)
            pull = (seen - strand[at, None]) / spread[at, None]
            pull[..., 3] = np.minimum(pull[..., 3], 0.0)  # any sharp edge has more of them
            nearest = np.minimum(nearest, np.sqrt((pull**2).sum(axis=2)))
    return np.where(np.isnan(nearest), MOST_UNLIKE, np.minimum(nearest, MOST_UNLIKE))


def _spread(core: Floats, middle: Floats) -> Floats:
    """Spread of what counts as the same hair at each station, shape (60, 4)."""
    off = np.abs(core - middle[:, None])
    padded = np.pad(off, ((POOLED, POOLED), (0, 0), (0, 0)), mode="edge")
    pooled = np.stack([padded[k : k + STATIONS] for k in range(2 * POOLED + 1)], axis=1)
    spread = 1.4826 * np.nanmedian(pooled.reshape(STATIONS, -1, 4), axis=1)
    least = np.tile(LEAST_SPREAD, (STATIONS, 1))
    least[:, 0] = np.maximum(least[:, 0], LIGHT_SHARE * middle[:, 0])
    return np.maximum(WIDER * spread, least)


def _refined(unlike: Floats) -> tuple[NDArray[np.intp], NDArray[np.bool_], float]:
    """Step at which hair ends at each station, whether that end was seen, and how it stands out.

    What lies beyond a faint end is hardly less like the hair than what still counts as hair: the
    end is then laid half way between what lies on either side of it.
    """
    at, is_closed = _side(unlike, UNLIKE)
    inner, beyond = _levels(unlike, at)
    between = (inner + beyond) / 2
    if is_closed.any() and between < UNLIKE:
        at, is_closed = _side(unlike, between)
    return at, is_closed, beyond


def _levels(unlike: Floats, at: NDArray[np.intp]) -> tuple[float, float]:
    """Median unlikeness inside ends and just beyond them."""
    away = np.arange(unlike.shape[1]) - at[:, None]
    inside, outside = unlike[away < -APART], unlike[(away >= APART) & (away < BESIDE)]
    beyond = float(np.median(outside)) if outside.size else MOST_UNLIKE
    return float(np.median(inside)) if inside.size else 0.0, beyond


def _side(unlike: Floats, limit: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Step at which hair ends at each station, and whether that end was seen.

    Parameters
    ----------
    unlike : ndarray, shape (60, n)
        From the line outwards.
    limit : float
        Unlikeness from which on a place is no hair.
    """
    gain = np.cumsum(unlike[:, 1:] - limit, axis=1)
    cost = np.concatenate([np.zeros((len(gain), 1)), gain], axis=1)
    rise = cost - np.minimum.accumulate(cost, axis=1)
    ended = np.maximum.accumulate(rise > RISE, axis=1)
    cost = np.where(ended, cost + 4 * RISE + BEYOND * np.arange(cost.shape[1]), cost)
    at = _smoothest(cost)
    return at, np.any(ended, axis=1)


def _steady(values: NDArray[np.intp]) -> Floats:
    """Running median of five: one strand that sticks out, or in, does not make a side."""
    padded = np.pad(values, 2, mode="edge")
    return np.median(np.stack([padded[k : k + len(values)] for k in range(5)]), axis=0)


def _smoothest(cost: Floats) -> NDArray[np.intp]:
    """The path along stations that costs least, each step across costing `STIFF`."""
    count, steps = cost.shape
    move = STIFF * np.abs(np.arange(steps)[:, None] - np.arange(steps)[None, :])
    best, origin = cost[0], np.zeros((count, steps), dtype=np.intp)
    for k in range(1, count):
        way = best[:, None] + move
        origin[k] = way.argmin(axis=0)
        best = way.min(axis=0) + cost[k]
    path = np.empty(count, dtype=np.intp)
    path[-1] = best.argmin()
    for k in range(count - 1, 0, -1):
        path[k - 1] = origin[k][path[k]]
    return path


PLACES: Final = 200  # of a line that are looked at
ON_CHART: Final = 0.02  # of a line that may touch the chart: how exactly its corners are known
FRAME: Final = 1.08  # the chart with the dark frame around its patches, against the patches alone
SPARSE: Final = 4  # pixels between those of a mask that are looked at
OFF_LINE: Final = 0.02  # of the length that a mark may lie beside its line; our choice
DRAW_AGAIN = "Draw the line again, roots first, inside the picture."


def check_line(photo: Photo, line: ArrayLike) -> Floats:
    """The line as float64 points, repeated points left out.

    Raises
    ------
    HairError
        Not two or more finite points, or a point outside the photo.
    """
    try:
        points = np.asarray(line, dtype=np.float64)
    except (TypeError, ValueError):
        points = np.empty(0)
    if points.ndim != 2 or points.shape[1:] != (2,) or not np.isfinite(points).all():
        raise _malformed(photo, "The line is not a list of x,y points")
    moved = np.concatenate([[True], np.any(np.diff(points, axis=0) != 0, axis=1)])
    points = points[moved] if len(points) else points
    if len(points) < 2:
        raise _malformed(photo, f"The line has {len(points)} different points, two are needed")
    width, height = photo.size
    outside = ~((points >= -0.5) & (points <= np.array([width, height]) - 0.5)).all(axis=1)
    if outside.any():
        x, y = points[outside][0]
        raise HairError(
            "line-outside",
            f"{int(outside.sum())} of {len(points)} points of the line lie outside the photo of "
            f"{width} x {height} pixels, the first at {x:.0f},{y:.0f}.",
            where=photo.name,
            remedy=f"Give pixels of the upright photo at full size. {DRAW_AGAIN}",
        )
    return points


def refuse_on_chart(photo: Photo, line: ArrayLike, corners: Floats) -> None:
    """Refuse a line that runs over the chart: patches are no hair.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : array_like, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    corners : ndarray, shape (4, 2)
        Of the patch field, in order around it. [pixels, xy]

    Raises
    ------
    HairError
        ``line-on-chart``; or as `check_line`.
    """
    on_chart = _share_inside(resampled(check_line(photo, line), points=PLACES), corners)
    if on_chart > ON_CHART:
        raise HairError(
            "line-on-chart",
            f"{100 * on_chart:.0f} % of the line lies on the colour chart.",
            where=photo.name,
            remedy="Draw the line on the hair; lay hair and chart side by side.",
        )


def outline_on_chart(strand: Strand, corners: Floats) -> tuple[Flag, ...]:
    """A doubt where a strand's outline has run over the chart or its frame.

    Parameters
    ----------
    strand : Strand
        Along a given line.
    corners : ndarray, shape (4, 2)
        Of the patch field, in order around it. [pixels, xy]
    """
    if strand.mask is None:
        return ()
    ys, xs = np.nonzero(strand.mask[::SPARSE, ::SPARSE])
    places = np.stack([xs, ys], axis=1) * float(SPARSE) + np.array(strand.box[:2])
    middle = corners.mean(axis=0)
    share = _share_inside(places, middle + FRAME * (corners - middle))
    if share <= ON_CHART:
        return ()
    return (
        Flag(
            code="outline-on-chart",
            says=f"{100 * share:.0f} % of what was measured lies on the colour chart or its frame.",
            remedy="Set the width of the strip in the picker, or lay the chart farther away.",
        ),
    )


def _share_inside(places: Floats, corners: Floats) -> float:
    """Share of points inside a convex four-sided outline, whichever way it runs."""
    sides = np.roll(corners, -1, axis=0) - corners
    gaps = places[:, None] - corners
    turn = sides[:, 0] * gaps[..., 1] - sides[:, 1] * gaps[..., 0]
    inside = np.all(turn > 0, axis=1) | np.all(turn < 0, axis=1)
    return float(np.mean(inside)) if len(inside) else 0.0


def after_regrowth(photo: Photo, line: Floats, mark: ArrayLike) -> tuple[Floats, float]:
    """The line from where new growth ends, and the length that was left out. [pixels]

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line, roots first. [pixels, xy]
    mark : array_like, shape (2,)
        Point on the line where new growth ends. [pixels, xy]

    Raises
    ------
    HairError
        ``regrowth-off-line``: the mark lies beside the line. ``regrowth-all``: at or beyond its
        ends, so that no hair is left.
    """
    point = np.asarray(mark, dtype=np.float64).reshape(2)
    steps = np.diff(line, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    share = np.clip(((point - line[:-1]) * steps).sum(axis=1) / lengths**2, 0, 1)
    feet = line[:-1] + share[:, None] * steps
    away = np.linalg.norm(feet - point, axis=1)
    at = int(away.argmin())
    if not away[at] <= max(OFF_LINE * lengths.sum(), 2.0):
        raise HairError(
            "regrowth-off-line",
            f"The mark where new growth ends ({point[0]:.0f},{point[1]:.0f}) lies "
            f"{away[at]:.0f} pixels beside the line.",
            where=photo.name,
            remedy="Set the mark on the line itself, in the picker.",
        )
    grown = float(lengths[:at].sum() + share[at] * lengths[at])
    if grown > lengths.sum() - 1.0:
        raise HairError(
            "regrowth-all",
            "The mark where new growth ends lies at the line's ends: no coloured hair is left.",
            where=photo.name,
            remedy="Set the mark where new growth ends, or turn the line round: roots first.",
        )
    rest = np.concatenate([feet[at : at + 1], line[at + 1 :]])
    moved = np.concatenate([[True], np.any(np.abs(np.diff(rest, axis=0)) > 1e-9, axis=1)])
    return rest[moved], grown


def _malformed(photo: Photo, says: str) -> HairError:
    return HairError(
        "line-malformed",
        f"{says}.",
        where=photo.name,
        remedy=f"Give 'x,y x,y …', roots first. {DRAW_AGAIN}",
    )

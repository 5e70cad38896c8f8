"""A section's outline grown from a line: how far the hair beside the line reaches on either side.

No calibration enters: the picker shows the outline before a chart is read, and measuring grows the
same one again from the photo, the line and the width.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.hair.centre import normals, resampled
from hairtone.photo.types import Photo

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

"""Places of a hair that are none: gaps, and what is board or clamp at its ends."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.hair.colours import CellSums
from hairtone.reference import read_limits

# All our choice, of log light from one sixtieth of the length to the next
STEP: Final = 0.35  # no dye changes so at the very end of a hair
CALM: Final = 0.12  # the hair beside the step
MOST: Final = 2  # places that may be left out at an end
LONGEST: Final = 15  # places before a step that may be clamp or new growth
BEHIND: Final = 6  # places behind it that are asked
SMALL: Final = 0.12  # of log light: no step worth telling
SHARP: Final = 5.0  # times what the light varies by on either side: no band of shine rises so
INSIDE: Final = 3  # places that the first or last one is held against, its neighbour left out
STEPPED: Final = (  # either end, what may be there and what to do
    (
        "first",
        "new growth, or what holds the hair",
        "Mark where new growth ends (in the picker, or column 'regrowth'), or draw the line on the "
        "hair alone.",
    ),
    (
        "last",
        "a tie or clamp, or new growth where roots and ends are the other way round",
        "Draw the line on the hair alone. If the roots lie there, draw it from them, or say on "
        "which side they are ('roots').",
    ),
)
USUAL: Final = 0.9  # of the places inside lie no further off those behind them; our choice


def without_gaps(
    sums: CellSums, over: NDArray[np.bool_] | None = None
) -> tuple[CellSums, tuple[Flag, ...]]:
    """The sums with places that show no hair as the nearest that does, and what is said of it.

    Parameters
    ----------
    sums : CellSums
        Pixels of the cells.
    over : ndarray of bool, shape (60,), optional
        Places that something lies over.
    """
    is_out = sums.count.sum(axis=(1, 2)) == 0
    if over is not None:
        is_out = is_out | over
    shown = np.flatnonzero(~is_out)
    if not is_out.any() or not len(shown):
        return sums, ()
    nearest = shown[np.abs(np.arange(len(is_out))[:, None] - shown).argmin(axis=1)]
    places = np.flatnonzero(is_out) / len(is_out)
    flag = Flag(
        code="places-empty",
        says=f"Between {100 * places[0]:.0f} and {100 * (places[-1] + 1 / len(is_out)):.0f} % of "
        f"the length {int(is_out.sum())} of {len(is_out)} places show no hair: a tie, a ribbon, a "
        f"clip or a gap. We left them out; they stand as their neighbours.",
        remedy="Take off what lies across the hair, or draw the line where it is whole.",
        is_note=bool(is_out.mean() <= read_limits("hair")["flag_left_out_above"]),
    )
    kept = dataclasses.replace(sums, count=sums.count[nearest], light=sums.light[nearest])
    return kept, (flag,)


def without_strange_ends(sums: CellSums) -> tuple[CellSums, tuple[Flag, ...]]:
    """The sums with places that are no hair replaced by the nearest that is, and the note of it."""
    pixels = np.maximum(sums.count.sum(axis=(1, 2)), 1.0)
    logs = np.log(np.maximum(sums.light.sum(axis=(1, 2, 3)) / pixels, 1e-9))
    taken = np.arange(len(logs))
    first, last = _strange(logs), _strange(logs[::-1])
    taken[:first] = first
    taken[len(logs) - last :] = len(logs) - last - 1
    if first + last == 0:
        return sums, ()
    places = [f"the first {first}"] * (first > 0) + [f"the last {last}"] * (last > 0)
    note = Flag(
        code="ends-left-out",
        says=f"We left out {' and '.join(places)} of {len(logs)} places along the hair: a clamp or "
        f"the board. They stand as their neighbours.",
        remedy="Begin the line below what holds the hair, and end it where the hair is still full.",
        is_note=True,
    )
    kept = dataclasses.replace(sums, count=sums.count[taken], light=sums.light[taken])
    return kept, (note,)


def _strange(logs: Floats) -> int:
    """How many places at the start stand off by a step from calm hair behind them."""
    for count in range(MOST, 0, -1):
        behind = np.abs(np.diff(logs[count : count + 4])).max()
        if abs(logs[count] - logs[count - 1]) > STEP and behind < CALM:
            return count
    return 0


def end_step_flags(sums: CellSums) -> tuple[Flag, ...]:
    """A doubt where the light steps sharply between calm places not far from an end.

    A clamp in an outline looks like that, and so does new growth without a mark.
    """
    pixels = np.maximum(sums.count.sum(axis=(1, 2)), 1.0)
    logs = np.log(np.maximum(sums.light.sum(axis=(1, 2, 3)) / pixels, 1e-9))
    flags = []
    for (which, cause, remedy), way in zip(STEPPED, (logs, logs[::-1]), strict=True):
        count, step = _sharpest(way)
        if count == 0:
            continue
        flags.append(
            Flag(
                code="end-step",
                says=f"The {which} {100 * count / len(logs):.0f} % of the hair differ from the "
                f"rest by {100 * abs(np.expm1(step)):.0f} % in light, at one sharp step: {cause}. "
                f"We measured them as hair.",
                remedy=remedy,
            )
        )
    return tuple(flags)


def _sharpest(logs: Floats) -> tuple[int, float]:
    """Places before the sharpest step, and its log light; 0 places where there is none."""
    found, best = (0, 0.0), SHARP
    if np.ptp(logs[: LONGEST + 1 + BEHIND]) <= SMALL:
        return found
    for count in range(2, LONGEST + 1):
        before, behind = logs[: max(count - 1, 2)], logs[count + 1 : count + 1 + BEHIND]
        step = float(np.median(logs[:count]) - np.median(behind))
        sharp = abs(step) / max(np.ptp(before), np.ptp(behind), 1e-9)
        if abs(step) > SMALL and sharp > best:
            found, best = (count, step), sharp
    return found


def end_limits(body: Floats) -> Floats:
    """How far off the places inside lie from those behind them, seen from either end, shape (2,).

    Parameters
    ----------
    body : ndarray, shape (bins, 3)
        Light along the hair.
    """
    sizes = [np.linalg.norm(_off(way), axis=-1)[1:] for way in (body, body[::-1])]
    return np.asarray(np.quantile(sizes, USUAL, axis=1))


def with_ends_held(body: Floats, limits: Floats) -> Floats:
    """Light along the hair, its first and last place no further off than the limits say.

    Fibres of different length let board through at the ends, and a clamp casts its shadow: what
    the outermost sixtieth differs by, beyond what places inside do, is not the hair's.

    Parameters
    ----------
    body : ndarray, shape (..., bins, 3)
        Light.
    limits : ndarray, shape (2,)
        From `end_limits`.
    """
    held = body.copy()
    for way, limit in ((held, limits[0]), (held[..., ::-1, :], limits[1])):
        off = _off(way[..., : INSIDE + 2, :])[..., 0, :]
        size = np.linalg.norm(off, axis=-1, keepdims=True)
        too_far = 1 - np.minimum(limit / np.maximum(size, 1e-9), 1.0)
        behind = way[..., 2 : INSIDE + 2, :].mean(axis=(-2, -1))[..., None]
        way[..., 0, :] -= too_far * off * behind
    return np.asarray(held)


def _off(body: Floats) -> Floats:
    """Each place less the mean of those behind its neighbour, over their luminance."""
    around = np.lib.stride_tricks.sliding_window_view(body[..., 2:, :], INSIDE, axis=-2)
    behind = around.mean(axis=-1)
    light = np.maximum(behind.mean(axis=-1, keepdims=True), 1e-9)
    return np.asarray((body[..., : behind.shape[-2], :] - behind) / light)

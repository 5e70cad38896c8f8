"""First and last places that are no hair: the clamp inside a line that was drawn too long."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.hair.colours import CellSums

# All our choice, of log light from one sixtieth of the length to the next
STEP: Final = 0.35  # no dye changes so at the very end of a hair
CALM: Final = 0.12  # the hair beside the step
MOST: Final = 2  # places that may be left out at an end


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
        says=f"Of {len(logs)} places along the hair {' and '.join(places)} differ from their "
        f"neighbours by more than a third of their light at one step: a clamp or the board. They "
        f"were left out, and stand as their neighbours.",
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

"""How many repeats a wanted precision takes, as a table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

_MOST: Final = 1000  # repeats; nobody photographs more; our choice


def repeats_needed(sd: float, *, goal: float) -> int | None:
    """The smallest number of repeats whose mean has a 95 % interval within ± `goal`.

    Smallest n with t(0.975, n - 1)·sd/√n <= goal; None above a thousand.

    Parameters
    ----------
    sd : float
        Standard deviation of one reading.
    goal : float
        Half-width wanted, in the units of `sd`.
    """
    from scipy.stats import t

    if not (sd > 0 and goal > 0):
        raise ValueError(f"sd is {sd} and goal {goal}; both must be above 0.")
    for count in range(2, _MOST + 1):
        if t.ppf(0.975, count - 1) * sd / math.sqrt(count) <= goal:
            return count
    return None


def repeats_table(spreads: Sequence[float], *, goal: float) -> Any:
    """Repeats needed for each spread: sd, goal, repeats.

    Parameters
    ----------
    spreads : sequence of float
        Standard deviations of one reading.
    goal : float
        Half-width wanted of the 95 % interval.
    """
    import pandas as pd

    rows = [
        {"sd": sd, "goal": goal, "repeats": repeats_needed(sd, goal=goal)} for sd in spreads if sd
    ]
    return pd.DataFrame(rows, columns=["sd", "goal", "repeats"])

"""How many repeats a wanted precision takes, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hairtone.measures.repeatability import repeats_needed


def repeats_table(spreads: Sequence[float], *, goal: float) -> Any:
    """Repeats needed for each spread: sd, goal, repeats.

    Parameters
    ----------
    spreads : sequence of float
        Standard deviations of one reading.
    goal : float
        Half-width wanted of the 95 % interval, in the same units.
    """
    import pandas as pd

    rows = [
        {"sd": sd, "goal": goal, "repeats": repeats_needed(sd, half_width=goal)}
        for sd in spreads
        if sd
    ]
    return pd.DataFrame(rows, columns=["sd", "goal", "repeats"])

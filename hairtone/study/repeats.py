"""Rows of the table of repeats: how far re-combing and re-shooting, operators and days scatter."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from hairtone.errors import MeasureError
from hairtone.measures.repeatability import ScatterOf, measure_repeatability, scatter
from hairtone.study.hair_tables import Row

AXES: Final = ("L", "a", "b")
FACTORS: Final = ("operator", "day")  # what repeats may be told apart by, besides the lay
_Key = tuple[str, ...]


def repeat_rows(measurements: Sequence[Row], evenness: Sequence[Row]) -> Iterator[Row]:
    """One row per measure, zone and factor; none without repeats.

    Parameters
    ----------
    measurements, evenness : sequence of rows
        With ``operator`` and ``day`` beside the columns of their tables.
    """
    for zone in dict.fromkeys(row["zone"] for row in measurements):
        for axis in AXES:
            told = [row | {"value": row[axis]} for row in measurements if row["zone"] == zone]
            yield from _rows_of(told, measure=axis, zone=zone)
    told = [row for row in evenness if row["measure"] == "root_to_ends"]
    yield from _rows_of(told, measure="root_to_ends", zone="")


def _rows_of(rows: Sequence[Row], *, measure: str, zone: str) -> Iterator[Row]:
    found = [_of_lays(rows), *(_of_factor(rows, factor) for factor in FACTORS)]
    for told in found:
        if told is not None:
            yield {
                "measure": measure,
                "zone": zone,
                "factor": told.factor,
                "sd": told.sd,
                "low": told.low,
                "high": told.high,
                "n": told.n,
            }


def _state(row: Row) -> _Key:
    """One hair at one wash: what repeats are repeats of."""
    return row["subject"], row["section"], row["wash"]


def _lay_means(rows: Sequence[Row]) -> dict[tuple[_Key, Any], tuple[float, Row]]:
    """Mean over the photos of each lay: photos of one lay are no repeats of the laying."""
    lays: dict[tuple[_Key, Any], list[Row]] = defaultdict(list)
    for row in rows:
        lays[_state(row), row["replicate"]].append(row)
    return {
        key: (float(np.mean([row["value"] for row in found])), found[0])
        for key, found in lays.items()
    }


def _of_lays(rows: Sequence[Row]) -> ScatterOf | None:
    """Scatter of lays within a state, pooled over states."""
    groups: dict[_Key, list[float]] = defaultdict(list)
    for (state, _), (value, _) in _lay_means(rows).items():
        groups[state].append(value)
    repeated = [np.array(values) for values in groups.values() if len(values) > 1]
    freedom = sum(len(values) - 1 for values in repeated)
    if not freedom:
        return None
    squares = sum(float(((values - values.mean()) ** 2).sum()) for values in repeated)
    return scatter(squares / freedom, freedom, factor="repeat", n=freedom + len(repeated))


def _of_factor(rows: Sequence[Row], factor: str) -> ScatterOf | None:
    """Scatter between operators or days that measured the same states."""
    states: dict[_Key, list[tuple[str, float]]] = defaultdict(list)
    for (state, _), (value, row) in _lay_means(rows).items():
        if row.get(factor):
            states[state].append((str(row[factor]), value))
    groups: dict[str, list[float]] = defaultdict(list)
    for told in states.values():
        if len({name for name, _ in told}) > 1:
            middle = np.mean([value for _, value in told])
            for name, value in told:
                groups[name].append(float(value - middle))
    try:
        found = measure_repeatability(
            list(groups.values()), names=("repeat", factor, "reproducibility")
        )
    except MeasureError:
        return None  # no state was measured by two of them, or none twice
    return found.between

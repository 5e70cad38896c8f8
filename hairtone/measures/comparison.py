"""Treatments against each other, the tress as the unit that counts.

References
----------
.. [1] D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680, doi:10.1007/BF01068419.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.mixed import MixedFit, Reading, fit_mixed
from hairtone.measures.significance import (
    ALPHA,
    holm,
    paired_difference,
    welch_difference,
)
from hairtone.measures.words import Shown
from hairtone.uncertainty import COVERAGE

ENOUGH_PAIRS: Final = 12  # from here on the mixed model decides; our choice, after simulations
_RESAMPLES: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(Shown):
    """One figure of two treatments.

    Attributes
    ----------
    measure, zone, wash : str
        What is compared, where and when.
    treatment_a, treatment_b : str
        The two.
    difference : float
        Mean of a less mean of b.
    low, high : float or None
        95 % interval; None where one treatment has a single tress.
    bootstrap : tuple of float or None
        95 % percentile interval by resampling tresses, then photos; beside the other, for
        comparison: with few pairs it is too narrow.
    p, p_holm : float or None
        Of no difference, and raised for the pairs of treatments compared.
    p_equivalent : float or None
        Of a difference beyond the margin [1]_; None without margin.
    margin : float or None
        What counts as equal.
    n_a, n_b : int
        Tresses.
    method : str
        ``"paired t"``, ``"Welch t"`` or ``"mixed model"``.
    verdict : str
        In words.
    """

    measure: str
    zone: str
    wash: str
    treatment_a: str
    treatment_b: str
    difference: float
    n_a: int
    n_b: int
    method: str
    low: float | None = None
    high: float | None = None
    bootstrap: tuple[float, float] | None = None
    p: float | None = None
    p_holm: float | None = None
    p_equivalent: float | None = None
    margin: float | None = None
    verdict: str = ""

    @property
    def is_resolved(self) -> bool:
        """Whether the two differ, all pairs of treatments taken into account."""
        return self.p_holm is not None and self.p_holm < ALPHA

    @property
    def is_equivalent(self) -> bool:
        """Whether the two are equal within the margin."""
        return self.p_equivalent is not None and self.p_equivalent < ALPHA

    def to_frame(self) -> Any:
        """One row, columns as comparison.csv, method and bootstrap after them."""
        return comparisons_frame([self])


def comparisons_frame(found: Sequence[Comparison]) -> Any:
    """Table of comparisons, columns as comparison.csv, method and bootstrap after them.

    A difference without an interval is left out: the verdict says why there is none.
    """
    import pandas as pd

    names = (
        "measure", "zone", "wash", "treatment_a", "treatment_b", "difference", "low", "high",
        "p_holm", "margin", "verdict", "n_a", "n_b", "method",
    )  # fmt: skip
    rows = []
    for c in found:
        first, last = c.bootstrap or (None, None)
        row = {name: getattr(c, name) for name in names}
        row["difference"] = None if c.low is None else c.difference
        rows.append({**row, "bootstrap_low": first, "bootstrap_high": last})
    return pd.DataFrame(rows, columns=[*names, "bootstrap_low", "bootstrap_high"])


def compare_treatments(
    readings: Sequence[Reading],
    *,
    measure: str,
    margin: float | None = None,
    order: Sequence[str] = (),
) -> tuple[Comparison, ...]:
    """Every pair of treatments, in every zone and after every wash.

    Repeats of a tress are averaged first: the tress counts once. Where hairs are paired, pairs
    are differenced. From 12 tresses or pairs on the mixed model decides, below that the t test.

    Parameters
    ----------
    readings : sequence of Reading
        Of one measure.
    measure : str
        Its name.
    margin : float, optional
        Difference that counts as equal.
    order : sequence of str, optional
        Treatments in the order wanted.

    Raises
    ------
    MeasureError
        ``one-treatment``: there is nothing to compare.
    """
    known = list(dict.fromkeys(r.treatment for r in readings))
    known.sort(key=lambda t: list(order).index(t) if t in order else len(order))
    if len(known) < 2:
        raise MeasureError(
            "one-treatment",
            f"{'Only ' + known[0] if known else 'No treatment'} was measured: {measure}.",
            remedy="A comparison needs two treatments or more; name them in the sheet.",
        )
    mixed = fit_mixed(readings) if _is_enough(readings, known) else None
    found: list[Comparison] = []
    for zone, wash in dict.fromkeys((r.zone, r.wash) for r in readings):
        cell = [r for r in readings if (r.zone, r.wash) == (zone, wash)]
        pairs = [
            _compare(cell, pair, measure, mixed, margin)
            for pair in combinations(known, 2)
            if set(pair) <= {r.treatment for r in cell}
        ]
        found.extend(_judged(pairs))
    return tuple(found)


def _is_enough(readings: Sequence[Reading], treatments: Sequence[str]) -> bool:
    counts = [len({r.tress for r in readings if r.treatment == t}) for t in treatments]
    return min(counts) >= ENOUGH_PAIRS


def _compare(
    cell: Sequence[Reading],
    treatments: tuple[str, str],
    measure: str,
    mixed: MixedFit | None,
    margin: float | None,
) -> Comparison:
    """One pair of treatments in one zone after one wash."""
    first, second = treatments
    one, two = (_by_unit(cell, treatment) for treatment in treatments)
    shared = [unit for unit in one if unit in two and unit[0]]
    is_paired = len(shared) >= 2
    if is_paired:
        one, two = ({unit: side[unit] for unit in shared} for side in (one, two))
    means = [np.array([np.mean(v) for v in side.values()]) for side in (one, two)]
    plain = Comparison(
        measure=measure,
        zone=cell[0].zone,
        wash=cell[0].wash,
        treatment_a=first,
        treatment_b=second,
        difference=float(means[0].mean() - means[1].mean()),
        n_a=len(one),
        n_b=len(two),
        method="paired t" if is_paired else "Welch t",
        margin=margin,
    )
    if min(len(one), len(two)) < 2:
        return plain
    told = paired_difference(*means) if is_paired else welch_difference(*means)
    if mixed is not None:
        told = mixed.difference(*((t, plain.zone, plain.wash) for t in treatments))
        plain = replace(plain, method="mixed model", difference=told.difference)
    low, high = told.interval()
    return replace(
        plain,
        low=low,
        high=high,
        p=told.p,
        p_equivalent=None if margin is None else told.p_equivalent(margin),
        bootstrap=_bootstrap(list(one.values()), list(two.values()), is_paired=is_paired),
    )


def _by_unit(cell: Sequence[Reading], treatment: str) -> dict[tuple[str, str], list[float]]:
    """Values of each unit of one treatment: the pair where there is one, else the tress."""
    found: dict[tuple[str, str], list[float]] = {}
    for reading in cell:
        if reading.treatment == treatment:
            unit = (reading.pair, "" if reading.pair else reading.tress)
            found.setdefault(unit, []).append(reading.value)
    return found


def _bootstrap(
    first: Sequence[Sequence[float]], second: Sequence[Sequence[float]], *, is_paired: bool
) -> tuple[float, float]:
    """Percentile interval by resampling tresses (or pairs), then the photos of each."""
    rng = np.random.default_rng(0)
    one = _resampled_means(first, rng)
    two = _resampled_means(second, rng)
    picked = rng.integers(len(first), size=(_RESAMPLES, len(first)))
    other = picked if is_paired else rng.integers(len(second), size=(_RESAMPLES, len(second)))
    rows = np.arange(_RESAMPLES)[:, None]
    gaps = one[rows, picked].mean(axis=1) - two[rows, other].mean(axis=1)
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(gaps, (tail, 1 - tail))
    return float(low), float(high)


def _resampled_means(units: Sequence[Sequence[float]], rng: np.random.Generator) -> Floats:
    """Mean of each unit with its photos resampled, shape (resamples, units)."""
    columns = []
    for values in units:
        photos = np.asarray(values, dtype=np.float64)
        picked = rng.integers(len(photos), size=(_RESAMPLES, len(photos)))
        columns.append(photos[picked].mean(axis=1))
    return np.stack(columns, axis=1)


def _judged(pairs: Sequence[Comparison]) -> list[Comparison]:
    """Pairs of one figure with Holm's p and the verdict in words."""
    known = [c for c in pairs if c.p is not None]
    raised = dict(zip(map(id, known), holm([c.p or 0.0 for c in known]), strict=True))
    out = []
    for c in pairs:
        told = replace(c, p_holm=float(raised[id(c)]) if id(c) in raised else None)
        out.append(replace(told, verdict=_verdict(told)))
    return out


def _verdict(c: Comparison) -> str:
    """What may be said, in words."""
    if c.p is None:
        lone = c.treatment_a if c.n_a < 2 else c.treatment_b
        return f"cannot tell: {lone} has {min(c.n_a, c.n_b)} tress; 2 or more are needed"
    higher, lower = (
        (c.treatment_a, c.treatment_b) if c.difference > 0 else (c.treatment_b, c.treatment_a)
    )
    if c.is_resolved and c.is_equivalent:
        return f"{higher} reads higher than {lower}, yet within the margin of {c.margin:g}"
    if c.is_resolved:
        return f"{higher} reads higher than {lower}"
    if c.is_equivalent:
        return f"equal within the margin of {c.margin:g}"
    return "not resolved: neither a difference nor equality is shown"

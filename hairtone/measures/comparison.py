"""Treatments against each other: every difference with its interval, test and equality.

References
----------
.. [1] D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680, doi:10.1007/BF01068419.
.. [2] S. Holm, Scand. J. Stat. 6 (1979) 65-70.
.. [3] G. Y. Zou, A. Donner, Stat. Med. 27 (2008) 1693-1702, doi:10.1002/sim.3095: limits of a
   difference from the limits of its parts. From memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.contrast import (
    ColourContrast,
    Design,
    Reading,
    alone_variance,
    colour_contrast,
    design_of,
    estimate_contrast,
    find_confounding,
    find_too_few,
    systematic_variance,
    without_lift,
)
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE, ColourDifference, difference_from_covariance

ALPHA: Final = 1 - COVERAGE
LEAST_PAIRS: Final = 3  # pairs from which the scatter between them is stated; our choice
UNITS: Final = {"colour_left": "%", "rate": "per wash", "half_life": "washes"}
_UNIT: Final = "ΔE00"  # of every other measure of this package


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
        Mean of a less mean of b; of colours, the length of the mean difference.
    n_a, n_b : int
        Tresses.
    unit : str
        Of `difference`, `low`, `high`, `sd` and `margin`.
    method : str
        ``"paired t"``, ``"Welch t"`` or ``"mixed model"``, for colours with ``", colours"``;
        ``"these tresses"`` where one tress of each was measured; empty where nothing is stated.
    low, high : float or None
        95 % interval of the true difference; None where the design cannot give one.
    p, p_adjusted : float or None
        Of no difference, as it is, and raised for all the tests that share its correction [2]_.
    p_equivalence : float or None
        Larger p of the two one-sided tests of a difference beyond the margin [1]_.
    margin : float or None
        What counts as equal.
    df : float or None
        Degrees of freedom behind `low` and `high`.
    sd : float or None
        Scatter behind one tress, or behind the difference of one pair.
    tests : int
        Tests that share the correction, this one among them.
    is_primary : bool
        It is the study's primary endpoint.
    missing : str
        Why there is no interval or no test; else empty.
    """

    measure: str
    zone: str
    wash: str
    treatment_a: str
    treatment_b: str
    difference: float
    n_a: int
    n_b: int
    unit: str = ""
    method: str = ""
    low: float | None = None
    high: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    p_equivalence: float | None = None
    margin: float | None = None
    df: float | None = None
    sd: float | None = None
    tests: int = 0
    is_primary: bool = False
    missing: str = ""

    @property
    def p_holm(self) -> float | None:
        """The adjusted p under its older name."""
        return self.p_adjusted

    @property
    def is_resolved(self) -> bool:
        """Whether the two differ, all tests that share the correction taken into account."""
        return self.p_adjusted is not None and self.p_adjusted < ALPHA

    @property
    def is_equivalent(self) -> bool:
        """Whether the two are equal within the margin."""
        return self.p_equivalence is not None and self.p_equivalence < ALPHA

    @property
    def verdict(self) -> str:
        """What may be said, in words."""
        if self.p is None:
            return f"no verdict: {self.missing}"
        if self.method.endswith("colours"):
            resolved = f"{self.treatment_a} and {self.treatment_b} differ in colour"
        else:
            pair = (self.treatment_a, self.treatment_b)
            higher, lower = pair if self.difference > 0 else pair[::-1]
            resolved = f"{higher} reads higher than {lower}"
        if self.is_resolved and self.is_equivalent:
            return f"{resolved}, yet within the margin of {self.margin:g}"
        if self.is_resolved:
            return resolved
        if self.is_equivalent:
            return f"equal within the margin of {self.margin:g}"
        return "not resolved: neither a difference nor equality is shown"

    def to_frame(self) -> Any:
        """One row, columns as comparison.csv."""
        return comparisons_frame([self])

    def __repr__(self) -> str:
        where = " ".join(filter(None, (self.measure, self.zone, self.wash and f"wash {self.wash}")))
        span = "" if self.low is None else f" ({self.low:.2f} to {self.high:.2f})"
        return (
            f"<Comparison {where}: {self.treatment_a} - {self.treatment_b} "
            f"{self.difference:.2f}{span}, {self.verdict}>"
        )


COLUMNS: Final = (
    "measure", "zone", "wash", "treatment_a", "treatment_b", "difference", "low", "high",
    "p_holm", "margin", "verdict", "n_a", "n_b", "method", "p", "p_adjusted", "p_equivalence",
    "df", "sd", "unit", "is_resolved", "is_equivalent", "missing",
)  # fmt: skip


def comparisons_frame(found: Sequence[Comparison]) -> Any:
    """Return a table of comparisons, columns as comparison.csv."""
    import pandas as pd

    rows = [{name: getattr(c, name) for name in COLUMNS} for c in found]
    return pd.DataFrame(rows, columns=list(COLUMNS))


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Comparisons(Shown, Sequence[Comparison]):
    """Every comparison of a study, and how often it was asked.

    Attributes
    ----------
    rows : tuple of Comparison
        In the order of measures, zones, washes and treatments.
    """

    rows: tuple[Comparison, ...]

    def __len__(self) -> int:
        return len(self.rows)

    @overload
    def __getitem__(self, at: int) -> Comparison: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Comparison]: ...
    def __getitem__(self, at: int | slice) -> Comparison | Sequence[Comparison]:
        return self.rows[at]

    def __iter__(self) -> Iterator[Comparison]:
        return iter(self.rows)

    @property
    def sentence(self) -> str:
        """Over how many tests the p values are corrected, in words."""
        primary = [c for c in self.rows if c.is_primary and c.p is not None]
        others = sum(not c.is_primary and c.p is not None for c in self.rows)
        shared = (
            f"{others} tests share one correction (Holm), so that in 95 of 100 studies of \
equal treatments none of them shows a difference."
            if others > 1
            else ""
        )
        if not primary:
            return shared or "One test: no correction is needed."
        name = f"{primary[0].measure} {primary[0].zone}".strip().replace("_", " ")
        if len(primary) == 1:
            return f"The primary endpoint ({name}) is tested as it is. The other {shared}".strip()
        first = f"The primary endpoint ({name}) stands for {len(primary)} tests with a correction \
of their own."
        return f"{first} The other {shared}" if shared else first

    def to_frame(self) -> Any:
        """One row a comparison, columns as comparison.csv."""
        return comparisons_frame(self.rows)

    def __repr__(self) -> str:
        resolved = sum(c.is_resolved for c in self.rows)
        equal = sum(c.is_equivalent for c in self.rows)
        return f"<Comparisons: {len(self)} rows, {resolved} differ, {equal} equal>"


def compare_treatments(
    readings: Sequence[Reading],
    measure: str | None = None,
    margin: float | None = None,
    order: Sequence[str] | None = None,
    primary: str | None = None,
    margins: Mapping[str, float] | None = None,
) -> Comparisons:
    """Return every pair of treatments compared, by measure, zone and wash.

    Readings are matched by their keys; their order does not matter. A tress that lacks a photo, or
    a partner, counts with what it has.

    Parameters
    ----------
    readings : sequence of Reading
        All of a study: the tests among them share one correction.
    measure : str, optional
        Take this measure only; also the name of readings that have none.
    margin : float, optional
        Difference that counts as equal, for measures that `margins` does not name.
    order : sequence of str, optional
        Treatments in the order wanted.
    primary : str, optional
        The one endpoint that is tested as it is: ``"root_to_ends at wash 0"``,
        ``"uptake in ends"``.
    margins : mapping of str to float, optional
        By measure.

    Raises
    ------
    MeasureError
        ``one-treatment``: there is nothing to compare. ``no-primary``: no comparison has that
        measure, zone and wash.
    """
    kept = [
        replace(r, measure=measure) if measure and not r.measure else r
        for r in readings
        if r.is_measured and (measure is None or r.measure in ("", measure))
    ]
    known = list(dict.fromkeys(r.treatment for r in kept))
    wanted = list(order or ())
    known.sort(key=lambda t: wanted.index(t) if t in wanted else len(wanted))
    if len(known) < 2:
        what = f": {measure}" if measure else ""
        raise MeasureError(
            "one-treatment",
            f"{'Only ' + known[0] if known else 'No treatment'} was measured{what}.",
            remedy="A comparison needs two treatments or more; name them in the sheet.",
        )
    cells: dict[tuple[str, str, str], dict[str, list[Reading]]] = {}
    for r in kept:
        cell = cells.setdefault((r.measure, r.zone, r.wash), {})
        cell.setdefault(r.treatment, []).append(r)
    rows = []
    for (name, _, _), cell in cells.items():
        equal = (margins or {}).get(name, margin)
        for first, second in combinations([t for t in known if t in cell], 2):
            rows.append(_compare([*cell[first], *cell[second]], (first, second), equal))
    return Comparisons(rows=tuple(_adjusted(rows, primary)))


def _compare(
    readings: Sequence[Reading], treatments: tuple[str, str], margin: float | None
) -> Comparison:
    """One pair of treatments in one zone after one wash."""
    readings = sorted(readings, key=lambda r: (r.treatment, str(r.unit), r.photo))
    values, draws = _arrays(readings)
    is_first = np.array([r.treatment == treatments[0] for r in readings])
    is_colour = values.ndim == 2
    if draws is not None and not is_colour:
        values = without_lift(values, draws, is_first)
    design = design_of(readings, treatments[0])
    head = readings[0]
    row = Comparison(
        measure=head.measure,
        zone=head.zone,
        wash=head.wash,
        treatment_a=treatments[0],
        treatment_b=treatments[1],
        difference=_plain_difference(design, values),
        n_a=design.tresses[0],
        n_b=design.tresses[1],
        unit=_UNIT if is_colour else UNITS.get(head.measure, _UNIT),
        margin=margin,
    )
    missing = find_confounding(readings, treatments)
    if missing:
        return replace(row, missing=missing)
    missing = find_too_few(design, treatments)
    if missing:
        return _of_these_tresses(row, design, values, draws, missing)
    try:
        if is_colour:
            return _of_colours(row, colour_contrast(design, values, draws), margin)
        return _of_figures(row, design, values, draws)
    except MeasureError as error:
        return replace(row, missing=error.says)


def _arrays(readings: Sequence[Reading]) -> tuple[Floats, Floats | None]:
    """Values (r,) or (r, 3) and draws (K, r) or (K, r, 3) of readings."""
    shapes = {np.shape(r.value) for r in readings}
    counts = {np.shape(r.draws)[0] for r in readings if r.draws is not None}
    if len(shapes) > 1 or len(counts) > 1:
        raise ValueError(
            f"{readings[0].measure or 'The readings'}: numbers and colours, or draws of "
            f"{sorted(counts)} rows, cannot be compared. Give all readings of a measure alike."
        )
    values = np.array([r.value for r in readings], dtype=np.float64)
    if not counts:
        return values, None
    still = np.broadcast_to
    (count,) = counts
    draws = [
        np.asarray(r.draws) if r.draws is not None else still(v, (count, *np.shape(v)))
        for r, v in zip(readings, values, strict=True)
    ]
    return values, np.stack(draws, axis=1)


def _plain_difference(design: Design, values: Floats) -> float:
    """Difference of the plain means of the units; of colours, its length."""
    units = design.means @ values
    one, two = units[design.is_first].mean(axis=0), units[~design.is_first].mean(axis=0)
    if np.ndim(one) == 0:
        return float(one - two)
    return difference_from_covariance(one, two, np.eye(3) * 1e-12).delta_e


def _of_these_tresses(
    row: Comparison, design: Design, values: Floats, draws: Floats | None, missing: str
) -> Comparison:
    """With one tress of each in one photo or set-up: an interval for these two, no verdict."""
    if row.n_a != 1 or row.n_b != 1 or draws is None:
        return replace(row, missing=missing)
    signs = np.where(design.is_first, 1.0, -1.0) @ design.means
    gaps = np.tensordot(draws, signs, axes=(1, 0))
    if gaps.ndim == 2:
        one, two = design.means[design.is_first] @ values, design.means[~design.is_first] @ values
        found = difference_from_covariance(two[0], one[0], np.cov(gaps.T))
        low, high = found.low, found.high
    else:
        reach = float(ndtri((1 + COVERAGE) / 2) * gaps.std(ddof=1))
        low, high = row.difference - reach, row.difference + reach
    return replace(
        row,
        low=low,
        high=high,
        method="these tresses",
        missing=f"{missing}; the interval speaks of these two tresses only",
    )


def _of_figures(
    row: Comparison, design: Design, values: Floats, draws: Floats | None
) -> Comparison:
    """The difference of two means of figures."""
    units = design.means @ values
    outcome = estimate_contrast(design, units)
    estimate = outcome.estimate
    if design.alone:
        estimate = estimate.joined(*alone_variance(design, values))
    se = float(np.sqrt(estimate.variance))
    if draws is not None:
        systematic = systematic_variance(design, draws @ design.means.T, outcome.weights)
        estimate = estimate.widened(systematic)
    low, high = estimate.interval()
    return replace(
        row,
        difference=estimate.difference,
        low=low,
        high=high,
        p=estimate.p,
        p_equivalence=None if row.margin is None else estimate.p_equivalence(row.margin),
        df=estimate.freedom,
        sd=se * float(np.sqrt(design.units_behind(outcome.method))),
        method=outcome.method,
    )


def _of_colours(row: Comparison, found: ColourContrast, margin: float | None) -> Comparison:
    """The length of the difference of two mean colours."""
    return replace(
        row,
        difference=found.delta_e,
        low=found.low,
        high=found.high,
        p=found.p,
        p_equivalence=None if margin is None else found.p_equivalence(margin),
        df=found.freedom,
        sd=found.sd,
        method=f"{found.method}, colours",
    )


def holm(p_values: ArrayLike) -> Floats:
    """p values raised for how many there are, by Holm's steps [2]_; same order."""
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p, kind="stable")
    raised = np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order])
    out = np.empty_like(p)
    out[order] = np.minimum(raised, 1.0)
    return out


def _adjusted(rows: Sequence[Comparison], primary: str | None) -> list[Comparison]:
    """Rows with their p raised: the primary endpoint by itself, all others together."""
    chosen = [primary is not None and _is_endpoint(row, primary) for row in rows]
    if primary is not None and not any(chosen):
        known = ", ".join(sorted({row.measure for row in rows}))
        raise MeasureError(
            "no-primary",
            f"No comparison is {primary!r}; there are {known}.",
            remedy='Name a measure as in "root_to_ends at wash 0" or "uptake in ends at wash 0".',
        )
    out = [replace(row, is_primary=is_it) for row, is_it in zip(rows, chosen, strict=True)]
    for side in (True, False):
        family = [at for at, row in enumerate(out) if row.is_primary is side and row.p is not None]
        raised = holm([out[at].p or 0.0 for at in family])
        for at, p in zip(family, raised, strict=True):
            out[at] = replace(out[at], p_adjusted=float(p), tests=len(family))
    return out


def _is_endpoint(row: Comparison, primary: str) -> bool:
    """Whether a comparison is the endpoint: a measure, in a zone, at a wash."""
    name = primary.strip()
    wash = re.search(r"\s+(?:at|after)\s+wash\s+(\S+)", name)
    name = name.replace(wash.group(0), "") if wash else name
    measure, _, zone = (part.strip() for part in name.partition(" in "))
    zone = zone.replace("-", "_").replace(" ", "_")
    return (
        row.measure == measure
        and (not zone or row.zone.replace("-", "_") == zone)
        and (wash is None or row.wash == wash.group(1))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LevellerEffect(Shown):
    """Effect of a leveller on the unevenness of a hair, ΔE00.

    Attributes
    ----------
    effect : float
        Unevenness without less with it: above 0 the leveller made the hair more even.
    low, high : float
        95 % interval.
    pairs : int
        Pairs of hairs.
    is_general : bool
        The interval holds the scatter between pairs; otherwise it speaks of these pairs only.
    words : str
        In plain words.
    """

    effect: float
    low: float
    high: float
    pairs: int
    is_general: bool
    words: str

    @property
    def is_resolved(self) -> bool:
        """Whether the effect stands clear of 0."""
        return self.low > 0 or self.high < 0

    def to_frame(self) -> Any:
        """One row: effect, low, high, pairs, words."""
        import pandas as pd

        names = ("effect", "low", "high", "pairs", "words")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def leveller_effect(
    without: Sequence[ColourDifference], levelled: Sequence[ColourDifference]
) -> LevellerEffect:
    """Return the effect of a leveller from paired hairs (split tress, half head, tress pairs).

    Parameters
    ----------
    without, levelled : sequence of ColourDifference
        Root-to-ends difference (net of the natural gradient where known) of each pair's hairs, in
        the same order.

    Raises
    ------
    MeasureError
        ``no-pairs``: none, or not as many of one as of the other.
    """
    if not without or len(without) != len(levelled):
        raise MeasureError(
            "no-pairs",
            f"{len(without)} hairs without and {len(levelled)} with leveller do not make pairs.",
            remedy="Name the pairs in the sheet; every pair needs one hair of each kind.",
        )
    gaps = np.array([a.delta_e - b.delta_e for a, b in zip(without, levelled, strict=True)])
    effect, pairs = float(gaps.mean()), len(gaps)
    if pairs >= LEAST_PAIRS:
        reach = float(stdtrit(pairs - 1, (1 + COVERAGE) / 2) * gaps.std(ddof=1) / np.sqrt(pairs))
        low, high = effect - reach, effect + reach
    else:
        below = [
            (a.delta_e - a.low) ** 2 + (b.high - b.delta_e) ** 2
            for a, b in zip(without, levelled, strict=True)
        ]
        above = [
            (a.high - a.delta_e) ** 2 + (b.delta_e - b.low) ** 2
            for a, b in zip(without, levelled, strict=True)
        ]
        low = effect - float(np.sqrt(np.sum(below))) / pairs
        high = effect + float(np.sqrt(np.sum(above))) / pairs
    return LevellerEffect(
        effect=effect,
        low=low,
        high=high,
        pairs=pairs,
        is_general=pairs >= LEAST_PAIRS,
        words=_words(low, high, pairs),
    )


def _words(low: float, high: float, pairs: int) -> str:
    if low > 0:
        said = "the hair with leveller is more even"
    elif high < 0:
        said = "the hair with leveller is less even"
    else:
        said = "an effect of the leveller is not resolved"
    return said if pairs >= LEAST_PAIRS else f"{said} ({pairs} pair{'s' * (pairs > 1)} only)"

"""The difference of two treatments in one zone after one wash, and how far it can be trusted.

Readings become units: a part that lies wholly within one treatment (photos of a tress, boards,
sections of a client) enters by its mean, which for balanced data is what REML does. What both
treatments share (pairs, blocks, sessions) is a part of the model.

Two treatments that take up equally much, one copper and one ash, are not equal: colours are
compared as vectors, in axes in which CIEDE2000 is the plain length.

References
----------
.. [1] B. L. Welch, Biometrika 34 (1947) 28-35, doi:10.1093/biomet/34.1-2.28.
.. [2] E. Brunner, H. Dette, A. Munk, J. Am. Stat. Assoc. 92 (1997) 1494-1502,
   doi:10.1080/01621459.1997.10473671: a test by the trace, for few readings. From memory.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, fdtrc, fdtri, ndtri, stdtr, stdtrit
from scipy.stats import qmc

from hairtone.colorimetry import Floats, delta_e, delta_e_metric
from hairtone.errors import MeasureError
from hairtone.measures.mixed import fit_mixed
from hairtone.uncertainty import COVERAGE, limits_of_reached

_POINTS: Final = 1024  # of the sampling law; limits repeat to 2 %; our choice
_FEW_LEVELS: Final = 6  # groups below which their variance is not estimated: they enter as fixed.
# Our choice: it gives up what unpaired tresses of such groups say, and keeps the test exact
_FEW_TRESSES: Final = 4  # below it the scatter of one treatment alone says too little; our choice,
# after simulation: Welch's test of 2 against 6 equal treatments errs in 8 to 11 %
_SCATTER_RATIO: Final = 0.5  # SD of the logarithm of the ratio of two scatters, assumed for fewer
# tresses than that; our choice: half to double in 5 of 6 studies
_UNEQUAL: Final = 1.5  # ratio of such small numbers above which Welch's interval counts if wider
_OWN_SCATTER: Final = 6  # degrees of freedom from which each treatment has a scatter of its own
_LIFTED: Final = 3.0  # standard errors by which draws of a length exceed it where noise lifts it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """One figure of one tress in one photo.

    Attributes
    ----------
    value : float or array_like, shape (3,)
        The figure, or a colour as L*a*b*. NaN: not measured, left out.
    treatment, tress : str
        What was done, and to which tress.
    zone, wash : str
        Where and when; empty where the figure has none.
    pair, block : str
        Hairs of one pair share `pair` (split tress, half head), those of one batch of hair,
        operator or day share `block`; empty without.
    photo, session : str
        In which photo the tress lies, and with which set-up it was taken; empty where unknown.
    subject, section : str
        Whose hair it is, and from where on the head; empty where every tress stands for itself.
    measure : str
        Name of the figure.
    draws : array_like, shape (K,) or (K, 3), optional
        The figure under K equally good calibrations; row k of all readings is the same world.
    """

    value: ArrayLike
    treatment: str
    tress: str = ""
    zone: str = ""
    wash: str = ""
    pair: str = ""
    block: str = ""
    photo: str = ""
    session: str = ""
    subject: str = ""
    section: str = ""
    measure: str = ""
    draws: ArrayLike | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        value = np.array(self.value, dtype=np.float64)
        if value.shape not in ((), (3,)):
            raise ValueError(
                f"Reading.value has shape {value.shape}; a number or an L*a*b* (3,) is needed."
            )
        value.flags.writeable = False
        object.__setattr__(self, "value", value)
        for name in ("treatment", "tress", "zone", "wash", "pair", "block", "photo", "session",
                     "subject", "section", "measure"):  # fmt: skip
            given = getattr(self, name)
            object.__setattr__(self, name, "" if given is None else str(given))
        if self.draws is not None:
            draws = np.array(self.draws, dtype=np.float64)
            if draws.ndim != 1 + value.ndim or draws.shape[1:] != value.shape or len(draws) < 2:
                raise ValueError(
                    f"Reading.draws has shape {draws.shape}; its value needs (K, *{value.shape})."
                )
            draws.flags.writeable = False
            object.__setattr__(self, "draws", draws)

    @property
    def unit(self) -> Hashable:
        """What makes it one tress."""
        return self.tress or (self.subject, self.section, self.pair)

    @property
    def is_measured(self) -> bool:
        """Whether there is a figure."""
        return bool(np.isfinite(np.asarray(self.value)).all())


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A difference of two means with its uncertainty.

    Attributes
    ----------
    difference, variance, freedom : float
        The difference, its squared standard error, and degrees of freedom of its t law.
    """

    difference: float
    variance: float
    freedom: float

    def interval(self, *, coverage: float = COVERAGE) -> tuple[float, float]:
        """Limits that hold the true difference with that probability."""
        reach = float(stdtrit(self.freedom, (1 + coverage) / 2) * np.sqrt(self.variance))
        return self.difference - reach, self.difference + reach

    @property
    def p(self) -> float:
        """Two-sided p of no difference."""
        if self.variance <= 0:
            return 1.0 if self.difference == 0 else 0.0
        return float(2 * stdtr(self.freedom, -abs(self.difference) / np.sqrt(self.variance)))

    def p_equivalence(self, margin: float) -> float:
        """Larger p of the two one-sided tests that the difference lies beyond ± margin."""
        if self.variance <= 0:
            return 0.0 if abs(self.difference) < margin else 1.0
        gap = (abs(self.difference) - margin) / np.sqrt(self.variance)
        return float(stdtr(self.freedom, gap))

    def joined(self, variance: float, freedom: float) -> Estimate:
        """The same with a further variance that is an estimate itself (Satterthwaite)."""
        whole = self.variance + variance
        spread = self.variance**2 / self.freedom + variance**2 / freedom
        freedom = whole**2 / spread if spread > 0 else self.freedom
        return Estimate(difference=self.difference, variance=whole, freedom=freedom)

    def widened(self, variance: float) -> Estimate:
        """The same with a further variance that is known well."""
        if variance <= 0:
            return self
        whole = self.variance + variance
        share = self.variance / whole
        freedom = (self.freedom + 2) / share**2 - 2 if share > 0 else np.inf
        return Estimate(difference=self.difference, variance=whole, freedom=min(freedom, 1e6))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Units of two treatments and what they share.

    Attributes
    ----------
    is_first : ndarray of bool, shape (n,)
        Whether a unit has the first treatment.
    means : ndarray, shape (n, r)
        Each unit is this weighted sum of the readings.
    shared : mapping of str to ndarray, shape (n,)
        Groups that hold units of both treatments: pair, block, session, photo, subject, tress.
    tresses : tuple of int
        Tresses of each treatment.
    alone : tuple of ndarray, shape (g, r)
        Photos (or sessions) of a treatment that share its tresses with no other treatment: the
        mean of each as a weighted sum of the readings.
    """

    is_first: NDArray[np.bool_]
    means: Floats
    shared: dict[str, NDArray[np.intp]]
    tresses: tuple[int, int]
    alone: tuple[Floats, ...]

    @property
    def code(self) -> Floats:
        """A half for the first treatment, less a half for the second."""
        return np.where(self.is_first, 0.5, -0.5)

    def units_behind(self, method: str) -> float:
        """Square of the factor from a standard error to the SD of one unit, or of one pair."""
        one = int(self.is_first.sum())
        two = len(self.means) - one
        return float(one if method == "paired t" else one * two / (one + two))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """Estimates of every axis, and the weight of each unit in the difference.

    Attributes
    ----------
    estimate : Estimate
        From the scatter alone.
    weights : ndarray, shape (n,)
        Of the units.
    method : str
        ``"paired t"``, ``"Welch t"`` or ``"mixed model"``.
    """

    estimate: Estimate
    weights: Floats
    method: str


FACTORS: Final = ("photo", "session", "block", "subject")
_STANDS: Final = {"photo": "photo", "session": "session", "block": "block", "subject": "client"}


def find_confounding(readings: Sequence[Reading], treatments: tuple[str, str]) -> str:
    """Why these readings cannot compare the two treatments; empty where they can.

    Parameters
    ----------
    readings : sequence of Reading
        Of one zone and wash.
    treatments : (str, str)
        The two.
    """
    sides = [[r for r in readings if r.treatment == name] for name in treatments]
    counts = [len({r.unit for r in side}) for side in sides]
    for own, other, name in ((0, 1, treatments[0]), (1, 0, treatments[1])):
        for factor in FACTORS:
            labels = {getattr(r, factor) for r in sides[own]}
            if factor == "subject" and counts[own] < 2:
                continue
            elsewhere = {getattr(r, factor) for r in sides[other]}
            if len(labels) == 1 and "" not in labels and labels.isdisjoint(elsewhere):
                return (
                    f"{name} stands in one {_STANDS[factor]} only, and {treatments[other]} is not "
                    f"in it: the two cannot be kept apart from their {_STANDS[factor]}s"
                )
    return ""


def find_too_few(design: Design, treatments: tuple[str, str]) -> str:
    """Why there are too few units; empty where there are enough."""
    for count, name in zip(design.tresses, treatments, strict=True):
        if count < 2:
            return f"{name} has {count} tress; 2 or more of each treatment are needed"
    firsts = int(design.is_first.sum())
    for count, name in zip((firsts, len(design.means) - firsts), treatments, strict=True):
        if count < 2:
            return (
                f"the tresses of {name} all belong together (one board, session or client); "
                "2 or more of these are needed"
            )
    return ""


def design_of(readings: Sequence[Reading], first: str) -> Design:
    """Units of two treatments from their readings.

    Parameters
    ----------
    readings : sequence of Reading
        Of the two treatments, one zone and wash.
    first : str
        The first treatment.
    """
    own: list[tuple[str, Hashable]] = [
        (r.treatment, r.unit if any(map(bool, (r.tress, r.subject, r.section))) else at)
        for at, r in enumerate(readings)
    ]
    tresses = [len({u for u in own if (u[0] == first) is side}) for side in (True, False)]
    is_first = np.array([r.treatment == first for r in readings])
    made = _Gathering(units=_numbered(own), means=_averages(_numbered(own)), alone=[])
    for factor in FACTORS:
        made.gather([getattr(r, factor) for r in readings], is_first, factor)
    firsts = [int(np.flatnonzero(made.units == k)[0]) for k in range(len(made.means))]
    shared = {}
    for factor in ("pair", *FACTORS, "tress"):
        labels = _merged(made.units, [getattr(r, factor) for r in readings])
        shared[factor] = _numbered(labels[firsts].tolist())
    return Design(
        is_first=is_first[firsts],
        means=made.means,
        shared=_kept(shared, is_first[firsts]),
        tresses=(tresses[0], tresses[1]),
        alone=tuple(made.alone),
    )


def _numbered(labels: Sequence[Hashable]) -> NDArray[np.intp]:
    number: dict[Hashable, int] = {}
    return np.array([number.setdefault(label, len(number)) for label in labels], dtype=np.intp)


def _averages(units: NDArray[np.intp]) -> Floats:
    """Mean of the readings of each unit as weights, shape (n, r)."""
    member = np.arange(units.max() + 1)[:, None] == units
    return np.asarray(member / member.sum(axis=1, keepdims=True))


def _merged(units: NDArray[np.intp], labels: Sequence[str]) -> NDArray[np.intp]:
    """Group of each reading: labels joined where one unit has several; none is its own group."""
    names = _numbered([label or ("", int(unit)) for label, unit in zip(labels, units, strict=True)])
    group = names
    for _ in range(len(units)):
        before = group
        for by in (units, names):
            least = np.full(by.max() + 1, len(units))
            np.minimum.at(least, by, group)
            group = least[by]
        if np.array_equal(before, group):
            break
    return _numbered(group.tolist())


@dataclass(slots=True, kw_only=True, eq=False)
class _Gathering:
    """Units in the making.

    Attributes
    ----------
    units : ndarray, shape (r,)
        Unit of each reading.
    means : ndarray, shape (n, r)
        Each unit as a weighted sum of the readings.
    alone : list of ndarray
        As of `Design`.
    """

    units: NDArray[np.intp]
    means: Floats
    alone: list[Floats]

    def gather(self, names: Sequence[str], is_first: NDArray[np.bool_], factor: str) -> None:
        """Make one unit of those that belong together within one treatment."""
        labels = _merged(self.units, names)
        has_both = bool(set(labels[is_first]) & set(labels[~is_first]))
        if has_both and factor != "subject":
            return
        joined: list[Hashable] = list(zip(is_first.tolist(), labels.tolist(), strict=True))
        for side in (True, False):
            mine = np.flatnonzero(is_first == side)
            if len(set(labels[mine])) > 1:
                continue
            for at in mine.tolist():  # one group: gathering would leave a single unit
                joined[at] = (side, "unit", int(self.units[at]))
            own = [names[at] for at in mine.tolist()]
            if not has_both and all(own) and len(set(own)) > 1:
                grid = np.zeros((len(set(own)), len(names)))
                grid[_numbered(own), mine] = 1.0
                self.alone.append(grid / grid.sum(axis=1, keepdims=True))
        gathered = _numbered(joined)
        if len(set(gathered)) < len(self.means):
            above = np.array([gathered[self.units == k][0] for k in range(len(self.means))])
            self.units, self.means = gathered, np.asarray(_averages(above) @ self.means)


def _kept(
    shared: dict[str, NDArray[np.intp]], sides: NDArray[np.bool_]
) -> dict[str, NDArray[np.intp]]:
    """Groupings that say something: more than one group, one of both treatments, each once."""
    kept: dict[str, NDArray[np.intp]] = {}
    for name, groups in shared.items():
        both = set(groups[sides]) & set(groups[~sides])
        if groups.max() == 0 or not both:
            continue
        if not any(np.array_equal(groups, other) for other in kept.values()):
            kept[name] = groups
    return kept


def estimate_contrast(design: Design, values: Floats) -> Outcome:
    """First treatment less second from units, by the model that the design asks for.

    Parameters
    ----------
    design : Design
        The units.
    values : ndarray, shape (n,)
        One figure a unit.

    Raises
    ------
    MeasureError
        ``not-estimable`` or ``not-settled``: the design or the fit gives no answer.
    """
    pairs = _complete_pairs(design)
    if pairs is not None:
        return _paired(design, values, pairs)
    if not design.shared:
        return _apart(design, values)
    return _mixed(design, values)


def _complete_pairs(design: Design) -> NDArray[np.intp] | None:
    """Groups of one unit of each treatment that nest in every other grouping, where there are."""
    first = design.is_first
    for groups in design.shared.values():
        sizes = np.bincount(groups)
        if not (sizes == 2).all() or not (np.bincount(groups, first) == 1).all():
            continue
        nested = all(
            len(set(zip(groups.tolist(), other.tolist(), strict=True))) == len(sizes)
            for other in design.shared.values()
        )
        if nested:
            return groups
    return None


def _paired(design: Design, values: Floats, groups: NDArray[np.intp]) -> Outcome:
    """Mean of the differences of pairs."""
    signed = np.where(design.is_first, 1.0, -1.0)
    gaps = np.bincount(groups, signed * values)
    count = len(gaps)
    estimate = Estimate(
        difference=float(gaps.mean()),
        variance=float(gaps.var(ddof=1) / count),
        freedom=float(count - 1),
    )
    return Outcome(estimate=estimate, weights=signed / count, method="paired t")


def _apart(design: Design, values: Floats) -> Outcome:
    """Difference of the means of two groups of units, scatter told apart [1]_."""
    one, two = values[design.is_first], values[~design.is_first]
    counts = len(one), len(two)
    weights = np.where(design.is_first, 1 / counts[0], -1 / counts[1])
    gap = float(one.mean() - two.mean())
    a, b = (float(v.var(ddof=1)) / len(v) for v in (one, two))
    spread = a**2 / (counts[0] - 1) + b**2 / (counts[1] - 1)
    freedom = (a + b) ** 2 / spread if spread > 0 else sum(counts) - 2
    welch = Estimate(difference=gap, variance=a + b, freedom=freedom)
    if min(counts) >= _FEW_TRESSES or a + b <= 0:
        return Outcome(estimate=welch, weights=weights, method="Welch t")
    averaged = _averaged_over_ratios(gap, counts, (a * counts[0], b * counts[1]))
    if max(counts) > _UNEQUAL * min(counts) and _reach(welch) > _reach(averaged):
        averaged = welch
    return Outcome(estimate=averaged, weights=weights, method="Welch t")


def _reach(estimate: Estimate) -> float:
    return float(stdtrit(estimate.freedom, (1 + COVERAGE) / 2) * np.sqrt(estimate.variance))


def _averaged_over_ratios(
    gap: float, counts: tuple[int, int], variances: tuple[float, float]
) -> Estimate:
    """The t test for each ratio of the two scatters, averaged by how likely the ratio is.

    With two or three units a scatter of its own is hardly known; a ratio near 1 is taken as more
    likely than a wild one. At a known ratio the test is exact.
    """
    logs = np.linspace(-3, 3, 25) * _SCATTER_RATIO
    ratio = np.exp(2 * logs)
    freedom = sum(counts) - 2
    inside = [v * (n - 1) for v, n in zip(variances, counts, strict=True)]
    squares = inside[0] / ratio + inside[1]
    weight = (
        -(counts[0] - 1) / 2 * np.log(ratio)
        - freedom / 2 * np.log(squares)
        - (logs / _SCATTER_RATIO) ** 2 / 2
    )
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    errors = np.sqrt(squares / freedom * (ratio / counts[0] + 1 / counts[1]))
    tail = (1 - COVERAGE) / 2
    edge = float(stdtrit(freedom, 1 - tail))
    low, high = edge * float(errors.min()), edge * float(errors.max())
    for _ in range(60):
        middle = (low + high) / 2
        is_short = float(weight @ stdtr(freedom, -middle / errors)) > tail
        low, high = (middle, high) if is_short else (low, middle)
    return Estimate(difference=gap, variance=((low + high) / 2 / edge) ** 2, freedom=float(freedom))


def _mixed(design: Design, values: Floats) -> Outcome:
    """Difference by the mixed model: few groups fixed, many random, scatter by treatment."""
    fixed, random = _fixed_and_random(design)
    code = design.code
    free = len(values) - fixed.shape[1]
    counts = int(design.is_first.sum()), int((~design.is_first).sum())
    kinds: list[Sequence[Hashable] | None] = [None]
    if min(counts) >= _FEW_TRESSES and free >= _OWN_SCATTER:
        kinds.insert(0, code.tolist())
    failure: MeasureError | None = None
    for kind in kinds:
        try:
            fit = fit_mixed(values, fixed, groups=random, scatter=kind)
        except MeasureError as error:
            failure = error
            continue
        contrast = np.zeros(fixed.shape[1])
        contrast[0] = 1.0
        estimate = Estimate(
            difference=float(fit.means[0]),
            variance=fit.variance(contrast),
            freedom=fit.freedom(contrast),
        )
        return Outcome(estimate=estimate, weights=fit.weights[0], method="mixed model")
    raise failure or MeasureError("not-estimable", "No model.", remedy="Measure more tresses.")


def _fixed_and_random(design: Design) -> tuple[Floats, list[list[Hashable]]]:
    """Fixed columns, treatment first, and the groupings that are random parts."""
    code = design.code[:, None]
    columns, random = np.ones_like(code), []
    for groups in sorted(design.shared.values(), key=lambda g: int(g.max())):
        dummies = (groups[:, None] == np.arange(groups.max() + 1)).astype(np.float64)
        wider = _independent(np.c_[columns, dummies])
        whole = np.c_[code, wider]
        rank = np.linalg.matrix_rank(whole)
        is_exact = rank == whole.shape[1] and len(code) > rank + 1
        if groups.max() + 1 < _FEW_LEVELS and is_exact:
            columns = wider
        elif np.linalg.matrix_rank(np.c_[columns, dummies]) > columns.shape[1]:
            random.append(groups.tolist())
    return np.c_[code, columns], random


def _independent(columns: Floats) -> Floats:
    """Columns of full rank that span the same."""
    kept = columns[:, :0]
    for column in columns.T:
        wider = np.c_[kept, column]
        if np.linalg.matrix_rank(wider) > kept.shape[1]:
            kept = wider
    return kept


def systematic_variance(design: Design, draws: Floats, weights: Floats) -> float:
    """Variance of the difference over calibration draws that the scatter of units cannot show.

    What a calibration shifts from unit to unit is in their scatter already. What it shifts alike
    in all units of one treatment is not: the variance of the difference over the draws, less what
    their own scatter within treatments and groups explains.

    Parameters
    ----------
    design : Design
        The units.
    draws : ndarray, shape (K, n)
        Of the units.
    weights : ndarray, shape (n,)
        Of the units in the difference.
    """
    spread = np.cov(draws.T)
    one = design.is_first.astype(np.float64)
    two = 1 - one
    patterns = [np.diag(one), np.diag(two)]
    patterns += [(g[:, None] == g).astype(np.float64) for g in design.shared.values()]
    common = [np.outer(one, one), np.outer(two, two), np.outer(one, two) + np.outer(two, one)]
    upper = np.triu_indices(len(one))
    columns = np.array([pattern[upper] for pattern in (*patterns, *common)]).T
    shares = np.linalg.lstsq(columns, spread[upper], rcond=None)[0]
    shown = sum(
        max(float(share), 0.0) * float(weights @ pattern @ weights)
        for share, pattern in zip(shares, patterns, strict=False)
    )
    return max(float(weights @ spread @ weights) - shown, 0.0)


def alone_variance(design: Design, values: Floats) -> tuple[float, float]:
    """Variance of the means of photos that only one treatment stands in, and its freedom."""
    variance, spread = 0.0, 0.0
    for grid in design.alone:
        means = grid @ values
        own = float(means.var(ddof=1) / len(means))
        variance += own
        spread += own**2 / (len(means) - 1)
    return variance, variance**2 / spread if spread > 0 else np.inf


def without_lift(values: Floats, draws: Floats, is_first: NDArray[np.bool_]) -> Floats:
    """Lengths as they would be without noise, so that noisier photos do not read as less even.

    Noise lifts a length: its square by the variance of the noise, which the draws show once more.
    Squares less that lift are free of it in the mean; each treatment's are brought back to lengths
    around their own mean. Figures that noise does not lift come back as they are.

    Parameters
    ----------
    values : ndarray, shape (r,)
        Readings.
    draws : ndarray, shape (K, r)
        Of the readings.
    is_first : ndarray of bool, shape (r,)
        Whether a reading has the first treatment.
    """
    if (values < 0).any() or (draws < 0).any():
        return values
    lift = draws.mean(axis=0) - values
    error = draws.std(axis=0, ddof=1) / np.sqrt(len(draws))
    total = float(np.sqrt((error**2).sum()))
    if total <= 0 or float(lift.sum()) < _LIFTED * total:
        return values
    squares = 2 * values**2 - (draws**2).mean(axis=0)
    noise = float(np.mean((draws**2).mean(axis=0) - values**2))
    out = np.empty_like(values)
    for side in (is_first, ~is_first):
        mean = float(squares[side].mean())
        least = noise / np.sqrt(max(int(side.sum()), 1))
        root = float(np.sqrt(max(mean, least, 1e-12)))
        out[side] = root / 2 + squares[side] / (2 * root)  # tangent of the square root
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourContrast:
    """Length of the difference of two mean colours.

    Attributes
    ----------
    delta_e : float
        CIEDE2000 of the two mean colours.
    low, high : float
        95 % interval of the true length; `low` is 0 where no difference is shown.
    p : float
        Of equal mean colours [2]_.
    freedom : float
        Degrees of freedom of the noise.
    sd : float
        Root mean square length of the scatter of one tress (or pair).
    method : str
        As of a figure.
    """

    delta_e: float
    low: float
    high: float
    p: float
    freedom: float
    sd: float
    method: str
    _noise: Floats = field(repr=False)
    _units: Floats = field(repr=False)

    def p_equivalence(self, margin: float) -> float:
        """Chance of a length as short as this, were the true one at the margin."""
        chances = [
            float((np.linalg.norm(margin * unit + self._noise, axis=1) <= self.delta_e).mean())
            for unit in self._units
        ]
        return max(chances)


def colour_contrast(design: Design, values: Floats, draws: Floats | None) -> ColourContrast:
    """First treatment less second as a colour difference.

    Parameters
    ----------
    design : Design
        The units.
    values : ndarray, shape (r, 3)
        L*a*b* of the readings.
    draws : ndarray, shape (K, r, 3), or None
        Under equally good calibrations.
    """
    units = design.means @ values
    middle = (units[design.is_first].mean(axis=0) + units[~design.is_first].mean(axis=0)) / 2
    root = np.linalg.cholesky(delta_e_metric(middle)).T
    turn = _axes(design, units @ root.T).T @ root  # Lab -> axes of the scatter
    estimates, methods = [], []
    standard = 0.0
    for axis in turn:
        outcome = estimate_contrast(design, units @ axis)
        estimate = outcome.estimate
        if design.alone:
            variance, freedom = alone_variance(design, values @ axis)
            estimate = estimate.joined(variance, freedom)
        standard += estimate.variance
        if draws is not None:
            seen = draws @ axis @ design.means.T
            estimate = estimate.widened(systematic_variance(design, seen, outcome.weights))
        estimates.append(estimate)
        methods.append(outcome.method)
    gap = np.array([e.difference for e in estimates])
    half = np.linalg.solve(turn, gap) / 2
    reading = float(delta_e(middle + half, middle - half))
    method = "mixed model" if "mixed model" in methods else methods[0]
    scale = float(np.sqrt(design.units_behind(method) * standard))
    return _judged(reading, gap, estimates, method=method, sd=scale)


def _axes(design: Design, units: Floats) -> Floats:
    """Directions in which the scatter of the units is uncorrelated, as columns."""
    columns = np.c_[design.is_first, ~design.is_first].astype(np.float64)
    for groups in design.shared.values():
        wider = np.c_[columns, groups[:, None] == np.arange(groups.max() + 1)]
        if np.linalg.matrix_rank(wider) < len(units) - 1 or len(units) <= 4:
            columns = wider
    rest = units - columns @ np.linalg.lstsq(columns, units, rcond=None)[0]
    return np.asarray(np.linalg.eigh(rest.T @ rest)[1])


def _judged(
    reading: float, gap: Floats, estimates: list[Estimate], *, method: str, sd: float
) -> ColourContrast:
    """Test and limits of a length from the variances along its axes."""
    variances = np.array([max(e.variance, 0.0) for e in estimates])
    freedoms = np.array([e.freedom for e in estimates])
    total = float(variances.sum())
    if total <= 0:
        still = np.zeros((1, 3))
        return ColourContrast(
            delta_e=reading, low=reading, high=reading, p=float(reading == 0), freedom=1.0,
            sd=0.0, method=method, _noise=still, _units=np.eye(3)[:1],
        )  # fmt: skip
    spread = float((variances**2).sum())
    freedom = total**2 / float((variances**2 / freedoms).sum()) * (spread / total**2)
    axes = total**2 / spread  # along how many the noise spreads, 1 to 3
    p = float(fdtrc(axes, axes * freedom, reading**2 / total))
    critical = float(np.sqrt(total * fdtri(axes, axes * freedom, COVERAGE)))
    noise = _points(float(f"{freedom:.3g}")) * np.sqrt(variances)
    length = float(np.linalg.norm(gap))
    along = gap / length if length > 0 else np.eye(3)[int(np.argmax(variances))]
    inside = (noise @ along) ** 2 - (noise**2).sum(axis=1) + reading**2
    reached = np.where(inside >= 0, -(noise @ along) + np.sqrt(np.maximum(inside, 0.0)), 0.0)
    low, high = limits_of_reached(reached, np.abs(noise @ along))
    return ColourContrast(
        delta_e=reading,
        low=min(max(low, reading - critical), reading) if reading > critical else 0.0,
        high=max(high, reading),
        p=p,
        freedom=freedom,
        sd=sd,
        method=method,
        _noise=noise,
        _units=np.array([along, np.eye(3)[int(np.argmax(variances))]]),
    )


@cache
def _grid() -> Floats:
    """Unit normal points and a share of a distribution, evenly spread (Sobol), (n, 4)."""
    grid = qmc.Sobol(4, scramble=True, seed=0).random(_POINTS)
    return np.c_[ndtri(grid[:, :3]), 1 - grid[:, 3]]


@lru_cache(maxsize=64)
def _points(freedom: float) -> Floats:
    """Points of the t law in three dimensions, the same at every call."""
    grid = _grid()
    return np.asarray(grid[:, :3] / np.sqrt(chdtri(freedom, grid[:, 3]) / freedom)[:, None])

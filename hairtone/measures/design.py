"""Planning a study: how far repeats scatter, how many are needed, and a randomised, blinded plan.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, one-way analysis of variance.
.. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, H.5.
.. [3] ASTM E1345, Reducing the effect of variability of colour measurement by use of multiple
   measurements. From memory.
.. [4] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, stdtrit

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

_MOST: Final = 100_000  # repeats or tresses; beyond it the question has no use


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterOf(Shown):
    """A standard deviation with its 95 % interval.

    Attributes
    ----------
    factor : str
        What makes it: ``"repeat"`` (within), ``"between"`` or ``"reproducibility"`` (both).
    sd, low : float
        Standard deviation and lower limit.
    high : float or None
        None: unbounded.
    freedom : float
        Degrees of freedom behind it.
    n : int
        Readings.
    """

    factor: str
    sd: float
    low: float
    high: float | None
    freedom: float
    n: int

    def to_frame(self) -> Any:
        """One row: factor, sd, low, high, n."""
        import pandas as pd

        names = ("factor", "sd", "low", "high", "n")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability(Shown):
    """Scatter within and between groups (operators, days, tresses) [1]_.

    Attributes
    ----------
    within, between, total : ScatterOf
        Of repeats, of groups, and of a single reading in any group.
    f, p : float
        Ratio of mean squares and the p of no difference between groups.
    mean_square_within, mean_square_between : float
        As in the table of variance.
    """

    within: ScatterOf
    between: ScatterOf
    total: ScatterOf
    f: float
    p: float
    mean_square_within: float
    mean_square_between: float

    def to_frame(self) -> Any:
        """One row a factor, columns as repeats.csv from `factor` on."""
        import pandas as pd

        return pd.concat([s.to_frame() for s in (self.within, self.between, self.total)])


def measure_repeatability(
    groups: Sequence[ArrayLike],
    *,
    names: tuple[str, str, str] = ("repeat", "between", "reproducibility"),
) -> Repeatability:
    """Return the scatter of repeats within groups and between groups, one-way nested [1]_, [2]_.

    Parameters
    ----------
    groups : sequence of array_like
        Readings of each group; groups of one reading count for `between` only.
    names : tuple of str, optional
        What the three factors are called.

    Raises
    ------
    MeasureError
        ``no-repeats``: fewer than two groups, or no group with two readings.
    """
    values = [np.asarray(g, np.float64) for g in groups if np.size(g)]
    sizes = np.array([len(v) for v in values])
    count, total = len(values), int(sizes.sum())
    if count < 2 or total <= count:
        raise MeasureError(
            "no-repeats",
            f"{total} readings in {count} groups tell no scatter of repeats.",
            remedy="Re-comb and photograph again: two readings or more in two groups or more.",
        )
    means = np.array([v.mean() for v in values])
    grand = float(np.concatenate(values).mean())
    inside = float(sum(((v - m) ** 2).sum() for v, m in zip(values, means, strict=True)))
    across = float((sizes * (means - grand) ** 2).sum())
    ms_within, ms_between = inside / (total - count), across / (count - 1)
    each = (total - float((sizes**2).sum()) / total) / (count - 1)  # repeats a group, unbalanced
    between = max(ms_between - ms_within, 0.0) / each
    f = ms_between / ms_within if ms_within > 0 else np.inf
    return Repeatability(
        within=scatter(ms_within, total - count, factor=names[0], n=total),
        between=scatter(
            between,
            _freedom((ms_between / each, count - 1), (-ms_within / each, total - count)),
            factor=names[1],
            n=total,
        ),
        total=scatter(
            between + ms_within,
            _freedom((ms_between / each, count - 1), (ms_within * (1 - 1 / each), total - count)),
            factor=names[2],
            n=total,
        ),
        f=f,
        p=float(fdtrc(count - 1, total - count, f)) if np.isfinite(f) else 0.0,
        mean_square_within=ms_within,
        mean_square_between=ms_between,
    )


def _freedom(*parts: tuple[float, float]) -> float:
    """Effective degrees of freedom of a sum of mean squares [4]_."""
    whole = sum(part for part, _ in parts)
    spread = sum(part**2 / free for part, free in parts)
    return float(max(whole**2 / spread, 0.0)) if spread > 0 and whole > 0 else 0.0


def scatter(variance: float, freedom: float, *, factor: str, n: int) -> ScatterOf:
    """A variance as a standard deviation with its χ² limits.

    Parameters
    ----------
    variance, freedom : float
        Variance and its degrees of freedom; under 1 the upper limit is unbounded.
    factor : str
        What makes it.
    n : int
        Readings.
    """
    sd = float(np.sqrt(variance))
    if variance <= 0 or freedom <= 0:
        return ScatterOf(factor=factor, sd=0.0, low=0.0, high=None, freedom=freedom, n=n)
    tail = (1 - COVERAGE) / 2
    low = sd * np.sqrt(freedom / chdtri(freedom, tail))
    high = sd * np.sqrt(freedom / chdtri(freedom, 1 - tail)) if freedom >= 1 else None
    return ScatterOf(
        factor=factor,
        sd=sd,
        low=float(low),
        high=None if high is None else float(high),
        freedom=freedom,
        n=n,
    )


def repeat_covariance(groups: Sequence[ArrayLike]) -> tuple[Floats, int]:
    """Covariance of repeats, pooled over groups, and its degrees of freedom.

    In place of the borrowed covariance of re-laying where a study has repeats.

    Parameters
    ----------
    groups : sequence of array_like, shape (n, 3)
        L*a*b* of repeats of one state of one hair each.

    Raises
    ------
    MeasureError
        ``no-repeats``: no group holds two readings.
    """
    rests = [np.asarray(g, np.float64) for g in groups if len(np.asarray(g)) > 1]
    freedom = sum(len(g) - 1 for g in rests)
    if freedom < 1:
        raise MeasureError(
            "no-repeats",
            "No state of any hair was photographed twice.",
            remedy="Re-comb and photograph again at least once; three repeats are better.",
        )
    squares = sum(((g - g.mean(axis=0)).T @ (g - g.mean(axis=0)) for g in rests), np.zeros(()))
    return np.asarray(squares / freedom), freedom


def repeats_needed(sd: float, *, half_width: float) -> int:
    """Return the fewest repeats whose mean has a 95 % interval of ± `half_width`.

    Parameters
    ----------
    sd : float
        Of one repeat, > 0.
    half_width : float
        Wanted, > 0, in the same unit.
    """
    if not (sd > 0 and half_width > 0):
        raise ValueError(f"sd = {sd} and half_width = {half_width} must be above 0.")
    count = 2
    while stdtrit(count - 1, (1 + COVERAGE) / 2) * sd / np.sqrt(count) > half_width:
        count += 1
        if count > _MOST:
            raise ValueError(f"More than {_MOST} repeats would be needed.")
    return count


def repeats_for_standard_error(sd: float, *, standard_error: float) -> int:
    """Repeats for a standard error of the mean, n = (s/SE)² rounded up, at least 1 [3]_."""
    if not (sd > 0 and standard_error > 0):
        raise ValueError(f"sd = {sd} and standard_error = {standard_error} must be above 0.")
    return max(1, int(np.ceil((sd / standard_error) ** 2 - 1e-9)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTress:
    """One tress of a plan.

    Attributes
    ----------
    subject : str
        Code that tells nothing of the treatment.
    treatment : str
        What is done to it; in the key only.
    letter : str
        What the sheet calls the treatment while blinded.
    pair, block : str
        Pair it belongs to, and its block; empty without.
    order : int
        When it is coloured, 1 first.
    """

    subject: str
    treatment: str
    letter: str
    pair: str
    block: str
    order: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignPlan(Shown):
    """A plan: which tress gets which treatment, in which order, and which photos are taken.

    Attributes
    ----------
    tresses : tuple of PlannedTress
        In the order they are coloured.
    washes : tuple of str
        ``"before"``, ``"0"``, ``"1"`` …
    replicates : int
        Re-comb + re-shoot photos of each state.
    seed : int
        Of the randomisation; the same seed gives the same plan.
    """

    tresses: tuple[PlannedTress, ...]
    washes: tuple[str, ...]
    replicates: int
    seed: int

    def to_frame(self) -> Any:
        """The blinded sheet, columns as photos.csv; every photo in a random order of tresses."""
        import pandas as pd

        rng = np.random.default_rng(self.seed + 1)
        rows = []
        for wash in self.washes:
            for replicate in range(1, self.replicates + 1):
                for at in rng.permutation(len(self.tresses)):
                    rows.append(self._row(self.tresses[at], wash, replicate))
        return pd.DataFrame(rows)

    @property
    def smallest_effect(self) -> float:
        """Difference that 80 of 100 such studies show, in SDs of the difference of one pair."""
        return effect_seen(len({tress.pair for tress in self.tresses}), paired=True)

    def _row(self, tress: PlannedTress, wash: str, replicate: int) -> dict[str, Any]:
        state = wash if wash == "before" else f"w{wash}"
        return {
            "photo": f"photos/{tress.subject}_{state}_{replicate}.jpg",
            "subject": tress.subject,
            "wash": wash,
            "treatment": tress.letter,
            "replicate": replicate,
            "pair": tress.pair,
            "hair_batch": tress.block,
        }

    def key_frame(self) -> Any:
        """The key that unblinds: subject, letter, treatment, pair, block, order; keep it apart."""
        import pandas as pd

        names = ("order", "subject", "letter", "treatment", "pair", "block")
        return pd.DataFrame([{name: getattr(t, name) for name in names} for t in self.tresses])


def plan_design(
    treatments: Sequence[str],
    *,
    tresses: int,
    washes: Sequence[int] = (0, 1, 2, 4, 6, 8),
    replicates: int = 3,
    blocks: Sequence[str] = (),
    seed: int,
) -> DesignPlan:
    """Return tresses dealt to treatments at random within pairs and blocks.

    Every pair (split tress or matched tresses) holds each treatment once; pairs are spread evenly
    over the blocks; order of work and letters are random too.

    Parameters
    ----------
    treatments : sequence of str
        Two or more keys of study.toml.
    tresses : int
        Of each treatment, 2 or more; `tresses_needed` says how many.
    washes : sequence of int, optional
        After which photos are taken; a photo before and one of wash 0 are always in.
    replicates : int, optional
        Photos of each state, re-combed in between.
    blocks : sequence of str, optional
        Batches of hair, operators or days.
    seed : int
        Of the randomisation; write it down.

    Raises
    ------
    MeasureError
        ``plan-too-small``: under two treatments or tresses, or a treatment named twice.
    """
    names = list(treatments)
    if len(names) < 2 or len(set(names)) != len(names) or tresses < 2 or replicates < 1:
        raise MeasureError(
            "plan-too-small",
            f"{len(names)} treatments of {tresses} tresses with {replicates} photos of each state.",
            remedy="Plan two different treatments or more, two tresses or more of each.",
        )
    rng = np.random.default_rng(seed)
    letters = [chr(ord("A") + k) for k in range(len(names))]
    blinded = dict(zip(rng.permutation(names), letters, strict=True))
    total = len(names) * tresses
    codes = iter(rng.permutation([f"T{k + 1:0{max(2, len(str(total)))}d}" for k in range(total)]))
    dealt = []
    for pair in range(tresses):
        block = blocks[pair % len(blocks)] if blocks else ""
        for treatment in rng.permutation(names):
            dealt.append((str(next(codes)), str(treatment), f"P{pair + 1:02d}", block))
    order = _order_of_work(len(names), tresses, rng)
    planned = [
        PlannedTress(
            subject=subject,
            treatment=treatment,
            letter=blinded[treatment],
            pair=pair,
            block=block,
            order=int(order[at]) + 1,
        )
        for at, (subject, treatment, pair, block) in enumerate(dealt)
    ]
    taken = sorted({0, *(int(n) for n in washes)})
    return DesignPlan(
        tresses=tuple(sorted(planned, key=lambda tress: tress.order)),
        washes=("before", *(str(n) for n in taken)),
        replicates=replicates,
        seed=seed,
    )


def _order_of_work(each: int, pairs: int, rng: np.random.Generator) -> np.ndarray[Any, Any]:
    """Pairs in random order, the tresses of a pair one after the other."""
    first = rng.permutation(pairs) * each
    return np.asarray(np.repeat(first, each) + np.tile(np.arange(each), pairs))


def power_of(tresses: int, *, effect: float, paired: bool = False) -> float:
    """Chance that a two-sided 5 % t test sees a true difference.

    Parameters
    ----------
    tresses : int
        Of each treatment, or pairs; 2 or more.
    effect : float
        True difference in SDs of one tress (of a paired difference where `paired`).
    paired : bool, optional
        Pairs rather than two groups.
    """
    from scipy.stats import nct

    freedom = tresses - 1 if paired else 2 * (tresses - 1)
    shift = effect * np.sqrt(tresses if paired else tresses / 2)
    edge = float(stdtrit(freedom, (1 + COVERAGE) / 2))
    return float(nct.sf(edge, freedom, shift) + nct.cdf(-edge, freedom, shift))


def tresses_needed(*, effect: float, power: float = 0.8, paired: bool = False) -> int:
    """Return how many tresses (or pairs) show a difference with this power at 5 %.

    Parameters
    ----------
    effect : float
        True difference in SDs of one tress, > 0.
    power : float, optional
        Chance of seeing it, below 1.
    paired : bool, optional
        Pairs rather than two groups.
    """
    if not (effect > 0 and 0 < power < 1):
        raise ValueError(f"effect = {effect} must be above 0 and power = {power} between 0 and 1.")
    count = 2
    while power_of(count, effect=effect, paired=paired) < power:
        count += 1
        if count > _MOST:
            raise ValueError(f"More than {_MOST} tresses would be needed.")
    return count


def effect_seen(tresses: int, *, power: float = 0.8, paired: bool = False) -> float:
    """Smallest true difference that so many tresses show with this power at 5 %.

    Parameters
    ----------
    tresses : int
        Of each treatment, or pairs; 2 or more.
    power : float, optional
        Chance of seeing it, below 1.
    paired : bool, optional
        Pairs rather than two groups. The difference is then in SDs of the difference of one pair,
        else in SDs of one tress: the `sd` that `compare_treatments` states.
    """
    low, high = 0.0, 1.0
    while power_of(tresses, effect=high, paired=paired) < power:
        high *= 2
    for _ in range(50):
        middle = (low + high) / 2
        is_seen = power_of(tresses, effect=middle, paired=paired) >= power
        low, high = (low, middle) if is_seen else (middle, high)
    return high

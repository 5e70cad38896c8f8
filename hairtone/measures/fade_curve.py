"""The curve of a fade: half-life, washes to refresh and to gone, forecast, crossing.

A fade may be one exponential, stretched, of two pools of dye, may end at a plateau, or be any
mixture of these. A few washes do not show which, and beyond the last wash the shapes part. One
family holds them all, and every range is over all its curves that the readings allow, each
weighted by how well it fits [1]_ [2]_.

References
----------
.. [1] J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, Statist. Sci. 14 (1999) 382-417,
   doi:10.1214/ss/1009212519: averaging over models. From memory.
.. [2] P. Del Moral, A. Doucet, A. Jasra, J. R. Statist. Soc. B 68 (2006) 411-436,
   doi:10.1111/j.1467-9868.2006.00553.x: draws taken from the prior to the posterior in steps.
   From memory.
.. [3] D. W. Marquardt, J. Soc. Ind. Appl. Math. 11 (1963) 431-441, doi:10.1137/0111030.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, ndtr, ndtri
from scipy.stats import qmc

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.fade import LEAST_WASHES, Fade, whitener
from hairtone.measures.words import Bands, read_bands
from hairtone.showing import Shown
from hairtone.uncertainty import read_only

LIMITS: Final = ("refresh_percent", "gone_percent")
HALF: Final = 50.0  # %
DRAWS: Final = 800  # curves behind every range; 2.5 % tails repeat to about 0.5 %; our choice
MISFIT: Final = 0.01  # p of χ² below which no figure is given: 1 sound fade in 100 loses its own
AT_ONCE: Final = (
    0.3  # washes; a shorter half-life lies before anything that photos show; our choice
)
REACH: Final = 1.5  # last washes; nothing is forecast beyond; our choice
PLATEAU_DOUBT: Final = 0.05  # weight of plateaus above a limit that leaves its wash open
# share of the curves that a 95 % range holds: the family is wider than the fades that come, and
# shapes at its edge, such as a plateau seen for three washes, hold less often than the middle
_HELD: Final = 0.97
EXPECTED: Final = (6, 8)  # washes a semi-permanent colour is said to last; common practice
_ENDLESS: Final = 1e9  # washes
_SINGLE_NOISE: Final = 1.645  # one-sided 95 % of a normal law

# The family: R = p + (100 - p) [(1 - s) 2^-(n/h)^β + s 2^-(n/(h q))]. Our choice, wide: h 0.3 to 34
# washes in 95 of 100. Half of all curves have no plateau, half no stretch, half no second pool.
_DIMENSIONS: Final = 5
_USUAL_HALF, _SPREAD_HALF = 3.0, 1.2  # washes, and SD of the logarithm
_MOST_PLATEAU: Final = 0.8
_MOST_STRETCH: Final = 0.65  # β from 0.35 to 1
_USUAL_RATIO, _SPREAD_RATIO = 5.0, 0.7  # half-lives of the two pools, and SD of the logarithm
_BANK: Final = 2**14  # curves of the prior that every fit starts from
_LEAST_EVEN: Final = 400  # curves that have to count alike before they are drawn anew
_MOVES, _LAST_MOVES = 6, 10  # of each draw, on the way and at the end
_LEAST_NOISE: Final = 0.05  # % of colour left; no photo is better, and draws would stick together
_GRID, _ROUNDS = 64, 2  # washes at which curves are laid out, and steps from there: to 1e-4 wash


def fade_values(curves: Floats, washes: Floats) -> Floats:
    """Per cent left after `washes`, shape (N, m), of curves of the family, shape (N, 5).

    Parameters
    ----------
    curves : ndarray, shape (N, 5)
        Standard normal under the prior: scale, plateau, stretch, share and ratio of the slow pool.
        A plateau, stretch or share below 0 is none.
    washes : ndarray, shape (m,) or (N, m)
        0 or more.
    """
    half = np.exp(np.log(_USUAL_HALF) + _SPREAD_HALF * curves[:, :1])
    amount = np.maximum(2 * ndtr(curves[:, 1:4]) - 1, 0.0)
    plateau, share = _MOST_PLATEAU * amount[:, :1], amount[:, 2:3]
    stretch = 1 - _MOST_STRETCH * amount[:, 1:2]
    ratio = np.exp(np.log(_USUAL_RATIO) + _SPREAD_RATIO * curves[:, 4:5])
    scaled = washes / half
    fast, slow = np.exp2(-(scaled**stretch)), np.exp2(-scaled / ratio)
    return np.asarray(100 * (plateau + (1 - plateau) * ((1 - share) * fast + share * slow)))


@cache
def _prior() -> Floats:
    """Curves of the prior, evenly spread (Sobol), shape (2^14, 5), the same at every call."""
    points = qmc.Sobol(_DIMENSIONS, scramble=True, seed=0).random(_BANK)
    curves = np.asarray(ndtri(np.clip(points, 1e-9, 1 - 1e-9)), dtype=np.float64)
    curves.flags.writeable = False
    return curves


@lru_cache(maxsize=32)  # hairs of one study were photographed after the same washes
def _prior_values(washes: tuple[float, ...]) -> Floats:
    return fade_values(_prior(), np.array(washes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Readings:
    """Colour left as read, and how far curves are from it."""

    washes: Floats
    left: Floats
    white: Floats

    def fit(self, values: Floats) -> Floats:
        """Logarithm of how likely the readings are under each curve, shape (N,)."""
        return np.asarray(-0.5 * (((values - self.left) @ self.white) ** 2).sum(axis=1))


def draw_curves(washes: Floats, left: Floats, covariance: Floats) -> tuple[Floats, float]:
    """Curves of the family that the readings allow, shape (N, 5), and the least χ² of any.

    From the prior the readings are let in by degrees: curves are drawn anew by their weight, then
    moved at random (Metropolis), until all of the readings count [2]_.

    Parameters
    ----------
    washes, left : ndarray, shape (m,)
        Washes after wash 0 and the per cent left.
    covariance : ndarray, shape (m, m)
        Of `left`.
    """
    floor = covariance + _LEAST_NOISE**2 * np.eye(len(washes))
    read = _Readings(washes=washes, left=left, white=whitener(floor))
    rng = np.random.default_rng(0)
    curves, fit = _prior(), read.fit(_prior_values(tuple(washes)))
    best, counted = float(fit.max()), 0.0
    while counted < 1:
        ahead = _next_share(fit, counted)
        weight = np.exp((ahead - counted) * (fit - fit.max()))
        ladder = (rng.random() + np.arange(DRAWS)) / DRAWS
        chosen = np.searchsorted(np.cumsum(weight) / weight.sum(), ladder).clip(0, len(fit) - 1)
        counted = ahead
        moves = _LAST_MOVES if counted >= 1 else _MOVES
        curves, fit, top = _moved(read, (curves[chosen], fit[chosen]), counted, moves, rng)
        best = max(best, top)
    return curves, -2 * best


def _next_share(fit: Floats, counted: float) -> float:
    """Share of the readings to count next, so that enough curves still count alike."""
    gap = fit - fit.max()

    def is_even(share: float) -> bool:
        weight = np.exp((share - counted) * gap)
        return bool(weight.sum() ** 2 >= _LEAST_EVEN * (weight**2).sum())

    if is_even(1.0):
        return 1.0
    low, high = counted, 1.0
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (middle, high) if is_even(middle) else (low, middle)
    return max(low, counted + 1e-6)


def _moved(
    read: _Readings,
    start: tuple[Floats, Floats],
    counted: float,
    moves: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, float]:
    """Curves after random moves that keep their law, how they fit, and the best fit on the way."""
    curves, fit = start
    root = np.linalg.cholesky(np.cov(curves.T) + 1e-9 * np.eye(_DIMENSIONS))
    law, best = counted * fit - 0.5 * (curves**2).sum(axis=1), float(fit.max())
    for move in range(moves):
        size = (2.38 if move % 2 else 0.8) / np.sqrt(_DIMENSIONS)  # a long and a short stride
        tried = curves + size * rng.standard_normal(curves.shape) @ root.T
        tried_fit = read.fit(fade_values(tried, read.washes))
        tried_law = counted * tried_fit - 0.5 * (tried**2).sum(axis=1)
        taken = np.log(rng.random(len(curves))) < tried_law - law
        curves = np.where(taken[:, None], tried, curves)
        fit, law = np.where(taken, tried_fit, fit), np.where(taken, tried_law, law)
        best = max(best, float(tried_fit.max()))
    return curves, fit, best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Falls:
    """Curves on a grid of washes, to find when each falls to a level."""

    curves: Floats
    grid: Floats
    values: Floats

    @classmethod
    def of(cls, curves: Floats, within: float) -> _Falls:
        """The curves up to `within` washes."""
        grid = within * np.linspace(0.0, 1.0, _GRID) ** 2  # fine where fades are steep
        return cls(curves=curves, grid=grid, values=fade_values(curves, grid))

    def to(self, level: float) -> Floats:
        """Wash at which each curve falls to `level` per cent, shape (N,); inf: later than all."""
        above = (self.values > level).sum(axis=1)  # curves fall: the first so many lie above
        after = np.clip(above, 1, _GRID - 1)
        rows = np.arange(len(self.curves))
        low, high = self.grid[after - 1], self.grid[after]
        top, bottom = self.values[rows, after - 1], self.values[rows, after]
        for _ in range(_ROUNDS):  # false position, kept between the two ends
            share = (top - level) / np.maximum(top - bottom, 1e-12)
            wash = low + np.clip(share, 0.0, 1.0) * (high - low)
            value = fade_values(self.curves, wash[:, None])[:, 0]
            is_above = value > level
            low, top = np.where(is_above, wash, low), np.where(is_above, value, top)
            high, bottom = np.where(is_above, high, wash), np.where(is_above, bottom, value)
        return np.where(above < _GRID, wash, np.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class WashRange:
    """A number of washes with its 95 % range.

    Attributes
    ----------
    value, low, high : float or None
        None: these washes do not bound it. `low` alone means that wash or later.
    reason : str
        Why `value` is missing; "" where it is not.
    """

    value: float | None
    low: float | None
    high: float | None
    reason: str = ""

    def __iter__(self) -> Iterator[float | None]:
        return iter((self.value, self.low, self.high))

    def __str__(self) -> str:
        if self.low is None:
            return self.reason or "not known"
        if self.high is None:
            return f"{self.low:.1f} or more"
        return f"{self.low:.1f} to {self.high:.1f}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast(Shown):
    """Colour left by the curve of a fade, seen and forecast.

    Attributes
    ----------
    wash : ndarray, shape (m,)
        As asked for.
    colour_left, low, high : ndarray, shape (m,)
        Per cent with its 95 % interval; NaN where nothing is given.
    is_forecast : ndarray of bool, shape (m,)
        Whether the wash lies beyond the last photo.
    reason : str
        Why there are gaps; "" without any.
    """

    wash: Floats
    colour_left: Floats
    low: Floats
    high: Floats
    is_forecast: NDArray[np.bool_]
    reason: str = ""

    @property
    def value(self) -> Floats:
        """Another name of `colour_left`."""
        return self.colour_left

    def __repr__(self) -> str:
        return f"Forecast({len(self)} washes{': ' if self.reason else ''}{self.reason})"

    def __len__(self) -> int:
        return len(self.wash)

    def __iter__(self) -> Iterator[tuple[float | None, float | None, float | None]]:
        """Value, low and high of each wash; None where nothing is given."""
        for row in zip(self.colour_left, self.low, self.high, strict=True):
            value, low, high = (float(v) if np.isfinite(v) else None for v in row)
            yield value, low, high

    def to_frame(self) -> Any:
        """One row a wash: wash, colour_left, low, high, is_forecast."""
        import pandas as pd

        names = ("wash", "colour_left", "low", "high", "is_forecast")
        return pd.DataFrame({name: getattr(self, name) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FadeCurve(Shown):
    """The curve of one zone's fade, averaged over all shapes that its readings allow.

    Attributes
    ----------
    zone : str
        Which zone.
    washes, colour_left, noise : ndarray, shape (m,)
        The readings after wash 0, and their noise SD. [washes, %, %]
    curves : ndarray, shape (N, 5)
        Equally good curves, for `fade_values`.
    half_life, washes_to_refresh, washes_to_gone : WashRange
        Washes at which 50 %, the refresh limit and the gone limit are reached.
    refresh_percent, gone_percent : float
        Those limits. [%]
    plateau, plateau_low, plateau_high : float
        Where the fade ends, with its 95 % interval. [%]
    misfit, misfit_p : float
        Least χ² a degree of freedom, and how often sound readings are that far off or more.
    reason : str
        Why no figure is given; "" where figures are.
    """

    zone: str
    washes: Floats
    colour_left: Floats
    noise: Floats
    curves: Floats
    half_life: WashRange
    washes_to_refresh: WashRange
    washes_to_gone: WashRange
    refresh_percent: float
    gone_percent: float
    plateau: float
    plateau_low: float
    plateau_high: float
    misfit: float
    misfit_p: float
    reason: str = ""

    def __repr__(self) -> str:
        return (
            f"FadeCurve({self.zone or 'one zone'}, washes 1 to {self.last_wash:g}: half-life "
            f"{self.half_life}, refresh {self.washes_to_refresh}, gone {self.washes_to_gone})"
        )

    @property
    def is_misfit(self) -> bool:
        """The readings do not fall as any fade of the family does."""
        return self.misfit_p < MISFIT

    @property
    def last_wash(self) -> float:
        """Last wash measured; beyond it the curve is a forecast."""
        return float(self.washes.max())

    @property
    def furthest_wash(self) -> float:
        """Wash beyond which nothing is forecast: 1.5 times the last wash."""
        return REACH * self.last_wash

    @property
    def unseen_percent(self) -> float:
        """Colour left that the last photo could not tell from none, by its noise alone. [%]"""
        return _SINGLE_NOISE * float(self.noise[int(self.washes.argmax())])

    def at(self, washes: ArrayLike) -> Floats:
        """Per cent left after `washes`, shape (m,); NaN where nothing is given."""
        return self.forecast(washes).colour_left

    def forecast(self, washes: ArrayLike) -> Forecast:
        """Colour left after `washes` with its interval, up to 1.5 times the last wash.

        Parameters
        ----------
        washes : array_like, shape (m,) or ()
            0 or more.
        """
        at = np.atleast_1d(np.asarray(washes, dtype=np.float64))
        is_given = (at >= 0) & (at <= self.furthest_wash) & (not self.reason)
        drawn = fade_values(self.curves, np.clip(at, 0.0, self.furthest_wash))
        tail = 100 * (1 - _HELD) / 2
        low, middle, high = np.percentile(drawn, [tail, 50, 100 - tail], axis=0)
        beyond = (
            f"The last photo was taken after wash {self.last_wash:g}; nothing is forecast beyond "
            f"wash {self.furthest_wash:g}."
        )
        return Forecast(
            wash=at,
            colour_left=np.where(is_given, middle, np.nan),
            low=np.where(is_given, low, np.nan),
            high=np.where(is_given, high, np.nan),
            is_forecast=at > self.last_wash,
            reason=self.reason or ("" if is_given.all() else beyond),
        )

    @property
    def expectation(self) -> str:
        """The washes to gone against the trade's six to eight, in words."""
        usual = f"about {EXPECTED[0]} to {EXPECTED[1]} washes (common practice)"
        gone = self.washes_to_gone
        if gone.low is None:
            return gone.reason
        if gone.low > EXPECTED[1]:
            return f"lasts longer than {usual}"
        if gone.high is not None and gone.high < EXPECTED[0]:
            return f"leaves sooner than {usual}"
        if gone.value is None:
            return f"still there after wash {gone.low:.0f}. {gone.reason}"
        return f"in keeping with {usual}, as far as these photos show"

    def to_frame(self) -> Any:
        """One row, columns as fade_fit.csv from `zone` on, more of the fit after them."""
        import pandas as pd

        row: dict[str, Any] = {"zone": self.zone, "model": _MODEL}
        for name in ("half_life", "washes_to_refresh", "washes_to_gone"):
            found: WashRange = getattr(self, name)
            row |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
        names = ("misfit", "misfit_p", "refresh_percent", "gone_percent", "unseen_percent")
        row |= {name: getattr(self, name) for name in names}
        row |= {
            name: None if self.reason else getattr(self, name)
            for name in ("plateau", "plateau_low", "plateau_high")
        }
        row |= {"last_wash": self.last_wash, "furthest_wash": self.furthest_wash}
        return pd.DataFrame([row | {"reason": self.reason or self.washes_to_gone.reason}])


_MODEL: Final = "all shapes, weighted by fit"


def fit_fade(
    washes: ArrayLike,
    colour_left: ArrayLike,
    covariance: ArrayLike,
    limits: Mapping[str, float] | None = None,
    *,
    zone: str = "",
) -> FadeCurve:
    """Return the curve of a fade: half-life, washes to refresh and to gone.

    Parameters
    ----------
    washes : array_like, shape (m,)
        Washes of the readings; 3 or more after wash 0. Wash 0 is 100 % by definition, and passed
        over where it is given.
    colour_left : array_like, shape (m,)
        Colour left. [%]
    covariance : array_like, shape (m, m)
        Of `colour_left`: all share the photos of wash 0 and of before. [% squared]
    limits : mapping of str to float, optional
        ``refresh_percent`` and ``gone_percent``, 0..100; 50 and 10 without it.
    zone : str, optional
        What results call it.

    Raises
    ------
    MeasureError
        ``too-few-washes``: under 3 after wash 0.
    ValueError
        Shapes that do not go together, values that are not finite, washes below 0, or an unknown
        limit.
    """
    readings = _checked(washes, colour_left, covariance)
    levels = _levels(limits)
    at, left, spread = readings
    if len(at) < LEAST_WASHES:
        raise MeasureError(
            "too-few-washes",
            f"{len(at)} washes after wash 0 were measured; a curve needs {LEAST_WASHES}.",
            where=zone,
            remedy="Photograph the hair after more washes.",
        )
    curves, squares = draw_curves(at, left, spread)
    free = len(at) - 1  # of one exponential, the stiffest of the family: no alarm for a freer one
    misfit_p = float(chdtrc(free, squares))
    falls = _Falls.of(curves, REACH * float(at.max()))
    reason = _why_none(float(np.median(falls.to(HALF))), misfit_p)
    ends = fade_values(curves, np.array([_ENDLESS]))[:, 0]
    low, middle, high = np.quantile(ends, [(1 - _HELD) / 2, 0.5, (1 + _HELD) / 2])
    ranges = [
        _range(falls, ends, level, reason)
        for level in (HALF, levels["refresh_percent"], levels["gone_percent"])
    ]
    return FadeCurve(
        zone=zone,
        washes=at,
        colour_left=left,
        noise=np.sqrt(np.diag(spread)),
        curves=curves,
        half_life=ranges[0],
        washes_to_refresh=ranges[1],
        washes_to_gone=ranges[2],
        refresh_percent=levels["refresh_percent"],
        gone_percent=levels["gone_percent"],
        plateau=float(middle),
        plateau_low=float(low),
        plateau_high=float(high),
        misfit=squares / free,
        misfit_p=misfit_p,
        reason=reason,
    )


def fit_zone_fade(fade: Fade, *, bands: Bands | None = None) -> FadeCurve:
    """Curve of one zone's fade, by the joint errors of its washes.

    Parameters
    ----------
    fade : Fade
        From `measure_fade`, with 3 washes or more after wash 0.
    bands : Bands, optional
        A study's own limits for refresh and gone.

    Raises
    ------
    MeasureError
        ``no-colour-left``: it is not known. ``too-few-washes``.
    """
    if not fade.has_colour_left:
        raise MeasureError(
            "no-colour-left",
            str(fade.missing[0]) if fade.missing else "The colour left is not known.",
            remedy="A curve needs a photo before colouring and an uptake that stands clear of it.",
        )
    steps = [step for step in fade.steps if step.wash > 0]
    left = [step.colour_left for step in steps]
    return fit_fade(
        [step.wash for step in steps],
        np.array(left, dtype=np.float64),
        np.cov(fade.left_draws.T, ddof=0).reshape(len(left), len(left)),
        limits=(bands or read_bands()).limits,
        zone=fade.zone,
    )


def _checked(
    washes: ArrayLike, left: ArrayLike, covariance: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Readings after wash 0 in the order of their washes."""
    at = read_only(washes, shape=(None,), name="washes")
    seen = read_only(left, shape=(len(at),), name="colour_left")
    spread = read_only(covariance, shape=(len(at), len(at)), name="covariance")
    if (at < 0).any():
        raise ValueError(f"washes hold {at.min():g}; the first wash is 0, just coloured.")
    order = np.argsort(at, kind="stable")
    order = order[at[order] > 0]
    return at[order], seen[order], spread[np.ix_(order, order)]


def _levels(limits: Mapping[str, float] | None) -> dict[str, float]:
    """Limits for refresh and gone, the usual ones where none are given. [%]"""
    given = dict(limits or {})
    usual = read_bands().limits
    unknown = sorted(set(given) - set(usual))
    if unknown:
        raise ValueError(f"limits holds {unknown}; it takes {' and '.join(LIMITS)}.")
    levels = {name: float(given.get(name, usual[name])) for name in LIMITS}
    if not all(0 < level < 100 for level in levels.values()):
        raise ValueError(f"limits are {levels}; both lie between 0 and 100 %.")
    return levels


def _why_none(half: float, misfit_p: float) -> str:
    """Why no figure can be given, "" where it can."""
    if misfit_p < MISFIT:
        return (
            "The colour left does not fall from wash to wash as a fade does, by more than the "
            "noise of the photos. Check the order of the photos and the wash counts."
        )
    if half < AT_ONCE:
        return (
            "Most of the colour left at the first wash. Photos after later washes do not show how "
            "fast."
        )
    return ""


def _range(falls: _Falls, ends: Floats, level: float, reason: str) -> WashRange:
    """Wash at which a level is reached, as far as it lies within 1.5 times the last wash."""
    if reason:
        return WashRange(value=None, low=None, high=None, reason=reason)
    within, tail = float(falls.grid[-1]), (1 - _HELD) / 2
    reached = falls.to(level)
    low, value, high = np.quantile(reached, (tail, 0.5, 1 - tail), method="inverted_cdf")
    first = min(float(low), within)
    may_stay = float((ends > level).mean()) > PLATEAU_DOUBT
    if may_stay or not np.isfinite(value):
        return WashRange(
            value=None,
            low=first,
            high=None,
            reason=f"These photos do not show when {level:g} % is reached; the last one was taken "
            f"after wash {within / REACH:g}.",
        )
    return WashRange(value=float(value), low=first, high=_finite(float(high)))


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


_STEP: Final = 0.05  # washes


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing(Shown):
    """Where the curves of roots and ends meet.

    Attributes
    ----------
    wash : float or None
        None where they do not meet within these washes.
    low, high : float or None
        95 % range; None where unbounded.
    share : float
        Share of equally good curves that meet at all, 0..1.
    words : str
        In plain words; why there is none, where there is none.
    """

    wash: float | None
    low: float | None
    high: float | None
    share: float
    words: str

    def to_frame(self) -> Any:
        """One row: wash, low, high."""
        import pandas as pd

        return pd.DataFrame([{"wash": self.wash, "low": self.low, "high": self.high}])


def find_crossing(roots: tuple[Fade, FadeCurve], ends: tuple[Fade, FadeCurve]) -> Crossing:
    """Return the wash at which roots and ends hold the same amount of colour.

    The amount is the uptake in ΔE*ab times the colour left: porous ends often take up more and
    lose it faster.

    Parameters
    ----------
    roots, ends : tuple of (Fade, FadeCurve)
        Of one hair.

    Raises
    ------
    MeasureError
        ``no-uptake``: the uptake of a zone is not known.
    """
    for fade, _ in (roots, ends):
        if fade.uptake is None:
            raise MeasureError(
                "no-uptake",
                f"The uptake of the {fade.zone or 'zone'} is not known.",
                remedy="A crossing needs a photo before colouring.",
            )
    curves = roots[1], ends[1]
    reason = next((curve.reason for curve in curves if curve.reason), "")
    if reason:
        return Crossing(wash=None, low=None, high=None, share=0.0, words=reason)
    last = min(curve.last_wash for curve in curves)
    grid = np.arange(0.0, REACH * last + _STEP, _STEP)
    drawn = _meeting(_amounts(ends, grid) - _amounts(roots, grid), grid)
    tail = (1 - _HELD) / 2
    found = np.quantile(drawn, (tail, 0.5, 1 - tail), method="inverted_cdf")
    low, wash, high = (_finite(float(v)) for v in found)
    return Crossing(
        wash=wash,
        low=low,
        high=high,
        share=float(np.isfinite(drawn).mean()),
        words=_words(wash, low, high, last),
    )


def _amounts(zone: tuple[Fade, FadeCurve], grid: Floats) -> Floats:
    """Colour held by equally good curves, shape (N, g). [ΔE*ab]"""
    fade, curve = zone
    size = (fade.uptake or 0.0) + fade.uptake_draws[: len(curve.curves), None]
    return np.asarray(size * fade_values(curve.curves, grid) / 100)


def _meeting(gap: Floats, grid: Floats) -> Floats:
    """First wash at which the sign of each gap, shape (N, g), changes; inf where it does not."""
    turned = np.sign(gap[:, 1:]) != np.sign(gap[:, :1])
    at = np.where(turned.any(axis=1), turned.argmax(axis=1), -1)
    found = np.full(len(gap), np.inf)
    met = at >= 0
    rows, cols = np.flatnonzero(met), at[met]
    before, after = gap[rows, cols], gap[rows, cols + 1]
    found[met] = grid[cols] + _STEP * before / (before - after)
    return found


def _words(wash: float | None, low: float | None, high: float | None, last: float) -> str:
    """The crossing in a sentence."""
    if wash is None and low is None:
        return f"Roots and ends do not even out by wash {REACH * last:.0f}."
    if wash is None or low is None or high is None:
        return "These photos do not show when roots and ends will look alike."
    if low < 1 and high >= last:
        return "Roots and ends stay too close to say when they look alike."
    ahead = f" That is an estimate: the last photo is wash {last:.0f}." if wash > last else ""
    return (
        f"Roots and ends look alike at about wash {wash:.0f} (wash {low:.1f} to {high:.1f}).{ahead}"
    )

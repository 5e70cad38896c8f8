"""How one zone of a hair loses its colour, wash by wash: change, colour and dye left, tone.

References
----------
.. [1] P. Kubelka, F. Munk, Z. tech. Phys. 12 (1931) 593-601.
.. [2] D. W. Marquardt, J. Soc. Ind. Appl. Math. 11 (1963) 431-441, doi:10.1137/0111030.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from hairtone.colorimetry import Floats, delta_e_ab, lab_to_xyz, lch_difference
from hairtone.errors import MeasureError
from hairtone.measures.words import Bands, Grade, Missing, judge_change, read_bands
from hairtone.measures.zones import BORROWED_RELAYING, check_viewing, joint_noise
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE, ColourDifference, LabEstimate, difference_from_covariance

ENOUGH_UPTAKE: Final = 5.0  # noise SDs; our choice: at 3 a true 10 % would read 24 % uncorrected
WIDEST_DYE: Final = 50.0  # %; a wider 95 % interval of the dye left says nothing; our choice
_LEAST_REFLECTANCE: Final = 1e-4  # keeps K/S finite for black readings; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Left:
    """Colour left in m states of one zone.

    Attributes
    ----------
    percent : ndarray, shape (m,)
        100 at the first state by definition.
    low, high : ndarray, shape (m,)
        95 % interval.
    errors : ndarray, shape (N, m)
        Errors of `percent`, drawn together.
    uptake, uptake_noise : float
        ΔE*ab of the first state from the colour before, and its noise SD.
    uptake_errors : ndarray, shape (N,)
        Errors of `uptake`, drawn with the rest.
    drift : ndarray, shape (m, 3)
        What is off the straight way back to the colour before. [Lab units]
    drift_critical : ndarray, shape (m,)
        What a drift of nothing stays under in 95 of 100 repeats. [ΔE*ab]
    dye, dye_low, dye_high : ndarray, shape (m,)
        Per cent of dye left by Kubelka-Munk, an estimate, with its 95 % interval.
    """

    percent: Floats
    low: Floats
    high: Floats
    errors: Floats
    uptake: float
    uptake_noise: float
    uptake_errors: Floats
    drift: Floats
    drift_critical: Floats
    dye: Floats
    dye_low: Floats
    dye_high: Floats

    @property
    def is_enough(self) -> bool:
        """Whether the uptake stands far enough above its noise."""
        return self.uptake >= ENOUGH_UPTAKE * self.uptake_noise


def colour_left(
    before: Floats, states: Floats, noise: Floats, *, white: tuple[float, ...], lift: float = 0.0
) -> Left:
    """Colour left by the share of the way back to the colour before.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* before colouring.
    states : ndarray, shape (m, 3)
        L*a*b* just coloured, then after washes.
    noise : ndarray, shape (N, 1 + m, 3)
        Errors of before and states, drawn together.
    white : tuple of float
        White point of the L*a*b*.
    lift : float, optional
        Square of what `before` has for itself of error, whatever other photos there are.
        [Lab units squared]

    Notes
    -----
    ``R = 100 (c_n - c_b)·(c_0 - c_b) / |c_0 - c_b|²``. Noise of the colour before, common to both
    factors, lifts either product by its square; that is removed (ours), so that little colour
    left is not read as more.
    """
    change = states - before
    shaken = noise[:, 1:] - noise[:, :1]
    percent = _share(change, lift)
    drawn = _share(change + shaken, lift) - percent
    drawn[:, 0] = 0.0
    errors = drawn - np.median(drawn, axis=0)
    tail = 100 * (1 - COVERAGE) / 2
    low, high = percent - np.percentile(drawn, [100 - tail, tail], axis=0)
    uptake = float(np.linalg.norm(change[0]))
    unit = change[0] / uptake if uptake > 0 else np.array([1.0, 0.0, 0.0])
    along = shaken[:, 0] @ unit
    drift, critical = _drift(change, shaken, percent)
    dye = dye_left(before, states, white=white)
    shaken_dye = dye_left(before + noise[:, 0], states + noise[:, 1:], white=white)
    dye_low, dye_high = np.percentile(shaken_dye, [tail, 100 - tail], axis=0)
    return Left(
        percent=percent,
        low=np.minimum(low, percent),
        high=np.maximum(high, percent),
        errors=errors,
        uptake=uptake,
        uptake_noise=float(along.std()),
        uptake_errors=along,
        drift=drift,
        drift_critical=critical,
        dye=dye,
        dye_low=np.minimum(dye_low, dye),
        dye_high=np.maximum(dye_high, dye),
    )


def _share(change: Floats, lift: float) -> Floats:
    """Per cent of the way, shape (..., m), of changes from before, shape (..., m, 3)."""
    first = change[..., :1, :]
    product = (change * first).sum(axis=-1) - lift
    square = product[..., :1]
    floor = 0.05 * (first**2).sum(axis=-1)  # too little uptake to divide by; refused elsewhere
    share = 100 * product / np.maximum(square, floor)
    share[..., 0] = 100.0
    return np.asarray(share)


def _drift(change: Floats, shaken: Floats, percent: Floats) -> tuple[Floats, Floats]:
    """What is off the straight way, and its critical length."""
    share = percent[:, None] / 100
    drift = change - share * change[0]
    errors = shaken - share * shaken[:, :1]
    unit = change[0] / max(float(np.linalg.norm(change[0])), 1e-12)
    across = errors - (errors @ unit)[..., None] * unit
    critical = np.quantile(np.linalg.norm(across, axis=2), COVERAGE, axis=0)
    return drift, critical


def dye_left(before: Floats, states: Floats, *, white: tuple[float, ...]) -> Floats:
    """Per cent of the dye left by Kubelka-Munk K/S of X, Y and Z, an estimate; shape (..., m).

    Dye adds to K/S in proportion to its amount [1]_; X, Y and Z stand in for narrow bands.

    Parameters
    ----------
    before : ndarray, shape (..., 3)
        L*a*b* before colouring.
    states : ndarray, shape (..., m, 3)
        L*a*b* just coloured, then after washes.
    white : tuple of float
        White point.
    """
    own = absorption(lab_to_xyz(before, white=white) / np.asarray(white))
    added = absorption(lab_to_xyz(states, white=white) / np.asarray(white)) - own[..., None, :]
    first = added[..., :1, :]
    square = (first**2).sum(axis=-1)
    share = 100 * (added * first).sum(axis=-1) / np.where(square > 0, square, 1.0)
    return np.asarray(np.where(square > 0, share, np.nan))


def absorption(reflectance: Floats) -> Floats:
    """Kubelka-Munk K/S = (1 - R)²/(2R) of reflectances 0..1 [1]_."""
    clear = np.clip(reflectance, _LEAST_REFLECTANCE, 1.0)
    return np.asarray((1 - clear) ** 2 / (2 * clear))


BROWN_HUE: Final = 68.0  # degrees, where hair is too grey to have a hue of its own; our choice
LEAST_CHROMA: Final = 4.0  # C*ab under which hair counts as too grey for that; our choice
_PART: Final = 0.35  # share of the drift below which a direction is not named; our choice
NO_DRIFT: Final = "tone held"


def brown_axis(before: Floats) -> tuple[Floats, Floats]:
    """Unit vectors in a*, b*: towards more of the hair's own warm brown, and towards red from it.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* of the hair before colouring.
    """
    a, b = float(before[1]), float(before[2])
    size = float(np.hypot(a, b))
    if size < LEAST_CHROMA:
        hue = np.radians(BROWN_HUE)
        a, b, size = float(np.cos(hue)), float(np.sin(hue)), 1.0
    warm = np.array([a, b]) / size
    return warm, np.array([warm[1], -warm[0]])


def describe_drift(
    before: Floats, dye: Floats, drift: Floats, *, critical: float, least: float
) -> str:
    """Which way the tone went beside the straight way back to the hair's own colour.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* before colouring.
    dye : ndarray, shape (3,)
        Colour just after colouring less colour before. [Lab units]
    drift : ndarray, shape (3,)
        What is off the straight way. [Lab units]
    critical : float
        What no drift stays under. [ΔE*ab]
    least : float
        Drift that is too small for words. [ΔE*ab]
    """
    size = float(np.linalg.norm(drift))
    if size <= critical:
        return "no drift of tone that these photos resolve"
    if size < least:
        return NO_DRIFT
    warm, red = brown_axis(before)
    tone = np.asarray(drift[1:], dtype=np.float64)
    along, across, light = float(tone @ warm), float(tone @ red), float(drift[0])
    words = []
    if abs(along) > _PART * size:
        words.append("warmer" if along > 0 else "cooler")
    if abs(across) > _PART * size:
        words.append("redder" if across > 0 else "greener")
    if abs(light) > _PART * size:
        words.append("lighter" if light > 0 else "darker")
    put_in = np.asarray(dye[1:], dtype=np.float64)
    leaves = _what_leaves(put_in @ np.stack([warm, red], axis=1), (along, across), _PART * size)
    return " and ".join(words) + (f"; {leaves}" if leaves else "")


def _what_leaves(dye: Floats, moved: tuple[float, float], least: float) -> str:
    """The part of the dye's own tone, towards warm and red, that went ahead of the rest."""
    (warm, red), (along, across) = (float(v) for v in dye), moved
    parts = {
        "the red leaves first": (red, across),
        "the green leaves first": (-red, -across),
        "the gold leaves first": (warm, along),
        "the ash leaves first": (-warm, -along),
    }
    size = float(np.hypot(warm, red))
    ahead = {
        words: -went
        for words, (put_in, went) in parts.items()
        if put_in > _PART * size and -went > least
    }
    return max(ahead, key=lambda words: ahead[words]) if ahead else ""


TRIALS: Final = 2048
LEAST_WASHES: Final = 3  # washes after 0 that a curve needs; our choice
LIGHTENED: Final = Missing(
    says="the hair was lightened after the photo before colouring, so the colour left is not "
    "known; it needs a photo after lightening and before colouring. The change from wash 0 is given"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeStep:
    """One zone after some washes, against its colour just after colouring.

    Attributes
    ----------
    wash : int
        0 = just coloured.
    difference, difference_ab : ColourDifference
        ΔE00 and ΔE*ab from wash 0.
    dL, dC, dH : float
        Signed, against wash 0.
    grade : Grade
        Grey-scale grade of the change from wash 0.
    colour_left, colour_left_low, colour_left_high : float or None
        Per cent of the way from the colour before to wash 0, with its 95 % interval; None where
        the uptake is too little to tell, or no photo before colouring exists.
    dye_left_estimate, dye_left_low, dye_left_high : float or None
        Per cent of the dye by Kubelka-Munk [1]_, an estimate with its 95 % interval; None where
        the interval is too wide to say anything.
    tone_drift : float or None
        ΔE*ab off the straight way back to the colour before.
    tone_words : str
        Which way it drifted; "" where that is not known.
    from_before : ColourDifference or None
        ΔE00 from the colour before: how far the hair still is from its own colour. Little colour
        left can still be far off in tone.
    words : str
        The tone where it drifted for sure, then the colour left (else the change) in words.
    """

    wash: int
    difference: ColourDifference
    difference_ab: ColourDifference
    dL: float
    dC: float
    dH: float
    grade: Grade
    colour_left: float | None = None
    colour_left_low: float | None = None
    colour_left_high: float | None = None
    dye_left_estimate: float | None = None
    dye_left_low: float | None = None
    dye_left_high: float | None = None
    tone_drift: float | None = None
    tone_words: str = ""
    from_before: ColourDifference | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fade(Shown):
    """Fade of one zone.

    Attributes
    ----------
    zone : str
        Which zone.
    steps : tuple of FadeStep
        Wash 0 first.
    uptake : float or None
        ΔE*ab of wash 0 from before; None without a photo before.
    uptake_noise : float or None
        Its noise SD.
    left_draws : ndarray, shape (N, m)
        Errors of the colour left at washes 1 on, drawn together; (N, 0) where none is given.
    uptake_draws : ndarray, shape (N,)
        Errors of `uptake`, drawn with them. [ΔE*ab]
    missing : tuple of Missing
        Which questions have no answer, and why.
    """

    zone: str
    steps: tuple[FadeStep, ...]
    uptake: float | None
    uptake_noise: float | None
    left_draws: Floats
    uptake_draws: Floats
    missing: tuple[Missing, ...] = ()

    def __repr__(self) -> str:
        last = self.steps[-1]
        return f"Fade({self.zone or 'one zone'}, wash {last.wash}: {last.words})"

    @property
    def washes(self) -> tuple[int, ...]:
        """Washes measured, 0 first."""
        return tuple(step.wash for step in self.steps)

    @property
    def has_colour_left(self) -> bool:
        """Whether the uptake is large enough to tell the colour left."""
        return self.left_draws.shape[1] > 0

    def to_frame(self) -> Any:
        """One row a wash, columns as fade.csv from `zone` on."""
        import pandas as pd

        names = (
            "colour_left",
            "colour_left_low",
            "colour_left_high",
            "dye_left_estimate",
            "dye_left_low",
            "dye_left_high",
            "tone_drift",
            "tone_words",
            "words",
        )
        rows = [
            {
                "zone": self.zone,
                "wash": s.wash,
                "delta_e": s.difference.delta_e,
                "delta_e_low": s.difference.low,
                "delta_e_high": s.difference.high,
                "critical": s.difference.critical,
                "delta_e_ab": s.difference_ab.delta_e,
                "dL": s.dL,
                "dC": s.dC,
                "dH": s.dH,
                "gsc": s.grade.gsc,
                "gsc_low": s.grade.gsc_low,
                "gsc_high": s.grade.gsc_high,
                "grade": s.grade.table,
                **{name: getattr(s, name) for name in names},
                "from_before": None if s.from_before is None else s.from_before.delta_e,
            }
            for s in self.steps
        ]
        return pd.DataFrame(rows)


def measure_fade(
    before: LabEstimate | Missing | None,
    washes: Mapping[int, LabEstimate],
    *,
    zone: str = "",
    paired: bool = False,
    relaying: Floats = BORROWED_RELAYING,
    bands: Bands | None = None,
) -> Fade:
    """Return how one zone fades over the washes.

    Parameters
    ----------
    before : LabEstimate, Missing or None
        The zone before colouring: where the hair was lightened, after lightening. Without it no
        colour left is given; a `Missing`, such as `LIGHTENED`, says why it may not be used.
    washes : mapping of int to LabEstimate
        The zone after each wash, 0 = just coloured, for one viewing; any order.
    zone : str, optional
        What results call it.
    paired : bool, optional
        Whether row k of all draws is the same camera and light (one pool).
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo; a borrowed one without it.
    bands : Bands, optional
        A study's own words.

    Raises
    ------
    MeasureError
        ``no-wash-0``: no photo just after colouring. ``viewings-differ``.
    """
    _require_wash_0(washes)
    refused, before = (before, None) if isinstance(before, Missing) else (None, before)
    order = sorted(washes)
    colours = [washes[n] for n in order]
    everything = colours if before is None else [before, *colours]
    check_viewing(everything)
    noise = joint_noise(everything, paired=paired, trials=TRIALS, relaying=relaying)
    states = np.array([colour.lab for colour in colours])
    left = None
    if before is not None:
        lift = _own_square(before, paired=paired)
        left = colour_left(before.lab, states, noise, white=before.viewing.white, lift=lift)
    own = noise if before is None else noise[:, 1:]
    gaps = own - own[:, :1]
    told = bands or read_bands()
    steps = [
        _change_step(n, states[0], states[at], gaps[:, at], told) for at, n in enumerate(order)
    ]
    if before is not None and left is not None and left.is_enough:
        own_ways = noise[:, 1:] - noise[:, :1]
        steps = [
            _with_left(
                replace(step, from_before=_difference(before.lab, states[at], own_ways[:, at])),
                left,
                at,
                words_of=_Told(before=before.lab, dye=states[0] - before.lab, bands=told),
            )
            for at, step in enumerate(steps)
        ]
    return Fade(
        zone=zone,
        steps=tuple(steps),
        uptake=None if left is None else left.uptake,
        uptake_noise=None if left is None else left.uptake_noise,
        left_draws=left.errors[:, 1:] if left and left.is_enough else np.empty((TRIALS, 0)),
        uptake_draws=np.zeros(TRIALS) if left is None else left.uptake_errors,
        missing=_missing(zone, left, len(order) - 1, refused),
    )


def _difference(first: Floats, second: Floats, gap: Floats) -> ColourDifference:
    """ΔE00 of two colours whose difference has these errors, shape (N, 3)."""
    return difference_from_covariance(first, second, gap.T @ gap / len(gap))


def _require_wash_0(washes: Mapping[int, LabEstimate]) -> None:
    if 0 in washes:
        return
    known = ", ".join(str(n) for n in sorted(washes)) or "none"
    raise MeasureError(
        "no-wash-0",
        f"There is no measured photo of wash 0 (washes measured: {known}).",
        remedy="A fade is a change from the colour just after colouring: photograph it then.",
    )


def _own_square(before: LabEstimate, *, paired: bool) -> float:
    """Square of the error that the colour before has for itself, whatever other photos there are.

    Of photos in one posterior, how much of the calibration's error is their own hangs on them all.
    """
    return float(np.trace(before.sampling_covariance if paired else before.covariance))


def _change_step(wash: int, first: Floats, state: Floats, gap: Floats, bands: Bands) -> FadeStep:
    """The change from wash 0, which needs no photo before."""
    difference = _difference(first, state, gap)
    covariance = gap.T @ gap / len(gap)
    dl, dc, dh = (float(v) for v in lch_difference(first, state))
    grade = judge_change(first, state, difference, scale="change", bands=bands)
    return FadeStep(
        wash=wash,
        difference=difference,
        difference_ab=difference_from_covariance(first, state, covariance, formula=delta_e_ab),
        dL=dl,
        dC=dc,
        dH=dh,
        grade=grade,
        words=grade.words,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What the words of a step are chosen by."""

    before: Floats
    dye: Floats
    bands: Bands


def _with_left(step: FadeStep, left: Left, at: int, *, words_of: _Told) -> FadeStep:
    """The step with colour left, dye left and tone, and in words."""
    low, high = float(left.low[at]), float(left.high[at])
    least, size = words_of.bands.limits["tone_drift"], float(np.linalg.norm(left.drift[at]))
    critical = float(left.drift_critical[at])
    tone = (
        ""
        if at == 0
        else describe_drift(
            words_of.before, words_of.dye, left.drift[at], critical=critical, least=least
        )
    )
    words = words_of.bands.words("colour_left", low=low, high=high)
    drifts = at > 0 and size > critical and size >= least
    says_dye = left.dye_high[at] - left.dye_low[at] <= WIDEST_DYE
    dye = (float(v[at]) if says_dye else None for v in (left.dye, left.dye_low, left.dye_high))
    estimate, dye_low, dye_high = dye
    return replace(
        step,
        colour_left=float(left.percent[at]),
        colour_left_low=low,
        colour_left_high=high,
        dye_left_estimate=estimate,
        dye_left_low=dye_low,
        dye_left_high=dye_high,
        tone_drift=size,
        tone_words=tone,
        words=f"{tone}; {words}" if drifts and tone else words,
    )


_NO_BEFORE: Final = Missing(
    says="no photo before colouring was measured, so the colour left is not known; the change from "
    "wash 0 is given"
)


def _missing(
    zone: str, left: Left | None, washed: int, refused: Missing | None
) -> tuple[Missing, ...]:
    """What is not known of this zone, and why."""
    told = []
    if left is None:
        told.append(replace(refused or _NO_BEFORE, zone=zone))
    elif not left.is_enough:
        told.append(
            Missing(
                says="too little uptake to know the colour left, which needs "
                f"{ENOUGH_UPTAKE:.0f} times its noise",
                detail=f"{left.uptake:.1f} ΔE*ab at a noise of {left.uptake_noise:.1f}",
                zone=zone,
            )
        )
    elif (left.dye_high - left.dye_low > WIDEST_DYE).any():
        says = "the dye left is not given where its interval is wider than "
        told.append(Missing(says=f"{says}{WIDEST_DYE:.0f} points", zone=zone))
    if washed < LEAST_WASHES:
        photos = f"{washed} wash{'es' if washed != 1 else ''} measured after wash 0"
        told.append(Missing(says=f"{photos}; a fade curve needs {LEAST_WASHES}", zone=zone))
    return tuple(told)


Curve = Callable[[Floats], Floats]  # parameters (N, p) -> values (N, m)
_STEPS: Final = 200
_DONE: Final = 1e-10  # relative change of the sum of squares
_NUDGE: Final = 6e-6  # cube root of double precision: best step of a central difference


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """Parameters of a curve for each of N sets of readings.

    Attributes
    ----------
    parameters : ndarray, shape (N, p)
        Best fit.
    squares : ndarray, shape (N,)
        Sum of squared residuals, whitened.
    covariance : ndarray, shape (N, p, p)
        Of the parameters where whitened readings have an SD of 1.
    """

    parameters: Floats
    squares: Floats
    covariance: Floats


def whitener(covariance: Floats) -> Floats:
    """Matrix that, from the right, gives readings of that covariance an SD of 1 each."""
    values, vectors = np.linalg.eigh(covariance)
    floor = 1e-9 * float(values.max()) + 1e-12  # a covariance from draws may lack rank
    return np.asarray(vectors / np.sqrt(np.maximum(values, floor)))


def fit_curves(curve: Curve, readings: Floats, start: Floats, *, white: Floats) -> CurveFit:
    """Fit one curve to N sets of readings [2]_.

    Parameters
    ----------
    curve : callable
        Parameters (N, p) to values (N, m).
    readings : ndarray, shape (N, m)
        What was read.
    start : ndarray, shape (p,) or (N, p)
        Where to start from.
    white : ndarray, shape (m, m)
        From `whitener`; the unit matrix where all readings are equally good.
    """
    theta = np.array(np.broadcast_to(start, (len(readings), np.shape(start)[-1])), np.float64)
    squares = _squares(curve, readings, theta, white)
    damping = np.full(len(readings), 1e-3)
    for _ in range(_STEPS):
        slope = _slope(curve, theta, white)
        rest = (readings - curve(theta)) @ white
        normal = np.einsum("nmp,nmq->npq", slope, slope)
        lean = np.einsum("nmp,nm->np", slope, rest)
        scale = np.einsum("npp->np", normal) + 1e-12
        damped = normal + (damping[:, None] * scale)[:, :, None] * np.eye(theta.shape[1])
        tried = theta + np.linalg.solve(damped, lean[..., None])[..., 0]
        now = _squares(curve, readings, tried, white)
        better = now < squares
        gain = np.where(better, squares - now, 0.0)
        small = gain <= _DONE * squares
        theta = np.where(better[:, None], tried, theta)
        squares = np.where(better, now, squares)
        stuck = ~better & (damping > 1e8)
        if ((better & small) | stuck | (squares < 1e-25)).all():
            break
        damping = np.clip(np.where(better, damping / 7, damping * 5), 1e-12, 1e12)
    return CurveFit(
        parameters=theta, squares=squares, covariance=_inverse(_slope(curve, theta, white))
    )


def _squares(curve: Curve, readings: Floats, theta: Floats, white: Floats) -> Floats:
    with np.errstate(over="ignore", invalid="ignore"):
        rest = (readings - curve(theta)) @ white
        total = (rest**2).sum(axis=1)
    return np.where(np.isfinite(total), total, np.inf)


def _slope(curve: Curve, theta: Floats, white: Floats) -> Floats:
    """Slope of the whitened curve by each parameter, shape (N, m, p)."""
    columns = []
    for at in range(theta.shape[1]):
        nudge = np.zeros_like(theta)
        nudge[:, at] = _NUDGE * np.maximum(np.abs(theta[:, at]), 1e-3)
        rise = curve(theta + nudge) - curve(theta - nudge)
        columns.append((rise / (2 * nudge[:, at : at + 1])) @ white)
    return np.stack(columns, axis=-1)


def _inverse(slope: Floats) -> Floats:
    normal = np.einsum("nmp,nmq->npq", slope, slope)
    # of a curve that no parameter moves nothing is known: a variance past all bounds, no overflow
    normal = normal + 1e-200 * np.eye(slope.shape[-1])
    return np.linalg.pinv(normal, hermitian=True, rcond=1e-14)


_SHAPE_MISFIT: Final = 0.05  # p of χ² below which the shape is said not to fit; our choice
_AT_ONCE: Final = 0.05  # of the change still to come at the first wash: it says nothing of the rate


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeCurve(Shown):
    """ΔE from wash 0 as D (1 - exp(-n/τ)).

    Attributes
    ----------
    final, final_sd : float
        D, where the change ends, and its SD. [ΔE]
    time_constant : float or None
        τ in washes; None where the change was over at the first wash measured.
    time_constant_sd : float or None
        Its SD.
    chi_squared, freedom : float
        Weighted squares left, and their degrees of freedom.
    misfit_p : float
        How often a true curve of this shape is that far off or more.
    """

    final: float
    final_sd: float
    time_constant: float | None
    time_constant_sd: float | None
    chi_squared: float
    freedom: int
    misfit_p: float

    @property
    def is_misfit(self) -> bool:
        """The readings do not follow this shape; its figures then say little."""
        return self.misfit_p < _SHAPE_MISFIT

    def to_frame(self) -> Any:
        """One row: final, time_constant, misfit (χ² a degree of freedom), misfit_p."""
        import pandas as pd

        row = {
            "final": self.final,
            "time_constant": self.time_constant,
            "misfit": self.chi_squared / self.freedom,
            "misfit_p": self.misfit_p,
        }
        return pd.DataFrame([row])


def change_curve(washes: ArrayLike, delta_e: ArrayLike, *, sd: ArrayLike) -> ChangeCurve:
    """Return the curve of how the difference from wash 0 grows.

    Parameters
    ----------
    washes : array_like, shape (m,)
        1 and more; the difference is 0 at wash 0 by definition.
    delta_e : array_like, shape (m,)
        Difference from wash 0, any formula.
    sd : array_like, shape (m,) or ()
        Standard error of each.

    Raises
    ------
    MeasureError
        ``too-few-washes``: under 3.
    """
    n, seen = np.asarray(washes, np.float64), np.asarray(delta_e, np.float64)
    if len(n) < LEAST_WASHES:
        raise MeasureError(
            "too-few-washes",
            f"{len(n)} washes after wash 0 were measured; a curve needs {LEAST_WASHES}.",
            remedy="Photograph the hair after more washes.",
        )
    white = whitener(np.diag(np.broadcast_to(np.asarray(sd, np.float64), n.shape) ** 2))

    def curve(theta: Floats) -> Floats:
        rate = np.exp(np.clip(theta[:, 1:2], -8, 4))
        return np.asarray(theta[:, :1] * (1 - np.exp(-rate * n)))

    starts = np.array([[seen.max(), np.log(rate)] for rate in (0.05, 0.2, 1.0, 3.0)])
    found = fit_curves(curve, np.tile(seen, (len(starts), 1)), starts, white=white)
    best = int(found.squares.argmin())
    final, log_rate = (float(v) for v in found.parameters[best])
    spread = np.sqrt(np.maximum(np.diag(found.covariance[best]), 0.0))
    rate, freedom = float(np.exp(np.clip(log_rate, -8, 4))), len(n) - 2
    is_told = np.exp(-rate * n.min()) > _AT_ONCE
    return ChangeCurve(
        final=final,
        final_sd=float(spread[0]),
        time_constant=1 / rate if is_told else None,
        time_constant_sd=float(spread[1]) / rate if is_told else None,
        chi_squared=float(found.squares[best]),
        freedom=freedom,
        misfit_p=float(chdtrc(freedom, found.squares[best])),
    )

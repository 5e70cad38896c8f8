"""How even a hair's colour is: roots to ends, in patches, and places missed or grabbed.

A summary of lengths is lifted by noise, more so the more of them it takes in. The pattern seen is
taken as the direction, its size t as unknown: t patterns plus noise e read summary(t·pattern + e).
The limits of t invert that law, as `uncertainty.difference_from_covariance` does for one length.

References
----------
.. [1] R. S. Berns, Billmeyer and Saltzman's Principles of Color Technology: mean colour difference
   from the mean. From memory.
.. [2] P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, doi:10.1080/01621459.1968.10480934.
.. [3] A. B. Olshen, E. S. Venkatraman, R. Lucito, M. Wigler, Biostatistics 5 (2004) 557-572,
   doi:10.1093/biostatistics/kxh008: two change points at once, so that a piece inside is seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats, delta_e, delta_e_metric, lab_to_xyz, lch_difference
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.words import Bands, Grade, judge_change, read_bands
from hairtone.measures.zones import (
    THIRDS,
    Spans,
    change_noise,
    check_viewing,
    measure_spans,
    tenth_spans,
    zone_spans,
)
from hairtone.showing import Shown
from hairtone.uncertainty import (
    COVERAGE,
    ColourDifference,
    difference_from_covariance,
    limits_of_reached,
)

TRIALS: Final = 1024  # noise draws; 2.5 % tails repeat to about 3 %; our choice for speed
_NEWTON_STEPS: Final = 12  # convex and from the right: doubles its digits each step
_STEP: Final = 1e-4
_DONE: Final = 1e-3  # of the reading
Summary = Callable[[Floats], Floats]  # (..., m, 3) in axes where length is ΔE00 -> (...)


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryLaw:
    """The interval and the critical value of a summary.

    Attributes
    ----------
    low, high : float
        95 % interval of the true summary.
    critical : float
        The most that equal colours show in 95 of 100 repeats.
    noise : float
        Root mean square of what equal colours read.
    """

    low: float
    high: float
    critical: float
    noise: float


def mean_length(vectors: Floats) -> Floats:
    """Mean over m lengths."""
    return np.asarray(_lengths(vectors).mean(axis=-1))


def largest_length(vectors: Floats) -> Floats:
    """Largest of m lengths."""
    return np.asarray(_lengths(vectors).max(axis=-1))


def _lengths(vectors: Floats) -> Floats:
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", vectors, vectors)))


def summary_law(reading: float, pattern: Floats, noise: Floats, summary: Summary) -> SummaryLaw:
    """Limits of the true summary whose reading was `reading`.

    Parameters
    ----------
    reading : float
        The summary as read. [ΔE00]
    pattern : ndarray, shape (m, 3)
        The differences seen, in axes where their length is ΔE00 near them.
    noise : ndarray, shape (N, m, 3)
        What noise alone adds, same axes.
    summary : callable
        A convex summary such as `mean_length`.
    """
    alone = summary(noise)
    critical = float(np.quantile(alone, COVERAGE))
    rms = float(np.sqrt((alone**2).mean()))
    size = float(summary(pattern))
    if size <= 0 or reading <= 0:
        high = float(np.quantile(alone, (1 + COVERAGE) / 2))
        return SummaryLaw(low=0.0, high=high, critical=critical, noise=rms)
    reached = _largest_root(reading, pattern * (reading / size), noise, summary)
    low, high = limits_of_reached(reached * reading, alone)
    if reading <= critical:
        low = 0.0
    return SummaryLaw(low=low, high=high, critical=critical, noise=rms)


def _largest_root(reading: float, pattern: Floats, noise: Floats, summary: Summary) -> Floats:
    """Largest t >= 0 at which summary(t·pattern + e) = reading, 0 where there is none."""
    size = np.full(len(noise), 1.0 + float(summary(noise).max()) / reading)
    for _ in range(_NEWTON_STEPS):
        here = summary(size[:, None, None] * pattern + noise)
        ahead = summary((size + _STEP)[:, None, None] * pattern + noise)
        slope = (ahead - here) / _STEP
        step = np.where(slope > 1e-6, (here - reading) / np.maximum(slope, 1e-6), np.inf)
        size = np.maximum(size - np.maximum(step, 0.0), 0.0)
        if not (np.isfinite(step) & (step > _DONE) & (size > 0)).any():
            break
    missed = summary(size[:, None, None] * pattern + noise) > reading * 1.01
    return np.where(missed, 0.0, size)


_SPREAD_TRIALS: Final = 128
_SIZES: Final = np.linspace(0.0, 2.0, 11)  # of the pattern seen, tried for the interval
_PIECES: Final = 30  # our choice: a patch of a thirtieth of the length is the least that is seen
_ROBUST: Final = 1.4826  # SD of a normal law over its median absolute deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class Patchiness(Shown):
    """Robust spread along the hair when its steady change is taken out. [ΔE00]

    Attributes
    ----------
    value : float
        Without what noise adds.
    raw : float
        As read.
    low, high : float
        95 % interval; `low` is 0 where not resolved.
    critical : float
        The most that an even hair shows in 95 of 100 repeats, on the footing of `value`.
    """

    value: float
    raw: float
    low: float
    high: float
    critical: float

    @property
    def is_resolved(self) -> bool:
        """Whether there is more than noise alone produces."""
        return self.value > self.critical

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: value, low, high, critical, resolved."""
        return {
            "value": round(self.value, 3),
            "low": round(self.low, 3),
            "high": round(self.high, 3),
            "critical": round(self.critical, 3),
            "resolved": self.is_resolved,
        }

    def to_frame(self) -> Any:
        """One row of `to_dict`."""
        import pandas as pd

        return pd.DataFrame([self.to_dict()])


def slope_of(values: Floats) -> Floats:
    """Theil-Sen slope per step of values evenly spaced along the last axis."""
    values = np.asarray(values, dtype=np.float64)
    first, second = np.triu_indices(values.shape[-1], k=1)
    return _median((values[..., second] - values[..., first]) / (second - first))


def detrended(lab: Floats) -> Floats:
    """Colours along the hair, shape (n, 3), less the Theil-Sen line of each axis."""
    steps = np.arange(len(lab))
    line = slope_of(lab.T)[None, :] * steps[:, None]
    rest = lab - line
    return np.asarray(rest - np.median(rest, axis=0))


def measure_patchiness(profile: Profile) -> Patchiness:
    """Patchiness of one hair.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    """
    spans = measure_spans(profile, [(k / _PIECES, (k + 1) / _PIECES) for k in range(_PIECES)])
    root = np.linalg.cholesky(delta_e_metric(spans.lab.mean(axis=0)))
    pattern = detrended(spans.lab) @ root
    noise = _without_line(spans.noise(trials=_SPREAD_TRIALS)) @ root
    raw = float(robust_spread(pattern))
    alone = robust_spread(noise)
    floor, critical = float(np.sqrt((alone**2).mean())), float(np.quantile(alone, COVERAGE))

    def less(value: float) -> float:
        return float(np.sqrt(max(value**2 - floor**2, 0.0)))

    low, high = _limits(raw, pattern, noise)
    value, resolved = less(raw), raw > critical
    return Patchiness(
        value=value,
        raw=raw,
        low=min(low, value) if resolved else 0.0,
        # a reading under what noise alone makes must not exclude everything
        high=max(high, value) if resolved else max(high, value, less(critical)),
        critical=less(critical),
    )


def robust_spread(vectors: Floats) -> Floats:
    """Robust SD of m vectors, shape (..., m, 3): that of each axis, added in square."""
    axes = np.ascontiguousarray(np.moveaxis(vectors, -1, -2))
    each = _ROBUST * _median(np.abs(axes - _median(axes)[..., None]))
    return np.asarray(np.sqrt((each**2).sum(axis=-1)))


def _median(values: Floats) -> Floats:
    """Median over a short last axis: sorting is several times faster than `numpy.median`."""
    count = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    return np.asarray((ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2)


def _without_line(noise: Floats) -> Floats:
    """Noise, shape (N, m, 3), less its straight line along the hair."""
    steps = np.arange(noise.shape[1])
    basis, _ = np.linalg.qr(np.stack([np.ones(len(steps)), steps], axis=1))
    return np.asarray(noise - np.einsum("mk,nk,rnc->rmc", basis, basis, noise, optimize=True))


def _limits(raw: float, pattern: Floats, noise: Floats) -> tuple[float, float]:
    """Sizes of the pattern that would not make this reading rare at 2.5 % a side."""
    tail = (1 - COVERAGE) / 2
    read = robust_spread(_SIZES[:, None, None, None] * pattern + noise)
    rare_above = np.quantile(read, 1 - tail, axis=1) < raw  # this small would read lower
    rare_below = np.quantile(read, tail, axis=1) > raw  # this large would read higher
    low = float(_SIZES[rare_above].max(initial=0.0))
    high = float(_SIZES[~rare_below].max(initial=0.0))
    return low * raw, high * raw


ROOTS, ENDS = 0, 2
_PAIRS: Final = ((0, 1), (1, 2), (0, 2))
_RUI_SCALE: Final = 10.7  # Σ V(λ) over 390-700 nm in 10 nm steps; CIE 1924 V(λ)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Change of L* per tenth of the length, Theil-Sen, with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness(Shown):
    """How even one hair is in one photo.

    Attributes
    ----------
    root_to_ends : ColourDifference
        ΔE00 of the mean of the roots and the mean of the ends.
    root_to_ends_net : ColourDifference or None
        The same, the hair's own gradient before colouring allowed for.
    mean_difference : ColourDifference
        Mean difference from the mean over tenths, without what noise adds; its `critical` is
        what an even tress stays under, on the same footing.
    mean_difference_raw : float
        The same as read. [ΔE00]
    largest_difference : ColourDifference
        Largest ΔE00 of any two zones; `critical` is the most that an even tress shows.
    dL, dC, dH : float
        Signed, ends against roots. [L*, C*, H* units]
    patchiness : Patchiness
        Spread left when the steady change along the hair is taken out. [ΔE00]
    slope : Slope
        Steady change of L* per tenth of the length.
    grade : Grade
        Grey-scale grade, ends against roots.
    grade_net : Grade or None
        The same of `root_to_ends_net`.
    unlevelness_y : float
        RUI_Y = 10.7 s_Y / mean Y over tenths: secondary, from luminance only. A re-laid untreated
        tress already gives 0.26 to 0.96.
    words : str
        Root-to-ends (net where known) in words: those of its grade.
    """

    root_to_ends: ColourDifference
    mean_difference: ColourDifference
    mean_difference_raw: float
    largest_difference: ColourDifference
    dL: float
    dC: float
    dH: float
    patchiness: Patchiness
    slope: Slope
    grade: Grade
    unlevelness_y: float
    words: str
    root_to_ends_net: ColourDifference | None = None
    grade_net: Grade | None = None

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them."""
        net = self.root_to_ends_net
        return {
            "root_to_ends": _rounded(self.root_to_ends),
            "mean_difference": _rounded(self.mean_difference),
            "mean_difference_raw": round(self.mean_difference_raw, 3),
            "largest_difference": _rounded(self.largest_difference),
            "root_to_ends_net": None if net is None else _rounded(net),
            "dL": round(self.dL, 2),
            "dC": round(self.dC, 2),
            "dH": round(self.dH, 2),
            "patchiness": self.patchiness.to_dict(),
            "slope": {
                "value": round(self.slope.value, 3),
                "low": round(self.slope.low, 3),
                "high": round(self.slope.high, 3),
            },
            "grade": (self.grade_net or self.grade).to_dict(),
            "unlevelness_y": round(self.unlevelness_y, 3),
            "words": self.words,
        }

    def to_frame(self) -> Any:
        """One row a measure: measure, value, low, high, critical, resolved, gsc, grade, words."""
        import pandas as pd

        rows = []
        for name in ("root_to_ends", "root_to_ends_net", "mean_difference", "largest_difference"):
            difference = getattr(self, name)
            if difference is not None:
                told = difference.to_dict()
                rows.append({"measure": name, "value": told.pop("delta_e"), **told})
        patchy = self.patchiness
        rows.append(
            {
                "measure": "patchiness",
                "value": patchy.value,
                "low": patchy.low,
                "high": patchy.high,
                "critical": patchy.critical,
                "resolved": patchy.is_resolved,
            }
        )
        frame = pd.DataFrame(rows).assign(gsc=np.nan, grade="", words="")
        for name, grade in (("root_to_ends", self.grade), ("root_to_ends_net", self.grade_net)):
            if grade is not None:
                words = self.words if grade is (self.grade_net or self.grade) else grade.words
                judged = frame.measure == name
                frame.loc[judged, "gsc"] = grade.gsc
                frame.loc[judged, "grade"] = grade.table
                frame.loc[judged, "words"] = words
        return frame


def measure_evenness(
    profile: Profile,
    *,
    zones: tuple[float, float] = THIRDS,
    natural: Profile | None = None,
    bands: Bands | None = None,
) -> Evenness:
    """Return how even one hair is from roots to ends.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.
    natural : Profile, optional
        The same hair before colouring, for one viewing: its own gradient is allowed for in
        `root_to_ends_net`.
    bands : Bands, optional
        A study's own words.

    Raises
    ------
    MeasureError
        ``zones-out-of-order``; ``viewings-differ``: the profiles are stated for two viewings.
    """
    spans, tenths = zone_spans(profile, zones=zones), tenth_spans(profile)
    roots, ends = spans.lab[ROOTS], spans.lab[ENDS]
    between = difference_from_covariance(roots, ends, spans.difference_covariance(ROOTS, ENDS))
    told = bands or read_bands()
    grade = judge_change(roots, ends, between, scale="evenness", bands=told)
    net = grade_net = None
    if natural is not None:
        expected, net = _net_of_natural(spans, profile, natural, zones)
        grade_net = judge_change(expected, ends, net, scale="evenness", bands=told)
    mean, raw = _mean_difference(tenths)
    dl, dc, dh = (float(v) for v in lch_difference(roots, ends))
    return Evenness(
        root_to_ends=between,
        root_to_ends_net=net,
        mean_difference=mean,
        mean_difference_raw=raw,
        largest_difference=_largest_difference(spans),
        dL=dl,
        dC=dc,
        dH=dh,
        patchiness=measure_patchiness(profile),
        slope=_slope(tenths),
        grade=grade,
        grade_net=grade_net,
        unlevelness_y=_unlevelness(tenths),
        words=(grade_net or grade).words,
    )


def mean_difference_from_mean(lab: Floats) -> float:
    """Mean ΔE00 of colours from their mean L*a*b* [1]_.

    Parameters
    ----------
    lab : array_like, shape (n, 3)
        L*a*b* of n places or repeats.
    """
    lab = np.asarray(lab, dtype=np.float64)
    return float(delta_e(lab.mean(axis=0), lab).mean())


def _net_of_natural(
    spans: Spans, profile: Profile, natural: Profile, zones: tuple[float, float]
) -> tuple[Floats, ColourDifference]:
    """What the ends would be had the natural gradient stayed, and how far they are from it."""
    if natural.viewing != profile.viewing:
        raise MeasureError(
            "viewings-differ",
            f"The hair is stated for {profile.viewing}, its colour before for {natural.viewing}.",
            remedy="Measure both photos for the same viewing.",
        )
    before = zone_spans(natural, zones=zones)
    expected = spans.lab[ROOTS] + before.lab[ENDS] - before.lab[ROOTS]
    covariance = spans.difference_covariance(ROOTS, ENDS)
    covariance = covariance + before.difference_covariance(ROOTS, ENDS)
    return expected, difference_from_covariance(expected, spans.lab[ENDS], covariance)


def _mean_difference(tenths: Spans) -> tuple[ColourDifference, float]:
    """Noise-corrected and raw mean difference from the mean."""
    raw = mean_difference_from_mean(tenths.lab)
    root = metric_root(tenths.lab.mean(axis=0))
    pattern = (tenths.lab - tenths.lab.mean(axis=0)) @ root
    noise = tenths.noise(trials=TRIALS)
    noise = (noise - noise.mean(axis=1, keepdims=True)) @ root
    law = summary_law(raw, pattern, noise, mean_length)
    return _corrected(raw, law), raw


def _corrected(raw: float, law: SummaryLaw) -> ColourDifference:
    """The reading and its critical value without what noise adds in square."""

    def less(value: float) -> float:
        return float(np.sqrt(max(value**2 - law.noise**2, 0.0)))

    value = less(raw)
    return ColourDifference(
        delta_e=value,
        low=min(law.low, value),
        high=max(law.high, value),
        critical=less(law.critical),
    )


def _largest_difference(spans: Spans) -> ColourDifference:
    """Largest ΔE00 of any two zones."""
    first, second = (list(side) for side in zip(*_PAIRS, strict=True))
    reading = float(delta_e(spans.lab[first], spans.lab[second]).max())
    root = metric_root(spans.lab.mean(axis=0))
    noise = spans.noise(trials=TRIALS)
    law = summary_law(
        reading,
        (spans.lab[second] - spans.lab[first]) @ root,
        (noise[:, second] - noise[:, first]) @ root,
        largest_length,
    )
    return ColourDifference(
        delta_e=reading,
        low=min(law.low, reading),
        high=max(law.high, reading),
        critical=law.critical,
    )


def metric_root(lab: Floats) -> Floats:
    """Matrix that takes differences near `lab`, from the right, to axes of ΔE00 length."""
    return np.asarray(np.linalg.cholesky(delta_e_metric(lab)))


def _slope(tenths: Spans) -> Slope:
    """Theil-Sen slope of L* per tenth, and what noise makes of it [2]_."""
    value = float(slope_of(tenths.lab[:, 0]))
    shaken = tenths.lab[:, 0] + tenths.noise(trials=TRIALS // 4)[:, :, 0]
    reach = 1.96 * float(np.std(slope_of(shaken)))
    return Slope(value=value, low=value - reach, high=value + reach)


def _unlevelness(tenths: Spans) -> float:
    """RUI_Y: relative spread of luminance along the hair on the scale of the spectral index."""
    luminance = lab_to_xyz(tenths.lab, white=tenths.viewing.white)[:, 1]
    return float(_RUI_SCALE * luminance.std(ddof=1) / luminance.mean())


def _rounded(difference: ColourDifference) -> dict[str, float | bool]:
    return {
        key: value if isinstance(value, bool) else round(value, 3)
        for key, value in difference.to_dict().items()
    }


Bools = NDArray[np.bool_]
_PLACE_TRIALS: Final = 400
_FALSE_RATE: Final = 0.02  # of even hairs in which a patch is seen; our choice
_LEAST: Final = 1.25  # ΔE00; smaller patches are not reported: nobody would see them; ours
_SHORTEST: Final = 0.03  # of the length; ours: shorter is the edge of a bin
_AT_AN_END: Final = 0.1  # of the length; ours: at the clamp and in thin tips bins see less hair
_LONGEST: Final = 0.5  # a longer piece is the hair's own level; ours
_MOST: Final = 6  # patches told a hair; ours
_SMOOTH: Final = 3  # degree of the steady change removed; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch(Shown):
    """One place that took up less or more than the hair around it.

    Attributes
    ----------
    start, stop : float
        0 roots .. 1 ends.
    difference : ColourDifference
        Of the place from what the hair around it leads one to expect there.
    kind : str
        ``"missed"`` (less colour) or ``"grabbed"`` (more).
    """

    start: float
    stop: float
    difference: ColourDifference
    kind: str

    def to_frame(self) -> Any:
        """One row, columns as patches.csv from `from` on."""
        return patches_frame([self])


def patches_frame(patches: Sequence[Patch]) -> Any:
    """Table of patches: from, to, delta_e, kind."""
    import pandas as pd

    rows = [(p.start, p.stop, p.difference.delta_e, p.kind) for p in patches]
    return pd.DataFrame(rows, columns=["from", "to", "delta_e", "kind"])


def find_patches(profile: Profile, *, natural: Profile | None = None) -> tuple[Patch, ...]:
    """Return the missed and grabbed places of one hair, the plainest first.

    The steady change along the hair is removed robustly; places that differ from it by more than
    noise makes them in 2 of 100 even hairs are found, one after another [3]_.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    natural : Profile, optional
        The same hair before colouring; its own pattern is removed, and what counts as less
        colour is judged along the dye's own direction rather than by lightness.

    Raises
    ------
    MeasureError
        ``viewings-differ``.
    """
    spans = _bins(profile)
    lab, noise, lead = spans.lab, spans.noise(trials=_PLACE_TRIALS), np.array([-1.0, 0.0, 0.0])
    root = metric_root(lab.mean(axis=0))
    if natural is not None:
        check_viewing([profile, natural])
        before = _bins(natural)
        noise = change_noise(before, spans, paired=False, trials=_PLACE_TRIALS)
        lab = spans.lab - before.lab
        lead = lab.mean(axis=0)
    pattern, shaken = lab @ root, noise @ root
    shaken = shaken * _roughness(pattern, shaken)
    windows = _windows(len(pattern))
    threshold = _threshold(shaken, windows)
    left_out = np.zeros(len(pattern), dtype=bool)
    found: list[Patch] = []
    for _ in range(_MOST):
        rest = pattern - _steady(pattern, left_out)
        window = _plainest(rest, windows, left_out, threshold)
        if window is None:
            break
        found.append(_patch(rest, shaken, window, root, spans.lab, lead))
        left_out[window[0] : window[1]] = True
    return tuple(patch for patch in found if patch.difference.delta_e >= _LEAST)


def _bins(profile: Profile) -> Spans:
    count = len(profile.position)
    return measure_spans(profile, [(k / count, (k + 1) / count) for k in range(count)])


def _roughness(pattern: Floats, shaken: Floats) -> float:
    """How much rougher the hair is from bin to bin than its noise says, 1 at least."""
    seen = np.median(np.abs(np.diff(pattern, axis=0)))
    said = np.median(np.abs(np.diff(shaken, axis=1)))
    return float(max(1.0, seen / max(float(said), 1e-9)))


def _windows(count: int) -> NDArray[np.int64]:
    """First and last-but-one bin of every place that may be told, shape (w, 2)."""
    shortest, at_an_end = max(2, round(_SHORTEST * count)), round(_AT_AN_END * count)
    longest = int(_LONGEST * count)
    return np.array(
        [
            (first, first + length)
            for length in range(shortest, longest + 1)
            for first in range(count - length + 1)
            if length >= at_an_end or (first > 0 and first + length < count)
        ]
    )


def _steady(pattern: Floats, left_out: Bools) -> Floats:
    """Smooth change along the hair, robust (Huber weights), `left_out` bins not used."""
    steps = np.linspace(-1, 1, len(pattern))
    basis = np.polynomial.legendre.legvander(steps, _SMOOTH)
    weight = np.where(left_out, 0.0, 1.0)
    for _ in range(15):
        scaled = basis * np.sqrt(weight)[:, None]
        fitted = basis @ np.linalg.lstsq(scaled, pattern * np.sqrt(weight)[:, None], rcond=None)[0]
        away = np.linalg.norm(pattern - fitted, axis=1)
        scale = 1.5 * np.median(away[~left_out]) + 1e-9
        weight = np.where(left_out, 0.0, np.minimum(1.0, (scale / np.maximum(away, 1e-12)) ** 2))
    return np.asarray(fitted)


def _means(rest: Floats, windows: NDArray[np.int64]) -> Floats:
    """Mean over each window, shape (..., w, 3)."""
    total = np.cumsum(rest, axis=-2)
    total = np.concatenate([np.zeros_like(total[..., :1, :]), total], axis=-2)
    gap = total[..., windows[:, 1], :] - total[..., windows[:, 0], :]
    return np.asarray(gap / (windows[:, 1] - windows[:, 0])[:, None])


def _without_steady(shaken: Floats) -> Floats:
    """Noise less its own smooth change."""
    steps = np.linspace(-1, 1, shaken.shape[1])
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(steps, _SMOOTH))
    return np.asarray(shaken - np.einsum("mk,nk,rnc->rmc", basis, basis, shaken, optimize=True))


def _stands(rest: Floats, windows: NDArray[np.int64]) -> Floats:
    """How far each window stands out, shape (..., w): what telling it saves in squares, rooted."""
    lengths = windows[:, 1] - windows[:, 0]
    return np.asarray(np.linalg.norm(_means(rest, windows), axis=-1) * np.sqrt(lengths))


def _threshold(shaken: Floats, windows: NDArray[np.int64]) -> float:
    """What the plainest window of an even hair stays under but for the false rate."""
    most = _stands(_without_steady(shaken), windows).max(axis=1)
    return float(np.quantile(most, 1 - _FALSE_RATE))


def _plainest(
    rest: Floats, windows: NDArray[np.int64], left_out: Bools, threshold: float
) -> tuple[int, int] | None:
    """The window that stands out most, if any does; known patches are not told again."""
    taken = np.concatenate([[0], np.cumsum(left_out)])
    free = taken[windows[:, 1]] == taken[windows[:, 0]]
    stands = np.where(free, _stands(rest, windows), 0.0)
    best = int(stands.argmax())
    if stands[best] <= threshold:
        return None
    return int(windows[best, 0]), int(windows[best, 1])


def _patch(
    rest: Floats,
    shaken: Floats,
    window: tuple[int, int],
    root: Floats,
    lab: Floats,
    lead: Floats,
) -> Patch:
    """The place in figures."""
    first, stop = window
    back = np.linalg.inv(root)
    gap = rest[first:stop].mean(axis=0) @ back
    moved = _without_steady(shaken)[:, first:stop].mean(axis=1) @ back
    here = lab[first:stop].mean(axis=0)
    difference = difference_from_covariance(here - gap, here, moved.T @ moved / len(moved))
    count = len(rest)
    kind = "grabbed" if float(gap @ lead) > 0 else "missed"
    return Patch(start=first / count, stop=stop / count, difference=difference, kind=kind)

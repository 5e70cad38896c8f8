"""How much colour each zone took up, and where porous lengths took up more than the roots."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats, lch_difference
from hairtone.hair.types import Profile
from hairtone.measures.evenness import metric_root
from hairtone.measures.fade import whitener
from hairtone.measures.zones import (
    BORROWED_RELAYING,
    THIRDS,
    ZONES,
    Spans,
    change_noise,
    check_viewing,
    measure_spans,
    zone_spans,
)
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE, ColourDifference, difference_from_covariance

_TRIALS: Final = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneUptake:
    """What one zone took up.

    Attributes
    ----------
    difference : ColourDifference
        ΔE00 after against before colouring.
    dL, dC, dH : float
        Signed, after against before.
    """

    difference: ColourDifference
    dL: float
    dC: float
    dH: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Uptake(Shown):
    """What a hair took up, zone by zone.

    Attributes
    ----------
    zones : dict of str to ZoneUptake
        Keys roots, mid_lengths, ends.
    ratio : float or None
        Uptake of the ends over that of the roots; None where the roots' uptake is not resolved.
    ratio_low, ratio_high : float or None
        95 % interval; None: unbounded on that side.
    """

    zones: Mapping[str, ZoneUptake]
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None

    def to_frame(self) -> Any:
        """One row a zone, columns as uptake.csv from `zone` on."""
        import pandas as pd

        rows = [
            {
                "zone": zone,
                "delta_e": u.difference.delta_e,
                "low": u.difference.low,
                "high": u.difference.high,
                "dL": u.dL,
                "dC": u.dC,
                "dH": u.dH,
                "ratio_ends_to_roots": self.ratio,
                "ratio_low": self.ratio_low,
                "ratio_high": self.ratio_high,
            }
            for zone, u in self.zones.items()
        ]
        return pd.DataFrame(rows)


def measure_uptake(
    before: Profile,
    after: Profile,
    *,
    zones: tuple[float, float] = THIRDS,
    paired: bool = False,
    relaying: Floats = BORROWED_RELAYING,
) -> Uptake:
    """Return the uptake of roots, mid-lengths and ends, with the ratio of ends to roots.

    Parameters
    ----------
    before, after : Profile
        The same hair before colouring and just coloured.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.
    paired : bool, optional
        Whether row k of both draws is the same camera and light (one pool).
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo; a borrowed one without it.

    Raises
    ------
    MeasureError
        ``viewings-differ``, ``zones-out-of-order``.
    """
    check_viewing([before, after])
    first, second = zone_spans(before, zones=zones), zone_spans(after, zones=zones)
    laid = np.asarray(relaying) / photos_of(before) + np.asarray(relaying) / photos_of(after)
    noise = change_noise(first, second, paired=paired, trials=_TRIALS)
    found = {}
    for at, zone in enumerate(ZONES):
        covariance = noise[:, at].T @ noise[:, at] / len(noise) + laid
        dl, dc, dh = (float(v) for v in lch_difference(first.lab[at], second.lab[at]))
        found[zone] = ZoneUptake(
            difference=difference_from_covariance(first.lab[at], second.lab[at], covariance),
            dL=dl,
            dC=dc,
            dH=dh,
        )
    ratio, low, high = _ratio(first, second, noise, laid, found)
    return Uptake(zones=found, ratio=ratio, ratio_low=low, ratio_high=high)


def photos_of(profile: Profile) -> int:
    """Photos behind a profile, 1 unless it is a mean."""
    return int(str(profile.facts.get("photos", 1)))


def _ratio(
    first: Spans, second: Spans, noise: Floats, laid: Floats, found: Mapping[str, ZoneUptake]
) -> tuple[float | None, float | None, float | None]:
    """Uptake of ends over roots by the test that no ratio r makes ends - r roots rare (Fieller)."""
    roots, ends = found["roots"].difference, found["ends"].difference
    if not roots.is_resolved:
        return None, None, None
    spread = _length_covariance(first, second, noise, laid)
    square = 1.959964**2  # normal law, 95 %
    a = roots.delta_e**2 - square * spread[0, 0]
    b = roots.delta_e * ends.delta_e - square * spread[0, 1]
    c = ends.delta_e**2 - square * spread[1, 1]
    inside = b**2 - a * c
    ratio = ends.delta_e / roots.delta_e
    if inside < 0:
        return ratio, 0.0, None
    low = max(0.0, (b - np.sqrt(inside)) / a) if a > 0 else 0.0
    high = (b + np.sqrt(inside)) / a if a > 0 else None
    return ratio, float(low), None if high is None else float(high)


def _length_covariance(first: Spans, second: Spans, noise: Floats, laid: Floats) -> Floats:
    """Covariance of the ΔE00 of roots and of ends, by their slope along the change."""
    along = []
    for at in (0, 2):
        root = metric_root((first.lab[at] + second.lab[at]) / 2)
        gap = second.lab[at] - first.lab[at]
        vector = gap @ root
        along.append(root @ vector / max(float(np.linalg.norm(vector)), 1e-12))
    moved = np.stack([noise[:, at] @ way for at, way in zip((0, 2), along, strict=True)], axis=1)
    own = np.diag([float(way @ laid @ way) for way in along])
    return np.asarray(moved.T @ moved / len(moved) + own)


_ONSET_TRIALS: Final = 400
_ONSETS: Final = np.arange(0.05, 0.951, 0.01)  # before 0.05 there is no roots' level to leave
_WIDTHS: Final = (0.05, 0.1, 0.2, 0.35, 0.5, np.inf)  # of the rise; inf: it runs on to the ends
_SHAPES: Final[tuple[Callable[[Floats], Floats], ...]] = (  # of the rise, share 0..1 in and out
    lambda share: share,
    lambda share: share**1.5,
    lambda share: share**2,
    lambda share: share**2 * (3 - 2 * share),
)
_TAPER: Final = 0.5  # of the length, over which bins are taken to share errors; our choice
_RIDGE: Final = 0.02  # of the variance: no pattern of bins is trusted beyond it; our choice
FELT: Final = {"low": 0, "normal": 1, "high": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class PorousOnset(Shown):
    """Where and by how much lengths took up more colour than the roots.

    Attributes
    ----------
    onset, low, high : float or None
        0 roots .. 1 ends, with its 95 % range; None where no onset is resolved.
    excess, excess_low, excess_high : float
        Uptake of the ends beyond the roots' along the dye's direction, ΔE00; negative: less.
    is_resolved : bool
        Whether uptake changes along the hair more than noise makes it.
    against_felt : str
        Against the porosity felt and logged, in words; empty where none is logged.
    words : str
        In plain words.
    """

    onset: float | None
    low: float | None
    high: float | None
    excess: float
    excess_low: float
    excess_high: float
    is_resolved: bool
    against_felt: str
    words: str

    def to_frame(self) -> Any:
        """One row, columns as porous.csv from `onset` on."""
        import pandas as pd

        names = ("onset", "low", "high", "excess")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def find_porous_onset(
    before: Profile, after: Profile, *, paired: bool = False, felt: dict[str, str] | None = None
) -> PorousOnset:
    """Return the place from which the hair takes more colour than the roots.

    The uptake along the hair is a level and, from the onset on, a rise: straight, bent or smooth,
    over some width or to the ends. The range holds the onsets of equally likely readings, their
    shapes chosen anew.

    Parameters
    ----------
    before, after : Profile
        The same hair before colouring and just coloured.
    paired : bool, optional
        Whether row k of both draws is the same camera and light.
    felt : dict, optional
        Porosity felt: roots, mid_lengths, ends to low, normal or high.

    Raises
    ------
    MeasureError
        ``viewings-differ``.
    """
    check_viewing([before, after])
    uptake, noise = _uptake_along(before, after, paired=paired)
    position = np.asarray(after.position, dtype=np.float64)
    onsets, rises = _rises(position)
    white = whitener(_even_covariance(noise))
    flat = (np.ones(len(position)) @ white)[:, None]
    level = flat / np.linalg.norm(flat)

    def without_level(rows: Floats) -> Floats:
        rows = rows @ white
        return np.asarray(rows - (rows @ level) @ level.T)

    unit = without_level(rises)
    size = np.linalg.norm(unit, axis=1)
    unit = unit / size[:, None]
    seen = unit @ without_level(uptake[None])[0]
    best = int(np.abs(seen).argmax())
    alone = np.abs(without_level(noise) @ unit.T).max(axis=1)
    resolved = bool(abs(seen[best]) > np.quantile(alone, COVERAGE))
    again = without_level(uptake + noise) @ unit.T
    picked = np.abs(again).argmax(axis=1)
    ends = rises[:, -1] / size  # the rise at the ends for each unit of fit
    excess = float(seen[best] * ends[best])
    drawn = again[np.arange(len(again)), picked] * ends[picked]
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(drawn, (tail, 1 - tail))
    start, stop = np.quantile(onsets[picked], (tail, 1 - tail))
    found = _middle_onset(onsets, seen)
    return PorousOnset(
        onset=found if resolved else None,
        low=float(min(start, found)) if resolved else None,
        high=float(max(stop, found)) if resolved else None,
        excess=excess,
        excess_low=float(min(low, excess)),
        excess_high=float(max(high, excess)),
        is_resolved=resolved,
        against_felt=_against_felt(felt, resolved, excess),
        words=_words(resolved, found, float(start), float(stop), excess),
    )


def _uptake_along(before: Profile, after: Profile, *, paired: bool) -> tuple[Floats, Floats]:
    """Uptake of each bin along the dye's direction in ΔE00, shape (n,), and its errors (N, n)."""
    count = len(after.position)
    edges = [(k / count, (k + 1) / count) for k in range(count)]
    first, second = measure_spans(before, edges), measure_spans(after, edges)
    root = metric_root((first.lab.mean(axis=0) + second.lab.mean(axis=0)) / 2)
    change = (second.lab - first.lab) @ root
    way = change.mean(axis=0)
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    noise = change_noise(first, second, paired=paired, trials=_ONSET_TRIALS) @ root
    return change @ way, noise @ way


def _middle_onset(onsets: Floats, seen: Floats) -> float:
    """Half way from the best onset to the middle of those that fit about as well.

    The best alone comes late where the rise begins smoothly, the middle early where it is sharp.
    """
    weight = np.exp((seen**2 - (seen**2).max()) / 2)
    order = np.argsort(onsets, kind="stable")
    running = np.cumsum(weight[order])
    middle = onsets[order][np.searchsorted(running, running[-1] / 2)]
    return float(onsets[np.abs(seen).argmax()] + middle) / 2


def _even_covariance(noise: Floats) -> Floats:
    """Covariance that depends on the distance between bins only, by mean over equal distances.

    The plain covariance of a few hundred draws in 60 bins follows their scatter: weights from it
    let equal hair show onsets.
    """
    count = noise.shape[1]
    apart = np.abs(np.arange(count)[:, None] - np.arange(count))
    own = np.cov(noise.T)
    mean = np.bincount(apart.ravel(), own.ravel()) / np.bincount(apart.ravel())
    mean *= np.clip(1 - np.arange(count) / (count * _TAPER), 0, 1)  # keeps it positive
    return np.asarray(mean[apart] + _RIDGE * mean[0] * np.eye(count))


def _rises(position: Floats) -> tuple[Floats, Floats]:
    """Onset and rise, 0..1 along the hair, of every shape tried; shapes (c,) and (c, n)."""
    onsets, rises = [], []
    for onset in _ONSETS:
        for width in _WIDTHS:
            reach = min(width, 1 - onset)
            if np.isfinite(width) and onset + width > 1:
                continue
            share = np.clip((position - onset) / reach, 0, 1)
            for shape in _SHAPES:
                rise = shape(share)
                if np.ptp(rise) > 0:
                    onsets.append(onset)
                    rises.append(rise)
    return np.array(onsets), np.array(rises)


def _words(resolved: bool, onset: float, low: float, high: float, excess: float) -> str:
    if not resolved:
        return "uptake along the hair does not change by more than these photos resolve"
    more = "more" if excess > 0 else "less"
    return (
        f"from {100 * onset:.0f} % of the length on ({100 * min(low, onset):.0f} to "
        f"{100 * max(high, onset):.0f} %) the hair took up {more} than the roots: "
        f"{abs(excess):.1f} ΔE₀₀ at the ends"
    )


def _against_felt(felt: dict[str, str] | None, resolved: bool, excess: float) -> str:
    """Whether the porosity felt along the hair and the uptake seen agree."""
    known = {zone: FELT[word] for zone, word in (felt or {}).items() if word in FELT}
    if "roots" not in known or "ends" not in known:
        return ""
    feels_porous = known["ends"] > known["roots"]
    took_more = resolved and excess > 0
    if feels_porous and took_more:
        return "the ends were felt to be more porous than the roots, and they took up more"
    if feels_porous:
        return "the ends were felt to be more porous than the roots, yet no more uptake is seen"
    if took_more:
        return "the ends took up more although they were not felt to be more porous"
    return "no more porous ends were felt, and no more uptake is seen"

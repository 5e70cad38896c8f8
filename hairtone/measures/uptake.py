"""How much colour each zone took up, and what porous lengths took up beyond the roots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats, lch_difference
from hairtone.hair.types import Profile
from hairtone.measures.evenness import metric_root
from hairtone.measures.pooling import BORROWED_RELAYING, check_viewing
from hairtone.measures.spans import Spans
from hairtone.measures.zones import THIRDS, ZONES, zone_spans
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, difference_from_covariance

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
    """Uptake of roots, mid-lengths and ends, with the ratio of ends to roots.

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


def change_noise(first: Spans, second: Spans, *, paired: bool, trials: int) -> Floats:
    """Errors of the change from `first` to `second` in all spans, shape (trials, m, 3)."""
    if not paired:
        ahead = second.noise(trials=trials)
        # the same normals serve both photos: turned, so that they are independent
        return np.asarray(ahead - np.roll(first.noise(trials=trials), 1 + trials // 3, axis=0))
    rows = min(len(first.calibration), len(second.calibration))
    gap = second.calibration[:rows] - first.calibration[:rows]
    pair = Spans(lab=second.lab, sampling=second.sampling, calibration=gap, viewing=second.viewing)
    alone = Spans(
        lab=first.lab,
        sampling=first.sampling,
        calibration=np.zeros_like(gap),
        viewing=first.viewing,
    )
    shaken = alone.noise(trials=trials)
    return np.asarray(pair.noise(trials=trials) - np.roll(shaken, 1 + trials // 3, axis=0))


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

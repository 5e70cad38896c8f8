"""How even a hair's colour is from roots to ends.

References
----------
.. [1] R. S. Berns, Billmeyer and Saltzman's Principles of Color Technology: mean colour difference
   from the mean. From memory.
.. [2] P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, doi:10.1080/01621459.1968.10480934.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import (
    Floats,
    delta_e,
    delta_e_metric,
    lab_to_xyz,
    lch_difference,
)
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.grade import Grade, grade_change
from hairtone.measures.patchiness import Patchiness, measure_patchiness, slope_of
from hairtone.measures.patterns import TRIALS, SummaryLaw, largest_length, mean_length, summary_law
from hairtone.measures.spans import Spans
from hairtone.measures.words import Bands, read_bands
from hairtone.measures.zones import THIRDS, tenth_spans, zone_spans
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, difference_from_covariance

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
        The same with the hair's own gradient before colouring taken off.
    mean_difference : ColourDifference
        Mean difference from the mean over tenths, what noise adds taken off; its `critical` is
        what an even tress stays under, on the same footing.
    mean_difference_raw : float
        The same as read. [ΔE00]
    largest_difference : ColourDifference
        Largest ΔE00 of any two zones; `critical` is what an even tress stays under.
    dL, dC, dH : float
        Signed, ends against roots. [L*, C*, H* units]
    patchiness : Patchiness
        Spread left when the steady change along the hair is taken out. [ΔE00]
    slope : Slope
        Steady change of L* per tenth of the length.
    grade : Grade
        Grey-scale grade, ends against roots.
    unlevelness_y : float
        RUI_Y = 10.7 s_Y / mean Y over tenths: secondary, from luminance only. A re-laid untreated
        tress already gives 0.26 to 0.96.
    words : str
        Root-to-ends (net where known) in words.
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
            "grade": self.grade.to_dict(),
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
        frame = pd.DataFrame(rows)
        judged = frame.measure == "root_to_ends"
        frame["gsc"] = np.where(judged, self.grade.gsc, np.nan)
        frame["grade"] = np.where(judged, self.grade.table, "")
        said = "root_to_ends" if self.root_to_ends_net is None else "root_to_ends_net"
        frame["words"] = np.where(frame.measure == said, self.words, "")
        return frame


def measure_evenness(
    profile: Profile,
    *,
    zones: tuple[float, float] = THIRDS,
    natural: Profile | None = None,
    bands: Bands | None = None,
) -> Evenness:
    """Evenness of one hair, roots to ends.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.
    natural : Profile, optional
        The same hair before colouring, for one viewing: its own gradient is taken off in
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
    net = None if natural is None else _net_of_natural(spans, profile, natural, zones)
    mean, raw = _mean_difference(tenths)
    dl, dc, dh = (float(v) for v in lch_difference(roots, ends))
    judged = between if net is None else net
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
        grade=grade_change(roots, ends),
        unlevelness_y=_unlevelness(tenths),
        words=(bands or read_bands()).difference_words("evenness", judged),
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
) -> ColourDifference:
    """Ends against what the roots would be at the ends had the natural gradient stayed."""
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
    return difference_from_covariance(expected, spans.lab[ENDS], covariance)


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
    """What noise adds in square taken off the reading and off its critical value."""

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

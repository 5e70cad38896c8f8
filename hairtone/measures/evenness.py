"""Profile -> how even the colour is from roots to ends.

References
----------
.. [1] R. S. Berns, mean colour difference from the mean (MCDM), as used for the spread of repeated
   colour measurements.
.. [2] H. Theil, Proc. K. Ned. Akad. Wet. A 53 (1950) 386; P. K. Sen, J. Am. Stat. Assoc. 63 (1968)
   1379-1389, doi:10.1080/01621459.1968.10480934.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats, delta_e, delta_e_metric, lch_difference
from hairtone.hair.types import Profile
from hairtone.measures.grade import GreyScaleGrade, grey_scale_grade
from hairtone.measures.pattern import PatternFigure, judge_pattern
from hairtone.measures.words import Bands, read_bands
from hairtone.measures.zones import (
    THIRDS,
    SpanColours,
    sampling_rows,
    tenth_colours,
    zone_colours,
)
from hairtone.uncertainty import ColourDifference, difference_from_covariance

ROBUST_SD: Final = 1.4826  # median absolute deviation -> SD of a normal law; closed form
NOISE_ROWS: Final = 512  # equally likely errors a pattern is judged by; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """How even one hair is.

    Attributes
    ----------
    root_to_ends : ColourDifference
        ΔE00 between roots and ends.
    root_to_ends_net : ColourDifference or None
        The same with the gradient the hair had before colouring taken off.
    mean_difference : PatternFigure
        Mean ΔE00 of the ten tenths from their mean [1]_, noise taken off.
    largest_difference : PatternFigure
        Largest ΔE00 of any two zones.
    d_lightness, d_chroma, d_hue : float
        Signed ΔL*, ΔC*, ΔH* of the ends against the roots.
    slope : float
        Theil–Sen slope of L* [2]_. [per tenth of the length]
    patchiness : PatternFigure
        Robust SD of L* along the hair once the slope is taken off. [L*]
    grade : GreyScaleGrade
        Grey-scale grade of the ends against the roots.
    words : str
        In plain words.
    """

    root_to_ends: ColourDifference
    root_to_ends_net: ColourDifference | None
    mean_difference: PatternFigure
    largest_difference: PatternFigure
    d_lightness: float
    d_chroma: float
    d_hue: float
    slope: float
    patchiness: PatternFigure
    grade: GreyScaleGrade
    words: str

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them."""
        net = self.root_to_ends_net
        patches = self.patchiness
        return _rounded(
            {
                "root_to_ends": self.root_to_ends.to_dict(),
                "mean_difference": self.mean_difference.to_dict(),
                "largest_difference": self.largest_difference.to_dict(),
                "root_to_ends_net": None if net is None else net.to_dict(),
                "dL": self.d_lightness,
                "dC": self.d_chroma,
                "dH": self.d_hue,
                "slope": self.slope,
                "patchiness": {
                    "value": patches.value,
                    "low": patches.low,
                    "high": patches.high,
                    "critical": patches.critical,
                },
                "grade": {"gsc": self.grade.gsc, "table": self.grade.table},
                "words": self.words,
            }
        )

    def to_frame(self) -> Any:
        """One row a measure: measure, value, low, high, critical, resolved."""
        import pandas as pd

        rows = []
        for name in ("root_to_ends", "root_to_ends_net", "mean_difference", "largest_difference"):
            told = getattr(self, name)
            if told is not None:
                figures = told.to_dict()
                rows.append({"measure": name, "value": figures.pop("delta_e"), **figures})
        figures = self.patchiness.to_dict()
        rows.append({"measure": "patchiness", "value": figures.pop("delta_e"), **figures})
        return pd.DataFrame(rows)

    def plot(self, ax: Any = None) -> Any:
        """Draw the figures against what an even tress stays under."""
        from hairtone.report.figures import figure_evenness

        return figure_evenness(self, ax=ax)

    def _repr_html_(self) -> str:
        return f"<p>{escape(self.words)}</p>" + self.to_frame().round(2).to_html(
            index=False, escape=True
        )


def _rounded(told: Any) -> Any:
    if isinstance(told, dict):
        return {key: _rounded(value) for key, value in told.items()}
    return round(told, 3) if isinstance(told, float) else told


def measure_evenness(
    profile: Profile,
    *,
    zones: tuple[float, float] = THIRDS,
    natural: Profile | None = None,
    bands: Bands | None = None,
) -> Evenness:
    """Evenness of one hair from roots to ends.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.
    natural : Profile, optional
        The same hair before colouring, whose own gradient is taken off in `root_to_ends_net`.
    bands : Bands, optional
        Words for ΔE00 between roots and ends.
    """
    colours, tenths = zone_colours(profile, zones=zones), tenth_colours(profile)
    root_to_ends = difference_from_covariance(
        colours.lab[0], colours.lab[2], colours.difference_covariance(0, 2)
    )
    net = None if natural is None else _net(colours, zone_colours(natural, zones=zones))
    slope, left = detrend(profile.position, profile.lab[:, 0])
    d_lightness, d_chroma, d_hue = lch_difference(colours.lab[0], colours.lab[2])
    bands = read_bands()["evenness"] if bands is None else bands
    return Evenness(
        root_to_ends=root_to_ends,
        root_to_ends_net=net,
        mean_difference=_judge_spans(tenths, mean_difference_from_mean),
        largest_difference=_judge_spans(colours, largest_difference),
        d_lightness=float(d_lightness),
        d_chroma=float(d_chroma),
        d_hue=float(d_hue),
        slope=slope,
        patchiness=_judge_patchiness(profile, left),
        grade=grey_scale_grade(colours.lab[0], colours.lab[2]),
        words=bands.phrase(root_to_ends.low, root_to_ends.high),
    )


def _net(after: SpanColours, before: SpanColours) -> ColourDifference:
    """Ends against roots that carry the gradient the hair had before."""
    expected = after.lab[0] + before.lab[2] - before.lab[0]
    covariance = after.difference_covariance(0, 2) + before.difference_covariance(0, 2)
    return difference_from_covariance(expected, after.lab[2], covariance)


def mean_difference_from_mean(points: Floats) -> Floats:
    """Mean distance of points (..., m, 3) from their own mean."""
    away = points - points.mean(axis=-2, keepdims=True)
    return np.asarray(np.linalg.norm(away, axis=-1).mean(axis=-1))


def largest_difference(points: Floats) -> Floats:
    """Largest distance between any two of the points (..., m, 3)."""
    apart = points[..., :, None, :] - points[..., None, :, :]
    return np.asarray(np.linalg.norm(apart, axis=-1).max(axis=(-2, -1)))


def _judge_spans(colours: SpanColours, figure: Any) -> PatternFigure:
    """Judge a pattern of colours in axes where ΔE00 is a length."""
    mean = colours.lab.mean(axis=0)
    root = np.linalg.cholesky(delta_e_metric(mean))
    seen = (colours.lab - mean) @ root
    noise = _noise(colours) @ root
    if figure is mean_difference_from_mean:
        raw = float(delta_e(mean, colours.lab).mean())
    else:
        raw = float(delta_e(colours.lab[:, None], colours.lab[None]).max())
    return judge_pattern(seen, noise, figure, raw=raw)


def _noise(colours: SpanColours) -> Floats:
    """Equally likely errors of the spans, shape (n, m, 3): calibration plus fibres."""
    rows = np.arange(NOISE_ROWS)
    calibration = colours.draws[rows % len(colours.draws)] - colours.lab
    fibres = colours.sampling[rows * 7 % len(colours.sampling)] - colours.sampling.mean(axis=0)
    return np.asarray(calibration + fibres)


def detrend(position: Floats, lightness: Floats) -> tuple[float, Floats]:
    """Theil–Sen slope per tenth of the length, and what is left once it is taken off [2]_."""
    i, j = np.triu_indices(len(position), k=1)
    slope = float(np.median((lightness[j] - lightness[i]) / (position[j] - position[i])))
    left = lightness - slope * position
    return slope / 10, np.asarray(left - np.median(left))


def robust_sd(values: Floats) -> Floats:
    """SD by the median absolute deviation over the last axis but one, (..., m, 1) -> (...)."""
    away = np.abs(values - np.median(values, axis=-2, keepdims=True))
    return np.asarray(ROBUST_SD * np.median(away, axis=-2)[..., 0])


def _judge_patchiness(profile: Profile, left: Floats) -> PatternFigure:
    count = len(profile.position)
    bins = SpanColours(
        lab=profile.lab,
        draws=profile.draws.astype(np.float64),
        sampling=sampling_rows(profile),
        viewing=profile.viewing,
    )
    noise = _noise(bins)[..., 0]
    centred = profile.position - profile.position.mean()
    # a least-squares slope is close enough for noise, and 500 times cheaper than Theil–Sen
    slopes = noise @ centred / (centred @ centred)
    noise = noise - slopes[:, None] * centred
    return judge_pattern(left.reshape(count, 1), noise[..., None], robust_sd)

"""The curve of a fade: half-life, washes to refresh and to gone, forecast.

References
----------
.. [1] C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297-307, doi:10.1093/biomet/76.2.297.
.. [2] R. T. Birge, Phys. Rev. 40 (1932) 207-227, doi:10.1103/PhysRev.40.207.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.curve_models import MODELS, CurveModel, washes_to
from hairtone.measures.fade import LEAST_WASHES, Fade
from hairtone.measures.least_squares import fit_curves, whitener
from hairtone.measures.spans import unit_normals
from hairtone.measures.words import Bands, read_bands
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

DRAWS: Final = 400  # refits behind every range; 2.5 % tails repeat to about 5 %; our choice
MISFIT: Final = 0.05  # p of χ² below which a curve is said not to fit; our choice
EXPECTED: Final = (6, 8)  # washes a semi-permanent colour is said to last; common practice
_GONE_NOISE: Final = 1.645  # one-sided 95 % of a normal law


@dataclass(frozen=True, slots=True, kw_only=True)
class WashRange:
    """A number of washes with its 95 % range; None: not reached (value) or unbounded (high)."""

    value: float | None
    low: float | None
    high: float | None

    def __str__(self) -> str:
        if self.low is None:
            return "not reached"
        if self.high is None:
            return f"{self.low:.1f} or more"
        return f"{self.low:.1f} to {self.high:.1f}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FadeCurve(Shown):
    """The curve of one zone's fade.

    Attributes
    ----------
    zone : str
        Which zone.
    model : CurveModel
        The shape chosen by AICc.
    parameters : ndarray, shape (p,)
        Its free parameters.
    draws : ndarray, shape (N, p)
        Equally good parameters.
    half_life, washes_to_refresh, washes_to_gone : WashRange
        Washes at which 50 %, the refresh limit and the gone limit are reached.
    time_constant : float
        Wash at which 1/e of the way to the plateau is left.
    plateau : float
        Per cent the curve ends at.
    misfit, misfit_p : float
        χ² a degree of freedom, and how often a true curve of this shape is that far off or more.
    last_wash : int
        Last wash measured; beyond it the curve is a forecast.
    aicc : dict of str to float
        Of each shape tried.
    """

    zone: str
    model: CurveModel
    parameters: Floats
    draws: Floats
    half_life: WashRange
    washes_to_refresh: WashRange
    washes_to_gone: WashRange
    time_constant: float
    plateau: float
    misfit: float
    misfit_p: float
    last_wash: int
    aicc: dict[str, float]

    @property
    def is_misfit(self) -> bool:
        """The readings do not follow this shape."""
        return self.misfit_p < MISFIT

    def at(self, washes: ArrayLike) -> Floats:
        """Per cent left after `washes`, shape (m,)."""
        return self.model.value(self.parameters[None], np.asarray(washes, np.float64))[0]

    def forecast(self, washes: ArrayLike) -> Any:
        """Table of the colour left after `washes`: wash, colour_left, low, high, is_forecast."""
        import pandas as pd

        at = np.asarray(washes, dtype=np.float64)
        drawn = self.model.value(self.draws, at)
        tail = 100 * (1 - COVERAGE) / 2
        low, high = np.percentile(drawn, [tail, 100 - tail], axis=0)
        return pd.DataFrame(
            {
                "wash": at,
                "colour_left": self.at(at),
                "low": low,
                "high": high,
                "is_forecast": at > self.last_wash,
            }
        )

    @property
    def expectation(self) -> str:
        """The washes to gone against the trade's six to eight, in words."""
        usual = f"about {EXPECTED[0]} to {EXPECTED[1]} washes (common practice)"
        gone = self.washes_to_gone
        if gone.low is None or gone.low > EXPECTED[1]:
            return f"lasts longer than {usual}"
        if gone.high is not None and gone.high < EXPECTED[0]:
            return f"leaves sooner than {usual}"
        return f"in keeping with {usual}, as far as these photos tell"

    def to_frame(self) -> Any:
        """One row, columns as fade_fit.csv from `zone` on, `misfit_p` and more after them."""
        import pandas as pd

        row: dict[str, Any] = {"zone": self.zone, "model": self.model.name}
        for name in ("half_life", "washes_to_refresh", "washes_to_gone"):
            found: WashRange = getattr(self, name)
            row |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
        row |= {
            "misfit": self.misfit,
            "misfit_p": self.misfit_p,
            "time_constant": self.time_constant,
            "plateau": self.plateau,
        }
        return pd.DataFrame([row])


def fit_fade(fade: Fade, *, bands: Bands | None = None) -> FadeCurve:
    """Curve of a fade, by the joint errors of its washes.

    Parameters
    ----------
    fade : Fade
        From `measure_fade`, with 3 washes or more after wash 0.
    bands : Bands, optional
        A study's own limits for refresh and gone.

    Raises
    ------
    MeasureError
        ``no-colour-left``: it could not be told. ``too-few-washes``.
    """
    if not fade.has_colour_left:
        raise MeasureError(
            "no-colour-left",
            str(fade.missing[0]) if fade.missing else "The colour left could not be told.",
            remedy="A curve needs a photo before colouring and an uptake that stands clear of it.",
        )
    steps = [step for step in fade.steps if step.wash > 0]
    left = np.array([step.colour_left for step in steps], dtype=np.float64)
    washes = np.array([step.wash for step in steps], dtype=np.float64)
    return fit_fade_curve(washes, left, np.cov(fade.left_draws.T), zone=fade.zone, bands=bands)


def fit_fade_curve(
    washes: Floats,
    left: Floats,
    covariance: Floats,
    *,
    zone: str = "",
    bands: Bands | None = None,
) -> FadeCurve:
    """Curve of the colour left over washes.

    The plain exponential stands unless AICc [1]_ says that a freer shape pays for itself; the
    ranges are widened where the readings scatter more than their errors say [2]_.

    Parameters
    ----------
    washes : ndarray, shape (m,)
        1 and more; wash 0 is 100 by definition and no reading.
    left : ndarray, shape (m,)
        Colour left. [%]
    covariance : ndarray, shape (m, m)
        Of `left`, its errors shared through wash 0 and before.
    zone : str, optional
        What results call it.
    bands : Bands, optional
        A study's own limits.

    Raises
    ------
    MeasureError
        ``too-few-washes``: under 3.
    """
    washes, left = np.asarray(washes, np.float64), np.asarray(left, np.float64)
    covariance = np.atleast_2d(np.asarray(covariance, np.float64))
    if len(washes) < LEAST_WASHES:
        raise MeasureError(
            "too-few-washes",
            f"{len(washes)} washes after wash 0 were measured; a curve needs {LEAST_WASHES}.",
            where=zone,
            remedy="Photograph the hair after more washes.",
        )
    white = whitener(covariance)
    fits = {
        model.name: (model, *_best(model, washes, left, white))
        for model in MODELS
        if model.least_points <= len(washes)
    }
    scores = {
        name: _aicc(squares, len(theta), len(washes)) for name, (_, theta, squares) in fits.items()
    }
    model, theta, squares = fits[min(scores, key=lambda name: scores[name])]
    free = len(washes) - len(theta)
    wide = covariance * max(1.0, squares / free)
    draws = _refits(model, theta, washes, wide, white)
    limits = (bands or read_bands()).limits
    gone = max(limits["gone_percent"], _GONE_NOISE * float(np.sqrt(wide[-1, -1])))
    return FadeCurve(
        zone=zone,
        model=model,
        parameters=theta,
        draws=draws,
        half_life=_range(model, theta, draws, 50.0),
        washes_to_refresh=_range(model, theta, draws, limits["refresh_percent"]),
        washes_to_gone=_range(model, theta, draws, gone),
        **_shape(model, theta),
        misfit=squares / free,
        misfit_p=float(chdtrc(free, squares)),
        last_wash=int(washes[-1]),
        aicc=scores,
    )


def _best(model: CurveModel, washes: Floats, left: Floats, white: Floats) -> tuple[Floats, float]:
    """Best parameters over all starts, and their χ²."""
    starts = model.starts
    found = fit_curves(
        lambda theta: model.value(theta, washes),
        np.tile(left, (len(starts), 1)),
        starts,
        white=white,
    )
    at = int(np.argmin(found.squares))
    return found.parameters[at], float(found.squares[at])


def _aicc(squares: float, parameters: int, points: int) -> float:
    """AICc with known errors [1]_; infinite where the points do not carry it."""
    spare = points - parameters - 1
    if spare <= 0:
        return np.inf
    return squares + 2 * parameters + 2 * parameters * (parameters + 1) / spare


def _refits(
    model: CurveModel, theta: Floats, washes: Floats, covariance: Floats, white: Floats
) -> Floats:
    """Parameters under equally likely readings, shape (N, p)."""
    values, vectors = np.linalg.eigh(covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    shaken = unit_normals(DRAWS, len(washes), 77) @ spread.T
    fitted = model.value(theta[None], washes)
    found = fit_curves(
        lambda tried: model.value(tried, washes), fitted + shaken, theta, white=white
    )
    return found.parameters


def _range(model: CurveModel, theta: Floats, draws: Floats, level: float) -> WashRange:
    """Washes at which a level is reached; where under 2.5 % of draws reach it there is no range."""
    value = float(washes_to(model, theta[None], level)[0])
    drawn = washes_to(model, draws, level)
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(drawn, (tail, 1 - tail), method="nearest")
    return WashRange(value=_finite(value), low=_finite(low), high=_finite(high))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _shape(model: CurveModel, theta: Floats) -> dict[str, float]:
    """Time constant and plateau in plain units."""
    plateau = float(model.value(theta[None], np.array([1e9]))[0, 0])
    level = plateau + (100 - plateau) / np.e
    return {
        "time_constant": float(washes_to(model, theta[None], level)[0]),
        "plateau": plateau,
    }

"""What a calibration and a light field are to the rest of the house."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.field import HairSpread
from hairtone.calibration.polynomial import terms
from hairtone.chart.types import PATCH_NAMES
from hairtone.colorimetry import Floats, Viewing
from hairtone.errors import Flag
from hairtone.showing import Shown

LEAST_SMOOTH: Final = 0.1  # of what lies beside a thing, to stand for it; our choice


class ColourModel(Protocol):
    """From codes to light, and from light to L*a*b*; levels 1 and 2 both answer to this."""

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear camera light, without flare, of encoded values (0..1), shape (n, 3).

        Balanced to the lamp: a perfect white at the chart reads 1, 1, 1, greys read equal.
        Each channel by itself, so that a table of codes may be pushed through.
        """
        ...

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear camera light that the light field was divided out of, shape (n, 3)."""
        ...

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """The same under each of K equally good calibrations, shape (K, n, 3).

        `linear` may be (n, 3), or (K, n, 3) where each draw has its own light.
        """
        ...

    def hair_spread(self, linear: ArrayLike) -> HairSpread | None:
        """Return the part of the draws at linear light (n, 3) that is the hair's, or None."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """What lies beside a thing on the board.

    Attributes
    ----------
    bare : float
        Share of it that is the board whose light is known, 0..1.
    rest : ndarray, shape (3,)
        Median log light, log red over green and log blue over green of what is smooth there (of
        all, where little is), less that of the board under its light field; NaN where nothing is.
    """

    bare: float
    rest: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardSeen:
    """The frame in cells against the board under its light field.

    Attributes
    ----------
    points : ndarray, shape (h, w, 2)
        Middle of each cell. [pixels, xy]
    colour : ndarray, shape (h, w, 3)
        Log light, log red over green, log blue over green.
    is_sound, is_smooth, is_bare : ndarray of bool, shape (h, w)
        Neither clipped nor too dark; as smooth as the board; the board that the light is read from.
    by_chart : ndarray of bool, shape (h, w)
        Right beside the chart.
    level : ndarray, shape (3,)
        `colour` of the board where the chart stands.
    coefficients : ndarray, shape (14, 3)
        How that of the board changes over the frame, in the terms of the light field.
    origin, scale : ndarray (2,), float
        See `LightField`.
    """

    points: Floats
    colour: Floats
    is_sound: NDArray[np.bool_]
    is_smooth: NDArray[np.bool_]
    is_bare: NDArray[np.bool_]
    by_chart: NDArray[np.bool_]
    level: Floats
    coefficients: Floats
    origin: Floats
    scale: float

    def among(self, chosen: NDArray[np.bool_]) -> Beside:
        """What the chosen cells show, shape (h, w)."""
        at = np.flatnonzero(chosen)
        bare, smooth = self.is_bare.reshape(-1)[at], self.is_smooth.reshape(-1)[at]
        smooth = smooth if smooth.sum() > LEAST_SMOOTH * len(smooth) else np.ones_like(smooth)
        known = at[smooth & self.is_sound.reshape(-1)[at]]
        away = (self.points.reshape(-1, 2)[known] - self.origin) / self.scale
        board = self.level + terms(away, count=len(self.coefficients)) @ self.coefficients
        rest = self.colour.reshape(-1, 3)[known] - board
        return Beside(
            bare=float(bare.mean()) if len(bare) else 0.0,
            rest=np.median(rest, axis=0) if len(rest) else np.full(3, np.nan),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightField:
    """Relative light over the frame, 1 where the chart stands.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Of log light in the terms of `calibration.polynomial`; 0, 2, 5, 9 or 14 of them.
    covariance : ndarray, shape (p, p)
        Of `coefficients`.
    origin, scale : ndarray (2,), float
        Centre of the chart and half the frame's diagonal: coordinates are (xy - origin) / scale.
    source : str
        ``"board"``, ``"card"`` or ``"none"``.
    fall : float
        Largest fall of the light over the board that was seen, 0..1 (0.1 = 10 %).
    residual_slope : float
        Slope left on the board after correction, over the board's width, relative.
    residual_sd : float
        Robust SD of what is left on the board at coarse scale, relative.
    flags : tuple of Flag
        Doubts about the light.
    seen : BoardSeen or None
        What the frame shows of the board; None where its light is not read from it.
    step : float
        SD of log light by which all of a hair may differ from the chart, an edge between them.
    """

    coefficients: Floats
    covariance: Floats
    origin: Floats
    scale: float
    source: str
    fall: float
    residual_slope: float
    residual_sd: float
    flags: tuple[Flag, ...] = ()
    seen: BoardSeen | None = None
    step: float = 0.0

    def at(self, points: ArrayLike) -> Floats:
        """Relative light at points, shape (n, 2) xy pixels -> (n,)."""
        return np.asarray(np.exp(self._terms(points) @ self.coefficients))

    def draws_at(self, points: ArrayLike, *, draws: int, seed: int) -> Floats:
        """Equally good light at points, shape (draws, n), one row one light field."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        rng = np.random.default_rng(seed)
        shaken = rng.standard_normal((draws, len(self.coefficients)))
        logs = (self.coefficients + shaken @ root.T) @ self._terms(points).T
        return np.asarray(np.exp(logs + self.step * rng.standard_normal((draws, 1))))

    def doubt_at(self, points: ArrayLike) -> Floats:
        """SD of log light at points against the chart's, shape (n, 2) xy pixels -> (n,)."""
        design = self._terms(points)
        variance = np.einsum("ni,ij,nj->n", design, self.covariance, design)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0) + self.step**2))

    def _terms(self, points: ArrayLike) -> Floats:
        away = (np.asarray(points, dtype=np.float64) - self.origin) / self.scale
        return terms(away, count=len(self.coefficients))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration(Shown):
    """Codes of one photo -> L*a*b*, with what is known of its error.

    Attributes
    ----------
    model : ColourModel
        The mapping itself.
    method : str
        ``"level 1"``, ``"level 2"`` or ``"average"``.
    reference : str
        Name of the chart reference.
    viewing : Viewing
        Illuminant and observer of every L*a*b*.
    residual : ndarray, shape (24,)
        ΔE00 of each patch in the fit; NaN where the patch was left out.
    held_out : ndarray, shape (24,)
        ΔE00 of each patch when it is left out of the fit; NaN where never used.
    missed : ndarray, shape (24, 3), or None
        Each patch when it is left out of the fit less what it is known to be, along the axes of
        the CIEDE2000 metric: as long as `held_out`, with its direction. NaN where never used.
    chart_light : ndarray, shape (m, 3), or None
        Balanced linear light of the patches that were read: what the calibration spans.
    facts : dict
        What the fit found (light family, flare, tone), JSON-ready, for the methods section.
    flags : tuple of Flag
        Doubts about the calibration.
    """

    model: ColourModel
    method: str
    reference: str
    viewing: Viewing
    residual: NDArray[np.float64]
    held_out: NDArray[np.float64]
    missed: Floats | None = None
    chart_light: Floats | None = None
    facts: dict[str, object] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()

    def to_frame(self) -> Any:
        """Return one row a patch: patch, residual and held_out (ΔE00; NaN where unused)."""
        import pandas as pd

        found = {"residual": self.residual, "held_out": self.held_out}
        return pd.DataFrame({"patch": PATCH_NAMES} | found)

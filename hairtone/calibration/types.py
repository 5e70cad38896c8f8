"""What a calibration and a light field are to the rest of the house."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.polynomial import terms
from hairtone.colorimetry import Floats, Viewing
from hairtone.errors import Flag


class ColourModel(Protocol):
    """From codes to light, and from light to L*a*b*; levels 1 and 2 both answer to this."""

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear camera light, flare taken off, of encoded values (0..1), shape (n, 3).

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

    def at(self, points: ArrayLike) -> Floats:
        """Relative light at points, shape (n, 2) xy pixels -> (n,)."""
        return np.asarray(np.exp(self._terms(points) @ self.coefficients))

    def draws_at(self, points: ArrayLike, *, draws: int, seed: int) -> Floats:
        """Equally good light at points, shape (draws, n), one row one light field."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        shaken = np.random.default_rng(seed).standard_normal((draws, len(self.coefficients)))
        return np.asarray(np.exp((self.coefficients + shaken @ root.T) @ self._terms(points).T))

    def doubt_at(self, points: ArrayLike) -> Floats:
        """SD of log light at points against the chart's, shape (n, 2) xy pixels -> (n,)."""
        design = self._terms(points)
        variance = np.einsum("ni,ij,nj->n", design, self.covariance, design)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def _terms(self, points: ArrayLike) -> Floats:
        away = (np.asarray(points, dtype=np.float64) - self.origin) / self.scale
        return terms(away, count=len(self.coefficients))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
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
    facts: dict[str, object] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()

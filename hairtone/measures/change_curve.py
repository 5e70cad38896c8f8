"""How a difference from wash 0 grows, where no photo before colouring tells the colour left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.fade_curve import MISFIT
from hairtone.measures.least_squares import fit_curves, whitener
from hairtone.showing import Shown

LEAST_WASHES: Final = 3
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
        return self.misfit_p < MISFIT

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


def fit_change_curve(washes: ArrayLike, delta_e: ArrayLike, *, sd: ArrayLike) -> ChangeCurve:
    """Curve of the difference from wash 0.

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

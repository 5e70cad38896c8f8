"""Curves fitted to many sets of readings at once, by damped least squares.

References
----------
.. [1] D. W. Marquardt, J. Soc. Ind. Appl. Math. 11 (1963) 431-441, doi:10.1137/0111030.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats

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
    """Fit one curve to N sets of readings [1]_.

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

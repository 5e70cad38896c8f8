"""The shapes that a fade may take, R in per cent of the colour, R(0) = 100 by definition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats

HORIZON: Final = 200.0  # washes; what is not reached by then is called not reached; our choice
_LEAST_STRETCH: Final = 0.3  # β of 0.3 .. 1
_BISECTIONS: Final = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveModel:
    """One shape of fade.

    Attributes
    ----------
    name : str
        What tables call it.
    value : callable
        Free parameters (N, p) and washes (m,) to per cent left (N, m).
    starts : ndarray, shape (s, p)
        Where fits start from.
    least_points : int
        Washes after wash 0 that it needs.
    """

    name: str
    value: Callable[[Floats, Floats], Floats]
    starts: Floats
    least_points: int


def _sigmoid(x: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -40, 40))))


def _power(x: Floats) -> Floats:
    return np.asarray(np.exp(np.clip(x, -12, 12)))


def _stretched(washes: Floats, tau: Floats, beta: Floats | float, rest: Floats | float) -> Floats:
    decay = np.exp(-((washes / tau) ** beta))
    return np.asarray(rest + (100 - rest) * decay)


def one_exponential(theta: Floats, washes: Floats) -> Floats:
    """R = 100 exp(-n/τ); theta = log τ."""
    return _stretched(washes, _power(theta[:, :1]), 1.0, 0.0)


def with_plateau(theta: Floats, washes: Floats) -> Floats:
    """R = R∞ + (100 - R∞) exp(-n/τ); theta = log τ, logit R∞/100."""
    return _stretched(washes, _power(theta[:, :1]), 1.0, 100 * _sigmoid(theta[:, 1:2]))


def stretched(theta: Floats, washes: Floats) -> Floats:
    """R = 100 exp(-(n/τ)^β); theta = log τ, logit of β between 0.3 and 1."""
    beta = _LEAST_STRETCH + (1 - _LEAST_STRETCH) * _sigmoid(theta[:, 1:2])
    return _stretched(washes, _power(theta[:, :1]), beta, 0.0)


def stretched_with_plateau(theta: Floats, washes: Floats) -> Floats:
    """R = R∞ + (100 - R∞) exp(-(n/τ)^β); theta = log τ, logit β, logit R∞/100."""
    beta = _LEAST_STRETCH + (1 - _LEAST_STRETCH) * _sigmoid(theta[:, 1:2])
    return _stretched(washes, _power(theta[:, :1]), beta, 100 * _sigmoid(theta[:, 2:3]))


def two_pools(theta: Floats, washes: Floats) -> Floats:
    """R = 100 (A exp(-k₁n) + (1 - A) exp(-k₂n)); theta = logit A, log k₁, log k₂."""
    share = _sigmoid(theta[:, :1])
    fast, slow = _power(theta[:, 1:2]), _power(theta[:, 2:3])
    return np.asarray(100 * (share * np.exp(-fast * washes) + (1 - share) * np.exp(-slow * washes)))


MODELS: Final = (
    CurveModel(
        name="one exponential",
        value=one_exponential,
        starts=np.log([[1.0], [4.0], [15.0]]),
        least_points=3,
    ),
    CurveModel(
        name="one exponential to a plateau",
        value=with_plateau,
        starts=np.array([[0.5, -2.0], [1.5, -1.0], [1.0, 0.5]]),
        least_points=5,
    ),
    CurveModel(
        name="stretched exponential",
        value=stretched,
        starts=np.array([[1.0, 1.0], [2.0, -1.0]]),
        least_points=5,
    ),
    CurveModel(
        name="stretched exponential to a plateau",
        value=stretched_with_plateau,
        starts=np.array([[1.0, 1.0, -1.0], [2.0, -1.0, -2.0]]),
        least_points=7,
    ),
    CurveModel(
        name="two exponentials",
        value=two_pools,
        starts=np.array([[0.0, 0.0, -2.5], [-1.0, 0.7, -2.0]]),
        least_points=8,
    ),
)


def washes_to(model: CurveModel, theta: Floats, level: float) -> Floats:
    """Wash at which each curve, shape (N, p), falls to `level` per cent; inf: not reached."""
    low = np.zeros(len(theta))
    high = np.full(len(theta), HORIZON)
    reached = _at(model, theta, high) <= level
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        above = _at(model, theta, middle) > level
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(reached, (low + high) / 2, np.inf)


def _at(model: CurveModel, theta: Floats, washes: Floats) -> Floats:
    """Each curve at its own wash, shape (N,)."""
    return model.value(theta, washes[:, None])[:, 0]

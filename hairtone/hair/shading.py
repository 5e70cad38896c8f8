"""Light lost towards the sides of a round tress, pooled over its length.

A tress laid on a board is round: its sides look away from the camera and the lamps. What is
wanted is hair laid flat, so each lane of fibres is divided by the smooth fall of light from the
middle, where the tress lies in the board's plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats

# SD expected of the fall's terms across, across squared, across to the fourth, in log light; our
# choice: a lamp from one side tilts it by 10 %, a round tress loses a quarter at its sides
EXPECTED: Final = (0.1, 0.25, 0.25)
DULL_SHARE: Final = 0.5  # darker part of a cell that is compared: highlights stay out
LEAST_NOISE: Final = 0.004  # of a lane's log light; our choice: lanes are never better known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shading:
    """Fall of light across a strand.

    Attributes
    ----------
    across : ndarray, shape (lanes,)
        Place of each lane, -1 .. 1.
    terms : ndarray, shape (3,)
        Of log light: across, its square, its fourth power. 0 in the middle.
    covariance : ndarray, shape (3, 3)
        Of `terms`.
    """

    across: Floats
    terms: Floats
    covariance: Floats

    @property
    def log(self) -> Floats:
        """Log light of each lane, 0 in the middle, shape (lanes,)."""
        return np.asarray(_design(self.across) @ self.terms)

    def log_draws(self, shaken: Floats) -> Floats:
        """Log light of each lane under unit normal noise of shape (R, 3), shape (R, lanes)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray((self.terms + shaken @ root.T) @ _design(self.across).T)


def fit_shading(count: Floats, light: Floats, across: Floats) -> Shading:
    """The fall of light across a strand from its duller pixels.

    Parameters
    ----------
    count, light : ndarray, shape (bins, lanes, levels)
        Pixels by brightness, and the sum of their luminance with the light field divided out.
    across : ndarray, shape (lanes,)
        Place of each lane, -1 .. 1.
    """
    dull = _dull_mean(count, light)
    seen = np.isfinite(dull).all(axis=1)
    if seen.sum() < 10:
        return Shading(across=across, terms=np.zeros(3), covariance=np.diag(EXPECTED) ** 2)
    logs = np.log(dull[seen])
    lanes = np.median(logs - logs.mean(axis=1, keepdims=True), axis=0)
    design = np.column_stack([np.ones_like(across), _design(across)])
    prior = np.diag([0.0, *(1 / np.square(EXPECTED))])
    noise = LEAST_NOISE
    for _ in range(3):  # the lanes' own scatter is found with the fit
        precision = design.T @ design / noise**2 + prior
        fitted = np.linalg.solve(precision, design.T @ lanes / noise**2)
        rest = lanes - design @ fitted
        noise = max(float(np.sqrt((rest**2).sum() / max(len(across) - 3, 1))), LEAST_NOISE)
    covariance = np.asarray(np.linalg.inv(precision))
    return Shading(across=across, terms=fitted[1:], covariance=covariance[1:, 1:])


def _dull_mean(count: Floats, light: Floats) -> Floats:
    """Mean luminance of the duller part of each cell, shape (bins, lanes); NaN where too few."""
    total = count.sum(axis=2, keepdims=True)
    below = np.cumsum(count, axis=2) - count
    share = np.clip((DULL_SHARE * total - below) / np.maximum(count, 1e-9), 0, 1)
    pixels = (share * count).sum(axis=2)
    mean = (share * light).sum(axis=2) / np.maximum(pixels, 1e-9)
    return np.where((total[..., 0] >= 8) & (mean > 0), mean, np.nan)


def _design(across: Floats) -> Floats:
    return np.stack([across, across**2, across**4], axis=1)

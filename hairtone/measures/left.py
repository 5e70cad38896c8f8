"""What is left of the colour that was put in: by colour, and by dye as an estimate.

References
----------
.. [1] P. Kubelka, F. Munk, Z. tech. Phys. 12 (1931) 593-601.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats, lab_to_xyz
from hairtone.uncertainty import COVERAGE

ENOUGH_UPTAKE: Final = 5.0  # noise SDs; our choice: at 3 a true 10 % would read 24 % uncorrected
_LEAST_REFLECTANCE: Final = 1e-4  # keeps K/S finite for black readings; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Left:
    """Colour left in m states of one zone.

    Attributes
    ----------
    percent : ndarray, shape (m,)
        100 at the first state by definition.
    low, high : ndarray, shape (m,)
        95 % interval.
    errors : ndarray, shape (N, m)
        Errors of `percent`, drawn together.
    uptake, uptake_noise : float
        ΔE*ab of the first state from the colour before, and its noise SD.
    uptake_errors : ndarray, shape (N,)
        Errors of `uptake`, drawn with the rest.
    drift : ndarray, shape (m, 3)
        What is off the straight way back to the colour before. [Lab units]
    drift_critical : ndarray, shape (m,)
        What a drift of nothing stays under in 95 of 100 repeats. [ΔE*ab]
    dye : ndarray, shape (m,)
        Per cent of dye left by Kubelka-Munk; an estimate.
    """

    percent: Floats
    low: Floats
    high: Floats
    errors: Floats
    uptake: float
    uptake_noise: float
    uptake_errors: Floats
    drift: Floats
    drift_critical: Floats
    dye: Floats

    @property
    def is_enough(self) -> bool:
        """Whether the uptake stands far enough above its noise."""
        return self.uptake >= ENOUGH_UPTAKE * self.uptake_noise


def colour_left(before: Floats, states: Floats, noise: Floats, *, white: tuple[float, ...]) -> Left:
    """Colour left by the share of the way back to the colour before.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* before colouring.
    states : ndarray, shape (m, 3)
        L*a*b* just coloured, then after washes.
    noise : ndarray, shape (N, 1 + m, 3)
        Errors of before and states, drawn together.
    white : tuple of float
        White point of the L*a*b*.

    Notes
    -----
    ``R = 100 (c_n - c_b)·(c_0 - c_b) / |c_0 - c_b|²``. Noise common to both factors lifts either
    product by a trace that is known; it is taken off (ours), so that little colour left is not
    read as more.
    """
    change = states - before
    shaken = noise[:, 1:] - noise[:, :1]
    lift = np.einsum("nmc,nc->m", shaken, shaken[:, 0]) / len(shaken)
    percent = _share(change, lift)
    drawn = _share(change + shaken, lift) - _share(change, lift)
    drawn[:, 0] = 0.0
    errors = drawn - np.median(drawn, axis=0)
    tail = 100 * (1 - COVERAGE) / 2
    low, high = percent - np.percentile(drawn, [100 - tail, tail], axis=0)
    uptake = float(np.linalg.norm(change[0]))
    unit = change[0] / uptake if uptake > 0 else np.array([1.0, 0.0, 0.0])
    along = shaken[:, 0] @ unit
    drift, critical = _drift(change, shaken, percent)
    return Left(
        percent=percent,
        low=np.minimum(low, percent),
        high=np.maximum(high, percent),
        errors=errors,
        uptake=uptake,
        uptake_noise=float(along.std()),
        uptake_errors=along,
        drift=drift,
        drift_critical=critical,
        dye=dye_left(before, states, white=white),
    )


def _share(change: Floats, lift: Floats) -> Floats:
    """Per cent of the way, shape (..., m), of changes from before, shape (..., m, 3)."""
    first = change[..., :1, :]
    product = (change * first).sum(axis=-1) - lift
    square = product[..., :1]
    floor = 0.05 * (first**2).sum(axis=-1)  # too little uptake to divide by; refused elsewhere
    share = 100 * product / np.maximum(square, floor)
    share[..., 0] = 100.0
    return np.asarray(share)


def _drift(change: Floats, shaken: Floats, percent: Floats) -> tuple[Floats, Floats]:
    """What is off the straight way, and its critical length."""
    share = percent[:, None] / 100
    drift = change - share * change[0]
    errors = shaken - share * shaken[:, :1]
    unit = change[0] / max(float(np.linalg.norm(change[0])), 1e-12)
    across = errors - (errors @ unit)[..., None] * unit
    critical = np.quantile(np.linalg.norm(across, axis=2), COVERAGE, axis=0)
    return drift, critical


def dye_left(before: Floats, states: Floats, *, white: tuple[float, ...]) -> Floats:
    """Per cent of the dye left by Kubelka-Munk K/S of X, Y and Z, an estimate; shape (m,).

    Dye adds to K/S in proportion to its amount [1]_; X, Y and Z stand in for narrow bands.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* before colouring.
    states : ndarray, shape (m, 3)
        L*a*b* just coloured, then after washes.
    white : tuple of float
        White point.
    """
    own = absorption(lab_to_xyz(before, white=white) / np.asarray(white))
    added = absorption(lab_to_xyz(states, white=white) / np.asarray(white)) - own
    square = float((added[0] ** 2).sum())
    if square <= 0:
        return np.full(len(states), np.nan)
    return np.asarray(100 * (added @ added[0]) / square)


def absorption(reflectance: Floats) -> Floats:
    """Kubelka-Munk K/S = (1 - R)²/(2R) of reflectances 0..1 [1]_."""
    clear = np.clip(reflectance, _LEAST_REFLECTANCE, 1.0)
    return np.asarray((1 - clear) ** 2 / (2 * clear))

"""Reflectances of hair from a broad family, to learn from: what hair can look like at all.

Made on purpose of other laws than `hairtone.spectra.hair`, with which scenes are rendered: light
takes paths of many lengths (a gamma mixture, or those of diffusing light) instead of two fluxes,
dye bands are plain bells, and powers, floors and slopes vary more widely.
"""

from __future__ import annotations

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.spectra.viewing import viewing_wavelengths

_DYE_SLOTS = 2  # bands a draw may have at most; our choice
DYE_CHANCE = 0.5  # that a slot is filled; our choice
DIFFUSING = 0.3  # share of hair dense enough for light to diffuse; our choice
# what hair without pigment gives back: thin or loose bundles let much of it pass; our choice
TOP = (0.4, 1.0)


def draw_broad_hair(count: int, *, seed: int, dye_chance: float = DYE_CHANCE) -> Floats:
    """Reflectances of hair of every kind, shape (count, 81), on `viewing_wavelengths()`.

    Parameters
    ----------
    count : int
        How many.
    seed : int
        Of the draw.
    dye_chance : float, optional
        That each of two dye bands is there; 0 for hair without dye.

    Notes
    -----
    With absorption μ and path lengths of a gamma law of shape g, R = (1 + k·μ/g)^(-g) (the
    Laplace transform of the gamma density); where light diffuses, R = exp(-sqrt(2·k·μ)), that of
    first-passage lengths. Both under a surface floor, times a slight slope.
    All ranges are our choice, wider than hair is known to be.
    """
    rng = np.random.default_rng(seed)
    wavelengths = viewing_wavelengths()

    def uniform(low: float, high: float) -> Floats:
        return rng.uniform(low, high, (count, 1))

    relative = wavelengths / 550.0
    pheo = rng.beta(1.0, 3.0, (count, 1))
    brown = (1 - pheo) * relative ** -uniform(2.6, 4.2) + pheo * relative ** -uniform(4.0, 5.6)
    absorbing = 10 ** uniform(-1.8, 2.0) * brown
    absorbing += 10 ** uniform(-2.5, -0.9) * np.exp(-(wavelengths - 420.0) / uniform(40.0, 80.0))
    for _ in range(_DYE_SLOTS):
        present = rng.random((count, 1)) < dye_chance
        distance = (wavelengths - uniform(405.0, 670.0)) / uniform(26.0, 60.0)
        absorbing += present * 10 ** uniform(-1.0, 1.3) * np.exp(-0.5 * distance**2)

    shape = uniform(0.5, 1.1)
    absorbing = uniform(1.0, 3.0) * absorbing
    inside = np.where(
        rng.random((count, 1)) < DIFFUSING,
        np.exp(-np.sqrt(2 * absorbing)),
        (1 + absorbing / shape) ** -shape,
    )
    floor, top = uniform(0.003, 0.025), uniform(*TOP)
    slope = relative ** rng.normal(0, 0.12, (count, 1))
    return np.clip(floor + (1 - floor) * top * inside * slope, 0.003, 1.0)

"""From reflectance to tristimulus values, for the viewings that results are stated for.

colour-science is imported late, and without the remarks that it prints.

References
----------
.. [1] ASTM E308, Computing the colors of objects by using the CIE system: weighting over the
   whole range; where a measurement ends, its last value stands for what is missing.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats, Viewing
from hairtone.locations import reference_path


@cache
def quiet_colour() -> Any:
    """The module `colour`; importing it takes over a second, so nobody does it before need."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it remarks on optional parts that are not installed
        import colour
        import colour.recovery
        import colour.temperature
    return colour


@cache
def _tables() -> tuple[Floats, dict[str, Floats]]:
    path = reference_path("viewings.csv")
    lines = [
        line
        for line in path.read_text(encoding="utf-8").splitlines()
        if line and not line.startswith("#")
    ]
    names = lines[0].split(",")[1:]
    values = np.array([line.split(",") for line in lines[1:]], dtype=np.float64)
    values.flags.writeable = False
    weights = {
        name[:-2]: values[:, 1 + first : 4 + first]
        for first, name in enumerate(names)
        if name.endswith(" X")
    }
    return values[:, 0], weights


def viewing_wavelengths() -> Floats:
    """Wavelengths of the weighting tables, shape (81,): 380 to 780 nm every 5 nm. [nm]"""
    return _tables()[0]


def viewing_weights(viewing: Viewing) -> Floats:
    """Weights w of X = Σ R·w, shape (81, 3); reflectance 1 gives the white, Y = 1."""
    return _tables()[1][viewing.name]


def reflectance_to_xyz(
    reflectance: ArrayLike, wavelengths: ArrayLike, *, viewing: Viewing
) -> Floats:
    """Tristimulus values of a surface, white Y = 1 [1]_.

    Parameters
    ----------
    reflectance : array_like, shape (..., n)
        Reflectance factor, 0..1.
    wavelengths : array_like, shape (n,)
        Rising. [nm]
    viewing : Viewing
        Illuminant and observer.

    Returns
    -------
    ndarray, shape (..., 3), float64
    """
    reflectance = np.asarray(reflectance, dtype=np.float64)
    wavelengths = np.asarray(wavelengths, dtype=np.float64)
    grid = viewing_wavelengths()
    if not np.array_equal(wavelengths, grid):
        flat = reflectance.reshape(-1, reflectance.shape[-1])
        flat = np.stack([np.interp(grid, wavelengths, row) for row in flat])
        reflectance = flat.reshape(*reflectance.shape[:-1], len(grid))
    return reflectance @ viewing_weights(viewing)

"""Smooth random fields over colour space: errors that near colours share and far ones do not.

A field is a sum of cosines of random direction and phase, which over many draws has a Gaussian
correlation over distance [1]_: two colours `length` apart agree to exp(-1/2).

References
----------
.. [1] A. Rahimi, B. Recht, Random features for large-scale kernel machines, NIPS 20 (2007).
   From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.calibration.shaken import Shaken
from hairtone.colorimetry import Floats

COSINES: Final = 96  # our choice: the correlation is then right to about 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothField:
    """Draws of a smooth field of three components over colour.

    Attributes
    ----------
    frequencies : ndarray, shape (3, m)
        Of the cosines, per unit of colour.
    phases : ndarray, shape (m,)
        Of the cosines.
    amounts : ndarray, shape (m, draws, 3)
        Of each cosine in each draw, scaled to unit variance.
    """

    frequencies: Floats
    phases: Floats
    amounts: Floats

    def at(self, colours: Floats) -> Floats:
        """Every draw at colours: (n, 3) or (draws, n, 3) -> (draws, n, 3), unit variance."""
        waves = np.cos(colours @ self.frequencies + self.phases)
        if colours.ndim == 2:
            flat = self.amounts.reshape(len(self.amounts), -1)
            fields = (waves @ flat).reshape(len(colours), -1, 3)
            return np.asarray(np.moveaxis(fields, 1, 0))
        return np.asarray(waves @ np.moveaxis(self.amounts, 1, 0))


def draw_field(
    shaken: Shaken, *, length: float, draws: int, share: float, part: int
) -> SmoothField:
    """A smooth field of unit variance.

    Parameters
    ----------
    shaken : Shaken
        Where the photo's numbers come from.
    length : float
        Distance over which the field changes, in the units of colour it will be asked at.
    draws : int
        How many fields.
    share : float
        Of the variance that all photos have in common, 0..1.
    part : int
        Which numbers; see `Shaken.normal`.
    """
    rng = np.random.default_rng(part)  # directions and phases are a grid: the same for all
    return SmoothField(
        frequencies=rng.normal(0, 1 / length, (3, COSINES)),
        phases=rng.uniform(0, 2 * np.pi, COSINES),
        amounts=np.sqrt(2 / COSINES)
        * shaken.normal(COSINES, draws, 3, share=share, part=part + 1000),
    )

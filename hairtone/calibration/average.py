"""The average of level 1 and level 2: their errors differ, so the mean has less of both [ours]."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.calibration.level1 import Level1Model
from hairtone.calibration.level2 import Level2Model
from hairtone.colorimetry import Floats

# factor on the averaged deviations, as the two levels share errors; by coverage
COMMON: Final = 1.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AverageModel:
    """Codes -> L*a*b* by both levels; see `types.ColourModel`.

    Attributes
    ----------
    level1 : Level1Model
        By tone and 3 x 3.
    level2 : Level2Model
        By virtual hair; its light is the one handed on.
    share : float
        Weight of level 2, 0..1.
    """

    level1: Level1Model
    level2: Level2Model
    share: float

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear light, flare off, of encoded values, shape (n, 3); a perfect white is 1, 1, 1."""
        return self.level2.linear(encoded)

    def encoded(self, linear: ArrayLike) -> Floats:
        """Encoded values of linear light: the inverse of `linear`."""
        return self.level2.encoded(linear)

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light, shape (n, 3)."""
        first = self.level1.lab(self._as_level1(linear))
        return np.asarray(self.share * self.level2.lab(linear) + (1 - self.share) * first)

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light (n, 3) or (K, n, 3) in each of K calibrations, (K, n, 3)."""
        light = np.asarray(linear, np.float64)
        middle = self.lab(light if light.ndim == 2 else light.mean(axis=0))
        first = self.level1.lab_draws(self._as_level1(light))
        both = self.share * self.level2.lab_draws(light) + (1 - self.share) * first
        return np.asarray(middle + COMMON * (both - middle))

    def _as_level1(self, linear: ArrayLike) -> Floats:
        """The light that level 1 reads from the same encoded values."""
        return self.level1.linear(self.level2.encoded(linear))

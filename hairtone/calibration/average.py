"""The average of level 1 and level 2: their errors differ, so the mean has less of both [ours]."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.calibration.level1 import Level1Model
from hairtone.calibration.level2 import Level2Model
from hairtone.calibration.types import Calibration
from hairtone.colorimetry import Floats

COMMON: Final = 1.25  # factor on the averaged deviations: the two levels share errors; by coverage
SHARE: Final = {True: 0.75, False: 0.6}  # of level 2, RAW and encoded; from simulated photos
WORSE: Final = 1.2  # level 2 is left out where its held-out error is this much larger; our choice
POOR: Final = 8.0  # level 1 is left out above this held-out ΔE00, if level 2 does better; ours


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


def choose_level(first: Calibration, second: Calibration) -> Calibration:
    """Level 1, level 2 or their average, by the held-out errors of the patches.

    Parameters
    ----------
    first, second : Calibration
        Level 1 and level 2 of the same reading.
    """
    errors = [float(np.nanmean(fit.held_out)) for fit in (first, second)]
    facts: dict[str, object] = {
        "held_out_level1": round(errors[0], 2),
        "held_out_level2": round(errors[1], 2),
        **second.facts,
    }
    if errors[1] > WORSE * errors[0]:
        return replace(first, facts={**facts, **first.facts})
    if errors[0] > POOR and errors[1] < errors[0] / 2:
        return replace(second, facts=facts)
    models = (first.model, second.model)
    if not isinstance(models[0], Level1Model) or not isinstance(models[1], Level2Model):
        raise TypeError("choose_level() takes a level 1 and a level 2 calibration.")
    share = SHARE[models[1].is_linear]
    facts["share_level2"] = share
    return replace(
        second,
        model=AverageModel(level1=models[0], level2=models[1], share=share),
        method="average",
        residual=share * second.residual + (1 - share) * first.residual,
        held_out=share * second.held_out + (1 - share) * first.held_out,
        facts=facts,
    )

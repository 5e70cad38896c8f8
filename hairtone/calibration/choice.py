"""Level 1, level 2 or, for encoded photos, their average, by what held-out patches say of each.

Averaging takes errors of tone and look out, which RAW has none of: there level 2 stands alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from hairtone.calibration.average import AverageModel
from hairtone.calibration.level1 import Level1Model, fit_level1
from hairtone.calibration.level2 import Level2Model, fit_level2
from hairtone.calibration.types import Calibration
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats, Viewing

SHARE: Final = 0.75  # of level 2 in the average; from simulated photos
WORSE: Final = 1.2  # level 2 is left out where its held-out error is this much larger; our choice
POOR: Final = 8.0  # level 1 is left out above this held-out ΔE00, if level 2 does better; ours


def choose_calibration(
    reading: ChartReading,
    *,
    viewing: Viewing,
    is_linear: bool = False,
    light: Floats | None = None,
) -> Calibration:
    """The best calibration of a chart reading; see `fit_level1` and `fit_level2`."""
    first = fit_level1(reading, viewing=viewing, is_linear=is_linear, light=light)
    second = fit_level2(reading, viewing=viewing, is_linear=is_linear, light=light)
    return choose_level(first, second)


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
    models = (first.model, second.model)
    if not isinstance(models[0], Level1Model) or not isinstance(models[1], Level2Model):
        raise TypeError("choose_level() takes a level 1 and a level 2 calibration.")
    if models[1].is_linear or (errors[0] > POOR and errors[1] < errors[0] / 2):
        return replace(second, facts=facts)
    return replace(
        second,
        model=AverageModel(level1=models[0], level2=models[1], share=SHARE),
        method="average",
        residual=SHARE * second.residual + (1 - SHARE) * first.residual,
        held_out=SHARE * second.held_out + (1 - SHARE) * first.held_out,
        missed=_mixed(first.missed, second.missed, SHARE),
        facts={**facts, "share_level2": SHARE},
    )


def _mixed(first: Floats | None, second: Floats | None, share: float) -> Floats | None:
    return None if first is None or second is None else share * second + (1 - share) * first

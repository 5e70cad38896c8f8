"""The lamp's colour as the camera sees it: where mirror highlights and neutral things lie."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from hairtone.calibration.types import ColourModel
from hairtone.colorimetry import Floats

STEP: Final = 0.01  # relative step of the slope of L*a*b* by light
CLOSE: Final = 0.002  # last step in log light; shine needs a direction to a few per cent
TARGET: Final = 80.0  # L* that is solved for: well inside any model
TARGET_LIGHT: Final = ((TARGET + 16) / 116) ** 3  # its luminance; ISO/CIE 11664-4


def lamp_white(model: ColourModel) -> Floats:
    """Linear light of a perfect white under the lamp, found where the model reads L* 100 neutral.

    Newton steps on L*a*b* from equal channels; only its direction matters to shine, its scale
    keeps levels in range. Read-only.
    """
    white: Floats = _solved(model)  # type: ignore[arg-type]  # protocols do not say they hash
    return white


@lru_cache(maxsize=2)  # finder and profile ask for the same model; models do not change
def _solved(model: ColourModel) -> Floats:
    white = np.full(3, TARGET_LIGHT)  # where it is if the model's white is the lamp's
    for _ in range(6):
        probes = white * (1 + STEP * np.vstack([np.zeros(3), np.eye(3)]))
        seen = model.lab(probes)
        slope = (seen[1:] - seen[0]).T / STEP  # by log light of each channel
        step = np.linalg.lstsq(slope, np.array([TARGET, 0.0, 0.0]) - seen[0], rcond=None)[0]
        white = white * np.exp(np.clip(step, -0.7, 0.7))
        if np.abs(step).max() < CLOSE:
            break
    found = np.asarray(white / TARGET_LIGHT)
    found.flags.writeable = False
    return found

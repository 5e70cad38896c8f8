"""Readings of cameras that do exactly what a model says, so that the answer is known."""

from __future__ import annotations

import numpy as np
from bench.readings import reading_of

from hairtone.calibration import tone
from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, Floats

VIEWING = VIEWINGS["D65/10"]
REFERENCE = load_reference("chart24-average30")
# rows: camera red, green, blue out of X, Y, Z; greys come out grey, no negative patch
MIX = np.linalg.inv(np.array([[0.60, 0.25, 0.10], [0.25, 0.70, -0.02], [0.098, 0.05, 1.00]]))


def ideal_light(xyz: Floats) -> Floats:
    """Light of a camera that is a 3 x 3 of the eye, a perfect white reading 1, 1, 1."""
    white = np.array(VIEWING.white) / 100
    return xyz @ MIX.T / (white @ MIX.T)


def ideal_reading(curve, *, flare: float = 0.0, exposure: float = 0.9, light=1.0):
    """A chart as that camera reads it through tone `curve`, flare and exposure."""
    seen = ideal_light(REFERENCE.xyz(VIEWING)) * np.reshape(light, (-1, 1)) + flare
    return reading_of(tone.encode(exposure * seen, curve), REFERENCE)

"""Calibration and light field of one photo, solved together: tone, light, tone again."""

from __future__ import annotations

import numpy as np

from hairtone.calibration.level1 import fit_level1
from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Viewing
from hairtone.photo.types import Photo


def calibrate(
    photo: Photo, reading: ChartReading, *, viewing: Viewing, card: Photo | None = None
) -> tuple[Calibration, LightField]:
    """How the photo's codes become L*a*b*, and how its light falls over the frame.

    Parameters
    ----------
    photo : Photo
        The photograph.
    reading : ChartReading
        Its chart.
    viewing : Viewing
        Illuminant and observer of every L*a*b*.
    card : Photo, optional
        A photo of the bare board or a plain card in the same light, of the same size.

    Raises
    ------
    CalibrationError
        The patches do not give a calibration.
    LightError
        The light cannot be corrected.
    """
    calibration = fit_level1(reading, viewing=viewing, is_linear=photo.encoding.is_linear)
    width, height = photo.size
    light = LightField(
        coefficients=np.zeros(5),
        covariance=np.zeros((5, 5)),
        origin=np.asarray(reading.corners, np.float64).mean(axis=0),
        scale=float(np.hypot(width, height) / 2),
        source="none",
        fall=0.0,
        residual_slope=0.0,
        residual_sd=0.0,
    )
    return calibration, light

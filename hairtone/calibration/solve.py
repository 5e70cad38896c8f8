"""Calibration and light field of one photo, solved together: tone, light, tone again."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np

from hairtone.calibration.choice import choose_level
from hairtone.calibration.judge import judge_calibration
from hairtone.calibration.level1 import fit_level1
from hairtone.calibration.level2 import fit_level2
from hairtone.calibration.light import fit_light_field, unknown_light
from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Viewing
from hairtone.errors import CalibrationError, Flag
from hairtone.photo.types import Photo
from hairtone.uncertainty import DRAWS

# growth of the chart's held-out error by the light field: up to the first all of the field is
# believed, from the second on none, between them a part; our choice
WORSE: Final = (1.05, 1.25)


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
    try:
        first = _without_light(reading, photo, viewing, draws=1)  # only its fit is asked for
        light = fit_light_field(photo, reading, first.model, card=card)
        calibration, light = _with_light(photo, reading, first, light)
        second = fit_level2(
            reading,
            viewing=viewing,
            is_linear=photo.encoding.is_linear,
            light=light.at(reading.centres),
        )
        calibration = choose_level(calibration, second)
        return judge_calibration(calibration, reading, photo), light
    except np.linalg.LinAlgError:
        raise CalibrationError(
            "calibration-failed",
            f"The {int(reading.usable.sum())} usable patches do not determine a calibration.",
            where=photo.name,
            remedy="Photograph again with the whole chart in the frame, unclipped and in focus.",
        ) from None


def _without_light(
    reading: ChartReading, photo: Photo, viewing: Viewing, *, draws: int = DRAWS
) -> Calibration:
    return fit_level1(reading, viewing=viewing, is_linear=photo.encoding.is_linear, draws=draws)


def _with_light(
    photo: Photo, reading: ChartReading, first: Calibration, light: LightField
) -> tuple[Calibration, LightField]:
    """The calibration with the light at each patch divided out, as far as the chart agrees."""
    if light.source == "none":
        return _without_light(reading, photo, first.viewing), light
    second = _under(photo, reading, first, light)
    before, after = (float(np.nanmean(c.held_out)) for c in (first, second))
    low, high = WORSE
    share = float(np.clip((high - after / before) / (high - low), 0.0, 1.0))
    if share == 1.0:
        return second, light
    light = _doubted(light, unknown_light(photo, reading), share)
    flag = Flag(
        code="light-disagrees",
        says=f"The board's light does not fit the chart (held-out error {after:.1f} with it, "
        f"{before:.1f} without): {share:.0%} of its fall is corrected, and its uncertainty is "
        f"widened by what was left.",
        remedy="Lay the chart flat on the board that the hair lies on.",
    )
    light = dataclasses.replace(light, flags=(*light.flags, flag))
    return _under(photo, reading, first, light), light


def _under(
    photo: Photo, reading: ChartReading, first: Calibration, light: LightField
) -> Calibration:
    return fit_level1(
        reading,
        viewing=first.viewing,
        is_linear=photo.encoding.is_linear,
        light=light.at(reading.centres),
    )


def _doubted(light: LightField, unknown: LightField, share: float) -> LightField:
    """The field as far as it is believed; the truth may lie anywhere between it and even light.

    Its coefficients shrink without a step, and what they lose is added to their covariance: a
    photo that falls on one side of the doubt and its copy that falls on the other agree.
    """
    lost = 1 - share
    count, known = len(light.coefficients), len(unknown.coefficients)
    wider = light.covariance + lost * np.outer(light.coefficients, light.coefficients)
    if known <= count:
        wider[:known, :known] += lost * unknown.covariance
    return dataclasses.replace(
        light,
        coefficients=share * light.coefficients,
        covariance=wider,
        source=light.source if share > 0 else "none",
    )

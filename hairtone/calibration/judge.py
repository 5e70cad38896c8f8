"""Whether a calibration can be believed: residuals, the grey row, the look of the picture."""

from __future__ import annotations

import dataclasses

import numpy as np

from hairtone.calibration.types import Calibration
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import CalibrationError, Flag
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

SAMPLE = 50_000  # pixels looked at for the darkest; our choice, speed


def judge_calibration(calibration: Calibration, reading: ChartReading, photo: Photo) -> Calibration:
    """The calibration with its flags.

    Raises
    ------
    CalibrationError
        The fit is too poor, or its grey row is no grey row: another chart than the reference.
    """
    limits = read_limits("calibration")
    residual = float(np.nanmean(calibration.residual))
    scatter = grey_scatter(calibration, reading)
    if residual > limits["refuse_residual"] or (
        scatter > limits["refuse_grey_scatter"] and residual > limits["residual_of_wrong_chart"]
    ):
        broken = (
            f"residual {residual:.1f} ΔE₀₀ (limit {limits['refuse_residual']:.0f})"
            if residual > limits["refuse_residual"]
            else f"the grey row is scattered by {scatter:.0%} in colour (limit "
            f"{limits['refuse_grey_scatter']:.0%}), residual {residual:.1f} ΔE₀₀"
        )
        raise CalibrationError(
            "chart-version",
            f"The patches do not match the chart reference {calibration.reference}: {broken}. "
            f"Another chart version, a worn or false chart, or patches not in their places.",
            where=photo.name,
            remedy="Check which chart it is and state it, or add its measured values as a file; "
            "clean or renew the chart.",
        )
    flags: list[Flag] = []
    if residual > limits["flag_residual"]:
        flags.append(
            Flag(
                code="calibration-poor",
                says=f"The chart is matched to {residual:.1f} ΔE₀₀ only "
                f"(flagged above {limits['flag_residual']:.0f}).",
                remedy="Avoid coloured lamps, filters and HDR; use the camera's plain mode or RAW.",
            )
        )
    darkest = darkest_value(photo)
    if not photo.encoding.is_linear and darkest > limits["flag_faded_black"]:
        flags.append(_faded(darkest, limits["flag_faded_black"]))
    return dataclasses.replace(calibration, flags=calibration.flags + tuple(flags))


def darkest_value(photo: Photo) -> float:
    """Encoded value that the darkest thousandth of the photo stays under in some channel, 0..1."""
    step = max(1, int(np.sqrt(photo.pixels[..., 0].size / SAMPLE)))
    rows, columns = (np.arange(0, edge, step) for edge in photo.pixels.shape[:2])
    codes = codes_at(photo, rows[:, None], columns).reshape(-1, 3)
    rank = len(codes) // 1000
    rises = bool((np.diff(photo.encoding.table, axis=0) >= 0).all())
    if photo.encoding.to_srgb is None and rises:  # then codes rank as their values do
        below = [np.cumsum(np.bincount(codes[:, k])) for k in range(3)]
        dark = np.array([np.searchsorted(count, rank, side="right") for count in below])
        return float(encoded_values(photo, dark[None]).min())
    return float(np.partition(encoded_values(photo, codes), rank, axis=0)[rank].min())


def _faded(darkest: float, limit: float) -> Flag:
    return Flag(
        code="colour-filter",
        says=f"Nothing in the photo is darker than {darkest:.0%} of the scale (flagged above "
        f"{limit:.1%}): faded blacks, as a colour filter of an app or haze on the lens makes them.",
        remedy="Photograph with the camera's plain mode, no filter, and wipe the lens.",
    )


def grey_scatter(calibration: Calibration, reading: ChartReading) -> float:
    """How far the greys' colours lie off one smooth course from white to black, relative.

    A tinted light, a tone curve or flare moves all greys along a smooth course; only patches
    that are no greys scatter about it. RMS of log red/green and blue/green about a straight line
    over lightness, the black left out.
    """
    greys = np.array(GREYS[:-1])
    greys = greys[reading.usable[greys]]
    if len(greys) < 4:
        return 0.0
    light: Floats = np.maximum(calibration.model.linear(reading.encoded[greys]), 1e-3)
    ratio = np.log(light[:, [0, 2]] / light[:, [1]])
    course = np.stack([np.ones(len(greys)), np.cbrt(light[:, 1])], axis=1)
    rest = ratio - course @ np.linalg.lstsq(course, ratio, rcond=None)[0]
    return float(np.sqrt((rest**2).sum() / (2 * (len(greys) - 2))))

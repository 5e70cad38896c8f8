"""Where a fit starts: the tone from the grey row alone, the 3 x 3 from relative errors."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration import tone
from hairtone.calibration.fitting import PatchProblem
from hairtone.chart.types import GREYS
from hairtone.colorimetry import Floats, Viewing, xyz_to_lab

GREY_NOISE: Final = 0.7  # SD of a grey reading. [L*]; our choice, print and gloss of real charts
GAIN_SD: Final = 0.3  # SD of a channel's log exposure; our choice
VEIL: Final = (0.005, 0.01)  # mean and SD of the flare while the greys are fitted; our choice
RELATIVE_FLOOR: Final = 0.05  # errors of the start are relative to Y + this; our choice
LEAST_LIGHT: Final = 1e-3  # of white; greys are held there while they are fitted
ROUNDS: Final = 3


def grey_tone(
    encoded: Floats, luminance: Floats, usable: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Tone coefficients (4,) and flare (3,) that put the grey row right, gains left free.

    Parameters
    ----------
    encoded, luminance : ndarray, shape (6, 3) and (6,)
        Readings and known luminance factors of the greys.
    usable : ndarray of bool, shape (6,)
        Greys to believe.
    """
    values, luminance = encoded[usable], luminance[usable, None]
    shapes = 100 * tone.waves(values).reshape(-1, tone.TERMS)
    gain, veil = np.zeros(3), VEIL[0]
    channel = np.tile(np.eye(3), (len(values), 1))
    pull = np.array([*tone.PRIOR_SD, *[GAIN_SD] * 3, VEIL[1]])
    curve = np.zeros(tone.TERMS)
    for _ in range(ROUNDS):
        light = np.maximum(luminance * np.exp(gain) + veil, LEAST_LIGHT)
        lightness = 116 * np.cbrt(light) - 16
        steep = 116 / 3 * light ** (-2 / 3)
        slopes = np.hstack(
            [
                shapes,
                -channel * (steep * luminance * np.exp(gain)).reshape(-1, 1),
                -steep.reshape(-1, 1),
            ]
        )
        residual = (100 * values - lightness).ravel() + shapes @ curve
        centre = np.concatenate([curve, gain, [veil - VEIL[0]]])
        normal = slopes.T @ slopes / GREY_NOISE**2 + np.diag(pull**-2.0)
        step = np.linalg.solve(normal, -slopes.T @ residual / GREY_NOISE**2 - centre / pull**2)
        curve, gain, veil = curve + step[:4], gain + step[4:7], veil + step[7]
        veil = max(veil, -0.5 * float(luminance.min()))
    return tone.keep_rising(curve), veil * np.exp(-gain)


def pose_problem(
    encoded: Floats,
    reference_xyz: Floats,
    usable: NDArray[np.bool_],
    *,
    viewing: Viewing,
    is_linear: bool,
    light: Floats | None = None,
) -> PatchProblem:
    """The chart as a problem, its start found.

    Parameters
    ----------
    encoded : ndarray, shape (24, 3)
        Patch readings.
    reference_xyz : ndarray, shape (24, 3)
        Known tristimulus values, white Y = 1.
    usable : ndarray of bool, shape (24,)
        Patches to believe.
    viewing : Viewing
        Of `reference_xyz`.
    is_linear : bool
        RAW: no tone curve.
    light : ndarray, shape (24,), optional
        Relative light on each patch, 1 where it is even.
    """
    greys = np.array(GREYS)
    white = np.array(viewing.white) / 100
    light = np.ones(len(encoded)) if light is None else light
    curve, flare = np.empty(0), np.zeros(3)
    decoded = encoded
    if not is_linear:
        curve, flare = grey_tone(
            encoded[greys], reference_xyz[greys, 1] * light[greys], usable[greys]
        )
        decoded = tone.decode(encoded, curve)
    pale = greys[usable[greys]][:4]  # the four lightest greys that can be believed
    known = (reference_xyz[pale, 1] * light[pale])[:, None]
    scale = np.median(decoded[pale] / (known + flare), axis=0)
    balanced = (decoded / scale - flare) / light[:, None]
    weights = usable / (reference_xyz[:, 1] + RELATIVE_FLOOR)
    matrix = np.linalg.lstsq(
        balanced * weights[:, None], reference_xyz * weights[:, None], rcond=None
    )[0]
    return PatchProblem(
        encoded=encoded,
        light=light,
        lab=xyz_to_lab(reference_xyz, white=white),
        white=white,
        scale=scale,
        is_linear=is_linear,
        start=np.concatenate([curve, flare, matrix.ravel()]),
    )

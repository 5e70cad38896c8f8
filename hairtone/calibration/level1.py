"""Level 1: tone curve, flare and 3 x 3 from the chart alone; robust, fast, no prior [ours].

The fit starts from the grey row (tone) and relative errors (3 x 3). Errors of the result have two
parts: what other patches would have given (a bootstrap over the patches) and what no such model
can follow (a smooth field over colour as large as the held-out residuals ask for).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr

from hairtone.calibration import tone
from hairtone.calibration.field import (
    SHARED,
    HairSpread,
    Shaken,
    SmoothField,
    draw_field,
)
from hairtone.calibration.tone import (
    LEAST_LIGHT,
    PatchProblem,
    balanced_light,
    fit_batch,
    lab_with_slopes,
    predict,
    split,
)
from hairtone.calibration.types import Calibration
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import Floats, Viewing, delta_e, delta_e_metric, xyz_to_lab
from hairtone.uncertainty import DRAWS

GREY_NOISE: Final = 0.7  # SD of a grey reading. [L*]; our choice, print and gloss of real charts
GAIN_SD: Final = 0.3  # SD of a channel's log exposure; our choice
VEIL: Final = (0.005, 0.01)  # mean and SD of the flare while the greys are fitted; our choice
RELATIVE_FLOOR: Final = 0.05  # errors of the start are relative to Y + this; our choice
MIN_GREY_LIGHT: Final = 1e-3  # of white; greys are held there while they are fitted
START_ROUNDS: Final = 3
GAUSS_NEWTON_ROUNDS: Final = (
    6  # Gauss-Newton steps of the fit; in simulation the sixth moves no colour by 0.01
)
REFIT_ROUNDS: Final = 2  # of the held-out and bootstrap fits, which start at the fit
FIELD_LENGTH: Final = 10.0  # in L*a*b*; from errors of simulated hair 0-70 apart; ours
MODEL_ERROR: Final = 2.5  # usual residual of a 3 x 3 on real cameras. [ΔE00]; in simulation 2.4
FIELD_SHARE: Final = 1.0  # of the held-out variance that the field carries; set by coverage
WARM_AXIS: Final = np.radians(55.0)  # hue of undyed hair, where its colours lie; our choice
# share of the field on that axis, and more per unit off it; by coverage of level 1 by itself
DOUBT: Final = (0.8, 0.045)


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
    for _ in range(START_ROUNDS):
        light = np.maximum(luminance * np.exp(gain) + veil, MIN_GREY_LIGHT)
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
    pale = greys[usable[greys]][:4]  # the four lightest greys that can be used
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level1Model:
    """Codes -> L*a*b* by tone, flare and 3 x 3; see `types.ColourModel`.

    Attributes
    ----------
    problem : PatchProblem
        The chart it was fitted to.
    parameters : ndarray, shape (p,)
        Tone (none for RAW), flare, 3 x 3.
    draws : ndarray, shape (K, p)
        Equally good parameters.
    field : SmoothField
        What the model cannot follow, in each draw, of unit variance.
    field_sd : ndarray, shape (3,)
        Size of the field along the axes of the CIEDE2000 metric. [ΔE00]
    """

    problem: PatchProblem
    parameters: Floats
    draws: Floats
    field: SmoothField
    field_sd: Floats

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear light, flare off, of encoded values, shape (n, 3); a perfect white is 1, 1, 1."""
        values = np.asarray(encoded, np.float64)
        return balanced_light(self.problem, self.parameters, values)

    def encoded(self, linear: ArrayLike) -> Floats:
        """Encoded values of linear light: the inverse of `linear`."""
        curve, flare, _ = split(self.parameters)
        decoded = (np.asarray(linear, np.float64) + flare) * self.problem.scale
        return decoded if self.problem.is_linear else tone.encode(decoded, curve)

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light, shape (n, 3)."""
        xyz = np.asarray(linear, np.float64) @ split(self.parameters)[2]
        return xyz_to_lab(np.maximum(xyz, LEAST_LIGHT), white=self.problem.white)

    def hair_spread(self, linear: ArrayLike) -> HairSpread | None:
        """Nothing: what this model cannot follow is one field, hair and camera together."""
        return None

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light (n, 3) or (K, n, 3) in each of K calibrations, (K, n, 3)."""
        linear = np.asarray(linear, np.float64)
        encoded = self.encoded(linear)
        curve, flare, matrix = split(self.draws)
        if not self.problem.is_linear:
            encoded = tone.decode(encoded, curve[:, None, None, :])
        xyz = (encoded / self.problem.scale - flare[:, None]) @ matrix
        lab = xyz_to_lab(np.maximum(xyz, LEAST_LIGHT), white=self.problem.white)
        middle = self.lab(linear)
        shift = self.field.at(middle) * self.field_sd * _doubt(middle)[..., None]
        root = np.linalg.cholesky(delta_e_metric(middle)).swapaxes(-1, -2)
        return np.asarray(lab + np.linalg.solve(root, shift[..., None])[..., 0])


def fit_level1(
    reading: ChartReading,
    *,
    viewing: Viewing,
    is_linear: bool = False,
    light: Floats | None = None,
    draws: int = DRAWS,
) -> Calibration:
    """Calibration by tone curve, flare and 3 x 3.

    Parameters
    ----------
    reading : ChartReading
        The patches; those not usable are left out.
    viewing : Viewing
        Illuminant and observer of the result.
    is_linear : bool, optional
        Camera RAW: no tone curve stands between light and code.
    light : ndarray, shape (24,), optional
        Relative light on each patch (1 = as at the chart's centre).
    draws : int, optional
        Equally good calibrations that stand for its error; few where only the fit is asked for.
    """
    problem = pose_problem(
        np.asarray(reading.encoded, np.float64),
        reading.reference.xyz(viewing),
        reading.usable,
        viewing=viewing,
        is_linear=is_linear,
        light=light,
    )
    weights = reading_weights(problem, reading)
    parameters = fit_batch(problem, weights[None], problem.start, rounds=GAUSS_NEWTON_ROUNDS)[0]
    held_out = hold_out(problem, weights, parameters)
    shaken = Shaken(reading_seed(reading))
    drawn = bootstrap(problem, weights, parameters, shaken, draws=draws)
    model = Level1Model(
        problem=problem,
        parameters=parameters,
        draws=drawn,
        field=draw_field(shaken, length=FIELD_LENGTH, draws=draws, share=SHARED, part=1),
        field_sd=_field_size(problem, held_out, drawn, weights),
    )
    used = weights > 0
    residual = delta_e(problem.lab, predict(problem, parameters[None])[0])
    return Calibration(
        model=model,
        method="level 1",
        reference=reading.reference.name,
        viewing=viewing,
        residual=np.where(used, residual, np.nan),
        held_out=np.where(used, delta_e(problem.lab, held_out), np.nan),
        missed=np.where(used[:, None], missed_along(problem.lab, held_out), np.nan),
        chart_light=model.linear(problem.encoded[used]),
        facts=_facts(problem, parameters),
    )


def missed_along(known: Floats, read: Floats) -> Floats:
    """L*a*b* read less known, (n, 3), along axes of the CIEDE2000 metric: as long as their ΔE00."""
    root = np.linalg.cholesky(delta_e_metric((known + read) / 2)).swapaxes(-1, -2)
    return np.asarray((root @ (read - known)[..., None])[..., 0])


def _doubt(lab: Floats) -> Floats:
    """Share of the field at L*a*b* (…, 3): small for undyed hair, large for colours dyes make.

    Hair on the warm axis has one kind of spectrum; off it many dyes give the same reading.
    """
    along = lab[..., 1] * np.cos(WARM_AXIS) + lab[..., 2] * np.sin(WARM_AXIS)
    across = lab[..., 2] * np.cos(WARM_AXIS) - lab[..., 1] * np.sin(WARM_AXIS)
    return np.asarray(DOUBT[0] + DOUBT[1] * np.hypot(across, np.minimum(along, 0.0)))


def reading_seed(reading: ChartReading) -> int:
    """A seed that is the same for the same patch readings and no others."""
    digest = hashlib.sha256(np.ascontiguousarray(reading.encoded, np.float64).tobytes()).digest()
    return int.from_bytes(digest[:4], "little")


def reading_weights(problem: PatchProblem, reading: ChartReading) -> Floats:
    """Weight of each patch, shape (24,): 0 where not usable, less where its reading is noisy.

    A reading whose noise is as large as what the model misses anyway counts half.
    """
    slopes = _lab_by_encoded(problem)
    root = np.linalg.cholesky(delta_e_metric(problem.lab)).swapaxes(-1, -2) @ slopes
    noise = root @ reading.covariance @ root.swapaxes(-1, -2)
    size = np.trace(noise, axis1=-2, axis2=-1)
    return np.where(reading.usable & np.isfinite(size), 1 / (1 + size / MODEL_ERROR**2), 0.0)


def _lab_by_encoded(problem: PatchProblem) -> Floats:
    """Slopes of each patch's L*a*b* over its encoded values, shape (24, 3, 3)."""
    curve, _, matrix = split(problem.start)
    steep = np.ones_like(problem.encoded)
    if not problem.is_linear:
        steep = tone.decode_with_slopes(problem.encoded, curve)[1]
    balanced = balanced_light(problem, problem.start) / problem.light[:, None]
    _, slopes = lab_with_slopes(balanced @ matrix, problem.white)
    by_channel = (steep / problem.scale / problem.light[:, None])[:, None, :] * matrix.T
    return np.asarray(slopes @ by_channel)


def hold_out(problem: PatchProblem, weights: Floats, parameters: Floats) -> Floats:
    """L*a*b* of each patch by the fit without it, shape (24, 3)."""
    count = len(weights)
    without = np.tile(weights, (count, 1))
    np.fill_diagonal(without, 0.0)
    refits = fit_batch(problem, without, parameters, rounds=REFIT_ROUNDS)
    return predict(problem, refits)[np.arange(count), np.arange(count)]


def bootstrap(
    problem: PatchProblem,
    weights: Floats,
    parameters: Floats,
    shaken: Shaken,
    *,
    draws: int = DRAWS,
) -> Floats:
    """Parameters fitted to re-weighted patches, shape (draws, p), one Gauss-Newton step each.

    Weights are exponential (D. B. Rubin's Bayesian bootstrap, Ann. Statist. 9 (1981) 130), which
    never leaves a fit without greys as drawing whole patches can.
    """
    normal = shaken.normal(draws, len(weights), share=SHARED, part=10)
    return fit_batch(problem, -log_ndtr(-normal) * weights, parameters, rounds=1)


def _field_size(problem: PatchProblem, held_out: Floats, draws: Floats, weights: Floats) -> Floats:
    """SD of the discrepancy along the metric's axes, shape (3,). [ΔE00]"""
    used = weights > 0
    root = np.linalg.cholesky(delta_e_metric(problem.lab)).swapaxes(-1, -2)
    missed = (root @ (held_out - problem.lab)[..., None])[used, :, 0]
    spread = (root @ (predict(problem, draws) - held_out)[..., None])[:, used, :, 0].var(axis=0)
    # winsorised: one odd patch (print, gloss) is no statement about hair
    square = np.minimum(missed**2, 6 * np.median(missed**2, axis=0))
    rest = square.mean(axis=0) - spread.mean(axis=0)
    return np.sqrt(FIELD_SHARE * np.maximum(rest, 0.1 * square.mean(axis=0)))


def _facts(problem: PatchProblem, parameters: Floats) -> dict[str, object]:
    curve, flare, matrix = split(parameters)
    return {
        "tone": [round(float(v), 4) for v in curve],
        "flare": [round(float(v), 4) for v in flare],
        "white_encoded": [round(float(v), 4) for v in problem.scale],
        "matrix": [[round(float(v), 4) for v in row] for row in matrix],
    }

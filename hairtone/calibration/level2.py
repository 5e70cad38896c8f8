"""Level 2: L*a*b* by virtual hair under the camera and light that the chart tells [ours].

The chart gives a posterior of sensitivity x light, flare, tone and discrepancy; virtual hair seen
by it gives the L*a*b* of a response. Draws of the posterior carry every cause of calibration
error from row to row alike, so that two colours of one photo share what they truly share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.calibration import tone
from hairtone.calibration.field import SmoothField, draw_field
from hairtone.calibration.level1 import missed_along, reading_seed
from hairtone.calibration.patches import PatchData, usable_patches
from hairtone.calibration.posterior import (
    FIELD_LENGTH,
    Posterior,
    fit_posterior,
)
from hairtone.calibration.prior import Prior, load_prior
from hairtone.calibration.shaken import HAIR, LIGHT, LOOK, VEIL, Shaken
from hairtone.calibration.start import grey_tone
from hairtone.calibration.types import Calibration
from hairtone.calibration.virtual_hair import HairRegression, cubic, regress_hair, roots
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import Floats, Viewing, delta_e, xyz_to_lab
from hairtone.uncertainty import DRAWS

LEVEL_SD: Final = {True: 0.010, False: 0.018}  # of the light on hair against chart, and, encoded,
# of local tone mapping: relative, common to a photo; our choice
FLARE_SD: Final = 0.15  # of flare on hair against flare on the chart, relative; our choice
SCATTER_LENGTH: Final = 12.0  # L*a*b* over which hair of one response stays alike; our choice
LEAST: Final = 1e-4  # XYZ below are held there; our choice
# factor on the variance among virtual hair, as real dyes are others; by coverage
SCATTER: Final = 2.0
CHUNK: Final = 400  # colours looked up at a time: 10 MB of neighbours


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unknowns:
    """Tone (…, 4 or 0), scale (…, 3), camera (…, q, 3) and flare (…, 3) of a fit or of draws."""

    curve: Floats
    scale: Floats
    camera: Floats
    flare: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level2Model:
    """Codes -> L*a*b* by virtual hair; see `types.ColourModel`.

    Attributes
    ----------
    posterior : Posterior
        What the chart says.
    best, draws : Unknowns
        The mean answer, and K equally good ones.
    regression : HairRegression
        Virtual hair under the mean camera.
    weights, draw_weights : ndarray, shape (n, 3) and (K, n, 3)
        Of the patches in the discrepancy, mean and draws.
    field_sd : ndarray, shape (K,)
        Size of the discrepancy in each draw.
    field, scatter : SmoothField
        Discrepancy over cube roots of light, and hair of one response over L*a*b*.
    level : ndarray, shape (K,)
        Factor on the light of the hair in each draw.
    is_linear : bool
        RAW.
    """

    posterior: Posterior
    best: Unknowns
    draws: Unknowns
    regression: HairRegression
    weights: Floats
    draw_weights: Floats
    field_sd: Floats
    field: SmoothField
    scatter: SmoothField
    level: Floats
    is_linear: bool

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear light, flare off, of encoded values, shape (n, 3); a perfect white is 1, 1, 1."""
        values = np.asarray(encoded, np.float64)
        decoded = values if self.is_linear else tone.decode(values, self.best.curve)
        return np.asarray(decoded / self.best.scale - self.best.flare)

    def encoded(self, linear: ArrayLike) -> Floats:
        """Encoded values of linear light: the inverse of `linear`."""
        decoded = (np.asarray(linear, np.float64) + self.best.flare) * self.best.scale
        return decoded if self.is_linear else tone.encode(decoded, self.best.curve)

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light, shape (n, 3)."""
        light = np.asarray(linear, np.float64)
        parts = [self._lab(light[first : first + CHUNK]) for first in range(0, len(light), CHUNK)]
        return np.concatenate(parts) if parts else np.empty((0, 3))

    def _lab(self, light: Floats) -> Floats:
        return self.regression.lab(self._corrected(light))

    def _corrected(self, light: Floats) -> Floats:
        """Cube roots of light with the mean discrepancy off."""
        seen = roots(light + self.best.flare)
        return roots(light) - self.posterior.field_at(seen, self.weights)

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light (n, 3) or (K, n, 3) in each of K calibrations, (K, n, 3)."""
        light = np.asarray(linear, np.float64)
        middle = light if light.ndim == 2 else light.mean(axis=0)
        parts = [
            self._lab_draws(light[..., first : first + CHUNK, :], middle[first : first + CHUNK])
            for first in range(0, len(middle), CHUNK)
        ]
        return np.concatenate(parts, axis=1)

    def _lab_draws(self, light: Floats, middle: Floats) -> Floats:
        around = self.regression.around(self._corrected(middle))
        encoded = self.encoded(light)
        draws = self.draws
        if not self.is_linear:
            encoded = tone.decode(encoded, draws.curve[:, None, None, :])
        seen = encoded / draws.scale[:, None, :]
        # the draws' own responses lie apart by far less than the field's length
        at_middle = roots(middle + self.best.flare)
        field = self.field_sd[:, None, None] * self.field.at(at_middle)
        field = field + self.posterior.field_at(at_middle, self.draw_weights)
        hair = (seen - draws.flare[:, None, :]) * self.level[:, None, None]
        # hair that the mean camera sees so is seen otherwise by this draw's camera
        hair = hair - around.shapes @ (draws.camera - self.best.camera)
        root = roots(hair) - field
        lab = cubic(root) @ self.regression.coefficients + around.shift
        lab = lab + ((root - around.root)[..., None, :] @ around.slope)[..., 0, :]
        spread = np.linalg.cholesky(SCATTER * around.scatter + 1e-6 * np.eye(3))
        at = self.regression.cubic_lab(around.root) + around.shift
        return np.asarray(lab + (spread @ self.scatter.at(at)[..., None])[..., 0])


def fit_level2(
    reading: ChartReading,
    *,
    viewing: Viewing,
    is_linear: bool = False,
    light: Floats | None = None,
) -> Calibration:
    """Calibration by the camera-and-light posterior of the chart, and virtual hair under it.

    Parameters
    ----------
    reading : ChartReading
        The patches; those not usable are left out.
    viewing : Viewing
        Illuminant and observer of the result.
    is_linear : bool, optional
        Camera RAW.
    light : ndarray, shape (24,), optional
        Relative light on each patch (1 = as at the chart's centre).
    """
    prior = load_prior(is_linear=is_linear)
    light = np.ones(len(reading.encoded)) if light is None else light
    known = reading.reference.xyz(viewing)
    data = usable_patches(reading, prior, known[:, 1], light, is_linear=is_linear)
    start = np.zeros(0)
    if not is_linear:
        greys = np.array(GREYS)
        start, _ = grey_tone(
            np.asarray(reading.encoded, np.float64)[greys],
            known[greys, 1] * light[greys],
            reading.usable[greys],
        )
    posterior = fit_posterior(data, prior, start)
    model = _model(posterior, data, prior, viewing=viewing, seed=reading_seed(reading))
    white = np.array(viewing.white) / 100
    left, fitted = np.full((2, *known.shape), np.nan)
    left[reading.usable], fitted[reading.usable] = posterior.left_out, posterior.residual
    to_xyz = np.linalg.lstsq(data.shapes @ model.best.camera, known[reading.usable], rcond=None)[0]
    lab = xyz_to_lab(known, white=white)
    read = [
        xyz_to_lab(np.maximum(known + gap @ to_xyz, LEAST), white=white) for gap in (fitted, left)
    ]
    return Calibration(
        model=model,
        method="level 2",
        reference=reading.reference.name,
        viewing=viewing,
        residual=delta_e(lab, read[0]),
        held_out=delta_e(lab, read[1]),
        missed=missed_along(lab, read[1]),
        facts=_facts(model, posterior),
    )


def _model(
    posterior: Posterior, data: PatchData, prior: Prior, *, viewing: Viewing, seed: int
) -> Level2Model:
    """Virtual hair under the posterior, and its draws."""
    terms = 0 if data.is_linear else tone.TERMS
    best = _unknowns(posterior.share @ posterior.mean, data, terms)
    shaken = Shaken(seed)
    field = draw_field(shaken, length=FIELD_LENGTH, draws=DRAWS, share=LOOK, part=2)
    drawn, field_sd, draw_weights = posterior.sample(field, shaken, draws=DRAWS, terms=terms)
    draws = _unknowns(drawn, data, terms)
    off = 1 + FLARE_SD * shaken.normal(DRAWS, 1, share=VEIL, part=13)
    level = LEVEL_SD[data.is_linear] * shaken.normal(DRAWS, share=LIGHT, part=14)
    xyz = np.maximum(prior.hair @ prior.xyz_weights(viewing), LEAST)
    lab = xyz_to_lab(100 * xyz, white=viewing.white)
    return Level2Model(
        posterior=posterior,
        best=best,
        draws=Unknowns(
            curve=draws.curve, scale=draws.scale, camera=draws.camera, flare=draws.flare * off
        ),
        regression=regress_hair(prior.hair, lab, best.camera),
        weights=posterior.field_weights,
        draw_weights=draw_weights,
        field_sd=field_sd,
        field=field,
        scatter=draw_field(shaken, length=SCATTER_LENGTH, draws=DRAWS, share=HAIR, part=3),
        level=np.exp(level),
        is_linear=data.is_linear,
    )


def _facts(model: Level2Model, posterior: Posterior) -> dict[str, object]:
    best = model.best
    return {
        "tone": [round(float(v), 4) for v in best.curve],
        "flare": [round(float(v), 4) for v in best.flare],
        "white_encoded": [round(float(v), 4) for v in best.scale],
        "gloss": round(float(posterior.share @ posterior.guesses.gloss), 4),
        "log_evidence": round(posterior.evidence, 2),
    }


def _unknowns(values: Floats, data: PatchData, terms: int) -> Unknowns:
    """The vector(s) of unknowns (…, d) taken apart."""
    count = values.shape[-1] - 5 - terms
    camera = values[..., :count].reshape(*values.shape[:-1], 3, -1)
    curve = tone.keep_rising(values[..., -terms:]) if terms else values[..., :0]
    return Unknowns(
        curve=curve,
        scale=data.scale(curve),
        camera=np.swapaxes(camera, -1, -2),
        flare=values[..., count : count + 3],
    )

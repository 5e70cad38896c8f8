"""Level 2: L*a*b* by virtual hair under the camera and light that the chart shows [ours].

The chart gives a posterior of sensitivity x light, flare, tone and discrepancy. Thousands of hair
reflectances are seen by it; L*a*b* and reflectance are regressed on the cube roots of the
responses: a cubic, then a local line through what it leaves. Draws of the posterior carry every
cause of calibration error from row to row alike, so that two colours of one photo share what they
truly share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration import tone
from hairtone.calibration.field import (
    LIGHT,
    SHARED,
    VEIL,
    HairSpread,
    Shaken,
    SmoothField,
    draw_field,
    photo_field,
)
from hairtone.calibration.level1 import grey_tone, missed_along, reading_seed
from hairtone.calibration.posterior import (
    FIELD_LENGTH,
    PatchData,
    Posterior,
    fit_posterior,
    usable_patches,
)
from hairtone.calibration.prior import Prior, load_prior
from hairtone.calibration.types import Calibration
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import Floats, Viewing, delta_e, xyz_to_lab
from hairtone.uncertainty import COVERAGE, DRAWS

RIDGE: Final = 1e-4  # of the cubic; our choice
NEIGHBOURS: Final = 200  # of the local line; our choice
LOCAL_RIDGE: Final = np.array([1e-6, 0.002, 0.002, 0.002])  # of level and slopes; our choice
# distance between responses: mean, red-green, yellow-blue; chromatic axes weigh more; our choice
OPPONENT: Final = np.array([[1 / 3, 1 / 3, 1 / 3], [3.0, -3.0, 0.0], [1.5, 1.5, -3.0]]).T
MIN_RESPONSE: Final = 1e-5  # responses below are held there
_POWERS: Final = np.array(
    [(i, j, k) for i in range(4) for j in range(4 - i) for k in range(4 - i - j)]
)
LEVEL_SD: Final = {True: 0.010, False: 0.018}  # of the light on hair against chart, and, encoded,
# of local tone mapping: relative, common to a photo; our choice
FLARE_SD: Final = 0.15  # of flare on hair against flare on the chart, relative; our choice
MIN_XYZ: Final = 1e-4  # XYZ below are held there; our choice
# factor on the variance among virtual hair, as real dyes are others; by coverage
SCATTER: Final = 1.2
# the spread is read from nearer hair than the mean, which averages out less; our choice: power
# of the weights
KERNEL_POWER: Final = 4
LEAST_SCATTER: Final = 0.02  # of L*a*b*, so that none is flat; our choice
REACH_SQUARE: Final = 7.815  # chi-square of 3 at 95 %; standard table
CHUNK: Final = 400  # colours looked up at a time: 10 MB of neighbours


def roots(light: Floats) -> Floats:
    """Cube roots of camera light, the scale all regressions live on."""
    return np.cbrt(np.maximum(light, MIN_RESPONSE))


def cubic(root: Floats) -> Floats:
    """The 20 terms of a cubic, shape (…, 20)."""
    r, g, b = np.moveaxis(root, -1, 0)
    one = np.ones_like(r)
    powers = [[one, v, v * v, v * v * v] for v in (r, g, b)]
    return np.stack([powers[0][i] * powers[1][j] * powers[2][k] for i, j, k in _POWERS], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalFit:
    """What the regression says around some colours.

    Attributes
    ----------
    root : ndarray, shape (n, 3)
        Where it was asked.
    shift, slope : ndarray, shape (n, 3) and (n, 3, 3)
        The local line: added to the cubic, and its slope over `root`.
    scatter : ndarray, shape (n, 3, 3)
        Covariance of L*a*b* of hair with this response.
    shapes : ndarray, shape (n, q)
        Mean reflectance of hair with this response, in the prior's basis.
    """

    root: Floats
    shift: Floats
    slope: Floats
    scatter: Floats
    shapes: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairRegression:
    """L*a*b* and reflectance of hair over the cube root of its camera response.

    Attributes
    ----------
    root : ndarray, shape (m, 3)
        Responses of the virtual hair.
    hair : ndarray, shape (m, q)
        Their reflectances in the prior's basis.
    odds, rare_odds : ndarray, shape (m,)
        What each counts in the mean, and in the spread about it.
    rest : ndarray, shape (m, 3)
        L*a*b* that the cubic leaves.
    coefficients : ndarray, shape (20, 3)
        Of the cubic.
    """

    root: Floats
    hair: Floats
    odds: Floats
    rare_odds: Floats
    rest: Floats
    coefficients: Floats

    def cubic_lab(self, root: Floats) -> Floats:
        """L*a*b* by the cubic alone, shape (…, 3)."""
        return np.asarray(cubic(root) @ self.coefficients)

    def lab(self, root: Floats) -> Floats:
        """L*a*b* by the cubic and the local line, shape (n, 3)."""
        return np.asarray(self.cubic_lab(root) + self._lines_through(root).found[:, 0])

    def around(self, root: Floats) -> LocalFit:
        """Local lines through the nearest virtual hair around each colour (n, 3)."""
        local = self._lines_through(root)
        left = self.rest[local.near] - local.line @ local.found
        nearness = local.kernel**KERNEL_POWER
        scatter = _spread_of(left, nearness * self.rare_odds[local.near])
        hair = np.linalg.solve(local.normal, local.weighted @ self.hair[local.near])
        return LocalFit(
            root=root,
            shift=local.found[:, 0],
            slope=local.found[:, 1:],
            scatter=scatter,
            shapes=np.asarray(hair[:, 0], np.float64),
        )

    def _lines_through(self, root: Floats) -> _Lines:
        seen, asked = self.root @ OPPONENT, root @ OPPONENT
        some = _may_be_near(seen, asked)
        seen = seen[some]
        square = (asked**2).sum(axis=1)[:, None] + (seen**2).sum(axis=1) - 2 * asked @ seen.T
        near = np.argpartition(square, NEIGHBOURS, axis=1)[:, :NEIGHBOURS]
        distance = np.sqrt(np.maximum(np.take_along_axis(square, near, axis=1), 0.0))
        reach = distance / distance.max(axis=1, keepdims=True)
        weight = (1 - reach**3) ** 3 + 1e-6
        near = some[near]
        away = self.root[near] - root[:, None]
        line = np.concatenate([np.ones((*near.shape, 1)), away], axis=2)
        weighted = np.swapaxes(line * (weight * self.odds[near])[..., None], 1, 2)
        normal = weighted @ line + np.diag(LOCAL_RIDGE)
        found = np.linalg.solve(normal, weighted @ self.rest[near])
        return _Lines(
            near=near, kernel=weight, line=line, weighted=weighted, normal=normal, found=found
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Local lines (n) through k neighbours each: `near` (n, k) of the virtual hair, how near each
    is `kernel` (n, k), its terms `line` (n, k, 4) and, times their weights, `weighted` (n, 4, k),
    `normal` (n, 4, 4), and the coefficients `found` (n, 4, 3)."""

    near: NDArray[np.intp]
    kernel: Floats
    line: Floats
    weighted: Floats
    normal: Floats
    found: Floats


def _may_be_near(seen: Floats, asked: Floats) -> NDArray[np.intp]:
    """Indices of the `seen` that may be among the nearest of any of the `asked`.

    By the triangle inequality: as many lie within `enough` of the middle of what is asked, so each
    asked colour, `apart` from it, has its nearest within `enough + apart`.
    """
    middle = asked.mean(axis=0)
    apart = np.sqrt(((asked - middle) ** 2).sum(axis=1).max())
    distance = np.sqrt(((seen - middle) ** 2).sum(axis=1))
    enough = np.partition(distance, NEIGHBOURS)[NEIGHBOURS]
    return np.flatnonzero(distance <= (enough + 2 * apart) * (1 + 1e-9))


def _spread_of(left: Floats, weight: Floats) -> Floats:
    """Covariance (n, 3, 3) whose 95 % ellipsoid holds 95 % of what is left (n, k, 3), weighted.

    Few odd ones among many alike swell a plain covariance, though they lie beyond 95 %.
    """
    share = weight / weight.sum(axis=1, keepdims=True)
    plain = np.swapaxes(left * share[..., None], 1, 2) @ left + LEAST_SCATTER**2 * np.eye(3)
    square = (left @ np.linalg.inv(plain) * left).sum(axis=2)
    order = np.argsort(square, axis=1)
    within = np.cumsum(np.take_along_axis(share, order, axis=1), axis=1)
    last = np.argmax(within >= COVERAGE, axis=1)[:, None]
    reach = np.take_along_axis(np.take_along_axis(square, order, axis=1), last, axis=1)
    return np.asarray(plain * (reach / REACH_SQUARE)[..., None])


def regress_hair(prior: Prior, lab: Floats, camera: Floats) -> HairRegression:
    """The regression for one camera and light.

    Parameters
    ----------
    prior : Prior
        Its virtual hair, and what each counts.
    lab : ndarray, shape (m, 3)
        The hair's L*a*b*.
    camera : ndarray, shape (q, 3)
        Balanced sensitivity x light in the basis.
    """
    root = roots(prior.hair @ camera)
    design = cubic(root)
    weighted = design.T * prior.odds
    normal = weighted @ design + RIDGE * np.eye(design.shape[1])
    coefficients = np.asarray(np.linalg.solve(normal, weighted @ lab), np.float64)
    return HairRegression(
        root=root,
        hair=prior.hair,
        odds=prior.odds,
        rare_odds=prior.rare_odds,
        rest=lab - design @ coefficients,
        coefficients=coefficients,
    )


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
        return np.asarray(lab + self._spread(around).draws(self.scatter))

    def hair_spread(self, linear: ArrayLike) -> HairSpread | None:
        """How far hair of one response differs, at linear light (n, 3)."""
        light = np.asarray(linear, np.float64)
        return self._spread(self.regression.around(self._corrected(light)))

    def _spread(self, around: LocalFit) -> HairSpread:
        values, vectors = np.linalg.eigh(SCATTER * around.scatter + 1e-6 * np.eye(3))
        root = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.swapaxes(-1, -2)
        return HairSpread(at=self.regression.cubic_lab(around.root) + around.shift, root=root)


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
    left[data.number], fitted[data.number] = posterior.left_out, posterior.residual
    left[~reading.usable] = fitted[~reading.usable] = np.nan  # burnt ones were not read
    to_xyz = np.linalg.lstsq(data.shapes @ model.best.camera, known[data.number], rcond=None)[0]
    lab = xyz_to_lab(known, white=white)
    read = [
        xyz_to_lab(np.maximum(known + gap @ to_xyz, MIN_XYZ), white=white) for gap in (fitted, left)
    ]
    return Calibration(
        model=model,
        method="level 2",
        reference=reading.reference.name,
        viewing=viewing,
        residual=delta_e(lab, read[0]),
        held_out=delta_e(lab, read[1]),
        missed=missed_along(lab, read[1]),
        chart_light=model.linear(reading.encoded[reading.usable]),
        facts=_facts(model, posterior),
    )


def _model(
    posterior: Posterior, data: PatchData, prior: Prior, *, viewing: Viewing, seed: int
) -> Level2Model:
    """Virtual hair under the posterior, and its draws."""
    terms = 0 if data.is_linear else tone.TERMS
    best = _unknowns(posterior.share @ posterior.mean, data, terms)
    shaken = Shaken(seed)
    field = draw_field(shaken, length=FIELD_LENGTH, draws=DRAWS, share=SHARED, part=2)
    drawn, field_sd, draw_weights = posterior.sample(field, shaken, draws=DRAWS, terms=terms)
    draws = _unknowns(drawn, data, terms)
    off = 1 + FLARE_SD * shaken.normal(DRAWS, 1, share=VEIL, part=13)
    level = LEVEL_SD[data.is_linear] * shaken.normal(DRAWS, share=LIGHT[data.is_linear], part=14)
    xyz = np.maximum(prior.true_hair @ prior.xyz_weights(viewing), MIN_XYZ)
    lab = xyz_to_lab(100 * xyz, white=viewing.white)
    return Level2Model(
        posterior=posterior,
        best=best,
        draws=Unknowns(
            curve=draws.curve, scale=draws.scale, camera=draws.camera, flare=draws.flare * off
        ),
        regression=regress_hair(prior, lab, best.camera),
        weights=posterior.field_weights,
        draw_weights=draw_weights,
        field_sd=field_sd,
        field=field,
        scatter=photo_field(DRAWS),
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

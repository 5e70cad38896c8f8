"""Calibration and light field of one photo, solved together: tone, light, tone again.

Level 1, level 2 or, for encoded photos, their average is taken, by what held-out patches say of
each: their errors differ, so that the mean has less of both. Averaging takes errors of tone and
look out, which RAW has none of: there level 2 stands alone. The result is then judged by its
residuals, the grey row and the look of the picture.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.calibration.field import HairSpread
from hairtone.calibration.level1 import Level1Model, fit_level1
from hairtone.calibration.level2 import Level2Model, fit_level2
from hairtone.calibration.light import fit_light_field, unknown_light
from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import Floats, Viewing
from hairtone.errors import CalibrationError, Flag
from hairtone.locations import read_limits
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo
from hairtone.uncertainty import DRAWS

# factor on the averaged deviations, as the two levels share errors; by coverage
COMMON: Final = 1.1
SHARE: Final = 0.75  # of level 2 in the average; from simulated photos
MAX_HELD_OUT_RATIO: Final = (
    1.2  # level 2 is left out where its held-out error is this much larger; our choice
)
POOR: Final = 8.0  # level 1 is left out above this held-out ΔE00, if level 2 does better; ours
SAMPLE = 50_000  # pixels looked at for the darkest; our choice, speed
# growth of the chart's held-out error by the light field: up to the first all of the field is
# believed, from the second on none, between them a part; our choice
HELD_OUT_RATIO_LIMITS: Final = (1.05, 1.25)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AverageModel:
    """Codes -> L*a*b* by both levels; see `types.ColourModel`.

    Attributes
    ----------
    level1 : Level1Model
        By tone and 3 x 3.
    level2 : Level2Model
        By virtual hair; its light is the one handed on.
    share : float
        Weight of level 2, 0..1.
    """

    level1: Level1Model
    level2: Level2Model
    share: float

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear light, flare off, of encoded values, shape (n, 3); a perfect white is 1, 1, 1."""
        return self.level2.linear(encoded)

    def encoded(self, linear: ArrayLike) -> Floats:
        """Encoded values of linear light: the inverse of `linear`."""
        return self.level2.encoded(linear)

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light, shape (n, 3)."""
        first = self.level1.lab(self._as_level1(linear))
        return np.asarray(self.share * self.level2.lab(linear) + (1 - self.share) * first)

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light (n, 3) or (K, n, 3) in each of K calibrations, (K, n, 3)."""
        light = np.asarray(linear, np.float64)
        middle = self.lab(light if light.ndim == 2 else light.mean(axis=0))
        first = self.level1.lab_draws(self._as_level1(light))
        both = self.share * self.level2.lab_draws(light) + (1 - self.share) * first
        return np.asarray(middle + COMMON * (both - middle))

    def hair_spread(self, linear: ArrayLike) -> HairSpread | None:
        """How far hair of one response differs, at linear light (n, 3), in the average."""
        own = self.level2.hair_spread(linear)
        return None if own is None else own.times(COMMON * self.share)

    def _as_level1(self, linear: ArrayLike) -> Floats:
        """The light that level 1 reads from the same encoded values."""
        return self.level1.linear(self.level2.encoded(linear))


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
    if errors[1] > MAX_HELD_OUT_RATIO * errors[0]:
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
                says=f"The chart is matched no better than to {residual:.1f} ΔE₀₀ "
                f"(flagged above {limits['flag_residual']:.0f}).",
                remedy="Avoid coloured lamps, filters and HDR; use the camera's plain mode or RAW.",
            )
        )
    darkest = darkest_value(photo)
    if not photo.encoding.is_linear and darkest > limits["flag_faded_black"]:
        flags.append(_faded(darkest, limits["flag_faded_black"]))
    return dataclasses.replace(calibration, flags=calibration.flags + tuple(flags))


def darkest_value(photo: Photo) -> float:
    """Return the encoded value below which the darkest thousandth of the photo lies, 0..1."""
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
    low, high = HELD_OUT_RATIO_LIMITS
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

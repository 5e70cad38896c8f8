"""Tresses of known colour in the frame sharpen a calibration [ours].

The draws of a calibration say how its error at one colour goes with its error at another. A tress
whose L*a*b* is known shows the error at its own colour; the draws carry that to every other
colour, as far as they go together (linear updating of an ensemble).

References
----------
.. [1] G. Evensen, J. Geophys. Res. 99 (1994) 10143, doi:10.1029/94JC00572: ensemble updating,
   with perturbed observations as in G. Burgers et al., Mon. Weather Rev. 126 (1998) 1719.
   From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.calibration.field import HairSpread
from hairtone.calibration.types import Calibration, ColourModel
from hairtone.colorimetry import Floats, delta_e, delta_e_metric
from hairtone.errors import Flag
from hairtone.uncertainty import spread_u95

U95_OF_SD: Final = 2.796  # radius that holds 95 % of a round 3-D normal; sqrt(7.815), chi-square
CHUNK: Final = 500  # colours looked up at a time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharpenedModel:
    """A calibration that has been shown tresses of known colour; see `types.ColourModel`.

    Attributes
    ----------
    base : ColourModel
        The calibration by the chart.
    away : ndarray, shape (K, 3m)
        Draws of the base model at the known tresses, less its answer.
    pull, draw_pull : ndarray, shape (3m,) and (K, 3m)
        What the known colours say against the base model, weighted; mean and draws.
    """

    base: ColourModel
    away: Floats
    pull: Floats
    draw_pull: Floats

    def linear(self, encoded: ArrayLike) -> Floats:
        """Linear light, flare off, of encoded values, shape (n, 3)."""
        return self.base.linear(encoded)

    def lab(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light, shape (n, 3)."""
        light = np.asarray(linear, np.float64)
        parts = [np.empty((0, 3))]
        for first in range(0, len(light), CHUNK):
            some = light[first : first + CHUNK]
            lab = self.base.lab(some)
            away = self.base.lab_draws(some) - lab
            parts.append(lab + self._carried(away) @ self.pull)
        return np.concatenate(parts)

    def lab_draws(self, linear: ArrayLike) -> Floats:
        """L*a*b* of linear light (n, 3) or (K, n, 3) in each of K calibrations, (K, n, 3)."""
        light = np.asarray(linear, np.float64)
        middle = self.base.lab(light if light.ndim == 2 else light.mean(axis=0))
        draws = self.base.lab_draws(light)
        shift = np.einsum("nim,km->kni", self._carried(draws - middle), self.draw_pull)
        return np.asarray(draws + shift)

    def hair_spread(self, linear: ArrayLike) -> HairSpread | None:
        """Nothing: the known tresses tie hair and camera together."""
        return None

    def _carried(self, away: Floats) -> Floats:
        """Covariance of colours with the known tresses, (K, n, 3) -> (n, 3, 3m)."""
        return np.asarray(np.einsum("kni,km->nim", away, self.away) / len(away))


def sharpen(
    calibration: Calibration, *, linear: ArrayLike, lab: ArrayLike, u95: ArrayLike
) -> Calibration:
    """The calibration after it has been shown tresses of known colour.

    Parameters
    ----------
    calibration : Calibration
        By the chart.
    linear : array_like, shape (m, 3)
        Linear light of the known tresses, the light field divided out.
    lab : array_like, shape (m, 3)
        Their known L*a*b*, for the calibration's viewing.
    u95 : array_like, shape (m,)
        95 % of readings of the known colour lie within this ΔE00 of it, re-laying included.
    """
    places, known = np.asarray(linear, np.float64), np.asarray(lab, np.float64)
    model = calibration.model
    read = model.lab(places)
    draws = model.lab_draws(places)
    away = (draws - read).reshape(len(draws), -1)
    spread = np.asarray(u95, np.float64) / U95_OF_SD
    own = spread[:, None, None] ** 2 * np.linalg.inv(delta_e_metric(known))
    total = away.T @ away / len(away)
    noise = np.zeros_like(total)
    for k, block in enumerate(own):
        noise[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] = block
    rng = np.random.default_rng(len(places))
    shaken = rng.standard_normal(away.shape) @ np.linalg.cholesky(noise).T
    gaps = known.ravel() + shaken - shaken.mean(axis=0) - draws.reshape(away.shape)
    off = delta_e(known, read)
    return replace(
        calibration,
        model=SharpenedModel(
            base=model,
            away=away,
            pull=np.asarray(np.linalg.solve(total + noise, (known - read).ravel()), np.float64),
            draw_pull=np.asarray(np.linalg.solve(total + noise, gaps.T).T, np.float64),
        ),
        facts={**calibration.facts, "known_tresses_off": [round(float(v), 2) for v in off]},
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownTress:
    """A tress of known colour as a photo shows it.

    Attributes
    ----------
    place : int
        Which hair of the photo.
    linear : ndarray, shape (3,)
        Its linear light, the light field divided out.
    lab : tuple of float
        Its known L*a*b*, for the calibration's viewing.
    u95 : float
        95 % of readings of the known colour lie within this ΔE00 of it, re-laying included.
    """

    place: int
    linear: Floats
    lab: tuple[float, float, float]
    u95: float


def sharpen_by_known(calibration: Calibration, tresses: Sequence[KnownTress]) -> Calibration:
    """Return the calibration sharpened by the tresses that agree with it; others are flagged.

    A tress that reads further from its stated colour than both are known to is left out: a wrong
    statement would pull every colour with it. A flag with the figures reports either.

    Parameters
    ----------
    calibration : Calibration
        By the chart.
    tresses : sequence of KnownTress
        Of the same photo.
    """
    used, flags = [], []
    for tress in tresses:
        read = calibration.model.lab(tress.linear[None])
        away = (calibration.model.lab_draws(tress.linear[None]) - read)[:, 0]
        own = spread_u95(read[0], away.T @ away / len(away))
        gap, limit = float(delta_e(tress.lab, read[0])), float(np.hypot(own, tress.u95))
        if gap <= limit:
            used.append(tress)
        flags.append(_flag_of(tress.place, gap, limit))
    if used:
        calibration = sharpen(
            calibration,
            linear=[tress.linear for tress in used],
            lab=[tress.lab for tress in used],
            u95=[tress.u95 for tress in used],
        )
    return replace(calibration, flags=calibration.flags + tuple(flags))


def _flag_of(place: int, gap: float, limit: float) -> Flag:
    agrees = gap <= limit
    end = "It sharpens the calibration." if agrees else "It is not used."
    return Flag(
        code="known-tress" if agrees else "known-tress-off",
        says=f"The tress of known colour (place {place}) reads {gap:.1f} ΔE₀₀ from its stated "
        f"colour; up to {limit:.1f} is expected. {end}",
        remedy="" if agrees else "Look at the light, the chart's edition and the stated colour.",
        is_note=agrees,
    )

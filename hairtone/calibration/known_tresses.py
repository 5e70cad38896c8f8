"""Which tresses of known colour a photo's calibration may be sharpened by, and what is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hairtone.calibration.known import sharpen
from hairtone.calibration.types import Calibration
from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import Flag
from hairtone.uncertainty import spread_u95


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
    """The calibration after the tresses that it agrees with; those that it does not are doubted.

    A tress that reads further from its stated colour than both are known to is left out: a wrong
    statement would pull every colour with it. Either is told by a flag with the figures.

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
        flags.append(_told(tress.place, gap, limit))
    if used:
        calibration = sharpen(
            calibration,
            linear=[tress.linear for tress in used],
            lab=[tress.lab for tress in used],
            u95=[tress.u95 for tress in used],
        )
    return replace(calibration, flags=calibration.flags + tuple(flags))


def _told(place: int, gap: float, limit: float) -> Flag:
    agrees = gap <= limit
    end = "it sharpens the calibration." if agrees else "it is not used."
    return Flag(
        code="known-tress" if agrees else "known-tress-off",
        says=f"The tress of known colour (place {place}) reads {gap:.1f} ΔE₀₀ from it, "
        f"{limit:.1f} is what both are known to: {end}",
        remedy="" if agrees else "Look at the light, the chart's edition and the stated colour.",
        is_note=agrees,
    )

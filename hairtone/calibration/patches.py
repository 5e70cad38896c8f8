"""The usable patches of a reading, ready for the camera-and-light posterior."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration import tone
from hairtone.calibration.prior import Prior
from hairtone.chart.types import GREYS, PATCHES, ChartReading
from hairtone.colorimetry import Floats

CLIPPED: Final = (0.02, 0.985)  # encoded values beyond say little of the light; our choice
PALE: Final = 4  # lightest greys that set the scale; our choice
LEAST_LIGHT: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchData:
    """The usable patches.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Which patches of the chart they are.
    encoded : ndarray, shape (n, 3)
        Readings.
    variance : ndarray, shape (n, 3)
        Of the readings.
    shapes : ndarray, shape (n, q)
        Reflectances in the prior's basis.
    light : ndarray, shape (n,)
        Relative light on each.
    place : ndarray, shape (n, 2)
        Column and row on the chart, -0.5 … 0.5.
    pale : ndarray of int, shape (m,)
        Which of them are the pale greys that set the scale.
    pale_light : ndarray, shape (m,)
        Their known luminance factors times the light on them.
    is_linear : bool
        RAW: no tone curve.
    """

    number: NDArray[np.int64]
    encoded: Floats
    variance: Floats
    shapes: Floats
    light: Floats
    place: Floats
    pale: NDArray[np.int64]
    pale_light: Floats
    is_linear: bool

    @property
    def is_clear(self) -> NDArray[np.bool_]:
        """Channels whose reading is off both ends of the scale, shape (n, 3)."""
        if self.is_linear:
            return np.ones(self.encoded.shape, bool)
        return np.asarray((self.encoded > CLIPPED[0]) & (self.encoded < CLIPPED[1]))

    def scale(self, curve: Floats) -> Floats:
        """Decoded light of a perfect white under tone (…, 4 or 0), shape (…, 3)."""
        pale = self.encoded[self.pale]
        if not self.is_linear:
            pale = tone.decode(pale, curve[..., None, None, :])
        ratio = np.log(np.maximum(pale, LEAST_LIGHT) / self.pale_light[:, None]).mean(axis=-2)
        return np.broadcast_to(np.exp(ratio), (*curve.shape[:-1], 3))

    def balanced(self, curve: Floats) -> tuple[Floats, Floats, Floats]:
        """Light of the patches under tone (…, 4 or 0), a perfect white reading 1.

        Returns
        -------
        light, slope : ndarray, shape (…, n, 3)
            Balanced light, and its slope over the encoded value.
        bends : ndarray, shape (…, n, 3, 4 or 0)
            Its slopes over the tone coefficients, the balance held.
        """
        whole = self.scale(curve)[..., None, :] * self.light[:, None]
        if self.is_linear:
            return self.encoded / whole, 1 / whole + 0 * self.encoded, np.empty((*whole.shape, 0))
        light, slope, bends = tone.decode_with_slopes(self.encoded, curve[..., None, None, :])
        pale = np.maximum(light[..., self.pale, :], LEAST_LIGHT)
        turn = (bends[..., self.pale, :, :] / pale[..., None]).mean(axis=-3)
        balanced = light / whole
        bends = bends / whole[..., None] - balanced[..., None] * turn[..., None, :, :]
        return balanced, slope / whole, bends


def usable_patches(
    reading: ChartReading, prior: Prior, luminance: Floats, light: Floats, *, is_linear: bool
) -> PatchData:
    """The patches of a reading that can be believed.

    Parameters
    ----------
    reading : ChartReading
        All patches.
    prior : Prior
        Its basis is that of `PatchData.shapes`.
    luminance : ndarray, shape (24,)
        Known luminance factors of the patches.
    light : ndarray, shape (24,)
        Relative light on each patch.
    is_linear : bool
        RAW.
    """
    used = np.flatnonzero(reading.usable)
    shapes = prior.in_basis(reading.reference.reflectance, reading.reference.wavelengths)
    number = np.arange(PATCHES)
    place = np.stack([number % 6 / 5 - 0.5, number // 6 / 3 - 0.5], axis=1)
    pale = np.array([patch for patch in GREYS if reading.usable[patch]][:PALE])
    return PatchData(
        number=used,
        encoded=np.asarray(reading.encoded, np.float64)[used],
        variance=np.diagonal(reading.covariance, axis1=-2, axis2=-1)[used],
        shapes=shapes[used],
        light=light[used],
        place=place[used],
        pale=np.searchsorted(used, pale),
        pale_light=luminance[pale] * light[pale],
        is_linear=is_linear,
    )

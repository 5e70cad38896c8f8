"""What cameras, lights and hair can be like, as ``calibration/make_prior.py`` left it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from hairtone.colorimetry import Floats, Viewing
from hairtone.locations import reference_path
from hairtone.spectra.viewing import viewing_wavelengths, viewing_weights


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior:
    """Cameras under lights, and hair, in the few spectral shapes that matter.

    Attributes
    ----------
    basis : ndarray, shape (81, q)
        Orthonormal spectral shapes.
    mean : ndarray, shape (3q,)
        Balanced sensitivity x light in the basis, red, green, blue one after the other.
    covariance : ndarray, shape (3q, 3q)
        Of that.
    hair, true_hair : ndarray, shape (n, q)
        Virtual hair in the basis: as cameras see it under some light, and in daylight, which is
        another thing where it fluoresces.
    odds, rare_odds : ndarray, shape (n,)
        How much each counts in the mean, which is that of common kinds, and in the spread about
        it, which has to hold rare kinds too.
    """

    basis: Floats
    mean: Floats
    covariance: Floats
    hair: Floats
    true_hair: Floats
    odds: Floats
    rare_odds: Floats

    def in_basis(self, reflectance: Floats, wavelengths: Floats) -> Floats:
        """Reflectances (n, m) in the spectral shapes, (n, q)."""
        grid = viewing_wavelengths()
        if not np.array_equal(wavelengths, grid):
            reflectance = np.stack([np.interp(grid, wavelengths, row) for row in reflectance])
        return np.asarray(reflectance @ self.basis)

    def xyz_weights(self, viewing: Viewing) -> Floats:
        """Weights from the spectral shapes to XYZ, shape (q, 3), white Y = 1."""
        return np.asarray(self.basis.T @ viewing_weights(viewing))


@cache
def load_prior(*, is_linear: bool) -> Prior:
    """The prior for RAW (`is_linear`) or for encoded photos."""
    kind = "raw" if is_linear else "encoded"
    with np.load(reference_path("prior.npz")) as file:
        return Prior(
            basis=file["basis"].astype(np.float64),
            mean=file[f"{kind}_mean"].astype(np.float64),
            covariance=file[f"{kind}_covariance"].astype(np.float64),
            hair=file["hair"].astype(np.float64),
            true_hair=file["true_hair"].astype(np.float64),
            odds=file["odds"].astype(np.float64),
            rare_odds=file["rare_odds"].astype(np.float64),
        )

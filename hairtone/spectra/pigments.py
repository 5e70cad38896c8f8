"""How the pigments of hair absorb along the wavelength, and what a thick layer of it reflects.

References
----------
.. [1] S. L. Jacques, Extinction coefficient of melanin (1998): melanosomes absorb as the
   wavelength to the power of -3.33 (fit to one data set) or -3.48 (fit to another).
.. [2] C. Donner, H. W. Jensen, A spectral BSSRDF for shading human skin (2006): eumelanin to the
   power of -3.33, pheomelanin to the power of -4.75. From memory.
.. [3] P. Kubelka, F. Munk, Z. techn. Phys. 12 (1931) 593-601.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.spectra.viewing import viewing_wavelengths

ANCHOR_NM: Final = 550.0  # where the melanins' strength is stated; our choice, mid-spectrum
KERATIN_ANCHOR_NM: Final = 420.0  # where keratin's yellow is stated; our choice
EUMELANIN_POWER: Final = 3.33  # [1], [2]
PHEOMELANIN_POWER: Final = 4.75  # [2]
KERATIN_DECAY_NM: Final = 55.0  # our choice: gone by mid-green, as undyed white hair looks


def melanin_absorption(*, power: float) -> Floats:
    """Absorption of a melanin on the viewing's wavelengths, 1 at 550 nm [1]_ [2]_.

    Parameters
    ----------
    power : float
        Fall with the wavelength: about 3.3 for eumelanin, 4.8 for pheomelanin.
    """
    return np.asarray((viewing_wavelengths() / ANCHOR_NM) ** -power)


def keratin_absorption(*, decay_nm: float = KERATIN_DECAY_NM) -> Floats:
    """Yellow of keratin without melanin, 1 at 420 nm; exponential in the wavelength, our choice."""
    return np.asarray(np.exp(-(viewing_wavelengths() - KERATIN_ANCHOR_NM) / decay_nm))


def dye_absorption(
    *,
    peak_nm: float,
    width_nm: float,
    skew: float = 0.0,
    shoulder: float = 0.0,
    shoulder_offset_nm: float = 40.0,
) -> Floats:
    """Absorption band of a direct dye, 1 at its highest.

    Parameters
    ----------
    peak_nm, width_nm : float
        Main peak and its standard deviation. [nm]
    skew : float, optional
        -1..1; positive: the long-wave side is the broader one.
    shoulder : float, optional
        Height of a second, narrower peak relative to the first.
    shoulder_offset_nm : float, optional
        Where it lies, from the main peak. [nm]
    """
    wavelengths = viewing_wavelengths()
    distance = (wavelengths - peak_nm) / width_nm
    band = np.exp(-0.5 * (distance / (1 + skew * np.tanh(distance))) ** 2)
    second = (wavelengths - peak_nm - shoulder_offset_nm) / (0.7 * width_nm)
    band = band + shoulder * np.exp(-0.5 * second**2)
    return np.asarray(band / band.max())


def thick_layer(absorption: ArrayLike, scattering: ArrayLike) -> Floats:
    """Reflectance of a layer too thick to see through, 0..1 [3]_.

    Parameters
    ----------
    absorption, scattering : array_like
        K and S of Kubelka and Munk, in one unit; the shapes broadcast, S above 0.
    """
    ratio = np.asarray(absorption, np.float64) / np.asarray(scattering, np.float64)
    # the textbook form 1 + q - sqrt(q² + 2q) cancels for dark hair; this one does not
    return np.asarray(1 / (1 + ratio + np.sqrt(ratio * (ratio + 2))))

"""Spectra of lamps and daylight: published ones to learn from, others to render scenes in.

The published illuminants of the CIE (`reference_lights`) may go into a calibration's prior. The
lights that scenes are rendered in (`draw_light`) are others: daylight and tungsten of any colour
temperature, published lamps outside the CIE's list, white LEDs of our own making.

References
----------
.. [1] CIE 15:2018, Colorimetry: illuminants A, D, FL, HP, LED, ID; as carried by colour-science.
.. [2] NIST colour-quality-scale lamp spectra, as carried by colour-science.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.spectra.viewing import quiet_colour, viewing_wavelengths

LIGHT_FAMILIES: Final = ("daylight", "tungsten", "fluorescent", "white LED")
SECOND_RADIATION: Final = 1.4388e7  # c2 of Planck's law. [nm K]; CIE 15:2018, A and D tables

_REFERENCE: Final = {  # keys of colour-science's illuminants, by family
    "daylight": ("D50", "D55", "D60", "D65", "D75", "C", "ID50", "ID65"),
    "tungsten": ("A", "B"),
    "fluorescent": (
        *(f"FL{k}" for k in range(1, 13)),
        *(f"FL3.{k}" for k in range(1, 16)),
        *(f"HP{k}" for k in range(2, 6)),
    ),
    "white LED": (
        *(f"LED-B{k}" for k in range(1, 6)),
        "LED-BH1", "LED-V1", "LED-V2", "LED-RGB1",
    ),
}  # fmt: skip
_LAMPS: Final = {  # keys of colour-science's light sources, outside the CIE's list
    "fluorescent": (
        "Natural", "Cool White FL", "Daylight FL", "Triphosphor FL", "F32T8/TL830 (Triphosphor)",
        "F32T8/TL841 (Triphosphor)", "F32T8/TL850 (Triphosphor)", "F40/C50 (Broadband FL)",
        "F40/CWX (Broadband FL)", "F40/N (Natural FL)", "F34T12WW/RS/EW (Warm White FL)",
    ),
    "white LED": ("PHOS-1", "PHOS-2", "PHOS-3", "PHOS-4", "Phosphor LED YAG"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """A light, relative.

    Attributes
    ----------
    name : str
        What it is.
    family : str
        One of `LIGHT_FAMILIES`.
    spectrum : ndarray, shape (81,)
        Relative power on `viewing_wavelengths()`, mean 1.
    """

    name: str
    family: str
    spectrum: Floats


@cache
def reference_lights() -> tuple[Light, ...]:
    """The CIE's illuminants, by family [1]_; what a calibration may learn from."""
    spectra = quiet_colour().SDS_ILLUMINANTS
    return tuple(
        _light(f"CIE {key}", family, _sampled(spectra[key]))
        for family, keys in _REFERENCE.items()
        for key in keys
    )


@cache
def lamp_lights() -> tuple[Light, ...]:
    """Published lamps outside the CIE's list [2]_; none of them is a reference light."""
    spectra = quiet_colour().SDS_LIGHT_SOURCES
    return tuple(
        _light(f"{family} lamp {number}", family, _sampled(spectra[key]))
        for family, keys in _LAMPS.items()
        for number, key in enumerate(keys, start=1)
    )


def reference_light(name: str) -> Light:
    """The illuminant of that name, such as ``"CIE D65"``.

    Raises
    ------
    ValueError
        No such illuminant; the message lists those there are.
    """
    for light in reference_lights():
        if light.name == name:
            return light
    known = ", ".join(light.name for light in reference_lights())
    raise ValueError(f"Light {name!r} is not known. Choose one of {known}.")


def daylight(temperature_k: float) -> Light:
    """Daylight of that correlated colour temperature, 4000 to 25000 K [1]_."""
    colour = quiet_colour()
    chromaticity = colour.temperature.CCT_to_xy_CIE_D(temperature_k)
    spectrum = _sampled(colour.sd_CIE_illuminant_D_series(chromaticity))
    return _light(f"daylight {temperature_k:.0f} K", "daylight", spectrum)


def tungsten(temperature_k: float) -> Light:
    """A glowing filament of that temperature, by Planck's law."""
    wavelengths = viewing_wavelengths()
    power = wavelengths**-5.0 / np.expm1(SECOND_RADIATION / (wavelengths * temperature_k))
    return _light(f"tungsten {temperature_k:.0f} K", "tungsten", power)


def white_led(*, blue_nm: float, phosphor_nm: float, blue_share: float, width_nm: float) -> Light:
    """A blue diode under a phosphor, our own shape: a narrow and a skewed broad band.

    Parameters
    ----------
    blue_nm, phosphor_nm : float
        Peaks of the diode and of the phosphor. [nm]
    blue_share : float
        Height of the diode's peak against the phosphor's.
    width_nm : float
        Standard deviation of the phosphor's band on its short side. [nm]
    """
    distance = viewing_wavelengths() - blue_nm
    diode = blue_share * np.exp(-0.5 * (distance / np.where(distance > 0, 12.0, 9.0)) ** 2)
    distance = viewing_wavelengths() - phosphor_nm
    width = np.where(distance > 0, 1.45 * width_nm, width_nm)
    return _light(
        f"white LED {blue_nm:.0f} + {phosphor_nm:.0f} nm",
        "white LED",
        diode + np.exp(-0.5 * (distance / width) ** 2),
    )


def draw_light(family: str, *, seed: int) -> Light:
    """A light to render a scene in, of that family; never one of `reference_lights`.

    Parameters
    ----------
    family : str
        One of `LIGHT_FAMILIES`.
    seed : int
        Of the draw.
    """
    rng = np.random.default_rng(seed)
    if family == "daylight":
        light = daylight(rng.uniform(4300.0, 7600.0))
    elif family == "tungsten":
        light = tungsten(rng.uniform(2650.0, 3350.0))
    elif family == "white LED" and rng.random() < 0.6:
        light = white_led(
            blue_nm=rng.uniform(444.0, 462.0),
            phosphor_nm=rng.uniform(548.0, 592.0),
            blue_share=rng.uniform(0.45, 1.5),
            width_nm=rng.uniform(38.0, 52.0),
        )
    elif family in _LAMPS:
        lamps = [lamp for lamp in lamp_lights() if lamp.family == family]
        light = lamps[rng.integers(len(lamps))]
    else:
        raise ValueError(f"Light family {family!r} is not known. Choose from {LIGHT_FAMILIES}.")
    # walls, diffusers and lamp age colour every light a little; our choice: 4 % end to end
    slope = (viewing_wavelengths() / 560.0) ** rng.normal(0.0, 0.1)
    return _light(light.name, light.family, light.spectrum * slope)


def _light(name: str, family: str, spectrum: Floats) -> Light:
    spectrum = np.asarray(spectrum / spectrum.mean(), np.float64)
    spectrum.flags.writeable = False
    return Light(name=name, family=family, spectrum=spectrum)


def _sampled(distribution: Any) -> Floats:
    """A distribution of colour-science on our wavelengths.

    Where it is tabulated more finely than every 5 nm, each value is the mean over 5 nm, so that
    spectral lines keep their power.
    """
    known = np.asarray(distribution.wavelengths, np.float64)
    values = np.asarray(distribution.values, np.float64)
    grid = viewing_wavelengths()
    step = grid[1] - grid[0]
    if known[1] - known[0] >= step:
        return np.interp(grid, known, values)
    fine = np.arange(grid[0] - step / 2, grid[-1] + step / 2 + 0.25, 0.5)
    area = np.concatenate([[0.0], np.cumsum(_trapezium(np.interp(fine, known, values)))])
    edges = np.interp(np.append(grid - step / 2, grid[-1] + step / 2), fine, area)
    return np.diff(edges)


def _trapezium(values: Floats) -> Floats:
    return (values[1:] + values[:-1]) / 2

"""Pigments and thick layers, against published figures and the differential equations."""

import numpy as np
import pytest
from published import shared_folder
from scipy.integrate import solve_bvp

from hairtone.spectra.hair import (
    dye_absorption,
    keratin_absorption,
    melanin_absorption,
    thick_layer,
)
from hairtone.spectra.viewing import viewing_wavelengths


def test_thick_layer_agrees_with_the_textbook_form_solved_for_absorption():
    """Kubelka and Munk 1931: K/S = (1 - R)² / 2R for the layer one cannot see through."""
    reflectance = np.linspace(0.005, 1.0, 400)

    found = thick_layer((1 - reflectance) ** 2 / (2 * reflectance), 1.0)

    assert found == pytest.approx(reflectance, rel=1e-12)  # a handful of float64 roundings


@pytest.mark.parametrize(("absorption", "scattering"), [(0.05, 1.0), (0.8, 1.0), (3.0, 2.0)])
def test_thick_layer_agrees_with_the_two_flux_equations_and_loses_no_light(absorption, scattering):
    """The two fluxes integrated over a deep layer: reflected = closed form, rest absorbed.

    di/dz = -(K + S)i + S·j, dj/dz = (K + S)j - S·i, black behind. Tolerance: the solver's 1e-6,
    ten times over; the layer passes less than e^-15 of the light.
    """
    depth = 15 / np.sqrt(absorption * (absorption + 2 * scattering))

    def fluxes(_z, y):
        both = absorption + scattering
        return np.stack([-both * y[0] + scattering * y[1], both * y[1] - scattering * y[0]])

    def ends(top, bottom):
        return np.array([top[0] - 1, bottom[1]])

    z = np.linspace(0, depth, 400)
    start = np.stack([np.exp(-z), 0.5 * np.exp(-z)])
    solved = solve_bvp(fluxes, ends, z, start, tol=1e-6, max_nodes=100_000)
    fine = np.linspace(0, depth, 20_001)
    absorbed = absorption * np.trapezoid(solved.sol(fine).sum(axis=0), fine)
    reflected = solved.sol(0.0)[1]

    assert solved.success
    assert thick_layer(absorption, scattering) == pytest.approx(reflected, abs=1e-5)
    assert reflected + absorbed == pytest.approx(1.0, abs=1e-5)


def test_a_layer_without_pigment_gives_all_light_back():
    assert thick_layer(0.0, 1.0) == 1.0


def test_eumelanin_falls_as_the_published_melanosome_absorption():
    """Jacques 1998, 6.6e11 · nm^-3.33 per cm, as tabled; ratios to 550 nm between rows.

    Tolerance: the table prints three decimals of hundreds.
    """
    path = shared_folder("science", "published", "melanosome_mua_per_cm.csv")
    table = np.genfromtxt(path, delimiter=",", skip_header=1)
    found = np.interp(table[:, 0], viewing_wavelengths(), melanin_absorption(power=3.33))
    inside = (table[:, 0] >= 400) & (table[:, 0] <= 700) & (table[:, 0] % 5 == 0)

    at_550 = 6.6e11 * 550.0**-3.33
    assert inside.sum() > 10
    assert found[inside] == pytest.approx(table[inside, 3] / at_550, rel=1e-5)


def test_every_band_is_one_at_its_anchor():
    grid = viewing_wavelengths()
    band = dye_absorption(peak_nm=505.0, width_nm=40.0, skew=0.2)

    assert melanin_absorption(power=4.75)[grid == 550] == pytest.approx(1.0)
    assert keratin_absorption()[grid == 420] == pytest.approx(1.0)
    assert band.max() == 1.0
    assert grid[band.argmax()] == 505.0
    assert band.min() >= 0

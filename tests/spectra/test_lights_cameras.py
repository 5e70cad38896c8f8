"""Lights and cameras, against published illuminants and colour temperatures."""

import numpy as np
import pytest

from hairtone.spectra.cameras import draw_basis_camera, draw_scene_camera, measured_cameras
from hairtone.spectra.lights import (
    LIGHT_FAMILIES,
    daylight,
    draw_light,
    lamp_lights,
    reference_light,
    reference_lights,
    tungsten,
)
from hairtone.spectra.viewing import quiet_colour, viewing_wavelengths


def chromaticity(spectrum):
    """x, y for the 2 degree observer, by colour-science's own tables."""
    observer = quiet_colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    grid = viewing_wavelengths()
    xyz = [
        spectrum @ np.interp(grid, observer.wavelengths, observer.values[:, k]) for k in range(3)
    ]
    return np.array(xyz[:2]) / sum(xyz)


@pytest.mark.parametrize(
    ("name", "x", "y"),
    [
        ("CIE A", 0.44757, 0.40745),
        ("CIE D50", 0.34567, 0.35850),
        ("CIE D65", 0.31272, 0.32903),
        ("CIE FL2", 0.3721, 0.3751),
        ("CIE FL11", 0.3805, 0.3769),
        ("CIE LED-B3", 0.3756, 0.3723),
    ],
)
def test_reference_lights_have_their_published_chromaticity(name, x, y):
    """CIE 15:2018, Tables T.3 and 11 to 13.

    Tolerance: 0.001, for 5 nm steps and the ends at 380 and 780 nm; seven times less than the
    distance from D65 to D60.
    """
    assert chromaticity(reference_light(name).spectrum) == pytest.approx((x, y), abs=1e-3)


def test_daylight_of_6504_k_is_d65():
    """CIE 15:2018, 4.1.2: D65 is the daylight of 6504 K (c2 = 1.4388). Tolerance as above."""
    assert chromaticity(daylight(6504.0).spectrum) == pytest.approx((0.31272, 0.32903), abs=1e-3)


def test_tungsten_of_2856_k_is_illuminant_a():
    """CIE 15:2018: A is a Planckian radiator near 2856 K. Spectrum to 0.5 %."""
    found = tungsten(2855.5).spectrum  # A's c2 = 14350, ours 14388: the same curve at 2848·c2
    assert found == pytest.approx(reference_light("CIE A").spectrum, rel=5e-3)


def test_no_scene_light_is_a_reference_light():
    known = np.stack([light.spectrum for light in reference_lights()])

    for family in LIGHT_FAMILIES:
        for seed in range(8):
            drawn = draw_light(family, seed=seed)
            assert drawn.family == family
            assert drawn.spectrum.mean() == pytest.approx(1.0, rel=0.05)
            assert (np.abs(known - drawn.spectrum).max(axis=1) > 1e-3).all()


def test_scenes_have_many_lights():
    names = {draw_light(f, seed=s).name for f in LIGHT_FAMILIES for s in range(30)}

    assert len(names) >= 40
    assert len(lamp_lights()) >= 15


def test_an_unknown_light_is_a_slip():
    with pytest.raises(ValueError, match="candle"):
        draw_light("candle", seed=0)
    with pytest.raises(ValueError, match="Choose one of CIE D50"):
        reference_light("CIE D17")


@pytest.mark.parametrize("draw", [draw_basis_camera, draw_scene_camera])
def test_drawn_cameras_see_red_green_and_blue_in_that_order(draw):
    grid = viewing_wavelengths()

    for seed in range(25):
        channels = draw(seed=seed).sensitivities
        middles = (channels * grid).sum(axis=1) / channels.sum(axis=1)
        assert channels.shape == (3, 81)
        assert channels.min() >= 0
        assert channels.max(axis=1) == pytest.approx(np.ones(3))
        assert middles[0] > middles[1] > middles[2]


def test_scene_cameras_lie_outside_the_basis():
    """A scene's camera is no mixture of the six published curves: misfit over 2 % of its peak."""
    basis = np.asarray(quiet_colour().recovery.BASIS_FUNCTIONS_DYER2017)
    inside = np.isin(viewing_wavelengths(), np.arange(400.0, 701.0, 10.0))
    misfits = []
    for seed in range(12):
        green = draw_scene_camera(seed=seed).sensitivities[1][inside]
        weights = np.linalg.lstsq(basis[:, :, 1].T, green, rcond=None)[0]
        misfits.append(np.abs(weights @ basis[:, :, 1] - green).max())

    assert np.median(misfits) > 0.02


def test_cameras_repeat_by_seed_and_cannot_be_changed():
    first, again = draw_scene_camera(seed=3), draw_scene_camera(seed=3)

    assert np.array_equal(first.sensitivities, again.sensitivities)
    with pytest.raises(ValueError, match="read-only"):
        first.sensitivities[0, 0] = 1.0


def test_measured_cameras_carry_no_make():
    names = [camera.name for camera in measured_cameras()]

    assert names == [f"measured {k + 1}" for k in range(len(names))]
    assert len(names) >= 2

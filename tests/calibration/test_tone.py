"""The tone series: inverse, slopes, and that it always rises."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hairtone.calibration import tone
from hairtone.colorimetry import decode_srgb, lab_to_xyz, xyz_to_lab

CURVES = [(0.0, 0.0, 0.0, 0.0), (0.12, -0.08, 0.02, 0.01), (-0.1, 0.06, 0.0, -0.01)]


def test_a_series_of_zeros_is_cie_lightness():
    """L*/100 = v; both sides from ISO/CIE 11664-4, so only rounding may differ."""
    fraction = np.linspace(0, 1, 21)
    lab = np.stack([100 * fraction, 0 * fraction, 0 * fraction], axis=1)

    assert tone.decode(fraction, np.zeros(4)) == pytest.approx(
        lab_to_xyz(lab, white=[1, 1, 1])[:, 1], abs=1e-12
    )


@pytest.mark.parametrize("law", [decode_srgb, lambda v: v**2.2], ids=["sRGB", "power 2.2"])
def test_plain_curves_are_within_the_prior(law):
    """Above L* 17 they are given to one L* unit, each coefficient within two prior SDs."""
    values = np.linspace(0.17, 1, 200)
    xyz = law(values)[:, None] * np.full(3, 100.0)
    lightness = xyz_to_lab(xyz, white=[100, 100, 100])[:, 0]
    found = np.linalg.lstsq(tone.waves(values), lightness / 100 - values, rcond=None)[0]

    again = 100 * (values + tone.waves(values) @ found)
    assert np.abs(again - lightness).max() < 1  # L*; about what an eye can tell
    assert (np.abs(found) < 2 * np.array(tone.PRIOR_SD)).all()


@pytest.mark.parametrize("curve", CURVES)
def test_encoding_undoes_decoding(curve):
    """1e-6: straight lines between 2401 places of a curve bent by less than 10."""
    curve = tone.keep_rising(curve)
    values = np.linspace(0, 1, 101)

    assert tone.encode(tone.decode(values, curve), curve) == pytest.approx(values, abs=1e-5)


@pytest.mark.parametrize("curve", CURVES)
def test_slopes_agree_with_differences(curve):
    """Central differences of step 1e-5, away from the knee of CIE lightness at 8."""
    values, step = np.linspace(0.12, 0.95, 31), 1e-5
    curve = np.array(curve)
    _, slope, bends = tone.decode_with_slopes(values, curve)

    rise = (tone.decode(values + step, curve) - tone.decode(values - step, curve)) / (2 * step)
    assert slope == pytest.approx(rise, abs=1e-6)
    for k, move in enumerate(np.eye(4) * step):
        rise = (tone.decode(values, curve + move) - tone.decode(values, curve - move)) / (2 * step)
        assert bends[:, k] == pytest.approx(rise, abs=1e-6)


@given(st.lists(st.floats(-0.5, 0.5), min_size=4, max_size=4))
def test_every_curve_rises_once_kept_so(curve):
    kept = tone.keep_rising(curve)

    assert (np.diff(tone.decode(np.linspace(0, 1, 301), kept)) > 0).all()


def test_a_curve_that_rises_is_left_alone():
    assert tone.keep_rising([0.05, -0.04, 0.01, 0.0]) == pytest.approx([0.05, -0.04, 0.01, 0.0])


def test_the_curve_runs_on_straight_beyond_the_scale():
    """Wider encodings give values under 0 and above 1; they come back as they went."""
    values = np.array([-0.08, -0.01, 1.01, 1.08])
    curve = np.array([0.05, -0.04, 0.01, 0.0])

    light = tone.decode(values, curve)

    assert tone.encode(light, curve) == pytest.approx(values, abs=1e-5)
    assert light == pytest.approx(tone.decode(values, np.zeros(4)))

"""Level 1: exact where a camera is what the model says, honest where it is not."""

import dataclasses

import numpy as np
import pytest
from bench.readings import CAREFUL, shoot
from calibration.shots import REFERENCE, VIEWING, ideal_light, ideal_reading

from hairtone.calibration import tone
from hairtone.calibration.level1 import fit_level1
from hairtone.chart.types import GREYS
from hairtone.colorimetry import delta_e, lab_to_xyz, xyz_to_lab

CURVE = tone.keep_rising([0.06, -0.05, 0.01, 0.004])
FLAT = np.zeros(4)


@pytest.fixture(scope="module")
def shots():
    return [shoot(seed, care=CAREFUL) for seed in range(24)]


@pytest.fixture(scope="module")
def fits(shots):
    return [fit_level1(shot.reading, viewing=VIEWING) for shot in shots]


def test_an_ideal_camera_is_recovered():
    """0.1 ΔE00, a tenth of what an eye can tell: the pulls of the prior stay under it."""
    found = fit_level1(ideal_reading(FLAT), viewing=VIEWING)

    assert np.nanmax(found.residual) < 0.1
    assert np.nanmax(found.held_out) < 0.2


def test_a_raw_reading_needs_no_tone():
    linear = 0.6 * ideal_light(REFERENCE.xyz(VIEWING))
    reading = dataclasses.replace(ideal_reading(FLAT), encoded=linear)

    found = fit_level1(reading, viewing=VIEWING, is_linear=True)

    assert np.nanmax(found.residual) < 0.05
    assert found.facts["tone"] == []


def test_a_tone_curve_is_undone():
    """Colours that the chart does not hold come out right through a bent tone curve.

    0.5 ΔE00: the tone is pulled to what the grey row alone gives, as real charts ask for.
    """
    lab = np.array([[20.0, 5, 6], [35, 14, 20], [60, 8, 24], [75, 3, 15], [45, 30, 10]])
    light = ideal_light(lab_to_xyz(lab, white=VIEWING.white) / 100)

    model = fit_level1(ideal_reading(CURVE), viewing=VIEWING).model
    read = model.lab(model.linear(tone.encode(0.9 * light, CURVE)))

    assert delta_e(lab, read).max() < 0.5


def test_flare_is_recovered():
    """Two per cent of white, within a fourth: the prior holds flare near 1 %."""
    linear = 0.6 * (ideal_light(REFERENCE.xyz(VIEWING)) + 0.02)
    reading = dataclasses.replace(ideal_reading(FLAT), encoded=linear)

    found = fit_level1(reading, viewing=VIEWING, is_linear=True)

    assert found.facts["flare"] == pytest.approx([0.02] * 3, abs=0.005)


def test_dark_hair_comes_right_through_flare():
    """Flare and the toe of a tone curve look alike; together they are undone to 1 ΔE00.

    The same reading without flare and tone fitted is off by more than 4.
    """
    lab = np.array([[20.0, 5, 6]])
    light = ideal_light(lab_to_xyz(lab, white=VIEWING.white) / 100) + 0.02

    model = fit_level1(ideal_reading(FLAT, flare=0.02), viewing=VIEWING).model
    read = model.lab(model.linear(tone.encode(0.9 * light, FLAT)))

    assert delta_e(lab, read).max() < 1
    left_on = lab_to_xyz(lab, white=VIEWING.white) + 2.0 * np.array(VIEWING.white) / 100
    assert delta_e(lab, xyz_to_lab(left_on, white=VIEWING.white)).max() > 4


def test_the_light_on_the_patches_is_divided_out():
    light = np.linspace(0.8, 1.2, 24)
    reading = ideal_reading(FLAT, exposure=0.75, light=light)

    with_light = fit_level1(reading, viewing=VIEWING, light=light)
    without = fit_level1(reading, viewing=VIEWING)

    assert np.nanmax(with_light.residual) < 0.1
    assert np.nanmean(without.residual) > 1


def test_patches_that_are_not_usable_have_no_say():
    reading = ideal_reading(FLAT)
    encoded = reading.encoded.copy()
    encoded[7] = [0.9, 0.1, 0.1]
    usable = reading.usable.copy()
    usable[7] = False

    found = fit_level1(
        dataclasses.replace(reading, encoded=encoded, usable=usable), viewing=VIEWING
    )

    assert np.isnan(found.residual[7])
    assert np.isnan(found.held_out[7])
    assert np.nanmax(found.residual) < 0.1


def test_held_out_errors_are_larger_than_those_of_the_fit(fits):
    fitted = np.mean([np.nanmean(fit.residual) for fit in fits])
    held_out = np.mean([np.nanmean(fit.held_out) for fit in fits])

    assert held_out > 1.1 * fitted


def test_white_reads_one_and_greys_read_grey():
    model = fit_level1(ideal_reading(CURVE), viewing=VIEWING).model

    greys = model.linear(ideal_reading(CURVE).encoded[list(GREYS)])

    known = REFERENCE.xyz(VIEWING)[list(GREYS)]
    balanced = ideal_light(known)
    level = np.exp(
        np.log(balanced[:4] / known[:4, [1]]).mean(axis=0)
    )  # our greys are not quite grey
    assert greys == pytest.approx(balanced / level, rel=0.02)


def test_linear_light_and_encoded_values_undo_each_other(fits, shots):
    values = shots[0].hair.reshape(-1, 3)

    assert fits[0].model.encoded(fits[0].model.linear(values)) == pytest.approx(values, abs=1e-5)


def test_draws_cover_the_truth(fits, shots):
    """Normal 95 % ellipsoid of the draws; 24 cameras x 15 colours, cameras count: 5 SE = 0.2."""
    inside = []
    for fit, shot in zip(fits, shots, strict=True):
        light = fit.model.linear(shot.hair.reshape(-1, 3))
        inside.append(_inside(fit.model, light, shot.truth.reshape(-1, 3)))

    assert np.mean(inside) > 0.85


def _inside(model, light, truth):
    lab = model.lab(light)
    away = model.lab_draws(light) - lab
    covariance = np.einsum("kni,knj->nij", away, away) / len(away)
    gap = truth - lab
    square = (gap * np.linalg.solve(covariance, gap[..., None])[..., 0]).sum(axis=-1)
    return square < 7.815  # chi-square, 3 degrees of freedom, 95 %: NIST e-Handbook 1.3.6.7.4


def test_near_colours_share_their_error_and_far_ones_do_not(fits):
    near, far = [], []
    for fit in fits[:8]:
        model = fit.model
        draws = model.lab_draws(
            np.array([[0.1, 0.06, 0.04], [0.11, 0.065, 0.043], [0.3, 0.4, 0.6]])
        )
        away = draws - draws.mean(axis=0)
        near.append((away[:, 0] - away[:, 1]).std() / away[:, 0].std())
        far.append((away[:, 0] - away[:, 2]).std() / away[:, 0].std())

    assert np.mean(near) < 0.35
    assert np.mean(far) > 1.0


def test_the_same_reading_gives_the_same_draws(shots):
    light = np.array([[0.1, 0.07, 0.05]])
    first, again = (fit_level1(shots[0].reading, viewing=VIEWING).model for _ in range(2))

    assert np.array_equal(first.lab_draws(light), again.lab_draws(light))


def test_draws_take_a_light_of_their_own(fits):
    light = np.array([[0.1, 0.07, 0.05], [0.3, 0.25, 0.2]])
    model = fits[0].model

    each = model.lab_draws(np.broadcast_to(light, (256, 2, 3)))

    assert each == pytest.approx(model.lab_draws(light), abs=1e-9)

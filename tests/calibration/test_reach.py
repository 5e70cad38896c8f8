"""Colours that the chart does not span, or the file cannot hold, are known as such."""

import dataclasses

import numpy as np
import pytest
from bench.readings import shoot
from calibration.shots import VIEWING

from hairtone.calibration.level2 import fit_level2
from hairtone.calibration.reach import lies_outside, outside_flags

CHART = fit_level2(shoot(1, is_raw=True).reading, viewing=VIEWING, is_linear=True).chart_light


def test_no_mixture_of_patches_lies_outside():
    shares = np.random.default_rng(0).dirichlet(np.ones(len(CHART)), 200)

    assert not lies_outside(shares @ CHART, CHART).any()


@pytest.mark.parametrize("depth", [1.0, 0.1, 0.02])
def test_depth_alone_takes_no_colour_outside(depth):
    assert not lies_outside(depth * CHART, CHART).any()


@pytest.mark.parametrize("channel", range(3))
def test_a_channel_at_zero_beside_bright_ones_lies_outside(channel):
    colour = np.full((1, 3), 0.2)
    colour[0, channel] = 0.0

    assert lies_outside(colour, CHART).all()


def test_hair_of_a_colour_the_file_has_cut_off_is_flagged_with_a_remedy():
    fit = fit_level2(shoot(1).reading, viewing=VIEWING)
    green = np.tile([0.0, 0.2, 0.06], (60, 1))

    (flag,) = outside_flags(fit, green)

    assert flag.code == "colour-outside"
    assert not flag.is_note
    assert "cut off the red" in flag.says
    assert all(word in flag.remedy for word in ("RAW", "Display P3", "swatch"))


def test_the_interval_of_such_hair_is_wider_than_that_of_brown_hair():
    model = fit_level2(shoot(1).reading, viewing=VIEWING).model
    colours = np.array([[0.0, 0.2, 0.06], [0.08, 0.05, 0.03]])

    spread = model.lab_draws(colours).std(axis=0)

    assert np.linalg.norm(spread[0]) > 2 * np.linalg.norm(spread[1])


def test_natural_hair_is_not_flagged():
    shot = shoot(1)
    fit = fit_level2(shot.reading, viewing=VIEWING)
    for place in (0, 3, 4):  # dark natural, light, white
        assert outside_flags(fit, fit.model.linear(shot.hair[place])) == ()
    assert outside_flags(dataclasses.replace(fit, chart_light=None), shot.hair[0]) == ()

"""Patch readings: the right mean, and a covariance that says how far off it may be."""

from __future__ import annotations

import numpy as np
import pytest
from chart.drawn import PATCH_LIGHT, REFERENCE, SENSOR, Look, Pose, develop, draw_light, draw_photo

from hairtone.chart.finder import find_chart
from hairtone.colorimetry import encode_srgb

TRUE_LIGHT = PATCH_LIGHT.reshape(24, 3)


@pytest.mark.parametrize("bits", [8, 16])
def test_encoded_patches_read_as_drawn(bits):
    """Within half a code of 8 bits: noise averages out over 1000 pixels and more."""
    look = Look(bits=bits)

    reading = find_chart(draw_photo(Pose(width=0.5, turn=30), look)[0], reference=REFERENCE)

    drawn = encode_srgb(TRUE_LIGHT * np.array(look.light))
    assert np.abs(reading.encoded - drawn).max() < 0.5 / 255


def test_raw_patches_read_as_linear_light():
    """Within four standard errors of 1000 pixels."""
    look = Look(bits=16, is_linear=True, noise=0.002)

    reading = find_chart(draw_photo(Pose(width=0.5, turn=30), look)[0], reference=REFERENCE)

    drawn = TRUE_LIGHT @ SENSOR.T * np.array(look.light)
    assert np.abs(reading.encoded - drawn).max() < 4 * 0.002 / np.sqrt(1000)


def test_covariance_is_that_of_repeated_readings():
    """16-bit photos differing in noise alone; 40 repeats give the SD of 72 values to 11 % each.

    The ratio of the mean variances over all of them is then good to 3 %, and the plane taken out
    of 16 blocks costs no bias; the trimmed mean is up to 5 % less efficient for normal noise.
    """
    look = Look(bits=16, noise=0.01)
    light, _ = draw_light((Pose(width=0.8),), look, size=(400, 300))
    readings = [
        find_chart(develop(light, look, seed=seed), reference=REFERENCE) for seed in range(40)
    ]

    spread = np.var([reading.encoded for reading in readings], axis=0, ddof=1).mean()

    claimed = np.mean([np.einsum("pii->pi", r.covariance) for r in readings])
    assert claimed == pytest.approx(spread, rel=0.15)


def test_covariance_is_symmetric_and_positive():
    reading = find_chart(draw_photo()[0], reference=REFERENCE)

    np.testing.assert_allclose(reading.covariance, reading.covariance.swapaxes(1, 2))
    assert (np.linalg.eigvalsh(reading.covariance) > 0).all()


def test_a_photo_without_noise_still_owns_up_to_its_rounding():
    """Uniform error of one code of 8 bits: variance 1/12 of its square (JCGM 100:2008, 4.3.7)."""
    reading = find_chart(draw_photo(Pose(), Look(noise=0.0))[0], reference=REFERENCE)

    assert np.einsum("pii->pi", reading.covariance).min() >= 0.99 / 255**2 / 12


def test_light_falling_across_a_patch_is_no_glare():
    """A fall of a third over the frame is a slope of 2 % in a patch."""
    light, _ = draw_light((Pose(width=0.6),), Look())

    reading = find_chart(
        develop(light * np.linspace(1, 0.65, 900)[None, :, None]), reference=REFERENCE
    )

    assert reading.usable.all()


def test_specks_do_not_move_a_reading():
    """Dust on 3 % of the pixels: the trimmed mean keeps within half a code."""
    look = Look()
    light, _ = draw_light((Pose(width=0.5),), look)
    dust = np.random.default_rng(5).random(light.shape[:2]) < 0.03

    clean, dusty = (
        find_chart(develop(picture, look), reference=REFERENCE)
        for picture in (light, np.where(dust[..., None], 0.0, light))
    )

    shared = clean.usable & dusty.usable
    assert shared.sum() == 24
    assert np.abs(clean.encoded - dusty.encoded).max() < 0.04


def test_clipped_share_counts_the_top_of_the_scale():
    """Red clips in every pixel of the yellow and orange yellow patches, in none of the greys."""
    look = Look(light=(1.25, 0.7, 0.7))
    patches = PATCH_LIGHT.copy()
    patches[3] = np.minimum(patches[3], 0.7)

    photo, _ = draw_photo(Pose(width=0.5), look, patches=patches)
    reading = find_chart(photo, reference=REFERENCE)

    red = patches.reshape(24, 3)[:, 0] * 1.25
    assert (reading.clipped[red > 1.05] == 1).all()
    assert (reading.clipped[red < 0.9] == 0).all()
    assert not reading.usable[red > 1.05].any()

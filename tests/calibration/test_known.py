"""Known tresses sharpen a calibration, most of all near their own colour."""

import numpy as np
import pytest
from bench.readings import CAREFUL, shoot
from calibration.shots import VIEWING

from hairtone.calibration.known import sharpen
from hairtone.calibration.solve import choose_calibration
from hairtone.colorimetry import delta_e

CAMERAS = 12
SWATCHES = (0, 2, 4)  # dark, fashion and white hair: their mid-lengths are the known tresses


@pytest.fixture(scope="module")
def pairs():
    """Shots with their calibration before and after three known tresses."""
    found = []
    for seed in range(CAMERAS):
        shot = shoot(seed + 40, care=CAREFUL)
        before = choose_calibration(shot.reading, viewing=VIEWING)
        light = before.model.linear(shot.hair[SWATCHES, 1])
        after = sharpen(before, linear=light, lab=shot.truth[SWATCHES, 1], u95=[0.5] * 3)
        found.append((shot, before, after))
    return found


def test_a_known_tress_reads_as_known(pairs):
    """u95 0.5 against a calibration that is off by 1 to 3: the known colour wins."""
    for shot, _, after in pairs:
        light = after.model.linear(shot.hair[SWATCHES, 1])

        assert delta_e(shot.truth[SWATCHES, 1], after.model.lab(light)).max() < 0.6


def gains(pairs, classes, positions):
    """Mean ΔE00 of a camera before less after, shape (cameras,)."""
    found = []
    for shot, before, after in pairs:
        hair = shot.hair[np.ix_(classes, positions)].reshape(-1, 3)
        truth = shot.truth[np.ix_(classes, positions)].reshape(-1, 3)
        errors = [
            delta_e(truth, fit.model.lab(fit.model.linear(hair))).mean() for fit in (before, after)
        ]
        found.append(errors[0] - errors[1])
    return np.array(found)


def test_hair_near_a_known_tress_reads_better(pairs):
    """Roots and ends beside known mid-lengths; two standard errors of the cameras."""
    gain = gains(pairs, SWATCHES, [0, 2])

    assert gain.mean() > 2 * gain.std() / np.sqrt(CAMERAS)


def test_hair_far_from_every_known_tress_takes_no_harm(pairs):
    """Over 196 cameras it gains 0.10 with SE 0.03, too little for a dozen cameras to show."""
    gain = gains(pairs, [1, 3], [0, 1, 2])

    assert gain.mean() > -2 * gain.std() / np.sqrt(CAMERAS)


def test_uncertainty_shrinks_and_stays_centred(pairs):
    for shot, before, after in pairs[:4]:
        light = before.model.linear(shot.hair[SWATCHES, 1])
        wide, narrow = (fit.model.lab_draws(light).std(axis=0) for fit in (before, after))
        shift = after.model.lab_draws(light).mean(axis=0) - after.model.lab(light)

        assert (narrow < wide).all()
        assert np.abs(shift).max() < 0.5


def test_a_vague_tress_changes_nothing(pairs):
    shot, before, _ = pairs[0]
    light = before.model.linear(shot.hair[1])

    vague = sharpen(before, linear=light[:1], lab=[[80.0, 0, 0]], u95=[1e4])

    assert vague.model.lab(light) == pytest.approx(before.model.lab(light), abs=0.01)

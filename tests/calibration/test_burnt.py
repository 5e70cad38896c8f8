"""A burnt-out white does not spoil a photo: its patches are at least as bright as they read."""

import dataclasses

import numpy as np
import pytest
from bench.readings import shoot
from calibration.shots import VIEWING
from scipy.stats import truncnorm

from hairtone.calibration.level2 import fit_level2
from hairtone.calibration.posterior import PatchData, _censored, _Round, _Sites, usable_patches
from hairtone.calibration.prior import load_prior
from hairtone.calibration.solve import choose_calibration
from hairtone.colorimetry import delta_e

SEEDS = range(10)


def burnt(reading, *patches):
    """The reading with those patches at the top of the scale."""
    encoded, clipped, usable = (
        np.array(v) for v in (reading.encoded, reading.clipped, reading.usable)
    )
    encoded[list(patches)], clipped[list(patches)], usable[list(patches)] = 1.0, 1.0, False
    return dataclasses.replace(reading, encoded=encoded, clipped=clipped, usable=usable)


def lab_and_draws(fit, shot):
    light = fit.model.linear(shot.hair.reshape(-1, 3))
    return fit.model.lab(light), fit.model.lab_draws(light)


@pytest.fixture(scope="module", params=[False, True], ids=["encoded", "raw"])
def pairs(request):
    """Errors of hair with the white patch read and burnt out, (photos, hairs) each."""
    rows = []
    for seed in SEEDS:
        shot = shoot(seed, is_raw=request.param)
        truth = shot.truth.reshape(-1, 3)
        errors = []
        for reading in (shot.reading, burnt(shot.reading, 18)):
            fit = choose_calibration(reading, viewing=VIEWING, is_linear=request.param)
            errors.append(delta_e(truth, lab_and_draws(fit, shot)[0]))
        rows.append(errors)
    return np.array(rows)


def test_a_burnt_white_costs_next_to_nothing(pairs):
    assert pairs[:, 1].mean() < 1.15 * pairs[:, 0].mean()


def test_a_burnt_patch_is_neither_fitted_nor_held_out():
    fit = fit_level2(burnt(shoot(3).reading, 18, 15), viewing=VIEWING)

    assert np.isnan(fit.residual[[18, 15]]).all()
    assert np.isnan(fit.held_out[[18, 15]]).all()
    assert np.isfinite(np.delete(fit.held_out, [18, 15])).all()


def test_patches_that_are_covered_are_not_taken_for_burnt():
    reading = next(r for r in (shoot(k).reading for k in SEEDS) if r.usable.all())
    usable = reading.usable.copy()
    usable[3] = False
    covered = dataclasses.replace(reading, usable=usable)

    assert not covered.burnt.any()
    assert burnt(reading, 18).burnt.nonzero()[0].tolist() == [18]


def test_the_scale_rests_on_the_greys_that_were_read():
    prior = load_prior(is_linear=False)
    reading = burnt(shoot(1).reading, 18)
    known = reading.reference.xyz(VIEWING)[:, 1]

    data = usable_patches(reading, prior, known, np.ones(24), is_linear=False)

    assert data.number[data.pale].tolist() == [19, 20, 21, 22]
    assert data.is_burnt[list(data.number).index(18)].all()


@pytest.mark.parametrize(("predicted", "spread"), [(-0.3, 0.2), (0.0, 0.2), (0.25, 0.1)])
def test_a_censored_reading_has_the_moments_of_a_normal_cut_off_below_it(predicted, spread):
    """One reading, predicted to lie so far above its code; against scipy's truncated normal."""
    read, own = 0.9, 0.5  # what the site said before is to be forgotten
    sites = _Sites(np.zeros((1, 1, 3)), np.full((1, 1, 3), own**2), np.arange(3))
    inverse = np.eye(3)[None] / (spread**2 + own**2)
    missed = np.full((1, 3), -predicted)
    filler = np.zeros((1, 1, 3))
    now = _Round(
        read=filler + read, light=filler + read, design=filler, block=filler,
        inverse=inverse, gain=filler, missed=missed, found=filler, evidence=filler,
    )  # fmt: skip

    new = _censored(now, sites)

    precision = 1 / new.variance + 1 / spread**2
    mean = (new.above / new.variance + predicted / spread**2) / precision
    law = truncnorm(-predicted / spread, np.inf, loc=predicted, scale=spread)
    assert mean[0, 0, 0] == pytest.approx(law.mean(), rel=0.02)
    assert 1 / precision[0, 0, 0] == pytest.approx(law.var(), rel=0.05)


def test_patch_data_without_burnt_channels_has_no_sites():
    data = usable_patches(
        shoot(2).reading, load_prior(is_linear=False), np.ones(24), np.ones(24), is_linear=False
    )

    assert isinstance(data, PatchData)
    assert not data.is_burnt.any()

"""Means over spans of a hair: linear light, whole and cut bins, errors kept together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from measures.made import BINS, BROWN, POSITION, profile_of

from hairtone.colorimetry import lab_to_xyz, xyz_to_lab
from hairtone.errors import MeasureError
from hairtone.measures.zones import (
    span_estimate,
    tenth_estimates,
    zone_estimates,
    zone_spans,
)


def with_steps(first, second):
    """One colour up to the middle of the hair, another from there on."""
    return np.where(POSITION[:, None] < 0.5, np.asarray(first, float), np.asarray(second, float))


def test_a_span_is_averaged_in_linear_light():
    """Half L* 20 and half L* 80: the mean of their luminances, closed form."""
    light = lab_to_xyz(np.array([[20.0, 0, 0], [80.0, 0, 0]])).mean(axis=0)

    found = span_estimate(profile_of(with_steps([20, 0, 0], [80, 0, 0])), 0, 1)

    assert found.lab == pytest.approx(xyz_to_lab(light), abs=1e-9)


def test_a_bin_cut_by_a_zone_counts_in_part():
    """Span of 1.5 bins, 20 then 80: weights 2/3 and 1/3 of the light."""
    lab = np.tile(np.array([20.0, 0, 0]), (BINS, 1))
    lab[1] = [80.0, 0, 0]
    light = lab_to_xyz(np.array([[20.0, 0, 0], [80.0, 0, 0]]))

    found = span_estimate(profile_of(lab), 0, 1.5 / BINS)

    assert found.lab == pytest.approx(xyz_to_lab((2 * light[0] + light[1]) / 3), abs=1e-9)


def test_zones_carry_their_names_and_lie_in_order():
    lab = np.tile(BROWN, (BINS, 1)) + np.outer(POSITION, [12.0, 0, 0])

    found = zone_estimates(profile_of(lab), zones=(0.25, 0.75))

    assert list(found) == ["roots", "mid_lengths", "ends"]
    assert found["roots"].lab[0] < found["mid_lengths"].lab[0] < found["ends"].lab[0]


def test_ten_tenths_average_to_the_whole():
    """In linear light, by the definition of a mean."""
    lab = np.tile(BROWN, (BINS, 1)) + np.outer(POSITION**2, [12.0, -5.0, 4.0])
    profile = profile_of(lab)
    light = lab_to_xyz([tenth.lab for tenth in tenth_estimates(profile)]).mean(axis=0)

    assert xyz_to_lab(light) == pytest.approx(span_estimate(profile, 0, 1).lab, abs=1e-9)


def test_calibration_draws_are_averaged_row_by_row():
    profile = profile_of(BROWN)
    rows = xyz_to_lab(lab_to_xyz(profile.draws[:, :20].astype(float)).mean(axis=1))

    found = zone_estimates(profile)["roots"].draws

    assert found == pytest.approx(rows, abs=1e-4)  # kept as float32


@pytest.mark.parametrize("shared", [0.0, 1.0])
def test_fibres_shared_by_all_bins_do_not_average_out(shared):
    """Independent bins: variance / 20. Bins that move as one: the variance of one bin.

    Tolerance 4 standard errors of a variance from 2000 rows.
    """
    rng = np.random.default_rng(0)
    common, own = rng.standard_normal((2000, 1, 3)), rng.standard_normal((2000, BINS, 3))
    moved = 0.3 * (shared * common + (1 - shared) * own)
    profile = dataclasses.replace(
        profile_of(BROWN), sampling_draws=(BROWN + moved).astype(np.float32)
    )

    found = np.diag(zone_estimates(profile)["roots"].sampling_covariance)

    expected = 0.3**2 * (1 if shared else 1 / 20)
    assert found == pytest.approx([expected] * 3, rel=4 * np.sqrt(2 / 2000))


def test_without_joint_draws_neighbours_are_taken_to_share_fibres():
    """Never less than independent bins would give, never more than bins that move as one."""
    found = zone_estimates(profile_of(BROWN, joint=False, fibres=0.3))["roots"]

    variance = found.sampling_covariance[0, 0]
    assert 1.5 * 0.3**2 / 20 < variance < 0.3**2


def test_a_difference_of_zones_keeps_what_they_share():
    """All bins move as one: nothing is left of it between zones but the light's small tilt."""
    rng = np.random.default_rng(0)
    moved = 2.0 * rng.standard_normal((500, 1, 3)) * np.ones((1, BINS, 1))
    profile = dataclasses.replace(
        profile_of(BROWN),
        sampling_draws=(BROWN + moved).astype(np.float32),
        draws=(BROWN + moved[:128]).astype(np.float32),
    )

    spans = zone_spans(profile)

    assert np.sqrt(spans.difference_covariance(0, 2).max()) < 1e-3


@pytest.mark.parametrize("zones", [(0.6, 0.4), (0.0, 0.5), (0.5, 1.0), (0.5, 0.5)])
def test_zones_out_of_order_are_refused(zones):
    with pytest.raises(MeasureError, match=r"do not leave roots, mid-lengths and ends"):
        zone_estimates(profile_of(BROWN), zones=zones)


@pytest.mark.parametrize(("start", "stop"), [(0.5, 0.5), (0.8, 0.2), (1.0, 1.2)])
def test_a_span_without_hair_is_refused(start, stop):
    with pytest.raises(MeasureError, match=r"No part of the hair lies between"):
        span_estimate(profile_of(BROWN), start, stop)

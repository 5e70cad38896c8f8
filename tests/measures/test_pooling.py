"""Means over photos, errors drawn together, and how results show themselves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from measures.made import BROWN, DYE, NATURAL, estimate_of, profile_of

from hairtone import showing
from hairtone.colorimetry import VIEWINGS
from hairtone.errors import MeasureError
from hairtone.measures.evenness import Evenness, Patch, measure_evenness
from hairtone.measures.zones import joint_noise, mean_estimate, mean_profile, zone_estimates
from hairtone.uncertainty import ColourDifference


def test_independent_photos_average_out():
    """Variance of the mean of 4 is a quarter, fibres and cameras alike; 256 draws: 25 %."""
    photos = [estimate_of(BROWN, noise=0.6, seed=k, calibration=0.8) for k in range(4)]

    found = mean_estimate(photos)

    assert found.sampling_covariance[0, 0] == pytest.approx(0.6**2 / 4)
    assert np.trace(found.calibration_covariance) == pytest.approx(3 * 0.8**2 / 4, rel=0.25)


def test_one_camera_for_all_photos_stays():
    photos = [estimate_of(BROWN, noise=0.6, seed=0, calibration=0.8) for _ in range(4)]

    found = mean_estimate(photos).calibration_covariance

    assert found == pytest.approx(photos[0].calibration_covariance, abs=1e-3)


def test_photos_are_averaged_in_lab():
    photos = [estimate_of(BROWN + np.array([d, 0, 0]), seed=k) for k, d in enumerate((-3.0, 3.0))]

    assert mean_estimate(photos).lab == pytest.approx(BROWN)


def test_profiles_of_several_photos_average_out():
    """Four photos: half the fibre noise of one. Rows of equal seeds are turned apart."""
    one = profile_of(BROWN)

    found = mean_profile([profile_of(BROWN) for _ in range(4)])

    single, mean = (
        np.sqrt(zone_estimates(p)["ends"].sampling_covariance[0, 0]) for p in (one, found)
    )
    assert mean == pytest.approx(single / 2, rel=0.15)
    assert found.facts["photos"] == 4
    assert mean_profile([one]) is one


@pytest.mark.parametrize("mean", [mean_estimate, mean_profile])
def test_nothing_measured_is_told(mean):
    with pytest.raises(MeasureError, match="None of the photos of this hair was measured"):
        mean([])


def test_two_viewings_are_not_averaged():
    other = dataclasses.replace(estimate_of(BROWN), viewing=VIEWINGS["D50/2"])

    with pytest.raises(MeasureError, match=r"D50/2 and D65/10"):
        mean_estimate([estimate_of(BROWN), other])


@pytest.mark.parametrize("paired", [True, False])
def test_errors_drawn_together_have_the_stated_covariance(paired):
    """8000 draws: 4 standard errors of a variance are 6 %; of a correlation 0.045."""
    colours = [estimate_of(c, noise=0.3, seed=5, calibration=0.9) for c in (NATURAL, NATURAL + DYE)]

    noise = joint_noise(colours, paired=paired, trials=8000, relaying=np.diag([0.31**2, 0, 0]))

    expected = colours[0].covariance[0, 0] + 0.31**2
    assert noise[:, 0, 0].var() == pytest.approx(expected, rel=0.06)
    shared = np.corrcoef(noise[:, 0, 1], noise[:, 1, 1])[0, 1]
    both = colours[0].calibration_covariance[1, 1] / colours[0].covariance[1, 1]
    assert shared == pytest.approx(both if paired else 0.0, abs=0.05)


def test_results_show_a_table_whose_text_cannot_run():
    seen = ColourDifference(delta_e=3.0, low=2.0, high=4.0, critical=1.0)
    hostile = Patch(start=0.1, stop=0.2, difference=seen, kind="<script>alert(1)</script>")

    page = hostile._repr_html_()

    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_a_result_looks_its_figure_up_when_asked(monkeypatch):
    drawn = []
    monkeypatch.setitem(showing.FIGURES, Evenness, lambda result, ax: drawn.append((result, ax)))
    found = measure_evenness(profile_of(BROWN))

    found.plot(ax="here")

    assert drawn == [(found, "here")]


def test_results_cannot_be_changed():
    found = measure_evenness(profile_of(BROWN))

    with pytest.raises(dataclasses.FrozenInstanceError):
        found.words = "even"

"""Evenness: definitions, noise taken off, false alarms, coverage, the natural gradient."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from measures.made import BROWN, POSITION, profile_of
from published import read_shared
from scipy import stats

from hairtone.colorimetry import VIEWINGS, delta_e, lab_to_xyz
from hairtone.errors import MeasureError
from hairtone.measures.evenness import (
    largest_length,
    mean_difference_from_mean,
    mean_length,
    measure_evenness,
    slope_of,
    summary_law,
)
from hairtone.measures.zones import tenth_spans, zone_spans


def sloping(change):
    """Steady change of the brown from roots to ends."""
    return BROWN + np.outer(POSITION, change)


def test_unchanged_mean_difference_from_the_mean():
    """A lock: the definition (Berns) by a second program, 6 decimals."""
    lock = {r["quantity"]: r["value"] for r in read_shared("lock_mcdm_DERIVED.csv")}
    readings = [[float(v) for v in lock[f"reading{k}"].split(";")] for k in range(1, 6)]

    found = mean_difference_from_mean(np.array(readings))

    assert found == pytest.approx(lock["MCDM_00 (mean as reference)"], abs=1e-6)


def test_slope_agrees_with_scipy():
    """Second implementation of Theil-Sen; both exact."""
    values = np.random.default_rng(0).normal(size=10).cumsum()

    assert slope_of(values) == pytest.approx(stats.theilslopes(values).slope, rel=1e-12)


def test_root_to_ends_is_the_difference_of_the_zone_means():
    profile = profile_of(sloping([10.0, -4.0, 3.0]))
    spans = zone_spans(profile)

    found = measure_evenness(profile)

    expected = float(delta_e(spans.lab[0], spans.lab[2]))
    assert found.root_to_ends.delta_e == pytest.approx(expected)
    assert found.largest_difference.delta_e == pytest.approx(expected)  # ends are furthest apart
    assert found.dL == pytest.approx(10 * 2 / 3, abs=0.15)  # thirds' middles; light, not L*
    assert found.dC == pytest.approx(np.diff(np.hypot(spans.lab[[0, 2], 1], spans.lab[[0, 2], 2])))


def test_a_steady_change_is_slope_and_not_patchiness():
    """10 L* over the length is 1 a tenth; nothing is left when it is taken out."""
    found = measure_evenness(profile_of(sloping([10.0, 0, 0])))

    assert found.slope.value == pytest.approx(1.0, abs=0.01)  # linear light within a tenth
    assert found.slope.low < 1.0 < found.slope.high
    assert found.patchiness.value < 0.05


def test_patches_are_patchiness_and_not_slope():
    wave = np.outer(np.sin(2 * np.pi * 5 * POSITION), [4.0, 0, 0])

    found = measure_evenness(profile_of(BROWN + wave))

    assert found.patchiness.is_resolved
    assert found.patchiness.value > 2.0
    assert abs(found.slope.value) < 0.15


def test_unlevelness_follows_its_definition():
    """RUI_Y = 10.7 s_Y / mean Y over tenths."""
    profile = profile_of(sloping([10.0, -4.0, 3.0]))
    luminance = lab_to_xyz(tenth_spans(profile).lab)[:, 1]

    found = measure_evenness(profile).unlevelness_y

    assert found == pytest.approx(10.7 * luminance.std(ddof=1) / luminance.mean())


def test_the_natural_gradient_is_taken_off():
    """Hair that was lighter at the ends by 8 L* and still is: nothing net."""
    natural = profile_of(np.array([46.0, 9.0, 19.0]) + np.outer(POSITION, [8.0, 0, 0]))

    found = measure_evenness(profile_of(sloping([8.0, 0, 0])), natural=natural)

    assert found.root_to_ends.is_resolved
    assert found.root_to_ends_net is not None
    assert found.root_to_ends_net.delta_e < 0.1
    assert not found.root_to_ends_net.is_resolved
    assert found.words == "even (not resolved)"


def test_an_even_tress_is_seldom_called_uneven():
    """250 noisy even tresses, each figure: the rate's one-sided 99 % lower limit (exact binomial)
    must not lie above 5 %."""
    rng = np.random.default_rng(1)
    names = ("root_to_ends", "mean_difference", "largest_difference", "patchiness")
    called = dict.fromkeys(names, 0)
    for _ in range(250):
        found = measure_evenness(profile_of(BROWN, rng))
        for name in names:
            called[name] += getattr(found, name).is_resolved

    for name, count in called.items():
        lowest = stats.beta.ppf(0.01, count, 251 - count) if count else 0.0
        assert lowest <= 0.05, (name, count)


@pytest.mark.parametrize("size", [2.0, 8.0])
def test_intervals_cover_the_true_evenness(size):
    """120 noisy tresses; 99.9 % of a true 95 % over 120 lies above 88 %."""
    rng = np.random.default_rng(int(size))
    lab = sloping(np.array([size, -0.4 * size, 0.3 * size]))
    exact = measure_evenness(profile_of(lab))
    inside = dict.fromkeys(("root_to_ends", "largest_difference", "mean_difference"), 0)
    for _ in range(120):
        found = measure_evenness(profile_of(lab, rng))
        for name in inside:
            told, true = getattr(found, name), getattr(exact, name).delta_e
            true = exact.mean_difference_raw if name == "mean_difference" else true
            inside[name] += told.low <= true <= told.high

    assert min(inside.values()) / 120 > 0.88, inside


def test_noise_is_taken_off_the_mean_difference():
    """Noise of 0.35 a bin lifts the raw figure of an even tress; the corrected one stays near 0."""
    rng = np.random.default_rng(4)
    found = [measure_evenness(profile_of(BROWN, rng)) for _ in range(40)]

    raw = np.array([f.mean_difference_raw for f in found])
    corrected = np.array([f.mean_difference.delta_e for f in found])

    assert raw.min() > 0
    assert corrected.mean() < 0.6 * raw.mean()


def test_the_critical_value_of_one_length_is_that_of_the_chi_law():
    """Mean and largest of a single vector are its length: χ with 3 degrees of freedom, and the
    limits those of the non-central χ². Quantiles of 40 000 points repeat to 0.3 %, tails to 0.001.
    """
    noise = np.random.default_rng(0).standard_normal((40_000, 1, 3))

    for summary in (mean_length, largest_length):
        found = summary_law(5.0, np.array([[5.0, 0, 0]]), noise, summary)
        assert found.critical == pytest.approx(stats.chi(3).ppf(0.95), rel=0.008)
        assert found.noise == pytest.approx(np.sqrt(3), rel=0.01)
        assert stats.ncx2.cdf(5.0**2, 3, found.high**2) == pytest.approx(0.025, abs=0.003)
        assert stats.ncx2.sf(5.0**2, 3, found.low**2) == pytest.approx(0.025, abs=0.003)


def test_two_equal_readings_have_an_upper_limit():
    noise = np.random.default_rng(0).standard_normal((2000, 1, 3))

    found = summary_law(0.0, np.zeros((1, 3)), noise, mean_length)

    assert found.low == 0.0
    assert found.high > 2.0


def test_profiles_for_two_viewings_are_refused():
    other = dataclasses.replace(profile_of(BROWN), viewing=VIEWINGS["D50/2"])

    with pytest.raises(MeasureError, match=r"D65/10.*D50/2"):
        measure_evenness(profile_of(BROWN), natural=other)


def test_json_and_table_hold_what_the_contract_names():
    found = measure_evenness(profile_of(sloping([6.0, 0, 0])))

    told = json.loads(json.dumps(found.to_dict(), allow_nan=False))

    keys = {"delta_e", "low", "high", "critical", "resolved"}
    for name in ("root_to_ends", "mean_difference", "largest_difference"):
        assert set(told[name]) == keys
    assert told["root_to_ends_net"] is None
    assert {"value", "low", "high"} <= set(told["patchiness"])
    assert set(told["grade"]) == {"gsc", "table"}
    assert set(found.to_frame().columns) >= {"measure", "value", "low", "high", "critical"}
    assert "<table" in found._repr_html_()
    assert len(told["words"]) > 0

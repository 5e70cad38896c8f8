"""Photo against instrument: bias, limits, correction."""

from __future__ import annotations

import numpy as np
import pytest
from measures.made import BROWN, estimate_of
from scipy import stats

from hairtone.errors import MeasureError
from hairtone.measures.agreement import local_correction, measure_agreement, readings_words


def pairs(count=30, *, bias=(1.0, -0.5, 0.0), sd=0.6, seed=0):
    rng = np.random.default_rng(seed)
    read = BROWN + rng.normal(0, 4.0, (count, 3))
    return read + np.array(bias) + rng.normal(0, sd, (count, 3)), read


def test_bias_and_limits_follow_bland_and_altman():
    """Mean of the differences ∓ 1.96 SD; interval of the bias by scipy's t."""
    photo, read = pairs()
    gap = photo - read

    found = measure_agreement(photo, read)

    assert found.bias == pytest.approx(gap.mean(axis=0))
    assert found.limit_high == pytest.approx(
        gap.mean(axis=0) + 1.96 * gap.std(axis=0, ddof=1), abs=1e-4
    )
    for axis in range(3):
        second = stats.ttest_1samp(gap[:, axis], 0).confidence_interval()
        assert (found.bias_low[axis], found.bias_high[axis]) == pytest.approx(tuple(second))


def test_limits_hold_95_of_100_further_pairs():
    """200 further pairs of the same instrument; 99.9 % of a true 95 % lies above 90 %."""
    found = measure_agreement(*pairs(200))
    photo, read = pairs(200, seed=1)
    gap = photo - read

    inside = ((gap >= found.limit_low) & (gap <= found.limit_high)).mean()

    assert inside > 0.90


def test_agreement_is_told_in_sentences_and_as_a_table():
    found = measure_agreement(*pairs())

    assert readings_words(found)[0].startswith("L*: the photos read 0.8 higher than")
    assert "a*: the photos read" in readings_words(found)[1]
    assert "lower" in readings_words(found)[1]
    assert found.to_frame().columns.tolist() == ["axis", "bias", "limit_low", "limit_high", "n"]


def test_the_correction_takes_the_bias_off_and_says_so():
    photo, read = pairs(40)
    found = local_correction(photo, read, name="Lab 3")
    colour = estimate_of(BROWN, noise=0.3)

    corrected = found.apply(colour)

    assert corrected.lab == pytest.approx(BROWN - found.bias)
    assert corrected.draws.mean(axis=0) == pytest.approx(corrected.lab, abs=1e-4)
    assert np.trace(corrected.sampling_covariance) > np.trace(colour.sampling_covariance)
    assert found.label == "corrected by the mean difference from Lab 3 (40 readings)"


def test_colours_far_from_those_read_are_not_corrected():
    found = local_correction(*pairs(40), name="")

    with pytest.raises(MeasureError, match="Read hair of this colour with the instrument too"):
        found.apply(estimate_of([80.0, -10.0, 40.0]))


@pytest.mark.parametrize("call", [measure_agreement, lambda p, r: local_correction(p, r, name="")])
def test_too_few_readings_are_told(call):
    photo, read = pairs(2)

    with pytest.raises(MeasureError, match="2 colours of photos and 2 readings"):
        call(photo, read)

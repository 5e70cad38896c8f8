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


LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_bias_and_sd_agree_with_the_worked_example_of_bland_and_altman():
    """Lancet 327 (1986) 307, table of two peak flow meters (from memory): bias -2.1, SD 38.8,
    95 % of the bias -22.0 to 17.8 l/min; half the last printed digit, and 0.1 where the SD of the
    bias was rounded to 9.4 before. With 17 pairs t takes the limits a little beyond 1.96 SD."""
    large, mini = (np.tile(np.array(v, float)[:, None], 3) for v in (LARGE, MINI))

    found = measure_agreement(large, mini)

    assert found.bias == pytest.approx([-2.1] * 3, abs=0.05)
    assert found.sd == pytest.approx([38.8] * 3, abs=0.05)
    assert found.bias_low == pytest.approx([-22.0] * 3, abs=0.1)
    assert found.bias_high == pytest.approx([17.8] * 3, abs=0.1)
    assert (found.limit_low < -2.1 - 1.96 * 38.8).all()


def test_limits_are_those_of_the_next_reading():
    """bias ∓ t s sqrt(1 + 1/n), and the interval of the bias by scipy's t."""
    photo, read = pairs()
    gap = photo - read

    found = measure_agreement(photo, read)

    reach = stats.t.ppf(0.975, 29) * gap.std(axis=0, ddof=1) * np.sqrt(1 + 1 / 30)
    assert found.limit_high == pytest.approx(gap.mean(axis=0) + reach)
    for axis in range(3):
        second = stats.ttest_1samp(gap[:, axis], 0).confidence_interval()
        assert (found.bias_low[axis], found.bias_high[axis]) == pytest.approx(tuple(second))


def held_by_limits(rng, *, hairs, each, of_hair, studies=400):
    """Share of further readings, each of another hair, that lie between the limits."""
    held = []
    names = np.repeat(np.arange(hairs), each)
    for _ in range(studies):
        own = rng.normal(0, of_hair, (hairs, 3))[names]
        gap = own + rng.normal(0, 1, (len(names), 3))
        found = measure_agreement(BROWN + gap, np.tile(BROWN, (len(gap), 1)), clusters=names)
        further = rng.normal(0, of_hair, (20, 3)) + rng.normal(0, 1, (20, 3))
        held.append(((further > found.limit_low) & (further < found.limit_high)).mean())
    return float(np.mean(held))


@pytest.mark.parametrize(
    ("hairs", "each", "of_hair"), [(10, 1, 0.0), (4, 5, 0.0), (5, 4, 1.0), (12, 3, 2.0)]
)
def test_limits_hold_95_of_100_further_readings(hairs, each, of_hair):
    """400 studies of 60 further numbers; hairs alike and not. Asked: 93 to 98 %."""
    held = held_by_limits(np.random.default_rng(hairs), hairs=hairs, each=each, of_hair=of_hair)

    assert 0.93 < held < 0.98


def test_fewer_than_ten_readings_give_a_bias_and_no_limits():
    found = measure_agreement(*pairs(9))

    assert found.limit_low is None
    assert found.limit_high is None
    assert "need 10 readings" in found.reason
    assert readings_words(found)[-1] == found.reason
    assert len(found.to_frame()) == 3


def test_readings_of_two_hairs_give_no_limits():
    found = measure_agreement(*pairs(20), clusters=["A"] * 10 + ["B"] * 10)

    assert found.limit_low is None
    assert found.clusters == 2
    with pytest.raises(ValueError, match="names 2 hairs for 20 pairs"):
        measure_agreement(*pairs(20), clusters=["A", "B"])


def test_agreement_is_told_in_sentences_and_as_a_table():
    found = measure_agreement(*pairs())

    assert readings_words(found)[0].startswith("L*: the photos read 0.8 higher than")
    assert "a*: the photos read" in readings_words(found)[1]
    assert "lower" in readings_words(found)[1]
    assert found.to_frame().columns.tolist() == [
        "axis", "bias", "bias_low", "bias_high", "limit_low", "limit_high", "n"
    ]  # fmt: skip


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

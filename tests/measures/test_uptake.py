"""Uptake per zone, ratio of ends to roots, porous onset, leveller effect."""

from __future__ import annotations

import numpy as np
import pytest
from measures.made import BINS, DYE, NATURAL, POSITION, profile_of
from scipy import stats

from hairtone.colorimetry import delta_e
from hairtone.errors import MeasureError
from hairtone.measures.comparison import leveller_effect
from hairtone.measures.uptake import find_porous_onset, measure_uptake
from hairtone.measures.zones import zone_spans
from hairtone.uncertainty import ColourDifference

NATURAL_HAIR = np.tile(NATURAL, (BINS, 1))


def coloured(excess, onset=0.45, *, smooth=True):
    """Ends take `excess` times as much more than the roots, from the onset on."""
    rise = np.clip((POSITION - onset) / (1 - onset), 0, 1)
    rise = rise**2 * (3 - 2 * rise) if smooth else rise
    return NATURAL + np.outer(1 + excess * rise, 0.7 * DYE)


def difference(value, half=0.5):
    return ColourDifference(delta_e=value, low=value - half, high=value + half, critical=0.3)


def test_uptake_is_the_difference_after_against_before():
    before, after = profile_of(NATURAL), profile_of(coloured(0.5))
    spans = zone_spans(before), zone_spans(after)

    found = measure_uptake(before, after)

    for at, zone in enumerate(("roots", "mid_lengths", "ends")):
        expected = float(delta_e(spans[0].lab[at], spans[1].lab[at]))
        assert found.zones[zone].difference.delta_e == pytest.approx(expected)
        assert found.zones[zone].dL < 0
    frame = found.to_frame()
    assert frame.zone.tolist() == ["roots", "mid_lengths", "ends"]


def test_intervals_of_uptake_and_ratio_cover_the_truth():
    """150 noisy pairs of photos; 99.9 % of a true 95 % over 150 lies above 88 %."""
    rng = np.random.default_rng(2)
    lab = coloured(0.5)
    exact = measure_uptake(profile_of(NATURAL), profile_of(lab))
    inside = {"roots": 0, "ends": 0, "ratio": 0}
    for _ in range(150):
        found = measure_uptake(
            profile_of(NATURAL_HAIR, rng), profile_of(lab, rng), relaying=np.zeros((3, 3))
        )
        for zone in ("roots", "ends"):
            told = found.zones[zone].difference
            inside[zone] += told.low <= exact.zones[zone].difference.delta_e <= told.high
        high = np.inf if found.ratio_high is None else found.ratio_high
        inside["ratio"] += found.ratio_low <= exact.ratio <= high

    assert min(inside.values()) / 150 > 0.88, inside


def test_a_ratio_to_hardly_any_uptake_is_unbounded_or_not_given():
    """Roots that took up about as much as the noise: no upper limit of ends over roots."""
    lab = NATURAL + np.outer(np.where(POSITION < 0.34, 0.1, 1.0), DYE)

    found = measure_uptake(profile_of(NATURAL), profile_of(lab))

    assert found.ratio is None or found.ratio_high is None


def test_what_both_photos_share_is_left_out_when_they_are_pooled():
    before, after = profile_of(NATURAL), profile_of(coloured(0.3))

    apart = measure_uptake(before, after).zones["ends"].difference
    pooled = measure_uptake(before, after, paired=True).zones["ends"].difference

    assert pooled.high - pooled.low < apart.high - apart.low


@pytest.mark.parametrize("onset", [0.3, 0.5, 0.65])
@pytest.mark.parametrize("smooth", [True, False])
def test_porous_onset_is_found_within_5_percent_of_the_length(onset, smooth):
    """Median miss over 25 noisy pairs, excess about 8 ΔE00; asked: 5 % of the length."""
    rng = np.random.default_rng(int(100 * onset))
    after = coloured(1.0, onset, smooth=smooth)

    found = [
        find_porous_onset(profile_of(NATURAL_HAIR, rng), profile_of(after, rng)) for _ in range(25)
    ]

    assert all(f.is_resolved and f.excess > 0 for f in found)
    assert np.median([abs(f.onset - onset) for f in found]) < 0.05
    covered = np.mean([f.low - 0.01 <= onset <= f.high + 0.01 for f in found])
    assert covered >= 0.72  # 99.9 % of a true 95 % over 25


def test_sound_hair_seldom_shows_an_onset():
    """120 pairs; the rate's one-sided 99 % lower limit must not lie above 5 %."""
    rng = np.random.default_rng(6)
    after = np.tile(NATURAL + 0.7 * DYE, (BINS, 1))

    called = sum(
        find_porous_onset(profile_of(NATURAL_HAIR, rng), profile_of(after, rng)).is_resolved
        for _ in range(120)
    )

    lowest = stats.beta.ppf(0.01, called, 121 - called) if called else 0.0
    assert lowest <= 0.05, called


@pytest.mark.parametrize(
    ("felt", "excess", "words"),
    [
        ({"roots": "normal", "ends": "high"}, 1.0, "and they took up more"),
        ({"roots": "normal", "ends": "high"}, 0.0, "yet no more uptake is seen"),
        ({"roots": "normal", "ends": "normal"}, 1.0, "although they were not felt"),
        ({"roots": "normal", "ends": "normal"}, 0.0, "and no more uptake is seen"),
        ({}, 1.0, ""),
    ],
)
def test_felt_porosity_is_set_against_what_is_seen(felt, excess, words):
    found = find_porous_onset(profile_of(NATURAL), profile_of(coloured(excess)), felt=felt)

    assert words in found.against_felt
    assert bool(found.against_felt) == bool(words)


def test_leveller_effect_has_the_sign_users_expect():
    """More even with leveller: above 0."""
    found = leveller_effect([difference(6.0)], [difference(2.0)])

    assert found.effect == pytest.approx(4.0)
    assert found.low > 0
    assert found.is_resolved
    assert found.words == "the hair with leveller is more even (1 pair only)"
    assert not found.is_general


def test_an_effect_within_the_noise_is_not_resolved():
    found = leveller_effect([difference(3.0)], [difference(2.8)])

    assert not found.is_resolved
    assert "not resolved" in found.words


def test_several_pairs_agree_with_the_paired_t_of_scipy():
    without, levelled = [6.0, 5.2, 7.1, 4.9], [2.0, 2.6, 3.0, 3.1]
    second = stats.ttest_rel(without, levelled).confidence_interval()

    found = leveller_effect([*map(difference, without)], [*map(difference, levelled)])

    assert (found.low, found.high) == pytest.approx((second.low, second.high))
    assert found.is_general
    assert found.to_frame().pairs[0] == 4


@pytest.mark.parametrize(("without", "levelled"), [([], []), ([1.0, 2.0], [1.0])])
def test_hairs_that_make_no_pairs_are_told(without, levelled):
    with pytest.raises(MeasureError, match=r"do not make pairs.*Name the pairs"):
        leveller_effect([*map(difference, without)], [*map(difference, levelled)])

"""Warnings of the trade: each by a case that raises it and one that does not; banners; anchors."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from measures.made import DYE, NATURAL, estimate_of, profile_of

from hairtone.errors import MeasureError
from hairtone.measures import plausibility
from hairtone.measures.blend import Blend
from hairtone.measures.evenness import Patch
from hairtone.measures.fade import measure_fade
from hairtone.measures.plausibility import hours_between, service_banners
from hairtone.measures.uptake import measure_uptake
from hairtone.measures.zones import anchored_span, compare_sections, regrowth_mm
from hairtone.uncertainty import ColourDifference

HAIR = "T1"


def codes(flags):
    return [flag.code for flag in flags]


def fade_of(left):
    washes = {n: estimate_of(NATURAL + r * DYE, noise=0.3) for n, r in left.items()}
    return measure_fade(estimate_of(NATURAL, noise=0.3), washes, zone="ends")


@pytest.mark.parametrize(("rise", "expected"), [(4.0, ["lightened"]), (0.4, []), (-8.0, [])])
def test_a_direct_dye_that_lightens_is_odd(rise, expected):
    before = {"ends": estimate_of(NATURAL, noise=0.4)}
    after = {"ends": estimate_of(NATURAL + np.array([rise, 5.0, 0.0]), noise=0.4)}

    assert codes(plausibility.check_lightening(before, after, hair=HAIR)) == expected


@pytest.mark.parametrize(
    ("left", "code"),
    [
        ({0: 1.0, 2: 0.97, 6: 0.95}, "lasts-long"),
        ({0: 1.0, 1: 0.05, 2: 0.03}, "leaves-at-once"),
        ({0: 1.0, 1: 0.4, 2: -0.3}, "beyond-before"),
        ({0: 1.0, 1: 0.5, 2: 0.8}, "deeper-again"),
        ({0: 1.0, 1: 0.95, 4: 0.9, 5: 0.3}, "first-washes"),
    ],
)
def test_fades_that_look_odd_to_the_trade_are_told(left, code):
    found = plausibility.check_fade(fade_of(left), hair=HAIR)

    assert code in codes(found)
    told = next(flag for flag in found if flag.code == code)
    assert told.says.startswith("T1, ends: ")
    assert told.remedy


def test_a_usual_fade_raises_nothing():
    left = {n: float(np.exp(-n / 4)) for n in range(9)}

    assert plausibility.check_fade(fade_of(left), hair=HAIR) == ()


def test_a_fade_without_colour_left_raises_nothing():
    fade = measure_fade(None, {0: estimate_of(NATURAL), 1: estimate_of(NATURAL)})

    assert plausibility.check_fade(fade, hair=HAIR) == ()


@pytest.mark.parametrize(
    ("felt", "expected"),
    [
        ({"roots": "normal", "ends": "high"}, ["porous-took-less"]),
        ({"roots": "normal", "ends": "normal"}, []),
        ({"roots": "high", "ends": "high"}, []),
    ],
)
def test_porous_ends_that_took_less_are_odd(felt, expected):
    position = profile_of(NATURAL).position
    after = NATURAL + np.outer(1 - 0.5 * position, DYE)
    uptake = measure_uptake(profile_of(NATURAL), profile_of(after))

    assert codes(plausibility.check_porosity(uptake, felt=felt, hair=HAIR)) == expected


@pytest.mark.parametrize(("low", "expected"), [(96.0, ["blends-too-well"]), (80.0, [])])
def test_white_hair_that_is_covered_is_odd(low, expected):
    blend = Blend(blend=98.0, low=low, high=99.0, mm_per_px=0.05)

    assert codes(plausibility.check_blend(blend, hair=HAIR)) == expected


@pytest.mark.parametrize(
    ("thickness", "kind", "expected"),
    [(20.0, "missed", ["thick-sections"]), (8.0, "missed", []), (20.0, "grabbed", []),
     (None, "missed", [])],
)  # fmt: skip
def test_missed_places_under_thick_sections_are_told(thickness, kind, expected):
    seen = ColourDifference(delta_e=3.0, low=2.0, high=4.0, critical=1.0)
    patches = [Patch(start=0.2, stop=0.3, difference=seen, kind=kind)]

    found = plausibility.check_sections(patches, section_mm=thickness, hair=HAIR)

    assert codes(found) == expected


def test_growth_and_trims_are_told():
    grown = plausibility.check_growth(
        grown_mm=20, trimmed_mm=10, length_mm=200, root_zone=0.33, hair=HAIR
    )
    still = plausibility.check_growth(
        grown_mm=2, trimmed_mm=0, length_mm=200, root_zone=0.33, hair=HAIR
    )

    assert codes(grown) == ["regrowth", "trimmed"]
    assert still == ()


@pytest.mark.parametrize(
    ("marked", "expected", "found"),
    [(12, 15, []), (24, 12, ["regrowth-differs"]), (2, 6, []), (2, 24, ["regrowth-differs"])],
)
def test_a_mark_far_from_the_growth_that_is_logged_is_told(marked, expected, found):
    told = plausibility.check_marked_growth(marked_mm=marked, expected_mm=expected, hair=HAIR)

    assert codes(told) == found


MARCH = dt.date(2026, 3, 2)


@pytest.mark.parametrize(
    ("test", "service", "expected"),
    [
        (dt.datetime(2026, 3, 2, 10), dt.datetime(2026, 3, 4, 10), []),
        (dt.datetime(2026, 3, 2, 23), dt.datetime(2026, 3, 4, 8), ["skin-test-under-48-hours"]),
        (MARCH, dt.date(2026, 3, 4), ["skin-test-under-48-hours"]),  # could be 33 hours
        (MARCH, dt.date(2026, 3, 5), []),
        (dt.datetime(2026, 3, 2, 10), dt.date(2026, 3, 4), ["skin-test-under-48-hours"]),
        (dt.datetime(2026, 3, 5, 10), dt.datetime(2026, 3, 4, 10), ["skin-test-under-48-hours"]),
        (None, dt.date(2026, 3, 4), ["skin-test-missing"]),
        (MARCH, None, ["service-date-missing"]),
    ],
)
def test_less_than_48_hours_for_sure_raise_a_banner(test, service, expected):
    found = service_banners(
        skin_test=test, skin_test_clear=True, service=service, age_16_or_over=True
    )

    assert codes(found) == expected


def test_a_test_not_read_as_clear_and_a_young_client_raise_banners():
    found = service_banners(
        skin_test=MARCH, skin_test_clear=False, service=dt.date(2026, 3, 9), age_16_or_over=False
    )

    assert codes(found) == ["skin-test-not-clear", "age"]
    assert "under 16" in found[1].says


def test_hours_are_counted_across_time_zones_where_both_are_stated():
    utc, plus_2 = dt.UTC, dt.timezone(dt.timedelta(hours=2))
    hours = hours_between(
        dt.datetime(2026, 3, 2, 10, tzinfo=utc), dt.datetime(2026, 3, 4, 10, tzinfo=plus_2)
    )

    assert hours == 46
    assert hours_between(dt.datetime(2026, 3, 2, 10, tzinfo=utc), dt.datetime(2026, 3, 4, 10)) == 48


def test_zones_stay_on_the_same_hair_while_it_grows():
    """300 mm coloured, 30 mm grown: the old roots' start lies at 30/330, the ends still at 1."""
    assert anchored_span(0, 1, length_mm=330, grown_mm=30) == pytest.approx((30 / 330, 1.0))


def test_a_trim_takes_the_ends_away():
    """300 mm, 60 mm trimmed: the last third began at 200 of 240 mm now, and ends at the cut."""
    assert anchored_span(2 / 3, 1, length_mm=240, trimmed_mm=60) == pytest.approx((200 / 240, 1.0))
    with pytest.raises(MeasureError, match="has been trimmed off"):
        anchored_span(0.9, 1, length_mm=200, trimmed_mm=100)
    with pytest.raises(MeasureError, match="do not go together"):
        anchored_span(0, 1, length_mm=20, grown_mm=30)


def test_hair_grows_half_an_inch_a_month():
    assert regrowth_mm(days=365.25) == pytest.approx(12 * 12.7)
    assert regrowth_mm(days=-3) == 0


def test_sections_are_compared_pair_by_pair():
    colours = {
        "back left": estimate_of(NATURAL, noise=0.2),
        "back right": estimate_of(NATURAL, noise=0.2),
        "front left": estimate_of(NATURAL + DYE / 2, noise=0.2),
    }

    found = compare_sections(colours)

    assert len(found.differences) == 3
    assert not found.differences["back left", "back right"].is_resolved
    assert "front left" in found.largest
    assert found.to_frame().resolved.sum() == 2
    with pytest.raises(MeasureError, match="1 section was measured"):
        compare_sections({"back left": colours["back left"]})

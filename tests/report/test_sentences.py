"""Sentences carry the figures as they are, with their intervals, and claim no more."""

from __future__ import annotations

import dataclasses

import pytest
from report.made import made_analysis

from hairtone.measures.comparison import Comparison
from hairtone.measures.fade_curve import WashRange
from hairtone.measures.uptake import PorousOnset, Uptake, ZoneUptake
from hairtone.measures.words import CANNOT_TELL
from hairtone.report import sentences
from hairtone.uncertainty import ColourDifference


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(1.25, 1, "1.2"), (-3.04, 1, "−3.0"), (None, 1, "–"), (41.6, 0, "42")],
)
def test_numbers_have_a_point_and_a_true_minus(value, digits, text):
    assert sentences.number(value, digits) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (1, 2, "1.0 to 2.0"),
        (6.3, None, "6.3 or more"),
        (None, 2, "up to 2.0"),
        (None, None, "limits unknown"),
    ],
)
def test_an_open_interval_stays_open(low, high, text):
    assert sentences.span(low, high) == text


@pytest.mark.parametrize(
    ("reference", "sample", "words"),
    [
        ((40, 20, 20), (36, 20, 20), "darker"),
        ((40, 20, 20), (44, 24, 24), "lighter and more colourful"),
        ((40, 20, 20), (40, 24, 15.5), "redder"),  # from 45 to 33 degrees, chroma 28.3 to 28.6
        ((40, 20, 20), (40, 15.5, 24), "yellower"),
        ((40, 20, 20), (40.5, 20.3, 20.4), ""),  # steps under one unit
        ((40, 3, -30), (40, 12, -28), "of another hue"),  # a blue has no redder or yellower
    ],
)
def test_directions_are_named_from_one_unit_on(reference, sample, words):
    assert sentences.direction_words(reference, sample) == words


def difference(value, low=0.0, high=9.0, critical=0.8):
    return ColourDifference(delta_e=value, low=low, high=high, critical=critical)


def uptake(low, high):
    zone = ZoneUptake(difference=difference(15.0, 14.0, 16.0), dL=-5.0, dC=9.0, dH=0.0)
    zones = {"roots": zone, "mid_lengths": zone, "ends": zone}
    return Uptake(zones=zones, ratio=1.1, ratio_low=low, ratio_high=high)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (1.02, 1.2, "The ends took 1.1 times as much as the roots"),
        (0.8, 0.97, "The ends took less than the roots"),
        (0.9, 1.3, "do not show whether the ends took more"),
        (None, 1.3, "do not show whether the ends took more"),
    ],
)
def test_uptake_is_judged_by_its_interval(low, high, verdict):
    (said,) = sentences.uptake_sentences(uptake(low, high), None)

    assert verdict in said


def hair_of(subject):
    return next(hair for hair in made_analysis().hairs if hair.subject == subject)


@pytest.mark.parametrize(
    ("kept", "why"),
    [
        ((None, 0), "no photo after a wash was measured"),
        ((0, 1, 2, 3), "no photo before colouring was measured"),
        ((None, 0, 1, 2), "the hair took up too little colour"),
    ],
)
def test_why_there_is_no_figure_for_the_colour_left_is_said(kept, why):
    full = hair_of("T1")
    photos = tuple(photo for photo in full.photos if photo.row.row.wash in kept)
    hair = dataclasses.replace(full, photos=photos, fades={}, curves={})

    said = sentences.colour_left_sentence(hair)

    assert said == f"No figure is given for the colour left: {why}{said.partition(why)[2]}"
    assert why in said


def test_marked_growth_is_told_in_mm_where_the_scale_is_known():
    marks = [("5", {"px": 40.0, "mm": None}), ("8", {"px": 90.2, "mm": 12.4})]

    (said,) = sentences.regrowth_sentence(marks)

    assert "after 5 washes 40 pixels, after 8 washes 12 mm" in said
    assert sentences.regrowth_sentence([]) == ()


def curve_of(**more):
    return dataclasses.replace(hair_of("T1").curves["ends"], **more)


def test_a_refresh_that_the_photos_do_not_show_gives_its_reason_and_no_figure():
    unknown = WashRange(value=None, low=None, high=None, reason="These photos do not show when.")
    curves = {"ends": curve_of(washes_to_refresh=unknown)}
    hair = dataclasses.replace(hair_of("T1"), curves=curves)

    assert "ends no figure (these photos do not show when)" in sentences.refresh_sentence(hair)
    assert sentences.refresh_answer(hair) == ""


def test_the_studys_own_refresh_limit_is_the_one_that_is_told():
    """A limit of 30 % must not be told as half the colour."""
    known = WashRange(value=6.0, low=5.0, high=7.0)
    curves = {"ends": curve_of(washes_to_refresh=known, refresh_percent=30.0)}
    hair = dataclasses.replace(hair_of("T1"), curves=curves)

    assert "until 30 % of the colour is left: ends 5.0 to 7.0" in sentences.refresh_sentence(hair)
    assert "after 5 to 7 washes" in sentences.refresh_answer(hair)


def test_the_colour_left_is_told_as_a_person_would():
    """T1 loses 63 % in 7 washes: after 8 washes about a third is left."""
    answer = sentences.left_answer(hair_of("T1"))

    assert answer.startswith("After 8 washes about a third of the colour is left (")
    assert answer.endswith("%).")


def test_less_uptake_than_the_roots_is_not_called_porous():
    found = PorousOnset(onset=0.7, low=0.6, high=0.8, excess=-1.1, excess_low=-1.5,
                        excess_high=-0.7, is_resolved=True, against_felt="", words="")  # fmt: skip

    _, said = sentences.uptake_sentences(uptake(0.8, 0.97), found)

    assert "took less than at the roots" in said
    assert "porous" not in said


def comparison(**more):
    known = {"measure": "root_to_ends", "zone": "", "wash": "0", "treatment_a": "a",
             "treatment_b": "b", "difference": 2.0, "n_a": 6, "n_b": 6}  # fmt: skip
    return Comparison(**(known | more))


def test_a_tiny_p_is_not_printed_as_nought():
    found = comparison(low=1.0, high=3.0, p=1e-8, p_adjusted=1e-7, tests=12)

    assert "p < 0.001 over 12 tests" in sentences.comparison_sentence(found)


def test_a_comparison_without_an_interval_gives_the_reason():
    found = comparison(n_a=1, n_b=1, missing="one tress each")

    said = sentences.comparison_sentence(found)

    assert found.verdict in said
    assert said.endswith("(1 and 1 tresses).")


def test_a_difference_whose_band_is_open_is_still_called_a_difference():
    photo = hair_of("T2").photos[1]
    open_band = dataclasses.replace(photo.evenness, words=CANNOT_TELL, root_to_ends_net=None)

    said = sentences.evenness_sentence(dataclasses.replace(photo, evenness=open_band))

    assert said.startswith("Just coloured: the ends are ")
    assert CANNOT_TELL not in said


def test_a_difference_too_small_to_be_sure_is_told_with_what_would_have_shown():
    photo = hair_of("T2").photos[1]
    small = difference(0.6, 0.0, 1.9, 1.6)
    even = dataclasses.replace(photo.evenness, root_to_ends=small, root_to_ends_net=None)

    said = sentences.evenness_sentence(dataclasses.replace(photo, evenness=even))

    assert said == (
        "Just coloured: roots and ends look the same (ΔE₀₀ 0.6; a difference above 1.6 would have "
        "shown)."
    )

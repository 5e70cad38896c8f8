"""Sentences carry the figures as they are, with their intervals, and claim no more."""

from __future__ import annotations

import pytest

from hairtone.report import sentences


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


def uptake(low, high):
    return [
        {"zone": zone, "delta_e": 15.0, "low": 14.0, "high": 16.0, "ratio_ends_to_roots": 1.1,
         "ratio_low": low, "ratio_high": high}
        for zone in ("roots", "ends")
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (1.02, 1.2, "took up more than the roots"),
        (0.8, 0.97, "took up less than the roots"),
        (0.9, 1.3, "cannot be told"),
        (None, 1.3, "cannot be told"),
    ],
)
def test_uptake_is_judged_by_its_interval(low, high, verdict):
    assert verdict in sentences.uptake_sentence(uptake(low, high))


@pytest.mark.parametrize(
    ("rows", "has_before", "why"),
    [
        ([{"wash": 0}], True, "no photo after a wash was measured"),
        ([{"wash": 3}], False, "no photo before colouring was measured"),
        ([{"wash": 3}], True, "the hair took up too little colour"),
    ],
)
def test_why_the_colour_left_cannot_be_told_is_said(rows, has_before, why):
    rows = [{"zone": "roots", "colour_left": None, **row} for row in rows]

    told = sentences.colour_left_sentence(rows, has_before=has_before)

    assert told.startswith("What is left of the colour cannot be told")
    assert why in told


def test_marked_growth_is_told_in_mm_where_the_scale_is_known():
    marks = [("5", {"px": 40.0, "mm": None}), ("8", {"px": 90.2, "mm": 12.4})]

    (told,) = sentences.regrowth_sentence(marks)

    assert "after wash 5 40 pixels, after wash 8 12 mm" in told
    assert sentences.regrowth_sentence([]) == ()


def test_a_refresh_that_cannot_be_told_is_said():
    row = {"zone": "ends", "washes_to_refresh_low": None, "washes_to_refresh_high": None}

    assert sentences.refresh_sentence([row]).endswith("ends cannot be told yet.")


def test_less_uptake_than_the_roots_is_not_called_porous():
    row = {"onset": 0.7, "low": 0.6, "high": 0.8, "excess": -1.1}

    assert "took up less" in sentences.porous_sentence(row)
    assert "porous" not in sentences.porous_sentence(row)


def test_a_tiny_p_is_not_printed_as_nought():
    row = {"measure": "root_to_ends", "zone": "", "wash": "0", "treatment_a": "a",
           "treatment_b": "b", "difference": 2.0, "low": 1.0, "high": 3.0,
           "p_holm": 1e-7, "verdict": "less even", "n_a": 6, "n_b": 6}  # fmt: skip

    assert "p < 0.001" in sentences.comparison_sentence(row)


def test_a_comparison_of_single_tresses_gives_the_reason_and_no_number():
    row = {"measure": "root_to_ends", "zone": None, "wash": "0", "treatment_a": "a",
           "treatment_b": "b", "difference": None, "low": None, "high": None, "p_holm": None,
           "verdict": "one tress each", "n_a": 1, "n_b": 1}  # fmt: skip

    assert sentences.comparison_sentence(row).endswith("one tress each (1 and 1 tresses).")


def test_a_difference_whose_band_is_open_is_still_called_a_difference():
    row = {"wash": "0", "value": 2.0, "low": 0.9, "high": 2.9, "critical": 0.8, "resolved": True,
           "words": "cannot tell from these photos"}  # fmt: skip

    told = sentences.evenness_sentence(row, direction="lighter")

    assert "differ by ΔE₀₀ 2.0 (0.9 to 2.9); how visible that is cannot be told" in told
    assert ": cannot tell" not in told

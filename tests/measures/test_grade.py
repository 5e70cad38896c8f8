"""Grey-scale grades: the published scale on greys, a lock where nothing is published."""

from __future__ import annotations

import numpy as np
import pytest
from published import read_shared

from hairtone.colorimetry import delta_e
from hairtone.measures.words import (
    CANNOT_TELL,
    grade_change,
    grade_difference,
    judge_change,
    read_bands,
)
from hairtone.uncertainty import ColourDifference

GREYS = read_shared("iso105_a02_greys.csv")
LOCK = read_shared("lock_iso105_a05_DERIVED.csv")


def number_of(grade):
    """Grade as a number: 4-5 is 4.5."""
    parts = [float(part) for part in str(grade).removesuffix(".0").split("-")]
    return sum(parts) / len(parts)


def words_of(grade):
    return str(grade).removesuffix(".0")


@pytest.mark.parametrize("row", GREYS, ids=lambda r: f"grade {words_of(r['grade'])}")
def test_greys_return_the_scale_of_iso_105_a02(row):
    """By formula within 0.03 of the grade (the standard rounds its steps), by table exactly."""
    original = np.array([40.0, 0, 0])

    found = grade_change(original, [40.0 + row["difference"], 0, 0])

    assert found.gsc == pytest.approx(number_of(row["grade"]), abs=0.03)
    assert found.table == words_of(row["grade"])


@pytest.mark.parametrize("row", LOCK, ids=lambda r: r["case"])
def test_unchanged_chromatic_grades(row):
    """A lock, not a check: no published example with chroma was found. 5e-7: its 6 decimals."""
    original, treated = ([row[f"{axis}_{k}"] for axis in "Lab"] for k in "ot")

    found = grade_change(original, treated)

    assert grade_difference(original, treated) == pytest.approx(row["dEF"], abs=1e-6)
    assert found.gsc == pytest.approx(row["GSc"], abs=1e-6)
    assert found.table == words_of(row["grade_table"])


def test_table_and_formula_are_both_given_where_they_part():
    """At dE_F 0.41 the table says 4-5, the formula 4.76, nearer to 5."""
    found = grade_change([40.0, 0, 0], [40.41, 0, 0])

    assert found.table == "4-5"
    assert found.gsc > 4.75


def test_the_scale_ends_at_one():
    found = grade_change([20.0, 0, 0], [80.0, 0, 0])

    assert (found.gsc, found.table) == (1.0, "1")


def test_same_colour_is_grade_five():
    found = grade_change([40.0, 20, 20], [40.0, 20, 20])

    assert found.to_dict() == {"gsc": 5.0, "table": "5"}
    assert "5" in found._repr_html_()


BAND_OF_GRADE = {"5": 0, "4-5": 0, "4": 1, "3-4": 2, "3": 2, "2-3": 3, "2": 3, "1-2": 4, "1": 4}


def test_words_and_grade_never_contradict():
    """2000 pairs anywhere near hair: the word of a sure difference is the band of its grade. By
    ΔE00 and dE_F apart, a third of such pairs disagreed. Bands end on steps of the grey scale."""
    rng = np.random.default_rng(0)
    bands = read_bands()
    words = [word for _, word in bands.scales["change"]]
    for _ in range(2000):
        first = np.array([rng.uniform(15, 85), rng.uniform(-5, 40), rng.uniform(-5, 45)])
        second = first + rng.normal(0, 4, 3)
        value = float(delta_e(first, second))
        sure = ColourDifference(delta_e=value, low=value, high=value, critical=0.0)

        found = judge_change(first, second, sure, scale="change", bands=bands)

        assert found.words == words[BAND_OF_GRADE[found.table]]


def test_the_interval_of_a_grade_is_that_of_its_difference():
    grey, darker = [50.0, 0, 0], [46.0, 0, 0]
    value = float(delta_e(grey, darker))
    seen = ColourDifference(delta_e=value, low=value / 2, high=2 * value, critical=0.1)

    found = judge_change(grey, darker, seen, scale="evenness", bands=read_bands())

    assert (found.low, found.difference, found.high) == pytest.approx((2, 4, 8))
    assert found.gsc_low < found.gsc < found.gsc_high
    assert found.words == CANNOT_TELL

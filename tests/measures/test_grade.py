"""Grey-scale grades: the published scale on greys, a lock where nothing is published."""

from __future__ import annotations

import numpy as np
import pytest
from published import read_shared

from hairtone.measures.words import grade_change, grade_difference

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

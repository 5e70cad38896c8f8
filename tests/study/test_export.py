"""CSV tables: digits as the uncertainty supports, nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
import pytest

from hairtone.study.analysis import cell_text, decimals_for, table_text, write_tables


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [(1.1, 1), (0.32, 2), (0.05, 3), (12.0, 0), (140.0, 0), (float("nan"), 2), (0.0, 2)],
)
def test_two_digits_of_the_uncertainty_are_kept(uncertainty, decimals):
    """JCGM 100:2008, 7.2.6: at most two significant digits."""
    assert decimals_for(uncertainty) == decimals


def test_a_measurement_carries_the_digits_of_its_u95():
    frame = pd.DataFrame([{"photo": "a.jpg", "L": 41.23456, "a": -0.04, "b": 3.0, "u95": 1.2345}])

    assert table_text("measurements", frame) == "photo,L,a,b,u95\na.jpg,41.2,0.0,3.0,1.2\n"


def test_an_interval_gives_the_digits_of_its_value():
    frame = pd.DataFrame([{"value": 2.13456, "low": 1.7, "high": 2.6, "critical": 0.61234}])

    assert table_text("evenness", frame).splitlines()[1] == "2.13,1.70,2.60,0.61"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "\u00a0=1", "\r=1", "=cmd|' /C x'!A0"]
)
def test_text_that_a_spreadsheet_would_run_is_shown_instead(text):
    frame = pd.DataFrame([{"subject": text, "L": -1.0}])

    row = list(csv.reader(io.StringIO(table_text("x", frame))))[1]

    assert row[0] == f"'{text}".replace("\r", "\n")
    assert row[1] == "-1.00"


def test_missing_and_unbounded_values_are_blank():
    values = [None, np.nan, pd.NaT, np.inf, -np.inf]

    assert [cell_text(v) for v in values] == [""] * 5


def test_numbers_of_every_type_are_written_with_a_point():
    assert cell_text(np.float32(1.5), decimals=2) == "1.50"
    assert cell_text(np.int64(3)) == "3"
    assert cell_text(True) == cell_text(np.True_) == "true"
    assert cell_text(1234567.0, decimals=0) == "1234567"


def test_tables_are_written_whole(tmp_path):
    paths = write_tables({"refused": pd.DataFrame(columns=["photo", "code"])}, tmp_path)

    assert paths == (tmp_path / "refused.csv",)
    assert paths[0].read_text() == "photo,code\n"

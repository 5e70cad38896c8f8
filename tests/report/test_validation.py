"""The published checks are run, judged by their own tolerance, and fail when they should."""

from __future__ import annotations

import shutil

import pytest
from published import CHECKOUT

from hairtone.errors import StoreError
from hairtone.report.notebook import repeats_table
from hairtone.report.validation import run_checks, summary

TABLES = CHECKOUT / "shared"


@pytest.fixture(scope="module")
def checks():
    return run_checks(TABLES)


def test_every_published_value_is_met(checks):
    assert list(checks[~checks.passed].what) == []
    assert len(checks) > 100


def test_the_summary_names_each_source_once(checks):
    found = summary(checks)

    assert found.source.is_unique
    assert found["values"].sum() == len(checks)
    assert (found["worst, share of tolerance"] <= 1).all()


def test_a_wrong_published_value_is_seen(tmp_path):
    shutil.copytree(TABLES, tmp_path / "tables")
    path = tmp_path / "tables" / "ciede2000_sharma_2005.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("2.0425", "2.0435"), encoding="utf-8")

    checks = run_checks(tmp_path / "tables")

    assert list(checks[~checks.passed].what) == ["CIEDE2000, pair 1"]


def test_a_missing_table_is_told_with_the_remedy(tmp_path):
    with pytest.raises(StoreError, match="Give the checkout's folder 'shared'"):
        run_checks(tmp_path)


def test_repeats_follow_the_published_spread():
    """With SD 0.31, four repeats for ± 0.5 L*; with 0.7, eleven (t law)."""
    table = repeats_table([0.31, 0.7], goal=0.5)

    assert list(table.repeats) == [4, 11]

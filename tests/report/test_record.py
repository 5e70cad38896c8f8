"""The service record: what is filled is shown, what stands out is said, nothing is advised."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest
from report.made import made_analysis

from hairtone.report.cards import record_of
from hairtone.report.views import hairs_of
from hairtone.study.settings import Subject


def record(**subject):
    outcome = made_analysis().outcome
    rows = hairs_of(outcome)["T2", ""]
    settings = dataclasses.replace(
        outcome.study.settings, subjects={"T2": Subject(**subject)} if subject else {}
    )
    return record_of(rows, settings)


def test_filled_fields_are_shown_and_empty_ones_are_not():
    fields = dict(record().fields)

    assert fields["product"] == "training colour"
    assert fields["development"] == "20 min"
    assert fields["start and finish"] == "10:05 to 10:31"
    assert fields["felt porosity"] == "ends high"
    assert "white hair" not in fields


def test_a_tress_without_a_persons_record_gets_no_banner():
    assert record().banners == ()
    assert record(service=dt.date(2026, 3, 4)).banners == ()


@pytest.mark.parametrize(
    ("test", "service", "is_told"),
    [
        # 2 March 23:00 to 4 March 08:00 is 33 hours
        (dt.datetime(2026, 3, 2, 23), dt.datetime(2026, 3, 4, 8), True),
        (dt.datetime(2026, 3, 2, 8), dt.datetime(2026, 3, 4, 8), False),
        (dt.date(2026, 3, 2), dt.date(2026, 3, 4), True),  # dates only: three days are needed
        (dt.date(2026, 3, 1), dt.date(2026, 3, 4), False),
    ],
)
def test_under_48_hours_stands_out(test, service, is_told):
    found = record(skin_test=test, skin_test_clear=True, age_16_or_over=True, service=service)

    assert any("48 hours" in banner for banner in found.banners) is is_told


def test_under_sixteen_there_is_no_client_record():
    found = record(age_16_or_over=False)

    assert found.fields == ()
    assert "under 16" in found.banners[0]

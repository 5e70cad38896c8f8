"""study.toml: every key of the contract understood, every other one named."""

from __future__ import annotations

import datetime as dt

import pytest
from folders import series, write_study

from hairtone.errors import SheetError
from hairtone.study.settings import Subject, Treatment, Trim
from hairtone.study.sheet import read_study

WHOLE = """
title = "Lengths and leveller"
viewing = "D50/2"
chart = "chart24-before-2014-11"
chart_mm = [250, 165]
margin = 1.5
zones = [0.25, 0.75]
cautions_read = true
order = ["plain", "levelled"]
pairing = "pair"
blocks = ["batch", "operator"]
show_photos = true
keep_until = 2020-01-01
[treatments.plain]
product = "p"
shade = "s"
batch = "b"
method = "bottle"
leveller = ""
development_min = 20
section_mm = 8
[treatments.levelled]
[light]
plain_card = "photos/card.jpg"
[[known]]
photo = "photos/T1_0.jpg"
place = 3
lab = [41.2, 18.0, 12.3]
viewing = "D50/2"
u95 = 0.5
[subjects.T1]
consent = ["measure", "teach"]
age_16_or_over = true
skin_test = 2026-03-02T18:00:00
skin_test_clear = true
service = 2026-03-04
regrowth_mm_per_month = 12
trims = [{wash = 5, mm = 10}]
"""


def settings_of(folder, text, **more):
    return read_study(write_study(folder, series(), settings=text, **more)).settings


def test_every_key_of_the_contract_is_understood(tmp_path):
    found = settings_of(tmp_path, WHOLE)

    assert (found.viewing, found.chart, found.is_chart_assumed) == (
        "D50/2", "chart24-before-2014-11", False,
    )  # fmt: skip
    assert found.chart_mm == (250.0, 165.0)
    assert (found.margin, found.zones) == (1.5, (0.25, 0.75))
    assert (found.order, found.pairing) == (("plain", "levelled"), "pair")
    assert found.blocks == ("batch", "operator")
    assert found.treatments["plain"] == Treatment(
        product="p", shade="s", batch="b", method="bottle", development_min=20.0, section_mm=8.0
    )
    assert found.plain_card == "photos/card.jpg"
    assert (found.known[0].place, found.known[0].lab) == (3, (41.2, 18.0, 12.3))
    assert found.subjects["T1"] == Subject(
        consent=("measure", "teach"), age_16_or_over=True,
        skin_test=dt.datetime(2026, 3, 2, 18), skin_test_clear=True,
        service=dt.date(2026, 3, 4), regrowth_mm_per_month=12.0, trims=(Trim(wash=5, mm=10.0),),
    )  # fmt: skip
    assert found.subjects["T1"].allows("teach")
    assert not found.subjects["T1"].allows("publish")


def test_only_the_title_is_needed(tmp_path):
    found = settings_of(tmp_path, 'title = "x"\n')

    assert found.viewing == "D65/10"
    assert (found.chart, found.is_chart_assumed) == ("chart24-after-2014-11", True)
    assert found.zones == (1 / 3, 2 / 3)
    assert found.may_measure("anyone")


def test_a_day_to_keep_until_that_has_passed_is_told(tmp_path):
    study = read_study(write_study(tmp_path, series(), settings=WHOLE))

    assert any("kept until 2020-01-01" in note for note in study.notes)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("viewing = 'D65'", "one of D65/10, D65/2, D50/2"),
        ("chart_mm = [250]", "two lengths"),
        ("chart_mm = [250, -1]", "a number above 0"),
        ("margin = 'one'", "a number (with a decimal point"),
        ("margin = nan", "a number (with a decimal point"),
        ("margin = true", "a number (with a decimal point"),
        ("zones = [0.7, 0.3]", "that rise"),
        ("zones = 0.5", "two shares"),
        ("cautions_read = 'yes'", "true or false"),
        ("order = 'plain'", "a list of texts"),
        ("order = ['a', 'a']", "nothing is there twice"),
        ("order = ['other']\n[treatments.plain]", "is not a treatment of this file"),
        ("pairing = 'pairs'", "one of pair, subject"),
        ("blocks = ['lot']", "a list of batch"),
        ("keep_until = 'May'", "a date such as"),
        ("keep_until = 2026-03-02T18:00:00", "a date such as"),
        ("light = 5", "Write [light]"),
        ("known = 5", "Write [[known]]"),
        ("treatments.plain = 5", "Write [treatments.plain]"),
        ("light.plain_card = '../x.jpg'", "outside the study folder"),
        ("[[known]]\nphoto = 'photos/T1_0.jpg'", "known 1.lab: The key is missing"),
        ("[[known]]\nphoto = 'p.jpg'\nlab = [1, 2, 3]", "p.jpg is not a photo of the sheet"),
        ("[[known]]\nphoto = 'photos/T1_0.jpg'\nlab = [1, 2]", "three numbers"),
        ("[[known]]\nphoto = 'photos/T1_0.jpg'\nlab = [120, 2, 3]", "L* from 0 to 100"),
        ("[[known]]\nphoto = 'photos/T1_0.jpg'\nlab = [1, 2, 3]\nviewing = 'D50/2'",
         "cannot be converted"),
        ("[subjects.T1]\nconsent = ['all']", "a list of measure, teach, assess, publish"),
        ("[subjects.T1]\nskin_test = 'Monday'", "a date or a date and time"),
        ("[subjects.T1]\ntrims = [{wash = -1, mm = 1}]", "a whole number from 0 up"),
        ("colour = 1", "This key is not known. Known: "),
        ("marjin = 1", "Did you mean margin?"),
    ],
)  # fmt: skip
def test_a_value_that_is_none_of_the_contract_s_is_named(tmp_path, line, told):
    with pytest.raises(SheetError) as caught:
        settings_of(tmp_path, f'title = "x"\n{line}\n')

    assert told in str(caught.value)
    assert "study.toml" in str(caught.value)


READINGS = "subject,section,wash,zone,L,a,b,viewing\nT1,,0,Mid-lengths,41.2,18,12.3,D65/10\n"
NAMED = 'title = "x"\n[readings]\nfile = "readings.csv"\n'


def test_readings_of_an_instrument_are_read_by_column_name(tmp_path):
    (tmp_path / "readings.csv").write_text(READINGS)

    reading = read_study(write_study(tmp_path, series(), settings=NAMED)).readings[0]

    assert (reading.zone, reading.lab, reading.wash) == ("mid_lengths", (41.2, 18.0, 12.3), 0)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (READINGS.replace("D65/10", "D50/2"), "L*a*b* alone cannot be converted"),
        (READINGS.replace("41.2", ""), "line 2, column l: The cell is empty"),
        (READINGS.replace("Mid-lengths", "middle"), "roots or mid_lengths or ends"),
        (READINGS.replace("zone", "part"), "column zone is missing"),
        (None, "was not found"),
    ],
)
def test_readings_that_cannot_be_taken_at_their_word_are_refused(tmp_path, text, told):
    if text is not None:
        (tmp_path / "readings.csv").write_text(text)

    with pytest.raises(SheetError) as caught:
        read_study(write_study(tmp_path, series(), settings=NAMED))

    assert told in str(caught.value)

"""What results show in a notebook is text, whatever a file or a sheet is called."""

from __future__ import annotations

import numpy as np
import pytest
from report.made import SCRIPT, made_analysis

from hairtone.errors import Flag, MeasureError, PhotoError
from hairtone.report import notebook
from hairtone.result import PhotoResult, TressResult
from hairtone.uncertainty import LabEstimate


def refused():
    return PhotoResult(
        photo=f"a{SCRIPT}.jpg",
        error=PhotoError("x", f"It is {SCRIPT}.", remedy="Do this."),
        flags=(Flag(code="y", says=SCRIPT),),
        tresses=(TressResult(name="1", place=1, flags=(Flag(code="z", says=SCRIPT),)),),
    )


def views():
    return notebook.hairs(made_analysis(hostile=True))


@pytest.mark.parametrize(
    "make",
    [
        refused,
        lambda: made_analysis(hostile=True).outcome,
        lambda: notebook.findings(made_analysis(hostile=True)),
        lambda: notebook.chips(views()[0]),
        lambda: notebook.say([SCRIPT]),
    ],
    ids=["photo", "study", "findings", "chips", "say"],
)
def test_hostile_text_is_escaped(make):
    shown = make()._repr_html_()

    assert SCRIPT not in shown
    assert "&lt;script&gt;" in shown


def test_a_colour_shows_itself_with_its_uncertainty_and_viewing():
    colour = LabEstimate(
        lab=np.array([40.0, 20.0, 15.0]),
        sampling_covariance=0.01 * np.eye(3),
        draws=np.tile(np.array([40.0, 20.0, 15.0], np.float32), (4, 1)),
    )

    assert "±" in colour._repr_html_()
    assert "D65/10" in colour._repr_html_()


def test_a_hair_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(MeasureError, match="there are: T1, back left, T2, T3"):
        notebook.hair(made_analysis(), "T9")


def test_the_first_hair_is_taken_when_none_is_named():
    assert notebook.hair(made_analysis(), "").name == "T1, back left"


def test_a_table_has_only_the_columns_asked_for():
    table = notebook.table(made_analysis(), "fade", ["zone", "wash", "colour_left"])

    assert list(table.columns) == ["zone", "wash", "colour_left"]
    assert len(table) > 20

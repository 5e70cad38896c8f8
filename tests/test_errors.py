"""Errors carry what, where and remedy, across processes too."""

import pickle

from hairtone.errors import ChartError, Flag, HairtoneError


def test_an_error_reads_where_what_and_remedy():
    error = ChartError("chart-cut", "The chart is cut.", where="a.jpg", remedy="Step back.")

    assert str(error) == "a.jpg: The chart is cut. Step back."
    assert str(error.at("b.jpg")) == "b.jpg: The chart is cut. Step back."


def test_an_error_survives_the_way_between_processes():
    error = ChartError("chart-cut", "The chart is cut.", where="a.jpg", remedy="Step back.")

    back = pickle.loads(pickle.dumps(error))

    assert type(back) is ChartError
    assert isinstance(back, HairtoneError)
    assert (back.code, back.says, back.where, back.remedy) == (
        error.code,
        error.says,
        error.where,
        error.remedy,
    )


def test_a_flag_reads_as_one_sentence_after_another():
    assert str(Flag(code="x", says="It is so.", remedy="Do this.")) == "It is so. Do this."
    assert str(Flag(code="x", says="It is so.")) == "It is so."

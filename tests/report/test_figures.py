"""Figures: marks tell series apart for every eye, intervals are drawn, nothing hides."""

from __future__ import annotations

import dataclasses
import importlib
import itertools
import pkgutil
import sys
import warnings

import colour
import numpy as np
import pytest
from report.made import made_analysis, profile_of

import hairtone.measures
from hairtone.colorimetry import delta_e
from hairtone.measures.evenness import measure_evenness
from hairtone.report import figures
from hairtone.report.style import MARKS, PAPER, ZONE_MARKS
from hairtone.report.views import drawn_profile
from hairtone.showing import Shown, figure_of
from hairtone.uncertainty import ColourDifference


def lab_of(code, *, blindness=None):
    rgb = np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    if blindness:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            matrix = colour.matrix_cvd_Machado2009(blindness, 1.0)
        rgb = np.clip(matrix @ rgb, 0, 1)
    return colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb))


@pytest.mark.parametrize("blindness", [None, "Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_the_first_four_inks_stay_apart_for_every_eye(blindness):
    """Full dichromacy by Machado, Oliveira, Fernandes 2009. 10 ΔE00 is a plain difference even
    for thin lines; shapes and line styles tell the rest apart."""
    labs = [lab_of(mark.colour, blindness=blindness) for mark in MARKS[:4]]

    apart = [float(delta_e(a, b)) for a, b in itertools.combinations(labs, 2)]

    assert min(apart) > 10


def test_every_mark_has_a_shape_and_a_line_of_its_own():
    assert len({mark.shape for mark in MARKS}) == len(MARKS)
    assert len({str(mark.line) for mark in MARKS}) == len(MARKS)


def test_the_inks_of_zones_keep_apart_in_black_and_white():
    lightness = sorted(lab_of(mark.colour)[0] for mark in ZONE_MARKS.values())

    assert min(np.diff(lightness)) > 7  # L* units: a step of the grey scale is 1.7


def results():
    """Every kind of result the measures have."""
    for module in pkgutil.iter_modules(hairtone.measures.__path__):
        importlib.import_module(f"hairtone.measures.{module.name}")
    kinds = (
        k for k in Shown.__subclasses__() if getattr(sys.modules[k.__module__], k.__name__) is k
    )
    return sorted(kinds, key=lambda kind: kind.__name__)  # a dataclass with slots is made anew


@pytest.mark.parametrize("kind", results(), ids=lambda kind: kind.__name__)
def test_every_result_has_its_figure(kind):
    assert callable(figure_of(kind))


def difference(value, *, reach=0.5, critical=0.6):
    resolved = value > critical
    return ColourDifference(
        delta_e=value, low=value - reach if resolved else 0.0, high=value + reach, critical=critical
    )


def test_a_difference_that_is_not_resolved_is_drawn_hollow():
    picture = figures.figure_differences(["a", "b"], [difference(3.0), difference(0.4)])

    marks = [line for line in picture.axes[0].lines if line.get_marker() == MARKS[0].shape]
    filled = [line.get_markerfacecolor() != PAPER for line in marks]
    assert filled == [True, False]


def test_every_difference_is_drawn_with_its_interval_and_its_critical_value():
    wanted = [difference(3.0), difference(0.4)]

    picture = figures.figure_differences(["a", "b"], wanted)

    drawn = [tuple(map(float, line.get_xdata())) for line in picture.axes[0].lines]
    for found in wanted:
        assert (found.low, found.high) in drawn
        assert (found.critical, found.critical) in drawn


def test_no_data_is_said_in_words():
    picture = figures.figure_fades({})

    assert "too little uptake" in picture.axes[0].texts[0].get_text()


def test_a_fade_is_drawn_at_its_own_readings_and_its_refresh_bar_at_the_studys_limit():
    hair = made_analysis().hairs[0]
    left = [step.colour_left for step in hair.fades["roots"].steps]
    curve = dataclasses.replace(hair.curves["roots"], refresh_percent=30.0)

    picture = figures.figure_fades({"roots": hair.fades["roots"]}, {"roots": curve})

    lines = picture.axes[0].lines
    drawn = next(line for line in lines if line.get_label() == "roots")
    assert drawn.get_ydata().tolist() == left
    bars = [line for line in lines if line.get_linewidth() == 3.2]
    assert [abs(line.get_ydata()[0] - 30.0) < 3 for line in bars] == [True]


def test_a_figure_gives_the_same_file_twice():
    profiles = [drawn_profile(profile_of("T2", "0"), label="just coloured")]

    assert figures.figure_profiles(profiles).svg() == figures.figure_profiles(profiles).svg()


def test_a_profile_band_holds_sampling_and_calibration():
    """SD of L*: 0.15 along the hair and 0.6 common, 0.08 of draws; 0.62 within the 64 draws."""
    drawn = drawn_profile(profile_of("T1", "0"))

    expected = np.sqrt(0.15**2 + 0.6**2 + 0.08**2)
    # SD of 64 draws is known to 1/sqrt(128) = 9 %; three of that
    assert drawn.sd[:, 0].mean() == pytest.approx(expected, rel=0.27)


def test_common_calibration_error_leaves_the_difference_from_the_mean():
    """An even hair under a strong common error: its critical value holds only its own noise."""
    drawn = drawn_profile(profile_of("T1", "0"))

    # 0.17 a Lab axis; a length in three axes stays under 2.8 SD in 95 of 100, ΔE00 weights < 1
    assert drawn.critical.max() < 2.8 * 0.18


def test_results_draw_themselves():
    evenness = measure_evenness(profile_of("T2", "0"))

    assert evenness.plot().svg().startswith("<?xml")
    assert evenness.patchiness.plot().axes
    assert evenness.grade.plot().axes


def test_a_figure_draws_into_axes_it_is_given():
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()

    picture = figures.figure_evenness(measure_evenness(profile_of("T2", "0")), ax=ax)

    assert picture is ax.get_figure()
    assert ax.lines


def test_the_map_of_a_study_has_one_scale():
    values = np.array([[0.0, 1.0], [2.0, 3.0]])

    picture = figures.figure_map(values, ["a", "b"], top=8.0)

    assert picture.axes[0].collections[0].get_clim() == (0.0, 8.0)


def test_chips_say_their_viewing_and_that_a_screen_measures_nothing():
    picture = figures.figure_chips(np.full((1, 3, 3), 40.0), ["wash 0"], viewing="D50/2")

    said = picture.axes[0].get_xlabel()
    assert "D50/2" in said
    assert "no measuring device" in said


def test_comparisons_without_limits_are_left_out_not_drawn_as_certain():
    known = list(made_analysis().findings.comparisons)
    unknown = dataclasses.replace(known[0], low=None, high=None)

    picture = figures.figure_comparisons([*known, unknown])

    assert len(picture.axes[0].get_yticklabels()) == len(known)


@pytest.mark.parametrize("name", [r"$\frac{", "a_b^c $x$", "$"])
def test_a_label_with_signs_of_mathematics_is_shown_as_typed(name):
    """Subject codes come from the sheet; matplotlib would read two dollars as mathematics."""
    uptake = next(hair.uptake for hair in made_analysis().hairs if hair.uptake)

    picture = figures.figure_uptakes([name], [uptake])

    (axes,) = picture.axes
    (label,) = axes.get_yticklabels()
    assert name in label.get_text()
    assert not label.get_parse_math()
    assert picture.svg().startswith("<")

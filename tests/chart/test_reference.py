"""Chart references: computed like the published ones, and measured charts read strictly."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from hairtone.chart.reference import known_references, load_reference, smoothest_match
from hairtone.chart.types import GREYS, PATCH_NAMES
from hairtone.colorimetry import VIEWINGS, chroma, delta_e
from hairtone.errors import ChartError

OBSERVERS = {
    "2": "CIE 1931 2 Degree Standard Observer",
    "10": "CIE 1964 10 Degree Standard Observer",
}
PUBLISHED_EDITIONS = {
    "chart24-before-2014-11": "ColorChecker24 - Before November 2014",
    "chart24-after-2014-11": "ColorChecker24 - After November 2014",
}


@pytest.mark.parametrize("viewing", VIEWINGS.values(), ids=str)
def test_lab_of_the_measured_mean_agrees_with_colour_science(viewing):
    """Same reflectances through colour-science, integrated at 5 nm.

    Tolerance 0.03 ΔE00: white points are stated to 0.02 (ISO 105-J03).
    """
    illuminant, observer = viewing.name.split("/")
    functions = colour.MSDS_CMFS[OBSERVERS[observer]]
    light = colour.SDS_ILLUMINANTS[illuminant].copy().align(functions.shape)
    spectra = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
    shape = colour.SpectralShape(380, 780, 5)
    functions, light = functions.copy().align(shape), light.align(shape)
    ends = {"extrapolator_kwargs": {"method": "Constant", "left": None, "right": None}}
    xyz = np.array(
        [
            colour.sd_to_XYZ(s.copy().align(shape, **ends), functions, light, method="Integration")
            for s in spectra
        ]
    )
    white = colour.sd_to_XYZ(colour.sd_ones(shape), functions, light, method="Integration")
    expected = colour.XYZ_to_Lab(xyz / white[1], colour.XYZ_to_xy(white))

    found = load_reference("chart24-average30").lab(viewing)

    assert delta_e(found, expected).max() < 0.03


@pytest.mark.parametrize("name", PUBLISHED_EDITIONS)
def test_an_edition_meets_its_published_d50_lab(name):
    """Published by the maker as Lab, D50 and 2 degrees. Half its last digit is 0.005."""
    published = colour.CCS_COLOURCHECKERS[PUBLISHED_EDITIONS[name]]
    xyz = colour.xyY_to_XYZ(np.array(list(published.data.values())))
    lab = colour.XYZ_to_Lab(xyz, published.illuminant)

    found = load_reference(name).lab(VIEWINGS["D50/2"])

    assert delta_e(found, lab).max() < 0.005


@pytest.mark.parametrize("name", known_references())
def test_references_are_physical_and_their_greys_are_grey(name):
    reference = load_reference(name)

    assert reference.reflectance.min() > 0
    assert reference.reflectance.max() < 1
    for viewing in VIEWINGS.values():
        greys = reference.lab(viewing)[list(GREYS)]
        assert (np.diff(greys[:, 0]) < 0).all()
        assert chroma(greys[1:]).max() < 1.5  # the white one is published yellowish, C* 2.9


def test_the_smoothest_match_of_its_own_lab_changes_nothing():
    reference = load_reference("chart24-average30")
    viewing = VIEWINGS["D65/2"]

    same = smoothest_match(
        reference.reflectance, reference.wavelengths, reference.lab(viewing), viewing=viewing
    )

    assert same == pytest.approx(reference.reflectance, abs=1e-9)


def chart_file(folder, lines):
    path = folder / "mine.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def lab_lines(lab):
    rows = [
        f"{n},{name},{row[0]:.4f},{row[1]:.4f},{row[2]:.4f}"
        for n, (name, row) in enumerate(zip(PATCH_NAMES, lab, strict=True), start=1)
    ]
    return ["# viewing: D50/2", "# edition: mine, 2026", "patch,name,L,a,b", *rows]


def test_a_measured_chart_given_as_lab_is_read_as_approximate(tmp_path):
    lab = load_reference("chart24-before-2014-11").lab(VIEWINGS["D50/2"])
    chart_file(tmp_path, lab_lines(lab))

    mine = load_reference("mine.csv", folder=tmp_path)

    assert (mine.kind, mine.edition) == ("approximate", "mine, 2026")
    assert delta_e(mine.lab(VIEWINGS["D50/2"]), lab).max() < 1e-3  # four decimals written


def test_a_measured_chart_given_as_reflectance_keeps_its_figures(tmp_path):
    reference = load_reference("chart24-after-2014-11")
    rows = [
        ",".join([str(n), name, *(f"{value:.6f}" for value in row)])
        for n, (name, row) in enumerate(
            zip(PATCH_NAMES, reference.reflectance, strict=True), start=1
        )
    ]
    header = ",".join(["patch", "name", *(f"{w:g}" for w in reference.wavelengths)])
    chart_file(tmp_path, [header, *rows])

    mine = load_reference("mine.csv", folder=tmp_path)

    assert mine.kind == "reflectance"
    assert mine.reflectance == pytest.approx(reference.reflectance, abs=1e-6)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda lines: lines[:-1], "23 rows"),
        (lambda lines: lines[1:], "without a line '# viewing"),
        (lambda lines: [*lines[:4], lines[5], lines[4], *lines[6:]], "1 to 24"),
        (lambda lines: [*lines[:3], "1,dark skin,thirty,1,2", *lines[4:]], "'thirty' for patch 1"),
        (lambda lines: [*lines[:3], "1,dark skin,nan,1,2", *lines[4:]], "not finite"),
        (lambda lines: [*lines[:2], "patch,name,red,green,blue", *lines[3:]], "no wavelengths"),
        (lambda lines: [*lines[:2], "patch,name,500,510,520", *lines[3:]], "400 to 700 nm"),
    ],
)
def test_a_chart_file_that_is_none_says_what_is_wrong(tmp_path, spoil, says):
    lab = load_reference("chart24-before-2014-11").lab(VIEWINGS["D50/2"])
    chart_file(tmp_path, spoil(lab_lines(lab)))

    with pytest.raises(ChartError, match=says) as refused:
        load_reference("mine.csv", folder=tmp_path)

    assert "24 patches" in refused.value.remedy
    assert refused.value.where == "mine.csv"


def test_an_unknown_chart_lists_those_there_are():
    with pytest.raises(ChartError, match="chart24-before-2014-11"):
        load_reference("chart24-from-the-attic")

"""The public names are exactly these, load when asked for, and are told alike to type checkers."""

import ast

import pytest
from published import CHECKOUT

import hairtone

NAMES = {
    "CalibratedPhoto", "Calibration", "ChartReading", "ChartReference", "ColourDifference",
    "Flag", "HairMap", "HairtoneError", "LabEstimate", "LightField", "Photo", "PhotoResult",
    "Picker", "Profile", "Reading", "Strand", "TressResult", "__version__", "analyse", "calibrate",
    "change_curve", "colour_difference", "compare_treatments", "delta_e", "delta_e_94",
    "delta_e_ab", "delta_e_cmc", "find_chart", "find_crossing", "find_patches",
    "find_porous_onset", "fit_fade", "known_references", "lab_to_xyz", "leveller_effect",
    "load_reference", "map_hair", "measure", "measure_blend", "measure_evenness",
    "measure_fade", "measure_repeatability", "measure_study", "measure_uptake", "new_study",
    "open_study",
    "pick", "plan_design", "read_photo", "read_study", "repeats_needed", "show", "span_estimate",
    "tresses_needed",
    "write_report", "xyz_to_lab", "zone_estimates",
}  # fmt: skip


def test_the_public_names_are_exactly_these():
    assert set(hairtone.__all__) == NAMES


def test_type_checkers_are_told_the_same_names():
    tree = ast.parse((CHECKOUT / "hairtone" / "__init__.pyi").read_text(encoding="utf-8"))
    told = {a.asname for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) for a in n.names}

    assert told - {None} == NAMES - {"__version__"}


@pytest.mark.parametrize("name", sorted(NAMES))
def test_a_public_name_loads_and_says_what_it_is(name):
    found = getattr(hairtone, name)

    assert name == "__version__" or found.__doc__

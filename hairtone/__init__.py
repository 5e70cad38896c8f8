"""Colour figures you can trust from ordinary photographs of coloured hair.

Public names are loaded when first used, so that ``import hairtone`` costs next to nothing::

    import hairtone as ht

    result = ht.measure("tress.jpg")
"""

import logging
from typing import Final

import lazy_loader

from hairtone import showing

__version__: Final = "0.4.0"
__getattr__, __dir__, _names = lazy_loader.attach(
    __name__,
    submod_attrs={  # the same list, for type checkers, in __init__.pyi
        "calibrated": ["CalibratedPhoto", "calibrate"],
        "calibration.types": ["Calibration", "LightField"],
        "chart.finder": ["find_chart"],
        "chart.reference": ["known_references", "load_reference"],
        "colorimetry": [
            "delta_e",
            "delta_e_94",
            "delta_e_ab",
            "delta_e_cmc",
            "lab_to_xyz",
            "xyz_to_lab",
        ],
        "errors": ["Flag", "HairtoneError"],
        "chart.types": ["ChartReading", "ChartReference"],
        "hair.map": ["HairMap", "map_hair"],
        "hair.types": ["Profile", "Strand"],
        "measures.blend": ["measure_blend"],
        "measures.comparison": ["compare_treatments", "leveller_effect"],
        "measures.contrast": ["Reading"],
        "measures.design": [
            "measure_repeatability",
            "plan_design",
            "repeats_needed",
            "tresses_needed",
        ],
        "measures.evenness": ["find_patches", "measure_evenness"],
        "measures.fade": ["change_curve", "measure_fade"],
        "measures.fade_curve": ["find_crossing", "fit_fade"],
        "measures.uptake": ["find_porous_onset", "measure_uptake"],
        "measures.zones": ["span_estimate", "zone_estimates"],
        "photo.reader": ["read_photo"],
        "photo.types": ["Photo"],
        "pipeline": ["measure"],
        "report.notebook": ["open_study", "show"],
        "report.page": ["write_report"],
        "report.picker": ["Picker", "pick"],
        "result": ["PhotoResult", "TressResult"],
        "study.analysis": ["analyse"],
        "study.editing": ["new_study"],
        "study.run": ["measure_study"],
        "study.sheet": ["read_study"],
        "uncertainty": ["ColourDifference", "LabEstimate", "colour_difference"],
    },
)
__all__ = ("__version__", *_names)


def _load_figures() -> None:
    import hairtone.report.figures  # noqa: F401 - it registers what draws what


showing.load_figures_by(_load_figures)
logging.getLogger("hairtone").addHandler(logging.NullHandler())

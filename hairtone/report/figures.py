"""Every figure, one function each, and the register by which a result's ``.plot`` finds its own."""

from __future__ import annotations

from hairtone.calibrated import CalibratedPhoto
from hairtone.calibration.types import Calibration
from hairtone.hair.map import HairMap
from hairtone.hair.types import Profile
from hairtone.measures.agreement import Agreement
from hairtone.measures.blend import Blend
from hairtone.measures.comparison import Comparison, Comparisons, LevellerEffect
from hairtone.measures.design import DesignPlan, Repeatability, ScatterOf
from hairtone.measures.evenness import Evenness, Patch, Patchiness
from hairtone.measures.fade import ChangeCurve, Fade
from hairtone.measures.fade_curve import Crossing, FadeCurve, Forecast
from hairtone.measures.uptake import PorousOnset, Uptake
from hairtone.measures.words import Grade
from hairtone.measures.zones import SectionComparison
from hairtone.report.figures_along import (
    figure_calibrated_photo,
    figure_chips,
    figure_differences,
    figure_evenness,
    figure_evenness_washes,
    figure_from_mean,
    figure_hairmap,
    figure_map,
    figure_photo_result,
    figure_profile,
    figure_profiles,
    figure_tress_result,
    figure_uptakes,
)
from hairtone.report.figures_over_washes import (
    figure_agreement,
    figure_agreements,
    figure_amounts,
    figure_blend,
    figure_calibration,
    figure_changecurve,
    figure_comparison,
    figure_comparisons,
    figure_crossing,
    figure_crossings,
    figure_designplan,
    figure_fade,
    figure_fadecurve,
    figure_fades,
    figure_forecast,
    figure_grade,
    figure_intervals,
    figure_levellereffect,
    figure_patch,
    figure_patches,
    figure_patchiness,
    figure_porousonset,
    figure_repeatability,
    figure_repeats,
    figure_scatterof,
    figure_sectioncomparison,
    figure_treatments_fade,
    figure_uptake,
)
from hairtone.result import PhotoResult, TressResult
from hairtone.showing import register_figures

__all__ = [
    "figure_agreement",
    "figure_agreements",
    "figure_amounts",
    "figure_blend",
    "figure_calibrated_photo",
    "figure_calibration",
    "figure_changecurve",
    "figure_chips",
    "figure_comparison",
    "figure_comparisons",
    "figure_crossing",
    "figure_crossings",
    "figure_designplan",
    "figure_differences",
    "figure_evenness",
    "figure_evenness_washes",
    "figure_fade",
    "figure_fadecurve",
    "figure_fades",
    "figure_forecast",
    "figure_from_mean",
    "figure_grade",
    "figure_hairmap",
    "figure_intervals",
    "figure_levellereffect",
    "figure_map",
    "figure_patch",
    "figure_patches",
    "figure_patchiness",
    "figure_photo_result",
    "figure_porousonset",
    "figure_profile",
    "figure_profiles",
    "figure_repeatability",
    "figure_repeats",
    "figure_scatterof",
    "figure_sectioncomparison",
    "figure_treatments_fade",
    "figure_tress_result",
    "figure_uptake",
    "figure_uptakes",
]

register_figures(
    {
        Agreement: figure_agreement,
        Blend: figure_blend,
        CalibratedPhoto: figure_calibrated_photo,
        Calibration: figure_calibration,
        ChangeCurve: figure_changecurve,
        Comparison: figure_comparison,
        Comparisons: figure_comparisons,
        Crossing: figure_crossing,
        DesignPlan: figure_designplan,
        Evenness: figure_evenness,
        Fade: figure_fade,
        FadeCurve: figure_fadecurve,
        Forecast: figure_forecast,
        Grade: figure_grade,
        HairMap: figure_hairmap,
        LevellerEffect: figure_levellereffect,
        Patch: figure_patch,
        Patchiness: figure_patchiness,
        PhotoResult: figure_photo_result,
        PorousOnset: figure_porousonset,
        Profile: figure_profile,
        Repeatability: figure_repeatability,
        ScatterOf: figure_scatterof,
        SectionComparison: figure_sectioncomparison,
        TressResult: figure_tress_result,
        Uptake: figure_uptake,
    }
)

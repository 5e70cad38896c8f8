"""Every figure, one function each; a result's ``.plot`` finds its own here by name."""

from __future__ import annotations

from hairtone.report.figure_comparison import (
    comparison_label,
    figure_agreement_table,
    figure_calibration,
    figure_comparison,
    figure_comparison_table,
    figure_patches,
    figure_repeats_table,
)
from hairtone.report.figure_evenness import (
    figure_differences,
    figure_evenness,
    figure_evenness_washes,
    figure_uptake_table,
    row_label,
)
from hairtone.report.figure_fade import (
    figure_crossing,
    figure_fade,
    figure_fade_table,
    figure_treatments_fade,
    plain_rows,
)
from hairtone.report.figure_profile import (
    figure_chips,
    figure_from_mean,
    figure_map,
    figure_profile,
    figure_profiles,
)

__all__ = [
    "comparison_label",
    "figure_agreement_table",
    "figure_calibration",
    "figure_chips",
    "figure_comparison",
    "figure_comparison_table",
    "figure_crossing",
    "figure_differences",
    "figure_evenness",
    "figure_evenness_washes",
    "figure_fade",
    "figure_fade_table",
    "figure_from_mean",
    "figure_map",
    "figure_patches",
    "figure_profile",
    "figure_profiles",
    "figure_repeats_table",
    "figure_treatments_fade",
    "figure_uptake_table",
    "plain_rows",
    "row_label",
]

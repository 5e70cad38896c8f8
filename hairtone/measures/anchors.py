"""Zones that stay on the same hair while it grows and is trimmed."""

from __future__ import annotations

from typing import Final

from hairtone.errors import MeasureError

USUAL_GROWTH: Final = 12.7  # mm a month, half an inch; common practice
DAYS_A_MONTH: Final = 365.25 / 12


def regrowth_mm(*, days: float, mm_per_month: float = USUAL_GROWTH) -> float:
    """Hair grown in so many days. [mm]"""
    return max(days, 0.0) / DAYS_A_MONTH * mm_per_month


def anchored_span(
    start: float, stop: float, *, length_mm: float, grown_mm: float = 0.0, trimmed_mm: float = 0.0
) -> tuple[float, float]:
    """Where a span of the hair just coloured lies on the hair as it is now.

    Parameters
    ----------
    start, stop : float
        On the hair just coloured, 0 roots .. 1 ends.
    length_mm : float
        Length of the hair now. [mm]
    grown_mm : float, optional
        Regrowth since colouring, uncoloured, at the roots. [mm]
    trimmed_mm : float, optional
        Cut off the ends since colouring. [mm]

    Raises
    ------
    MeasureError
        ``span-cut-off``: nothing of the span is left. ``length-unknown``: no sound length.
    """
    before = length_mm - grown_mm + trimmed_mm
    if not (length_mm > 0 and before > 0 and grown_mm >= 0 and trimmed_mm >= 0):
        raise MeasureError(
            "length-unknown",
            f"Length {length_mm:.0f} mm, grown {grown_mm:.0f} mm, trimmed {trimmed_mm:.0f} mm do "
            "not go together.",
            remedy="Check chart_mm, the trims and the regrowth in study.toml.",
        )
    first, last = ((grown_mm + p * before) / length_mm for p in (start, stop))
    if first >= 1.0:
        raise MeasureError(
            "span-cut-off",
            f"The hair between {start:.2f} and {stop:.2f} has been trimmed off.",
            remedy="Its fade ends with the photo before the trim.",
        )
    return first, min(last, 1.0)

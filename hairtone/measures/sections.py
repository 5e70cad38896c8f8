"""Sections and quarters of one head against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from hairtone.errors import MeasureError
from hairtone.measures.pooling import check_viewing
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, LabEstimate, colour_difference


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionComparison(Shown):
    """Differences between sections, in one zone.

    Attributes
    ----------
    differences : dict of (str, str) to ColourDifference
        Every pair of sections.
    largest : tuple of str
        The pair that is furthest apart.
    """

    differences: Mapping[tuple[str, str], ColourDifference]
    largest: tuple[str, str]

    def to_frame(self) -> Any:
        """One row a pair: section_a, section_b, delta_e, low, high, critical, resolved."""
        import pandas as pd

        rows = [
            {"section_a": a, "section_b": b, **found.to_dict()}
            for (a, b), found in self.differences.items()
        ]
        return pd.DataFrame(rows)


def compare_sections(
    colours: Mapping[str, LabEstimate], *, paired: bool = False
) -> SectionComparison:
    """Sections against each other.

    Parameters
    ----------
    colours : mapping of str to LabEstimate
        Colour of one zone, or of the whole length, of each section.
    paired : bool, optional
        All from one photo or pool: row k of all draws is the same camera and light.

    Raises
    ------
    MeasureError
        ``one-section``, ``viewings-differ``.
    """
    if len(colours) < 2:
        raise MeasureError(
            "one-section",
            f"{len(colours)} section was measured.",
            remedy="Measure two sections or more to compare them.",
        )
    check_viewing(list(colours.values()))
    found = {
        (a, b): colour_difference(colours[a], colours[b], paired=paired)
        for a, b in combinations(colours, 2)
    }
    return SectionComparison(
        differences=found, largest=max(found, key=lambda pair: found[pair].delta_e)
    )

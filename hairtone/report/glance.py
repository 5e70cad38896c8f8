"""A study at a glance: for each hair its chips over the washes and what is said of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from hairtone.report.blocks import ChipTable
from hairtone.report.cards import chips_by_wash, sentences_of
from hairtone.report.source import hairs_of
from hairtone.report.tables import Tables
from hairtone.report.types import Analysis
from hairtone.report.views import HairView

MOST_HAIRS: Final = 12  # shown at a glance; our choice


def glances(analysis: Analysis) -> Iterator[tuple[str, ChipTable, tuple[str, ...]]]:
    """Name, chips and sentences of each hair that was measured, the first twelve.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    """
    tables = Tables(analysis.frames)
    outcome = analysis.outcome
    views = [
        HairView(outcome=outcome, rows=rows, tables=tables) for rows in hairs_of(outcome).values()
    ]
    for view in [view for view in views if view.measured][:MOST_HAIRS]:
        yield view.name, chips_by_wash(view, outcome.study.settings.viewing), sentences_of(view)

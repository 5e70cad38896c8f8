"""What the notebooks call: a study opened, and its figures, chips and sentences to look at."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hairtone.errors import MeasureError
from hairtone.measures.design import repeats_needed
from hairtone.report.cards import chips_along, chips_by_wash, sentences_of
from hairtone.report.figures import (
    figure_differences,
    figure_evenness_washes,
    figure_fades,
    figure_profiles,
    figure_uptakes,
)
from hairtone.report.figures_along import figure_hairmap, hair_map
from hairtone.report.findings import chips_html, findings_html, thumbnail
from hairtone.report.style import Picture
from hairtone.report.views import HairView, drawn_profiles, views_of

if TYPE_CHECKING:
    from hairtone.study.analysis import Analysis


def repeats_table(spreads: Sequence[float], *, goal: float) -> Any:
    """Repeats needed for each spread: sd, goal, repeats.

    Parameters
    ----------
    spreads : sequence of float
        Standard deviations of one reading.
    goal : float
        Half-width wanted of the 95 % interval, in the same units.
    """
    import pandas as pd

    rows = [
        {"sd": sd, "goal": goal, "repeats": repeats_needed(sd, half_width=goal)}
        for sd in spreads
        if sd
    ]
    return pd.DataFrame(rows, columns=["sd", "goal", "repeats"])


class Html:
    """A piece of HTML made here, every text in it escaped; a notebook shows it."""

    def __init__(self, text: str) -> None:
        self.text = text

    def _repr_html_(self) -> str:
        return self.text


def open_study(folder: str | Path, *, workers: int = 2) -> Analysis:
    """A study, measured (only what is new or changed) and analysed.

    Parameters
    ----------
    folder : str or Path
        The study folder.
    workers : int, optional
        Processes at a time.

    Raises
    ------
    HairtoneError
        The sheet is refused, or results cannot be kept.
    """
    from hairtone.study.analysis import analyse
    from hairtone.study.run import measure_study
    from hairtone.study.sheet import read_study

    return analyse(measure_study(read_study(folder), workers=workers), workers=workers)


def say(sentences: Iterable[str]) -> Html:
    """Sentences as paragraphs."""
    return Html("".join(f"<p>{escape(text)}</p>" for text in sentences if text))


def findings(analysis: Analysis) -> Html:
    """Every photograph with its verdict, findings and remedies."""
    return Html(findings_html(analysis.outcome, thumbnail))


def hairs(analysis: Analysis) -> list[HairView]:
    """Return the hairs of a study that were measured, in the order of its sheet."""
    return [view for view in views_of(analysis) if view.photos]


def hair(analysis: Analysis, subject: str, section: str = "") -> HairView:
    """One hair of a study.

    Raises
    ------
    MeasureError
        No such hair was measured; the message lists those there are.
    """
    known = {view.rows[0].row.hair: view for view in hairs(analysis)}
    if not subject and known:
        return next(iter(known.values()))
    try:
        return known[subject, section]
    except KeyError:
        there = ", ".join(view.name for view in known.values()) or "none"
        raise MeasureError(
            "no-such-hair",
            f"No hair {subject!r} {section!r} was measured; there are: {there}.",
            remedy="Write the subject and the section as the sheet does.",
        ) from None


def chips(view: HairView, *, by_wash: bool = False) -> Html:
    """Colour chips of one hair: roots to ends, or (`by_wash`) zones over the washes."""
    table = chips_by_wash(view) if by_wash else chips_along(view)
    return Html(f"<h4>{escape(view.name)}</h4>{chips_html(table)}")


def told(view: HairView) -> Html:
    """Everything that is said of one hair."""
    return say(sentences_of(view))


def profile_figure(view: HairView) -> Picture:
    """Colour from roots to ends before, just coloured and after the last wash."""
    return figure_profiles(
        [drawn for _, drawn in drawn_profiles(view)], zones=view.outcome.study.settings.zones
    )


def evenness_figure(view: HairView) -> Picture:
    """Draw roots to ends of one hair, wash by wash."""
    return figure_evenness_washes(view.photos)


def overview_figure(analysis: Analysis, *, wash: str = "0") -> Picture:
    """Draw roots to ends of every hair at one wash."""
    found = [
        (view.name, photo)
        for view in hairs(analysis)
        for photo in view.photos
        if photo.row.row.wash_text == wash
    ]
    return figure_differences(
        [name for name, _ in found], [photo.evenness.root_to_ends for _, photo in found]
    )


def fade_figure(view: HairView) -> Picture:
    """Draw the colour left in each zone of one hair."""
    hair = view.measures
    words = view.bands.scales["colour_left"]
    return figure_fades(hair.fades if hair else {}, hair.curves if hair else {}, words=words)


def hair_map_figure(view: HairView, *, wash: str = "0", top: float = 8.0) -> Picture:
    """Map of one hair at one wash, measured anew; `top` is the dark end of its scale. [ΔE00]"""
    return figure_hairmap(hair_map(view, wash=wash), top=top)


def uptake_figure(analysis: Analysis) -> Picture:
    """Draw the colour taken up in each zone of every hair."""
    found = [
        (view.name, view.measures.uptake)
        for view in hairs(analysis)
        if view.measures is not None and view.measures.uptake is not None
    ]
    return figure_uptakes([name for name, _ in found], [uptake for _, uptake in found])


def table(analysis: Analysis, name: str, columns: Sequence[str] = ()) -> Any:
    """A table of the study, rounded for reading.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    name : str
        Of the CSV table, without ending.
    columns : sequence of str, optional
        Only these.
    """
    frame = analysis.frames[name]
    return (frame[list(columns)] if columns else frame).round(2)

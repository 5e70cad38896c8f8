"""What notebooks call: a study opened, and its findings, figures, chips and sentences to look at.

All text that comes from a study is escaped.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Sequence
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final

from hairtone.errors import HairtoneError, MeasureError
from hairtone.measures.design import repeats_needed
from hairtone.report.blocks import ChipTable
from hairtone.report.cards import chips_along, chips_by_wash, sentences_of
from hairtone.report.figures import (
    figure_comparisons,
    figure_differences,
    figure_evenness_washes,
    figure_fades,
    figure_profiles,
    figure_repeats,
    figure_uptakes,
)
from hairtone.report.figures_along import figure_hairmap, hair_map
from hairtone.report.sentences import MARKS, STATUS_WORDS
from hairtone.report.style import Picture
from hairtone.report.views import HairView, drawn_profiles, views_of

if TYPE_CHECKING:
    from hairtone.study.analysis import Analysis
    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult


_COLOURS: Final = {"measured": "#1d5c4a", "flagged": "#7d5200", "refused": "#8c1d2f"}
_ORDER: Final = {"refused": 0, "flagged": 1, "measured": 2}
_CELL: Final = 'style="text-align:left;vertical-align:top"'  # a notebook sets tables to the right
FEW: Final = 8  # rows that are all listed, sound ones too; our choice
MOST_HAIRS: Final = 12  # shown at a glance; our choice
MOST_SHOWN: Final = 60  # photographs with a thumbnail; more would make the notebook heavy


def findings_html(outcome: StudyResult, picture: Callable[[Path], str]) -> str:
    """Every row of a study with its verdict, findings and remedies, the worst first.

    Parameters
    ----------
    outcome : StudyResult
        The measured study.
    picture : callable
        From a photo's path to the address of a thumbnail, or empty.

    Notes
    -----
    Where there are many, those with nothing against them stand together, folded away.
    """
    rows = sorted(outcome.rows, key=lambda row: _ORDER[row.status])
    sound = [row for row in rows if row.status == "measured"] if len(rows) > FEW else []
    listed = [row for row in rows if row not in sound][:MOST_SHOWN]
    folder = outcome.study.folder
    more = len(rows) - len(sound) - len(listed)
    tail = f"<p>{more} more rows; the report and the CSV files hold them.</p>" if more > 0 else ""
    counts = " · ".join(
        f'<b style="color:{_COLOURS[status]}">{MARKS[status]} {count} {STATUS_WORDS[status]}</b>'
        for status, count in outcome.counts.items()
    )
    lines = "".join(_line(row, folder, picture) for row in listed)
    head = "".join(
        f"<th {_CELL}>{word}</th>" for word in ("", "photo", "verdict", "findings, and what to do")
    )
    table = f"<table><tr>{head}</tr>{lines}</table>" if listed else ""
    room = max(0, MOST_SHOWN - len(listed))
    return f"<p>{counts}</p>{table}{tail}{_folded(sound, room, folder, picture)}"


def _folded(
    rows: Sequence[RowResult], room: int, folder: Path, picture: Callable[[Path], str]
) -> str:
    """Rows with nothing against them: pictures of as many as there is room for, and all names."""
    if not rows:
        return ""
    shown = "".join(
        f'<figure style="margin:0 10px 10px 0;width:110px;font-size:12px">'
        f"{_picture(picture(folder / row.row.photo), _name(row))}{escape(_name(row))}</figure>"
        for row in rows[:room]
    )
    rest = ", ".join(escape(_name(row)) for row in rows[room:])
    return (
        f"<details><summary>{len(rows)} with nothing against them</summary>"
        f'<div style="display:flex;flex-wrap:wrap;margin-top:8px">{shown}</div>{rest}</details>'
    )


def _line(row: RowResult, folder: Path, picture: Callable[[Path], str]) -> str:
    found = [str(row.error)] if row.error is not None else []
    found += [str(flag) for flag in row.flags if not flag.is_note]
    items = "".join(f"<li>{escape(text)}</li>" for text in found) or "<li>nothing against it</li>"
    verdict = (
        f'<b style="color:{_COLOURS[row.status]}">{MARKS[row.status]} {escape(row.status)}</b>'
    )
    cells = (
        _picture(picture(folder / row.row.photo), _name(row)),
        escape(_name(row)),
        verdict,
        f'<ul style="margin:0;padding-left:18px">{items}</ul>',
    )
    return f"<tr>{''.join(f'<td {_CELL}>{cell}</td>' for cell in cells)}</tr>"


def _name(row: RowResult) -> str:
    place = f", hair {row.row.place}" if row.row.place > 1 else ""
    return f"{row.row.photo.removeprefix('photos/')}{place}"


def _picture(address: str, name: str) -> str:
    if not address:
        return ""
    return f'<img style="width:110px" src="{escape(address)}" alt="{escape(name)}">'


def thumbnail(path: Path) -> str:
    """A photo's thumbnail as a ``data:`` address; empty where the photo cannot be read."""
    from hairtone.photo.reader import read_photo
    from hairtone.report.picker import preview_jpeg

    try:
        data = preview_jpeg(read_photo(path), longest=220)
    except (HairtoneError, OSError):
        return ""
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def results_html(analysis: Analysis) -> str:
    """Chips over the washes and the main sentences of each hair.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    """
    from hairtone.report.cards import glances
    from hairtone.report.views import views_of

    parts = []
    for name, chips, sentences in glances(views_of(analysis)[:MOST_HAIRS]):
        lines = "".join(f"<p>{escape(text)}</p>" for text in sentences if text)
        parts.append(f"<h3>{escape(name)}</h3>{chips_html(chips)}{lines}")
    return "".join(parts) or "<p>No hair was measured.</p>"


def chips_html(table: ChipTable) -> str:
    """A table of chips as HTML.

    Parameters
    ----------
    table : ChipTable
        Rows of chips.
    """
    head = "".join(f'<th style="padding:2px 6px">{escape(word)}</th>' for word in table.head)
    rows = []
    for row in table.rows:
        cells = "".join(
            f'<td style="background:{chip.colour};color:{chip.ink};padding:6px 9px;'
            f'text-align:center">{escape(chip.says)}</td>'
            if chip
            else "<td>–</td>"
            for chip in row.chips
        )
        rows.append(f'<tr><th style="text-align:left">{escape(row.label)}</th>{cells}</tr>')
    return (
        f'<p style="font-size:12px;color:#565b64">{escape(table.caption)}</p>'
        f'<table style="border-collapse:separate;border-spacing:2px"><tr><td></td>{head}</tr>'
        f"{''.join(rows)}</table>"
    )


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
    """Return a study, measured where new or changed, and analysed.

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


def sentences(view: HairView) -> Html:
    """Return everything that is said of one hair."""
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


def comparisons(analysis: Analysis) -> Html:
    """Return treatments compared, in words, and which questions have no answer."""
    from hairtone.report.tester import comparison_sentences

    return say([*comparison_sentences(analysis.findings.comparisons), *analysis.missing])


def comparison_figure(analysis: Analysis, measure: str = "root_to_ends") -> Picture:
    """Draw treatments compared by one measure."""
    found = [c for c in analysis.findings.comparisons if c.measure == measure]
    return figure_comparisons(found)


def repeats_figure(analysis: Analysis) -> Picture:
    """Draw how far readings move when the same hair is laid and photographed again."""
    return figure_repeats(analysis.findings.repeats)


def needed_repeats(analysis: Analysis, *, goal: float) -> Any:
    """Return how many repeats a goal takes, by published spreads of L* and by the study's own."""
    own = [r.scatter.sd for r in analysis.findings.repeats if r.measure == "L"]
    return repeats_table([0.31, 0.7, 1.19, *own], goal=goal)


show = SimpleNamespace(
    chips=chips,
    comparison_figure=comparison_figure,
    comparisons=comparisons,
    evenness_figure=evenness_figure,
    fade_figure=fade_figure,
    findings=findings,
    hair=hair,
    hair_map_figure=hair_map_figure,
    hairs=hairs,
    needed_repeats=needed_repeats,
    overview_figure=overview_figure,
    profile_figure=profile_figure,
    repeats_figure=repeats_figure,
    say=say,
    sentences=sentences,
    table=table,
    uptake_figure=uptake_figure,
)  # what a notebook shows of a study, under one public name

"""Findings and results of a study as small pieces of HTML for a notebook; all text escaped."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hairtone.errors import HairtoneError
from hairtone.report.blocks import ChipTable
from hairtone.report.sentences import MARKS, STATUS_WORDS

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
        told = "".join(f"<p>{escape(text)}</p>" for text in sentences if text)
        parts.append(f"<h3>{escape(name)}</h3>{chips_html(chips)}{told}")
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

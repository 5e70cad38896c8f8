"""A picker whose lines go into the study's sheet as they are drawn."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from hairtone.errors import HairtoneError
from hairtone.report.picker import Picker, pick, points_text
from hairtone.report.sheet import Sheet
from hairtone.study.paths import Folder


def picker_for(folder: Path, photo: str, say: Callable[..., None]) -> Picker:
    """A picker on one photograph of a study, beginning with what its sheet holds.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo : str
        Name from the study folder down.
    say : callable
        Gets a sentence after each change, and ``kind="wrong"`` with one that failed.

    Raises
    ------
    HairtoneError
        The photo or the sheet cannot be read.
    """
    rows = [row for row in Sheet(folder).rows if row.get("photo") == photo]
    lines = [_line(row) for row in rows]
    corners = next((_points(row["corners"]) for row in rows if row.get("corners")), None)
    picker = pick(Folder(folder).find(photo), lines=lines, corners=corners)

    def keep(_: Any) -> None:
        try:
            keep_lines(folder, photo, picker)
        except HairtoneError as error:
            say(str(error), kind="wrong")
        else:
            say("The line is in the sheet. Measure again when you are done.")

    picker.observe(keep, names=["lines", "corners"])
    return picker


def keep_lines(folder: Path, photo: str, picker: Picker) -> None:
    """Write a picker's lines, widths, marks of new growth and corners into the sheet.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo : str
        Name from the study folder down.
    picker : Picker
        What was drawn. A line of one point is none yet.

    Raises
    ------
    HairtoneError
        The sheet cannot be read or written; it is left as it was.
    """
    sheet = Sheet(folder)
    corners = picker.corners_text()
    for entry in picker.lines:
        place, points = int(entry["place"]), entry["points"]
        has_line = len(points) > 1
        if not has_line and sheet.find(photo, place=place) is None:
            continue
        width = entry.get("width")
        cells = {
            "line": points_text(points) if has_line else "",
            "width": f"{width:g}" if has_line and width else "",
            "regrowth": points_text([entry["mark"]]) if has_line and entry.get("mark") else "",
            "corners": corners,
        }
        known = {name: text for name, text in cells.items() if text or name in sheet.header}
        sheet.set(photo, known, place=place)
    sheet.save()


def _line(row: dict[str, str]) -> dict[str, Any]:
    return {
        "place": int(row.get("place") or 1),
        "points": _points(row.get("line", "")),
        "width": float(row["width"].replace(",", ".")) if row.get("width") else None,
        "mark": next(iter(_points(row.get("regrowth", ""))), None),
    }


def _points(text: str) -> list[list[float]]:
    return [[float(number) for number in pair.split(",")] for pair in text.split()]

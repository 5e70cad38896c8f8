"""photos.csv or photos.xlsx -> one `SheetRow` per hair in a photo, or every fault at once."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any, Final

from hairtone.errors import SheetError
from hairtone.study import values
from hairtone.study.faults import Faults, shown
from hairtone.study.paths import clean_name
from hairtone.study.table import RawRow, RawTable, read_csv
from hairtone.study.values import CellError, Points

SHEET_NAMES: Final = ("photos.csv", "photos.xlsx")
_SLIP: Final = 0.8  # likeness from which an unknown column may be a slip of the pen; our choice
POROSITY: Final = ("low", "normal", "high")
ELASTICITY: Final = ("good", "fair", "poor")
ROOTS: Final = ("top", "bottom", "left", "right")
_MOST_POINTS: Final = 1000  # of a drawn line; our choice
_WIDEST: Final = 100_000.0  # pixels; wider than any photo
_ZONES: Final = ("roots", "mid_lengths", "ends")

_READERS: Final[dict[str, Callable[[str], Any]]] = {
    "photo": clean_name,
    "subject": str,
    "wash": values.wash,
    "section": str,
    "place": partial(values.whole_number, least=1),
    "line": partial(values.points, least=2, most=_MOST_POINTS),
    "treatment": str,
    "replicate": partial(values.whole_number, least=1),
    "roots": partial(values.choice, among=ROOTS),
    "width": partial(values.number, low=1.0, high=_WIDEST),
    "regrowth": partial(values.points, least=1, most=1),
    "corners": values.corners,
    "session": str,
    "plain_card": clean_name,
    "date": values.date,
    **{f"porosity_{zone}": partial(values.choice, among=POROSITY) for zone in _ZONES},
    **{f"elasticity_{zone}": partial(values.choice, among=ELASTICITY) for zone in _ZONES},
    "white_percent": partial(values.number, low=0.0, high=100.0),
    "strand_test": str,
    "learner": str,
    "assessor": str,
    "start": values.time,
    "finish": values.time,
    "next_visit": values.date,
    "notes": str,
    "pair": str,
    "hair_batch": str,
    "operator": str,
    "day": str,
}
_REQUIRED: Final = ("photo", "subject", "wash")
_DATES: Final = frozenset({"date", "next_visit", "day"})
_TIMES: Final = frozenset({"start", "finish"})
COLUMNS: Final = tuple(_READERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One hair in one photo, as the sheet states it.

    Attributes
    ----------
    photo : str
        Name from the study folder down, with ``/``.
    subject, section : str
        Codes that tell which hair it is; `section` may be empty.
    wash : int or None
        None before colouring, 0 just coloured, 1, 2, … washes after.
    place : int
        Which hair in the photo, from 1.
    line, corners : tuple of points or None
        Root-to-ends line and chart corners given by hand. [pixels, xy]
    treatment : str
        Key of study.toml's treatments, or empty.
    replicate : int
        Re-comb and re-shoot number.
    roots : str or None
        Where the roots lie, for found hair.
    width : float or None
        Strip width with `line`. [pixels]
    regrowth : tuple of one point, or None
        Where on `line` new growth ends. [pixels, xy]
    session, plain_card, date
        Set-up, its card photo, the day.
    porosity_roots … day
        The service record and design columns, as text, dates and numbers.
    extra : dict of str
        Columns the contract does not know, kept as notes.
    where : str
        File and line, for messages.
    """

    photo: str
    subject: str
    wash: int | None
    section: str = ""
    place: int = 1
    line: Points | None = None
    treatment: str = ""
    replicate: int = 1
    roots: str | None = None
    width: float | None = None
    regrowth: Points | None = None
    corners: Points | None = None
    session: str = ""
    plain_card: str | None = None
    date: dt.date | None = None
    porosity_roots: str = ""
    porosity_mid_lengths: str = ""
    porosity_ends: str = ""
    elasticity_roots: str = ""
    elasticity_mid_lengths: str = ""
    elasticity_ends: str = ""
    white_percent: float | None = None
    strand_test: str = ""
    learner: str = ""
    assessor: str = ""
    start: str = ""
    finish: str = ""
    next_visit: dt.date | None = None
    notes: str = ""
    pair: str = ""
    hair_batch: str = ""
    operator: str = ""
    day: str = ""
    extra: dict[str, str] = field(default_factory=dict)
    where: str = ""

    @property
    def wash_text(self) -> str:
        """``before``, ``0``, ``1``, … as the sheet writes it."""
        return "before" if self.wash is None else str(self.wash)

    @property
    def at(self) -> str:
        """Where in the sheet, without the file: ``line 3`` or ``row 3``."""
        return self.where.partition(", ")[2]

    @property
    def hair(self) -> tuple[str, str]:
        """Subject and section: what before, 0, 1, … are joined on."""
        return self.subject, self.section

    def to_dict(self) -> dict[str, Any]:
        """The filled fields, JSON-ready, in the order of the contract."""
        out: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "wash":
                value = self.wash_text
            elif isinstance(value, dt.date):
                value = value.isoformat()
            if value not in (None, "", {}) and item.name != "where":
                out[item.name] = value
        return out


def read_sheet(folder: Path) -> tuple[tuple[SheetRow, ...], tuple[str, ...]]:
    """Rows of a study's sheet and what was understood of it.

    Parameters
    ----------
    folder : Path
        The study folder; it holds photos.csv or photos.xlsx.

    Raises
    ------
    SheetError
        With every fault found, each with file, place, column, what was seen and the remedy.
    """
    path = find_sheet(folder)
    faults = Faults(path.name)
    table = read_table(path, needs="photo", dates=_DATES, times=_TIMES, faults=faults)
    missing = [name for name in _REQUIRED if name not in table.header]
    if missing:
        raise faults.stop(
            "column-missing",
            f"The column {' and '.join(missing)} is missing; the header reads "
            f"{shown(', '.join(table.header))}.",
            f"Add the column; {', '.join(_REQUIRED)} are needed.",
        )
    if not table.rows and not faults.found:
        raise faults.stop("no-photos", "The sheet lists no photos.", "Add one row for each hair.")
    rows = [row for raw in table.rows if (row := _read_row(table, raw, faults))]
    _check_together(rows, faults)
    faults.raise_if_any()
    return tuple(rows), (*table.notes, *_understood(table, rows))


def find_sheet(folder: Path) -> Path:
    """The study's one sheet.

    Raises
    ------
    SheetError
        None there, or more than one.
    """
    if not folder.is_dir():
        raise SheetError(
            "no-study",
            f"{folder.name} is no folder.",
            where=folder.name,
            remedy="Give the folder that holds study.toml and photos.csv.",
        )
    found = [folder / name for name in SHEET_NAMES if (folder / name).is_file()]
    if len(found) == 1:
        return found[0]
    if found:
        raise SheetError(
            "which-sheet",
            "It is open which sheet is meant: photos.csv and photos.xlsx are both there.",
            where=folder.name,
            remedy="Keep one of them.",
        )
    others = sorted(p.name for p in folder.glob("*") if p.suffix.lower() in (".xls", ".ods"))
    seen = f"; {others[0]} is there" if others else ""
    raise SheetError(
        "no-sheet",
        f"There is no sheet in the study folder{seen}.",
        where=folder.name,
        remedy="Save the sheet as photos.csv (CSV UTF-8) or photos.xlsx in the study folder.",
    )


def read_table(
    path: Path, *, needs: str, dates: frozenset[str], times: frozenset[str], faults: Faults
) -> RawTable:
    """Cells of a table, text or workbook by its name."""
    if path.suffix.lower() == ".xlsx":
        from hairtone.study.workbook import read_workbook

        return read_workbook(path, dates=dates, times=times, faults=faults)
    return read_csv(path, needs=needs, faults=faults)


def _read_row(table: RawTable, raw: RawRow, faults: Faults) -> SheetRow | None:
    """One row, or None after noting what is wrong with it."""
    before = len(faults.found)
    cells: dict[str, Any] = {}
    extra: dict[str, str] = {}
    for column, text in zip(table.header, raw.cells, strict=True):
        if column not in _READERS:
            extra[column] = text
        elif text:
            cells[column] = _read_cell(column, text, raw.place, faults)
        elif column in _REQUIRED:
            faults.add(
                "cell-empty", "The cell is empty.", f"Fill in the {column}.",
                place=raw.place, column=column,
            )  # fmt: skip
    if cells.get("width") and not cells.get("line") and len(faults.found) == before:
        faults.add(
            "width-without-line", f"A width ({cells['width']:g}) is given without a line.",
            "Draw the line, or leave the width out.", place=raw.place, column="width",
        )  # fmt: skip
    if cells.get("regrowth") and not cells.get("line") and len(faults.found) == before:
        faults.add(
            "regrowth-without-line", "A mark of new growth is given without a line.",
            "Draw the line, or leave the mark out.", place=raw.place, column="regrowth",
        )  # fmt: skip
    if len(faults.found) > before:
        return None
    cells.setdefault("session", cells["date"].isoformat() if "date" in cells else "")
    return SheetRow(extra=extra, where=f"{table.file}, {raw.place}", **cells)


def _read_cell(column: str, text: str, place: str, faults: Faults) -> Any:
    try:
        value = _READERS[column](text)
    except CellError as error:
        faults.add(
            error.code, f"{shown(text)} {error.says}", error.remedy, place=place, column=column
        )
        return None
    except SheetError as error:
        faults.add(error.code, error.says, error.remedy, place=place, column=column)
        return None
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else value


def _check_together(rows: list[SheetRow], faults: Faults) -> None:
    """Rows of one photo, of one session and of one hair must agree with each other."""
    seen: dict[tuple[str, int], SheetRow] = {}
    coloured: dict[tuple[str, str], SheetRow] = {}
    for row in rows:
        twin = seen.setdefault((row.photo, row.place), row)
        if twin is not row:
            faults.add(
                "same-photo-twice",
                f"The same photo and place ({row.photo}, place {row.place}) as in {twin.at}.",
                "Remove one row, or give each hair in the photo its place 1, 2, …",
                place=row.at,
                column="photo",
            )
        if row.wash == 0 and row.treatment:
            _check_treatment(row, coloured.setdefault(row.hair, row), faults)
    for row in rows:
        if row.wash != 0 and row.treatment and row.hair in coloured:
            _check_treatment(row, coloured[row.hair], faults)
    for name in ("corners", "plain_card", "session"):
        _check_same(rows, name, lambda row: row.photo, faults)
    _check_same(rows, "plain_card", lambda row: row.session, faults)


def _check_same(
    rows: list[SheetRow], name: str, group: Callable[[SheetRow], str], faults: Faults
) -> None:
    """What is stated for one photo or session must not be stated otherwise for it."""
    first: dict[str, SheetRow] = {}
    for row in rows:
        if not getattr(row, name) or not group(row):
            continue
        other = first.setdefault(group(row), row)
        if getattr(other, name) != getattr(row, name):
            faults.add(
                "rows-disagree",
                f"{shown(group(row))} has another {name} in {other.at}.",
                f"Give it the same {name} throughout.",
                place=row.at,
                column=name,
            )


def _check_treatment(row: SheetRow, coloured: SheetRow, faults: Faults) -> None:
    if row.treatment != coloured.treatment:
        faults.add(
            "treatment-disagrees",
            f"{shown(row.treatment)} is not the treatment of this hair at wash 0 "
            f"({shown(coloured.treatment)}, {coloured.at}).",
            "One hair has one treatment: correct it, or give the hair a section of its own.",
            place=row.at,
            column="treatment",
        )


def _with_near(name: str) -> str:
    """An unknown column, with the known one it may be a slip of."""
    near = get_close_matches(name, _READERS, n=1, cutoff=_SLIP)
    return f"{name} (did you mean {near[0]}?)" if near else name


def _understood(table: RawTable, rows: list[SheetRow]) -> list[str]:
    """What was taken from the sheet, for the person to see."""
    first = rows[0]
    counts = {
        "row": len(rows),
        "photo": len({row.photo for row in rows}),
        "hair": len({row.hair for row in rows}),
    }
    told = ", ".join(f"{count} {name}{'s' * (count != 1)}" for name, count in counts.items())
    notes = [
        f"{table.file}: {told}; the first row is {first.photo}, subject {first.subject}, "
        f"wash {first.wash_text}"
    ]
    unknown = [name for name in table.header if name not in _READERS]
    if unknown:
        notes.append(f"{table.file}: kept as notes: {', '.join(map(_with_near, unknown))}")
    codes: dict[str, set[str]] = {}
    for row in rows:
        codes.setdefault(re.sub(r"[\s_-]+", "", row.subject).casefold(), set()).add(row.subject)
    notes += [
        f"{table.file}: {' and '.join(sorted(alike))} are taken as different subjects"
        for alike in codes.values()
        if len(alike) > 1
    ]
    return notes

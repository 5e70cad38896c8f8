"""Tables as people keep them, CSV or a workbook, read as text with every cell's place."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from hairtone.study.values import Faults, SheetFaults, shown

MAX_BYTES: Final = 50_000_000  # our choice: 100 000 rows need about 10 MB
MAX_ROWS: Final = 200_000  # our choice: twice the largest archive we plan for
MAX_COLUMNS: Final = 200  # our choice
MAX_CELL: Final = 20_000  # characters; a drawn line of 1 000 points needs 12 000; our choice

_SEPARATORS: Final = {",": "comma", ";": "semicolon", "\t": "tab"}
_SEP_LINE: Final = re.compile(r"\ufeff?\"?sep=(.)\"?[ \t]*(\r\n|\r|\n)", re.IGNORECASE)
_MISREAD: Final = re.compile("[ÃÂ][\u0080-\u00bf]")  # UTF-8 once read as Windows-1252
_BLANKS: Final = " \t\u00a0\u2007\u202f\u3000\ufeff\u200b"
_SAVE_AS: Final = "Save it again as “CSV UTF-8 (comma separated)” from the spreadsheet."
_MAX_UNPACKED: Final = 200_000_000  # bytes; our choice: 100 000 rows unpack to about 60 MB
_MAX_PARTS: Final = 500  # files inside the workbook; our choice
_SAFE_DIGITS: Final = 15  # what a spreadsheet keeps of a number; IEEE 754 double
_CELL: Final = re.compile(r"([A-Z]{1,3})(\d{1,7})")
_SHEET_PART: Final = re.compile(r"xl/worksheets/[^/]+\.xml")
_DAMAGED: Final = (  # what the parsers of a damaged workbook raise
    zipfile.BadZipFile, zlib.error, ElementTree.ParseError, EOFError, NotImplementedError,
    KeyError, ValueError, TypeError, AttributeError, IndexError, RuntimeError,
)  # fmt: skip
_AS_TEXT: Final = "Format the column as text and type the cell again."


@dataclass(frozen=True, slots=True, kw_only=True)
class RawRow:
    """Cells of one row, with its place for messages (``"line 3"``)."""

    place: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """A table as text.

    Attributes
    ----------
    file : str
        Name of the file, without folders.
    header : tuple of str
        Column names, lower case, blanks as ``_``; each once.
    rows : tuple of RawRow
        Each with as many cells as `header`; blank rows left out.
    notes : tuple of str
        What was understood: encoding, separator.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[RawRow, ...]
    notes: tuple[str, ...] = ()


def trim(text: str) -> str:
    """Text without blanks of any width around it."""
    return text.strip(_BLANKS + "\r\n")


def read_csv(path: Path, *, needs: str, faults: Faults) -> RawTable:
    """Cells of a text table; what is wrong with single rows is added to `faults`.

    Parameters
    ----------
    path : Path
        The file.
    needs : str
        A column it must have; the separator that shows it is the file's separator.
    faults : Faults
        Where faults that allow reading on are noted.

    Raises
    ------
    SheetError
        The file is empty, too large, of unknown encoding, or without header.
    """
    text, encoding = _decode(path, faults)
    text, declared = _take_sep_line(text)
    separator = declared or _separator(text, needs)
    lines = list(_parse(text, separator, faults, skipped=1 if declared else 0))
    if not lines:
        raise faults.stop("sheet-empty", "The sheet is empty.", "Write a header row and rows.")
    place, cells = lines[0]
    header = clean_header(cells, place=place, faults=faults)
    rows = tuple(_whole_rows(lines[1:], header, faults))
    notes = [f"{path.name}: {encoding}, separated by {_SEPARATORS.get(separator, separator)}"]
    if _MISREAD.search(text):
        notes.append(
            f"{path.name} holds signs such as {shown(_MISREAD.findall(text)[0])}: its accents "
            f"may have been damaged by an earlier program. {_SAVE_AS}"
        )
    return RawTable(file=path.name, header=header, rows=rows, notes=tuple(notes))


def _decode(path: Path, faults: Faults) -> tuple[str, str]:
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise faults.stop(
            "sheet-not-readable",
            f"The sheet cannot be opened ({error.strerror}).",
            "Check the file and its permissions.",
        ) from error
    if len(data) > MAX_BYTES:
        raise faults.stop(
            "sheet-too-large",
            f"The sheet is too large: over {MAX_BYTES // 1_000_000} MB.",
            "Split the study.",
        )
    if data[:4] == b"PK\x03\x04":
        raise faults.stop(
            "sheet-is-a-workbook",
            "The file is a workbook, not a text table.",
            "Rename it to photos.xlsx, or save it as CSV UTF-8.",
        )
    encoding, name = "utf-8-sig", "UTF-8"
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") and data[:4] != b"\xff\xfe\x00\x00":
        encoding, name = "utf-16", "UTF-16"
    try:
        return data.decode(encoding), name
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise faults.stop(
            "sheet-encoding",
            f"The encoding is neither UTF-8 nor UTF-16 (byte {data[error.start]:#04x} cannot "
            f"be read).",
            _SAVE_AS,
            place=f"line {line}",
        ) from error


def _take_sep_line(text: str) -> tuple[str, str]:
    match = _SEP_LINE.match(text)
    return (text[match.end() :], match[1]) if match else (text, "")


def _separator(text: str, needs: str) -> str:
    """The separator under which the first row shows the needed column."""
    first = re.split(r"\r\n|\r|\n", text.lstrip("\r\n"), maxsplit=1)[0][:MAX_CELL]

    def score(separator: str) -> tuple[bool, int]:
        names = [clean_column(cell) for cell in next(csv.reader([first], delimiter=separator))]
        return needs in names, len(names)

    return max(_SEPARATORS, key=score)


def _parse(
    text: str, separator: str, faults: Faults, *, skipped: int
) -> Iterator[tuple[str, list[str]]]:
    """Rows that hold anything, with their place."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    count, start = 0, 1 + skipped
    try:
        for cells in reader:
            place, start = f"line {start}", reader.line_num + 1 + skipped
            if not any(trim(cell) for cell in cells):
                continue
            count += 1
            if count > MAX_ROWS:
                raise _too_many(faults, f"too many rows: over {MAX_ROWS}", place)
            if len(cells) > MAX_COLUMNS:
                raise _too_many(faults, f"{len(cells)} columns of {MAX_COLUMNS} at most", place)
            _note_signs(cells, place, faults)
            yield place, [trim(cell) for cell in cells]
    except csv.Error as error:
        raise faults.stop(
            "sheet-quote",
            f'A quote (") is opened and never closed, or stands inside a cell ({error}).',
            "Close the quote, or write two quotes for one inside a quoted cell.",
            place=f"line {start}",
        ) from error


def _too_many(faults: Faults, what: str, place: str) -> SheetFaults:
    return faults.stop(
        "sheet-too-large", f"The sheet holds {what}.", "Split the study.", place=place
    )


def _note_signs(cells: list[str], place: str, faults: Faults) -> None:
    for number, cell in enumerate(cells, start=1):
        if len(cell) > MAX_CELL:
            faults.add(
                "cell-too-long",
                f"A cell holds {len(cell)} characters, {MAX_CELL} at most.",
                "Shorten it.",
                place=place,
                column=str(number),
            )
        bad = bad_signs(cell)
        if bad:
            faults.add(
                "control-character",
                f"{shown(cell[:200])} holds {bad}.",
                "Type the cell again; nothing of it can be trusted.",
                place=place,
                column=str(number),
            )


def bad_signs(cell: str) -> str:
    """The name of a control sign that no cell may hold, or empty."""
    if "\0" in cell:
        return "a NUL sign"
    if any((ord(c) < 32 and c not in "\t\r\n") or ord(c) == 127 for c in cell):
        return "a control sign"
    if "\ufffd" in cell:
        return "the sign for damaged text (U+FFFD)"
    return ""


def clean_column(text: str) -> str:
    """A column's name: lower case, blanks as ``_``."""
    return re.sub(r"[\s\u00a0-]+", "_", trim(text)).casefold()


def clean_header(cells: list[str], *, place: str, faults: Faults) -> tuple[str, ...]:
    """Column names; a name given twice or a gap between names is a fault.

    Raises
    ------
    SheetError
        A column is there twice, so that no row can be understood.
    """
    names = [clean_column(cell) for cell in cells]
    while names and not names[-1]:
        names.pop()
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise faults.stop(
            "column-twice",
            f"The column {', '.join(twice)} is there twice.",
            "Remove or rename one.",
            place=place,
        )
    return tuple(name or f"column_{number}" for number, name in enumerate(names, start=1))


def _whole_rows(
    lines: list[tuple[str, list[str]]], header: tuple[str, ...], faults: Faults
) -> Iterator[RawRow]:
    """Rows with as many cells as the header; others become faults."""
    for place, cells in lines:
        if any(cells[len(header) :]) or len(cells) < len(header):
            faults.add(
                "wrong-columns",
                f"The row has {len(cells)} columns, the header {len(header)}; it begins "
                f"{shown(' | '.join(cells[:3]))}.",
                "Check for a decimal comma or a comma in a text that is not in quotes, or for a "
                "missing separator.",
                place=place,
            )
            continue
        yield RawRow(place=place, cells=tuple(cells[: len(header)]))


@dataclass(slots=True)
class _Facts:
    """What the parts of a workbook hold that a plain reading of values hides."""

    merged: list[str] = field(default_factory=list)
    hidden: list[int] = field(default_factory=list)
    empty_formulas: list[str] = field(default_factory=list)


def read_workbook(
    path: Path, *, dates: frozenset[str], times: frozenset[str], faults: Faults
) -> RawTable:
    """Cells of the one filled sheet of a workbook.

    Parameters
    ----------
    path : Path
        The file.
    dates, times : frozenset of str
        Columns in which a cell may hold a date or a time.
    faults : Faults
        Where faults that allow reading on are noted.

    Raises
    ------
    SheetError
        No workbook, too large, or more than one sheet filled.
    """
    facts = _size_up(path, faults)
    for title, fact in sorted(facts.items()):
        _tell(fact, title, faults)
    faults.raise_if_any()
    title, lines = _filled_sheet(path, faults)
    number, cells = lines[0]
    header = clean_header([str(c.value or "") for c in cells], place=f"row {number}", faults=faults)
    rows = []
    for number, cells in lines[1:]:
        texts = [
            _text(cell, column=header[i] if i < len(header) else "", dates=dates, times=times,
                  faults=faults)
            for i, cell in enumerate(cells)
        ]  # fmt: skip
        if any(texts[len(header) :]):
            faults.add(
                "wrong-columns",
                f"There is text beside the columns of the header ({len(header)}).",
                "Give the column a name or remove the text.",
                place=f"row {number}",
            )
            continue
        padded = texts[: len(header)] + [""] * (len(header) - len(texts))
        rows.append(RawRow(place=f"row {number}", cells=tuple(padded)))
    return RawTable(
        file=path.name, header=header, rows=tuple(rows), notes=(f"{path.name}: sheet {title}",)
    )


def _size_up(path: Path, faults: Faults) -> dict[str, _Facts]:
    """Limits, then a streamed look at each sheet."""
    if path.stat().st_size > MAX_BYTES:
        raise faults.stop("sheet-too-large", "The workbook is too large.", "Split the study.")
    try:
        with zipfile.ZipFile(path) as book:
            parts = book.infolist()
            unpacked = sum(part.file_size for part in parts)
            if unpacked > _MAX_UNPACKED or len(parts) > _MAX_PARTS:
                raise faults.stop(
                    "sheet-too-large",
                    f"The workbook is too large: it unpacks to {unpacked / 1e6:.0f} MB in "
                    f"{len(parts)} parts, {_MAX_UNPACKED / 1e6:.0f} MB in {_MAX_PARTS} at most.",
                    "Save only the sheet itself as a new workbook or as CSV UTF-8.",
                )
            for part in parts:
                _refuse_entities(book, part, faults)
            return {
                part.filename: _look(book, part, faults)
                for part in parts
                if _SHEET_PART.fullmatch(part.filename)
            }
    except _DAMAGED as error:
        raise _damaged(error, faults) from error


def _damaged(error: Exception, faults: Faults) -> SheetFaults:
    return faults.stop(
        "not-a-workbook",
        f"The file is not a workbook, or is damaged ({type(error).__name__}: {error}).",
        "Save it again as a workbook (.xlsx), or name it photos.csv if it is text.",
    )


def _refuse_entities(book: zipfile.ZipFile, part: zipfile.ZipInfo, faults: Faults) -> None:
    if not part.filename.endswith((".xml", ".rels")):
        return
    with book.open(part) as stream:
        if b"<!DOCTYPE" in stream.read(4096):
            raise faults.stop(
                "not-a-workbook",
                f"The workbook's part {part.filename} defines entities of its own.",
                "Save it again from a spreadsheet program.",
            )


def _look(book: zipfile.ZipFile, part: zipfile.ZipInfo, faults: Faults) -> _Facts:
    """Merged, hidden and formula cells of one sheet, streamed."""
    facts, widest = _Facts(), 0
    with book.open(part) as stream:
        for _, element in ElementTree.iterparse(stream, events=("end",)):
            tag = element.tag.rsplit("}", 1)[-1]
            if tag == "mergeCell":
                facts.merged.append(element.get("ref", ""))
            elif tag == "c":
                widest = max(widest, _look_at_cell(element, facts))
            elif tag == "row":
                number = int(element.get("r") or 0)
                _refuse_size(number, widest, faults)
                if element.get("hidden") in ("1", "true") and len(element):
                    facts.hidden.append(number)
                element.clear()
    return facts


def _refuse_size(row: int, columns: int, faults: Faults) -> None:
    what, most = ("rows", MAX_ROWS) if row > MAX_ROWS else ("columns", MAX_COLUMNS)
    if row > MAX_ROWS or columns > MAX_COLUMNS:
        raise faults.stop(
            "sheet-too-large",
            f"The sheet has too many {what}: a cell is filled at row {row}, column {columns}; "
            f"{most} {what} at most.",
            "Delete the stray cell, or save only the filled part.",
            place=f"row {row}",
        )


def _look_at_cell(element: ElementTree.Element, facts: _Facts) -> int:
    """Notes a formula without value; returns the column number of a filled cell."""
    kinds = {child.tag.rsplit("}", 1)[-1]: child for child in element}
    name = element.get("r", "")
    if "f" in kinds and ("v" not in kinds or not kinds["v"].text):
        facts.empty_formulas.append(name)
    match = _CELL.fullmatch(name)
    if not match or not kinds:
        return 0
    column = 0
    for letter in match[1]:
        column = 26 * column + ord(letter) - 64
    return column


def _tell(facts: _Facts, title: str, faults: Faults) -> None:
    if facts.merged:
        faults.add(
            "merged-cells",
            f"Cells are merged ({', '.join(facts.merged[:5])}): only the first holds the value.",
            "Undo the merge and fill every row.",
        )
    if facts.hidden:
        rows = ", ".join(map(str, facts.hidden[:5]))
        faults.add(
            "hidden-rows",
            f"Rows are hidden ({rows}): they may be meant to count or not.",
            "Show them, or delete them.",
            place=f"row {facts.hidden[0]}",
        )
    for cell in facts.empty_formulas[:20]:
        row = _CELL.fullmatch(cell)
        faults.add(
            "formula",
            f"Cell {cell} holds a formula without a stored value.",
            "Replace the formula by its value.",
            place=f"row {row[2]}, cell {cell}" if row else cell,
        )


def _filled_sheet(path: Path, faults: Faults) -> tuple[str, list[tuple[int, tuple[Any, ...]]]]:
    """The one sheet that holds anything, and its filled rows."""
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
        try:
            sheets = ((sheet.title, list(_rows(sheet))) for sheet in book.worksheets)
            filled = {title: rows for title, rows in sheets if rows}
        finally:
            book.close()
    except _DAMAGED as error:
        raise _damaged(error, faults) from error
    if not filled:
        raise faults.stop("sheet-empty", "The workbook is empty.", "Fill in a header and rows.")
    if len(filled) > 1:
        raise faults.stop(
            "which-sheet",
            f"Filled are {', '.join(map(shown, filled))}: we cannot know which sheet to use.",
            "Keep one sheet in the workbook.",
        )
    return next(iter(filled.items()))


def _rows(sheet: Any) -> Iterator[tuple[int, tuple[Any, ...]]]:
    sheet.reset_dimensions()  # what the file claims of its size may be wrong
    for cells in sheet.iter_rows(max_col=MAX_COLUMNS):
        if any(cell.value not in (None, "") for cell in cells):
            number = next(cell.row for cell in cells if cell.value not in (None, ""))
            yield number, cells


def _text(
    cell: Any, *, column: str, dates: frozenset[str], times: frozenset[str], faults: Faults
) -> str:
    """A cell as the person sees it, or a fault."""
    value = cell.value
    if value is None or value == "":
        return ""
    place = f"row {cell.row}, cell {cell.coordinate}"

    def refuse(code: str, says: str) -> str:
        faults.add(code, says, _AS_TEXT, place=place, column=column)
        return ""

    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, dt.datetime | dt.date | dt.time | dt.timedelta):
        text = _date_text(value, column, dates=dates, times=times)
        return text or refuse("turned-into-date", f"The spreadsheet holds a date ({value}) here.")
    if isinstance(value, int | float):
        text = _number_text(value, cell.number_format)
        return text or refuse("rounded", f"The spreadsheet has rounded a long number ({value}).")
    text = str(value)
    if cell.data_type == "e":
        return refuse("spreadsheet-error", f"The cell shows the error {shown(text)}.")
    if len(text) > MAX_CELL or bad_signs(text):
        what = bad_signs(text) or f"{len(text)} characters, {MAX_CELL} at most"
        return refuse("control-character", f"{shown(text[:200])} holds {what}.")
    return trim(text)


def _date_text(
    value: dt.datetime | dt.date | dt.time | dt.timedelta,
    column: str,
    *,
    dates: frozenset[str],
    times: frozenset[str],
) -> str:
    if column in dates and isinstance(value, dt.datetime | dt.date):
        return value.isoformat()[:10]
    if column in times and isinstance(value, dt.datetime):
        return value.isoformat(timespec="minutes")
    if column in times and isinstance(value, dt.time):
        return value.isoformat(timespec="minutes")
    return ""


def _number_text(value: float, number_format: str) -> str:
    """A number as the person sees it: a format of zeros (``000``) shows leading zeros."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, int):
        text = str(value)
        if len(text.lstrip("-")) > _SAFE_DIGITS:
            return ""
        return text.zfill(len(number_format)) if re.fullmatch("0+", number_format) else text
    text = repr(value)
    return "" if "e" in text else text

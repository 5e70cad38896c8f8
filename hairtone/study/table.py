"""A text table (CSV) as its cells: encoding, separator and quotes settled, every cell text."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hairtone.study.faults import Faults, SheetFaults, shown

MAX_BYTES: Final = 50_000_000  # our choice: 100 000 rows need about 10 MB
MAX_ROWS: Final = 200_000  # our choice: twice the largest archive we plan for
MAX_COLUMNS: Final = 200  # our choice
MAX_CELL: Final = 20_000  # characters; a drawn line of 1 000 points needs 12 000; our choice

_SEPARATORS: Final = {",": "comma", ";": "semicolon", "\t": "tab"}
_SEP_LINE: Final = re.compile(r"\ufeff?\"?sep=(.)\"?[ \t]*(\r\n|\r|\n)", re.IGNORECASE)
_MISREAD: Final = re.compile("[ÃÂ][\u0080-\u00bf]")  # UTF-8 once read as Windows-1252
_BLANKS: Final = " \t\u00a0\u2007\u202f\u3000\ufeff\u200b"
_SAVE_AS: Final = "Save it again as “CSV UTF-8 (comma separated)” from the spreadsheet."


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

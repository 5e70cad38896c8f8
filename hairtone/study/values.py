"""Single cells of a sheet, read strictly, and the list of faults that reading collects."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
from dataclasses import dataclass
from typing import Final

from hairtone.errors import HairtoneError, SheetError

_SHOWN = 60  # characters of a cell that are repeated in a message; our choice
_MOST = 50  # faults reported at once; a sheet with more has one cause; our choice
Points = tuple[tuple[float, float], ...]
_WHOLE: Final = re.compile(r"\d{1,9}", re.ASCII)
_NUMBER: Final = re.compile(r"[+-]?\d{1,12}(?:[.,]\d{1,12})?", re.ASCII)
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_POINT: Final = re.compile(r"([+-]?\d+(?:\.\d+)?),([+-]?\d+(?:\.\d+)?)", re.ASCII)
_ISO_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_DAY_FIRST: Final = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)  # 2.3.2026
_OTHER_DATE: Final = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}", re.ASCII)
_TIME: Final = re.compile(r"([01]?\d|2[0-3]):[0-5]\d(:[0-5]\d)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong, with its place and its remedy.

    Attributes
    ----------
    file : str
        Name of the file, without folders.
    place : str
        ``"line 3"`` of a text file, ``"row 3, cell B3"`` of a workbook, or empty.
    column : str
        Name of the column or key, or empty.
    code : str
        Stable kebab-case name of the cause.
    says, remedy : str
        What is the case, with what was seen; what to do.
    """

    file: str
    place: str = ""
    column: str = ""
    code: str
    says: str
    remedy: str

    @property
    def where(self) -> str:
        """File, place and column (of study.toml: key) in one phrase."""
        kind = "key" if self.file.endswith(".toml") else "column"
        column = f"{kind} {self.column}" if self.column else ""
        return ", ".join(part for part in (self.file, self.place, column) if part)

    def __str__(self) -> str:
        return f"{self.where}: {self.says} {self.remedy}".strip()


class SheetFaults(SheetError):
    """Everything that is wrong with a sheet, all at once, one line each.

    Attributes
    ----------
    faults : tuple of Fault
        In the order of the sheet.
    """

    faults: tuple[Fault, ...] = ()

    @classmethod
    def of(cls, faults: list[Fault]) -> SheetFaults:
        """Return the error that reports these faults."""
        first = faults[0]
        if len(faults) == 1:
            error = cls(first.code, first.says, where=first.where, remedy=first.remedy)
        else:
            lines = [str(fault) for fault in faults[:_MOST]]
            left = len(faults) - len(lines)
            more = [f"and {left} more of the kind."] if left else []
            error = cls("sheet-refused", "\n".join(lines + more), remedy="")
        error.faults = tuple(faults)
        return error

    def __reduce__(self) -> tuple[object, ...]:
        """Rebuild across processes, faults included."""
        return (SheetFaults.of, (list(self.faults),))

    def at(self, where: str) -> HairtoneError:
        """The same faults; each already names its own place."""
        return self


class Faults:
    """A list of faults in the making.

    Parameters
    ----------
    file : str
        Name of the file they are about, without folders.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self.found: list[Fault] = []

    def add(self, code: str, says: str, remedy: str, *, place: str = "", column: str = "") -> None:
        """Note one fault."""
        self.found.append(
            Fault(file=self.file, place=place, column=column, code=code, says=says, remedy=remedy)
        )

    def stop(self, code: str, says: str, remedy: str, *, place: str = "") -> SheetFaults:
        """The error of a fault after which reading on makes no sense, earlier ones included."""
        self.add(code, says, remedy, place=place)
        return SheetFaults.of(self.found)

    def raise_if_any(self) -> None:
        """Report all faults noted, if there are any.

        Raises
        ------
        SheetError
            At least one fault was noted.
        """
        if self.found:
            raise SheetFaults.of(self.found)


def shown(text: str) -> str:
    """A cell's text as a message repeats it: in quotes, on one line, cut when long."""
    flat = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return f"“{flat[:_SHOWN]}…”" if len(flat) > _SHOWN else f"“{flat}”"


class CellError(ValueError):
    """A cell's text cannot be read as it stands.

    Attributes
    ----------
    code, says, remedy : str
        Cause, the fact after "…", and what to write instead.
    """

    def __init__(self, code: str, says: str, remedy: str) -> None:
        says = says if says.endswith("?") else f"{says}."
        self.code, self.says, self.remedy = code, says, remedy
        super().__init__(code, says, remedy)


def whole_number(text: str, *, least: int) -> int:
    """A whole number from `least` up.

    Raises
    ------
    CellError
        Anything else.
    """
    if not _WHOLE.fullmatch(text) or int(text) < least:
        raise CellError(
            "not-a-whole-number",
            "is not a whole number",
            f"Write a whole number from {least} up, such as {max(least, 1)}.",
        )
    return int(text)


def wash(text: str) -> int | None:
    """The wash: None for ``before``, 0 for just coloured, else how often it was washed.

    Raises
    ------
    CellError
        Anything else.
    """
    if text.casefold() == "before":
        return None
    if not _WHOLE.fullmatch(text):
        raise CellError(
            "not-a-wash",
            "is not a wash",
            "Write before, 0 (just coloured), 1, 2, …",
        )
    return int(text)


def number(text: str, *, low: float = -math.inf, high: float = math.inf) -> float:
    """A number with a decimal point or a decimal comma, between `low` and `high`.

    Raises
    ------
    CellError
        No number, a mark for thousands, or outside the limits.
    """
    if _THOUSANDS.fullmatch(text):
        raise CellError(
            "thousands-mark",
            "can be read as thousands or as decimals",
            "Write the number with a decimal point and without marks for thousands.",
        )
    if not _NUMBER.fullmatch(text):
        raise CellError(
            "not-a-number",
            "is not a number",
            "Write digits with a decimal point or comma, without unit or marks for thousands.",
        )
    value = float(text.replace(",", "."))
    if not low <= value <= high:
        raise CellError("out-of-range", f"lies outside {low:g} to {high:g}", "Check the number.")
    return value


def points(text: str, *, least: int, most: int) -> Points:
    """Points ``x,y x,y …`` in pixels, from `least` to `most` of them.

    Raises
    ------
    CellError
        Not of that form, too few or too many, or two neighbours equal.
    """
    form = "Write points as x,y with a blank between them: 120,40 118.5,300 110,900."
    found = []
    for part in text.split():
        match = _POINT.fullmatch(part)
        if not match:
            raise CellError("not-points", "is not a list of points x,y", form)
        found.append((float(match[1]), float(match[2])))
    if not least <= len(found) <= most:
        count = f"{least}" if least == most else f"{least} to {most}"
        raise CellError("wrong-points", f"holds {len(found)} points, not {count}", form)
    if any(one == two for one, two in itertools.pairwise(found)):
        raise CellError("equal-points", "holds the same point twice in a row", "Remove one.")
    return tuple(found)


def corners(text: str) -> Points:
    """Four chart corners, going round the chart without crossing.

    Raises
    ------
    CellError
        Not four points, or not a convex four-sided outline.
    """
    quad = points(text, least=4, most=4)
    turns = []
    for i in range(4):
        (ax, ay), (bx, by), (cx, cy) = quad[i], quad[(i + 1) % 4], quad[(i + 2) % 4]
        turns.append((bx - ax) * (cy - by) - (by - ay) * (cx - bx))
    if not (all(turn > 0 for turn in turns) or all(turn < 0 for turn in turns)):
        raise CellError(
            "crossed-corners",
            "does not go round the chart (the outline crosses itself or has no area)",
            "Give the corners in order round the chart, from the one beside the first patch.",
        )
    return quad


def date(text: str) -> dt.date:
    """Return the day of an ISO date (2026-03-02) or of one with dots, day first (2.3.2026).

    A time after an ISO date is left out.

    Raises
    ------
    CellError
        Any other form, or no day of the calendar.
    """
    day = re.split("[T ]", text, maxsplit=1)[0]
    iso = "Write the date as year-month-day, such as 2026-03-02, or as 2.3.2026."
    if dotted := _DAY_FIRST.fullmatch(text):
        text = day = f"{dotted[3]}-{dotted[2]:0>2}-{dotted[1]:0>2}"
    if not _ISO_DATE.fullmatch(day):
        if _OTHER_DATE.fullmatch(text):
            raise CellError(
                "date-order", "is a date, but which part is the day and which the month?", iso
            )
        raise CellError("not-a-date", "is not a date", iso)
    try:
        return dt.datetime.fromisoformat(text.replace(" ", "T")).date()
    except ValueError:
        raise CellError("no-such-date", "is a day or time that does not exist", iso) from None


def time(text: str) -> str:
    """A time of day (``9:05``, ``09:05:30``) or an ISO date and time, as text.

    Raises
    ------
    CellError
        Any other form.
    """
    if _TIME.fullmatch(text):
        return text.zfill(5) if text.count(":") == 1 else text.zfill(8)
    try:
        return dt.datetime.fromisoformat(text).isoformat(timespec="minutes")
    except ValueError:
        raise CellError(
            "not-a-time", "is not a time of day", "Write hours and minutes, such as 14:05."
        ) from None


def choice(text: str, *, among: tuple[str, ...]) -> str:
    """One of a few words, upper or lower case.

    Raises
    ------
    CellError
        Another word.
    """
    if text.casefold() not in among:
        raise CellError(
            "not-a-choice", "is not one of the words for this", f"Write {' or '.join(among)}."
        )
    return text.casefold()

"""Faults of a sheet or of study.toml, gathered so that all are told at once."""

from __future__ import annotations

from dataclasses import dataclass

from hairtone.errors import HairtoneError, SheetError

_SHOWN = 60  # characters of a cell that are repeated in a message; our choice
_MOST = 50  # faults told at once; a sheet with more has one cause; our choice


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
    """Everything that is wrong with a sheet, told at once, one line each.

    Attributes
    ----------
    faults : tuple of Fault
        In the order of the sheet.
    """

    faults: tuple[Fault, ...] = ()

    @classmethod
    def of(cls, faults: list[Fault]) -> SheetFaults:
        """The error that tells of these faults."""
        first = faults[0]
        if len(faults) == 1:
            error = cls(first.code, first.says, where=first.where, remedy=first.remedy)
        else:
            told = [str(fault) for fault in faults[:_MOST]]
            left = len(faults) - len(told)
            more = [f"and {left} more of the kind."] if left else []
            error = cls("sheet-refused", "\n".join(told + more), remedy="")
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
        """Tell of all faults noted, if there are any.

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

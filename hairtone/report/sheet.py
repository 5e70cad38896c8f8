"""Change a study's sheet from a form: cells stay text, unknown columns stay, nothing is lost."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from hairtone.errors import SheetError
from hairtone.study.files import write_atomically
from hairtone.study.new import PHOTO_ENDINGS
from hairtone.study.sheet import COLUMNS, check_columns, find_sheet, read_table
from hairtone.study.values import Faults

FORM_COLUMNS: Final = (
    "photo", "subject", "wash", "section", "place", "treatment", "replicate", "roots",
)  # fmt: skip
_WASH_IN_NAME: Final = re.compile(r"(?:^|[^a-z])(?:wash|w)[ _-]?(\d{1,2})(?!\d)", re.IGNORECASE)
_BEFORE_IN_NAME: Final = re.compile(r"(?:^|[^a-z])(?:before|untreated)(?:[^a-z]|$)", re.IGNORECASE)


class Sheet:
    """The rows of a study's photos.csv (or photos.xlsx), every cell text.

    Parameters
    ----------
    folder : Path
        The study folder.

    Attributes
    ----------
    header : list of str
        Column names.
    rows : list of dict
        Text of each cell by column name.

    Raises
    ------
    SheetError
        There is no sheet, a column is missing or misspelt, or a row does not fit the header.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = find_sheet(folder)
        faults = Faults(self.path.name)
        table = read_table(
            self.path, needs="photo", dates=frozenset(), times=frozenset(), faults=faults
        )
        check_columns(table, faults)
        faults.raise_if_any()  # a row left out here would be deleted by saving
        self.header = list(table.header)
        self.rows = [dict(zip(table.header, row.cells, strict=True)) for row in table.rows]

    def find(self, photo: str, *, place: int = 1) -> dict[str, str] | None:
        """The row of a hair in a photo, or None."""
        for row in self.rows:
            if row.get("photo") == photo and (row.get("place") or "1") == str(place):
                return row
        return None

    def set(self, photo: str, cells: Mapping[str, str], *, place: int = 1) -> None:
        """Fill cells of one row; the row is added where the sheet has none.

        Parameters
        ----------
        photo : str
            Name from the study folder down.
        cells : mapping
            Text by column; columns the sheet does not have are added to it.
        place : int, optional
            Which hair in the photo, from 1.

        Raises
        ------
        ValueError
            A column the contract does not know and the sheet does not have.
        """
        unknown = [name for name in cells if name not in COLUMNS and name not in self.header]
        if unknown:
            raise ValueError(f"The sheet has no column {', '.join(unknown)}.")
        row = self.find(photo, place=place)
        if row is None:
            first = self.find(photo) or {}
            shared = ("subject", "wash", "section", "treatment", "replicate", "session", "date")
            row = {"photo": photo, "place": str(place)}
            row.update({name: first[name] for name in shared if first.get(name)})
            self.rows.append(row)
        row.update(cells)
        for name in row:
            if name not in self.header:
                self.header.append(name)

    def add_new_photos(self) -> list[str]:
        """Add a row for each photo that lies in the study and is not listed; their names."""
        listed = {row.get("photo", "") for row in self.rows}
        found = [
            f"photos/{path.name}"
            for path in sorted((self.folder / "photos").glob("*"), key=lambda path: path.name)
            if path.suffix.lower() in PHOTO_ENDINGS and path.is_file()
        ]
        new = [name for name in found if name not in listed]
        for name in new:
            self.rows.append({"photo": name})
        return new

    def guess_from_names(self) -> int:
        """Fill empty subjects and washes from file names such as ``T1_wash3``; how many rows.

        A guess for a person to look at: nothing that is filled in is changed.
        """
        count = 0
        for row in self.rows:
            subject, wash = _guess(Path(row.get("photo", "")).stem)
            before = dict(row)
            if not row.get("wash") and wash:
                row["wash"] = wash
            if not row.get("subject") and subject:
                row["subject"] = subject
            count += row != before
        return count

    def save(self) -> Path:
        """Write the sheet whole or not at all; returns the file.

        Raises
        ------
        StoreError
            The disk is full or the folder cannot be written to; the old sheet is untouched.
        SheetError
            The sheet is a workbook: a spreadsheet program has to change it.
        """
        if self.path.suffix.lower() == ".xlsx":
            raise SheetError(
                "workbook-not-written",
                "The sheet is a workbook; only photos.csv is changed from here.",
                where=self.path.name,
                remedy="Save it as photos.csv (CSV UTF-8) from the spreadsheet and take "
                "photos.xlsx away, or fill it in there.",
            )
        text = io.StringIO()
        writer = csv.DictWriter(text, self.header, restval="", lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(self.rows)
        write_atomically(self.path, "\ufeff" + text.getvalue())
        return self.path


def _guess(stem: str) -> tuple[str, str]:
    """Subject and wash that a file name seems to tell; empty where it does not."""
    wash = ""
    found = _WASH_IN_NAME.search(stem)
    if found:
        wash = str(int(found[1]))
    elif match := _BEFORE_IN_NAME.search(stem):
        wash, found = "before", match
    subject = stem[: found.start()] if found else ""
    return subject.strip(" _-"), wash


def set_title_and_chart(folder: Path, keys: Mapping[str, str]) -> None:
    """Set keys at the top of study.toml, all else in it left as it is.

    Parameters
    ----------
    folder : Path
        The study folder.
    keys : mapping
        Of ``title``, ``viewing`` and ``chart``, texts.

    Raises
    ------
    StoreError
        The folder cannot be written to.
    """
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8-sig") if path.exists() else 'title = "A study"\n'
    head, table, rest = _split_at_first_table(text)
    for name, value in keys.items():
        quoted = '"' + re.sub(r'["\\\x00-\x1f\x7f]', "", value) + '"'
        line = f"{name} = {quoted}"
        pattern = re.compile(rf"^[ \t]*(?:#[ \t]*)?{name}[ \t]*=.*$", re.MULTILINE)
        if pattern.search(head):
            head = pattern.sub(lambda _, line=line: line, head, count=1)  # type: ignore[misc]
        else:
            head = f"{head.rstrip()}\n{line}\n"
    write_atomically(path, head + table + rest)


def _split_at_first_table(text: str) -> tuple[str, str, str]:
    """What stands before the first ``[table]``, and the rest."""
    found = re.search(r"^[ \t]*(?:#[ \t]*)?\[", text, re.MULTILINE)
    return (text, "", "") if found is None else (text[: found.start()], "", text[found.start() :])

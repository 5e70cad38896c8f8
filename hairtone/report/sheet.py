"""Change a study's sheet from a form: cells stay text, unknown columns stay, nothing is lost."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

from hairtone.errors import HairtoneError, SheetError
from hairtone.study.files import sha256_of, write_atomically
from hairtone.study.new import PHOTO_ENDINGS, copy_photos, list_photos
from hairtone.study.settings import read_settings
from hairtone.study.sheet import COLUMNS, check_columns, find_sheet, read_table
from hairtone.study.values import CellError, Faults, shown
from hairtone.study.values import wash as read_wash

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
        self._seen = sha256_of(self.path)
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
            The sheet is a workbook, which a spreadsheet program has to change; or the file is
            another one by now than was read: it is left as it is.
        """
        if self.path.suffix.lower() == ".xlsx":
            raise SheetError(
                "workbook-not-written",
                "The sheet is a workbook; only photos.csv is changed from here.",
                where=self.path.name,
                remedy="Save it as photos.csv (CSV UTF-8) from the spreadsheet and take "
                "photos.xlsx away, or fill it in there.",
            )
        if not self.path.is_file() or sha256_of(self.path) != self._seen:
            raise SheetError(
                "sheet-changed",
                "The sheet was changed by another program meanwhile. Nothing was written.",
                where=self.path.name,
                remedy="Look at what it holds now, and make the change again.",
            )
        text = io.StringIO()
        writer = csv.DictWriter(text, self.header, restval="", lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(self.rows)
        write_atomically(self.path, "\ufeff" + text.getvalue())
        self._seen = sha256_of(self.path)
        return self.path


# what a later photo of the same hair takes over from the one before; our choice
CARRIED: Final = (
    "subject", "section", "place", "treatment", "roots", "white_percent", "pair", "hair_batch",
    "operator", "learner", "assessor",
)  # fmt: skip


def next_wash(rows: Sequence[Mapping[str, str]]) -> str:
    """Return the wash that the next photos most likely show: before, 0, or one more than the last.

    Parameters
    ----------
    rows : sequence of mapping
        Texts of the sheet.
    """
    washes = [row.get("wash", "").strip().casefold() for row in rows]
    numbers = [int(wash) for wash in washes if wash.isdigit()]
    if numbers:
        return str(max(numbers) + 1)
    return "0" if "before" in washes else "before"


def add_photos(
    folder: Path, photos: Iterable[str | Path], *, wash: str | None = None
) -> list[dict[str, str]]:
    """Put later photos into a study, what is known of the hair filled in; return their rows.

    One photo for each hair that the sheet knows, in its order; where there is one hair only, more
    photos are repeats of it.

    Parameters
    ----------
    folder : Path
        The study folder.
    photos : iterable of str or Path
        Photographs, or folders that hold them.
    wash : str, optional
        ``before``, ``0``, ``1``, …; without it, one more than the last.

    Raises
    ------
    HairtoneError
        A photo is not there, the number of photos does not fit the hairs, or the study cannot be
        read or written. Nothing was changed.
    """
    sheet = Sheet(folder)
    sources = list_photos(photos)
    now = next_wash(sheet.rows) if wash is None else _checked_wash(wash)
    shots = _shots(sheet, folder)
    if len(shots) > 1 and len(shots) != len(sources):
        raise SheetError(
            "photos-do-not-fit",
            f"The study has {len(shots)} hairs or sections, and {len(sources)} photos were named.",
            where=folder.name,
            remedy=f"Name one photo for each, in this order: "
            f"{', '.join(_hair_words(rows[0]) for rows in shots)}. Or add them on the desk.",
        )
    before = {path.name for path in (folder / "photos").glob("*")}
    names = copy_photos(folder / "photos", sources)
    added: list[dict[str, str]] = []
    try:
        for number, name in enumerate(names):
            repeat = _replicate(sheet.rows, shots[0][0], now) if len(shots) == 1 else ""
            for old in shots[number] if len(shots) > 1 else shots[0]:
                row = {key: old[key] for key in CARRIED if old.get(key)}
                row |= {"photo": f"photos/{name}", "wash": now, "date": _day(folder, name)}
                row |= {"replicate": repeat} if repeat else {}
                added.append(row)
                sheet.rows.append(row)
        sheet.header += [k for row in added for k in row if k not in sheet.header]
        sheet.header = list(dict.fromkeys(sheet.header))
        sheet.save()
    except BaseException:
        for name in set(names) - before:
            (folder / "photos" / name).unlink(missing_ok=True)
        raise
    return added


def _checked_wash(text: str) -> str:
    try:
        read_wash(text)
    except CellError as error:
        raise SheetError(error.code, f"{shown(text)} {error.says}", remedy=error.remedy) from None
    return text.casefold()


def _shots(sheet: Sheet, folder: Path) -> list[list[dict[str, str]]]:
    """The last rows of every hair, those of one photo together, in the order of the sheet."""
    last: dict[tuple[str, str], dict[str, str]] = {}
    for row in sheet.rows:
        if not row.get("subject") or not row.get("wash"):
            raise SheetError(
                "row-not-filled", f"{row.get('photo')} has no subject or no wash yet.",
                where=sheet.path.name, remedy="Fill it in first: later photos take over from it.",
            )  # fmt: skip
        last[row["subject"], row.get("section", "")] = row
    if not last:
        subjects = list(read_settings(folder).subjects)
        if len(subjects) != 1:
            raise SheetError(
                "no-photo-yet", "The sheet lists no photo yet.", where=folder.name,
                remedy="Write the first rows into photos.csv, or begin on the desk.",
            )  # fmt: skip
        return [[{"subject": subjects[0]}]]
    grouped: dict[str, list[dict[str, str]]] = {}
    for row in last.values():
        grouped.setdefault(row.get("photo", ""), []).append(row)
    return list(grouped.values())


def _hair_words(row: Mapping[str, str]) -> str:
    return " ".join(filter(None, (row.get("subject", ""), row.get("section", ""))))


def _replicate(rows: Sequence[Mapping[str, str]], like: Mapping[str, str], wash: str) -> str:
    alike = [
        row for row in rows
        if row.get("wash") == wash and row.get("subject") == like.get("subject")
        and row.get("section", "") == like.get("section", "")
        and (row.get("place") or "1") == (like.get("place") or "1")
    ]  # fmt: skip
    return str(len(alike) + 1) if alike else ""


def _day(folder: Path, name: str) -> str:
    """The day the camera wrote into a photo; empty where it wrote none or the photo is refused."""
    from hairtone.photo.reader import read_photo

    try:
        return read_photo(folder / "photos" / name).exposure.taken[:10]
    except HairtoneError:
        return ""  # whether the photo can be used is said when it is checked


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

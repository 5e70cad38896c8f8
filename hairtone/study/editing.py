"""Make and change a study: a new folder, photos and rows put in, a subject taken out."""

from __future__ import annotations

import csv
import io
import re
import shutil
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hairtone.errors import HairtoneError, PhotoError, SheetError, StoreError
from hairtone.study.files import clean_name, sha256_of, storage_error, write_atomically
from hairtone.study.settings import read_settings
from hairtone.study.sheet import COLUMNS, Study, check_columns, find_sheet, read_table
from hairtone.study.store import Store, stray_copies
from hairtone.study.values import CellError, Faults, shown
from hairtone.study.values import wash as read_wash

PHOTO_ENDINGS: Final = frozenset(
    {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp"}
    | {".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2"}
)
_HEADER: Final = (
    "photo", "subject", "wash", "section", "place", "treatment", "replicate", "roots", "date",
    "porosity_roots", "porosity_mid_lengths", "porosity_ends", "notes",
)  # fmt: skip
_SETTINGS: Final = """\
# Everything but title is optional; take the # away where you fill a line in.
title = "{title}"
# viewing = "D65/10"                  # or "D65/2", "D50/2"
# chart = "chart24-after-2014-11"     # the date is on the chart's back; see: hairtone charts
# chart_mm = [250, 165]               # outside of the patch field, as you measure it
# cautions_read = true
# [treatments.plain]                  # one table for each word of the column treatment
# product = "…"
# method = "bottle"
# development_min = 20
# [subjects.T1]                       # codes, never names
# consent = ["measure", "teach", "assess", "publish"]
"""
FORM_COLUMNS: Final = (
    "photo", "subject", "wash", "section", "place", "treatment", "replicate", "roots",
)  # fmt: skip
_WASH_IN_NAME: Final = re.compile(r"(?:^|[^a-z])(?:wash|w)[ _-]?(\d{1,2})(?!\d)", re.IGNORECASE)
_BEFORE_IN_NAME: Final = re.compile(r"(?:^|[^a-z])(?:before|untreated)(?:[^a-z]|$)", re.IGNORECASE)
# what a later photo of the same hair takes over from the one before; our choice
CARRIED: Final = (
    "subject", "section", "place", "treatment", "roots", "white_percent", "pair", "hair_batch",
    "operator", "learner", "assessor",
)  # fmt: skip
_EXPORTS: Final = ("*.csv", "*.html", "*.pdf", "*.json", "*.png", "*.svg", "*.ipynb")
_FOLDERS: Final = ("figures", "crops", "cache", "previews")
_MOST_CODES: Final = 20  # named in an error; our choice
_OLD_STORES: Final = "results-schema*.sqlite"


def new_study(folder: str | Path, photos: Iterable[str | Path]) -> Path:
    """Make a study folder with copies of photos, and a sheet and study.toml to fill in.

    Photos that already lie in the folder's ``photos`` are listed too.

    Parameters
    ----------
    folder : str or Path
        The new study folder.
    photos : iterable of str or Path
        Photographs to copy in; their bytes are not changed. A folder stands for all photographs
        in it.

    Returns
    -------
    Path
        The folder, with ``photos.csv`` and ``study.toml``.

    Raises
    ------
    SheetError
        The folder is a study already.
    PhotoError
        A photo is not there.
    StoreError
        The folder cannot be written to.
    """
    folder = Path(folder)
    _refuse_study(folder)
    copy_photos(folder / "photos", list_photos(photos))
    title = re.sub(r'["\\\x00-\x1f]', "", unicodedata.normalize("NFC", folder.resolve().name))
    write_atomically(folder / "study.toml", _SETTINGS.format(title=title or "A study"))
    write_atomically(folder / "photos.csv", "\ufeff" + _sheet(folder / "photos"))
    return folder


def list_photos(named: Iterable[str | Path]) -> list[Path]:
    """Return the photographs that were named; a folder stands for all in it, by name.

    Parameters
    ----------
    named : iterable of str or Path
        Photographs and folders. Upper and lower case of endings are the same.

    Raises
    ------
    PhotoError
        One is not there, or a folder holds no photograph.
    """
    found: list[Path] = []
    for path in map(Path, named):
        inside = [path]
        if path.is_dir():
            inside = sorted(
                file for file in path.iterdir()
                if file.suffix.lower() in PHOTO_ENDINGS and file.is_file()
                and not file.name.startswith(".")
            )  # fmt: skip
            if not inside:
                raise PhotoError(
                    "no-photos", "There is no photograph in this folder.", where=path.name,
                    remedy="Name the folder that holds them.",
                )  # fmt: skip
        elif not path.is_file():
            raise PhotoError(
                "not-found", "There is no such photo.", where=path.name, remedy="Check the name.",
            )  # fmt: skip
        found += inside
    return found


def copy_photos(target: Path, sources: Iterable[Path]) -> list[str]:
    """Copy photographs into a folder, each under a free name, and return these names.

    Those that lie there already keep their name.

    Raises
    ------
    StoreError
        One cannot be read, or the folder cannot be written to.
    """
    taken = {path.name.casefold() for path in target.glob("*")}
    names = []
    for source in sources:
        name = source.name
        if source.resolve().parent != target.resolve():
            name = free_name(source.name, taken)
            try:
                data = source.read_bytes()
            except OSError as error:
                raise storage_error(error, source) from error
            write_atomically(target / name, data)
        names.append(name)
    return names


def _refuse_study(folder: Path) -> None:
    for name in ("study.toml", "photos.csv", "photos.xlsx"):
        if (folder / name).exists():
            raise SheetError(
                "study-exists",
                f"The folder holds a study already ({name}).",
                where=folder.name,
                remedy="Choose another folder, or add rows to its sheet.",
            )


def _sheet(photos: Path) -> str:
    """Header and one row per photo, to be filled in."""
    text = io.StringIO()
    writer = csv.DictWriter(text, _HEADER, restval="", lineterminator="\r\n")
    writer.writeheader()
    for path in sorted(photos.glob("*"), key=lambda path: path.name):
        if path.suffix.lower() in PHOTO_ENDINGS and path.is_file():
            writer.writerow({"photo": f"photos/{path.name}"})
    return text.getvalue()


def free_name(name: str, taken: set[str]) -> str:
    """Return a name that every system allows, that no spreadsheet runs, and that is not taken.

    Parameters
    ----------
    name : str
        The file's own name.
    taken : set of str
        Names in the folder, case-folded; the new one is put in.
    """
    safe = name.encode("utf-8", "backslashreplace").decode("utf-8")  # bytes that are no UTF-8
    safe = unicodedata.normalize("NFC", safe)
    safe = "".join("_" if unicodedata.category(c) == "Cc" or c in ":\\/" else c for c in safe)
    stem, ending = Path(safe).stem.strip(". ")[:100], Path(safe).suffix.strip()
    if stem[:1] in ("=", "+", "-", "@", ""):
        stem = f"photo{stem}"
    try:
        clean_name(f"{stem}{ending}")
    except SheetError:
        stem = f"photo_{stem}"
    free, number = f"{stem}{ending}", 2
    while free.casefold() in taken:
        free, number = f"{stem}-{number}{ending}", number + 1
    taken.add(free.casefold())
    return free


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Purged:
    """What was removed of a subject, and what only a person can remove.

    Attributes
    ----------
    subject : str
        The code.
    photos : tuple of str
        Photos whose results were removed from the store.
    exports : tuple of str
        Files and folders removed from ``results``; the next report makes them anew.
    rows : tuple of str
        Places in the sheet (``line 3``) that still name the subject.
    copies : tuple of str
        Files beside the store that may still hold the subject.
    is_named : bool
        The sheet or study.toml still names the subject.
    """

    subject: str
    photos: tuple[str, ...]
    exports: tuple[str, ...]
    rows: tuple[str, ...]
    copies: tuple[str, ...]
    is_named: bool = True

    def __str__(self) -> str:
        whose = "" if self.is_named else " that the sheet no longer names"
        said = [
            f"Subject {self.subject}: results of {len(self.photos)} photos{whose} and "
            f"{len(self.exports)} written files were removed."
        ]
        if self.rows:
            said.append(
                f"Still there, for you to remove: {len(self.rows)} rows of the sheet "
                f"({', '.join(self.rows[:5])}{' …' if len(self.rows) > 5 else ''}), their photos, "
                f"and [subjects.{self.subject}] of study.toml."
            )
        if self.copies:
            said.append(f"Look at these copies yourself: {', '.join(self.copies)}.")
        said.append("Reports written to another folder with --out are not reached.")
        return " ".join(said)


def purge_subject(study: Study, subject: str) -> Purged:
    """Remove a subject from a study's store, backup, exports and caches.

    Results of photos that the sheet no longer names go as well: nobody knows whose they are.
    Photos and sheet are never altered.

    Parameters
    ----------
    study : Study
        From `read_study`.
    subject : str
        The code.

    Raises
    ------
    SheetError
        ``subject-unknown``: neither the sheet nor study.toml names it, and no result is left of
        photos that the sheet names no more. Nothing is touched.
    StoreError
        Another run is writing, or the folder cannot be written to.
    """
    folder = study.folder / "results"
    known = {row.subject for row in study.rows} | set(study.settings.subjects)
    if subject not in known and not _forgotten(study):
        raise _unknown(study, subject, known)
    rows = [row for row in study.rows if row.subject == subject]
    named = {row.photo for row in rows}
    listed = {row.photo for row in study.rows}
    removed: tuple[str, ...] = ()
    exports: tuple[str, ...] = ()
    if folder.is_dir():
        with Store(folder, write=True) as store:
            removed = tuple(p for p in store.photos() if p in named or p not in listed)
            store.forget((*removed, *sorted(named)))
            exports = _remove_exports(folder)
    return Purged(
        subject=subject,
        photos=removed,
        exports=exports,
        rows=tuple(row.at for row in rows),
        copies=stray_copies(folder),
        is_named=subject in known,
    )


def _forgotten(study: Study) -> bool:
    """Whether results are kept of photos that the sheet names no more."""
    folder = study.folder / "results"
    if not folder.is_dir():
        return False
    with Store(folder, write=False) as store:
        return not set(store.photos()) <= {row.photo for row in study.rows}


def _unknown(study: Study, subject: str, known: set[str]) -> SheetError:
    codes = sorted(known)
    more = f" and {len(codes) - _MOST_CODES} more" if len(codes) > _MOST_CODES else ""
    listed = f"{', '.join(codes[:_MOST_CODES])}{more}" if codes else "none"
    return SheetError(
        "subject-unknown",
        f"No subject {subject} is in this study; codes known: {listed}. Nothing was removed.",
        where=study.folder.name,
        remedy="Give a code as the sheet writes it; capital and small letters differ.",
    )


def _remove_exports(folder: Path) -> tuple[str, ...]:
    found = sorted({path for pattern in (*_EXPORTS, _OLD_STORES) for path in folder.glob(pattern)})
    found += [folder / name for name in _FOLDERS if (folder / name).is_dir()]
    for path in found:
        try:
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
        except OSError as error:
            raise _not_removed(error, path) from error
    return tuple(path.name for path in found)


def _not_removed(error: OSError, path: Path) -> StoreError:
    cause = storage_error(error, path)
    return StoreError(
        cause.code,
        f"{path.name} could not be removed ({error.strerror or error}).",
        where=path.parent.name,
        remedy="Close the program that has it open, or remove it by hand; then purge again.",
    )

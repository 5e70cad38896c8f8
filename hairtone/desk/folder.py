"""One study folder as the desk reads and changes it: the only module that touches its files.

Nothing is remembered here: every question reads the files anew, so that an edit by a spreadsheet
or in a second window is seen. Every change says which text it replaces; where the file holds
another one by now, `Changed` is raised and nothing is written.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import shutil
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import tomlkit

from hairtone.errors import HairtoneError, SheetError, StoreError
from hairtone.study.editing import PHOTO_ENDINGS, Sheet, new_study
from hairtone.study.files import Folder, clean_name, storage_error, write_atomically

SHEETS: Final = ("study.toml", "photos.csv", "photos.xlsx")
HERE: Final = "~"  # the address of a base folder that is itself a study
WAITING: Final = "record-to-come.json"  # record written before the first photo; then it moves over
RESULT: Final = "desk-result.json"  # in results: what the page Result shows
LAYOUT: Final = 2  # of that file; one of another layout is made anew
HALF: Final = ".incoming-"  # beginning of the name of a photo that is still arriving
KINDS: Final = ("person", "practice head", "tress")
LETTERS: Final = {"person": "P", "practice head": "H", "tress": "T"}
_CODE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,39}")
_ABOUT: Final = re.compile(r"(?:^|; )about \d+ washes(?=;|$)")
_TREATMENT: Final = "colour"  # the table of study.toml for the one treatment of a person or head


class Changed(Exception):
    """Something was changed elsewhere since the page was shown; `now` is what it holds by now."""

    def __init__(self, now: str) -> None:
        self.now = now
        super().__init__(now)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskPhoto:
    """One photograph of a study as its page shows it.

    Attributes
    ----------
    name : str
        From the study folder down.
    rows : tuple of dict
        Its rows of the sheet, texts; empty while nobody has said which wash it shows.
    """

    name: str
    rows: tuple[dict[str, str], ...] = ()

    @property
    def short(self) -> str:
        """The file's own name."""
        return self.name.rpartition("/")[2]

    @property
    def first(self) -> dict[str, str]:
        """Its first row, or an empty one."""
        return self.rows[0] if self.rows else {}

    @property
    def place(self) -> int:
        """Which hair in the photo its first row is about."""
        return int(self.first.get("place") or 1)

    @property
    def section(self) -> str:
        """The section it shows, or empty."""
        return self.first.get("section", "")

    @property
    def subject(self) -> str:
        """Whose hair it shows, or empty."""
        return self.first.get("subject", "")

    @property
    def treatment(self) -> str:
        """The word of the sheet's column, or empty."""
        return self.first.get("treatment", "")

    @property
    def wash(self) -> str:
        """The wash as the sheet writes it, or empty."""
        return self.first.get("wash", "")

    @property
    def is_about(self) -> bool:
        """Whether the count of washes is a guess of the person's."""
        return bool(_ABOUT.search(self.first.get("notes", "")))


@dataclass(frozen=True, kw_only=True)
class DeskStudy:
    """A study folder; `code` is its name in an address."""

    path: Path
    code: str
    problems: list[str] = field(default_factory=list)

    # ---- reading ----

    @cached_property
    def toml(self) -> dict[str, Any]:
        """study.toml, or nothing where it cannot be read; the reason goes to `problems`."""
        try:
            return tomllib.loads((self.path / "study.toml").read_text(encoding="utf-8-sig"))
        except FileNotFoundError:
            return {}
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            self.problems.append(f"study.toml cannot be read: {error}")
            return {}

    @cached_property
    def rows(self) -> list[dict[str, str]]:
        """Rows of the sheet, texts; nothing where it cannot be read, the reason in `problems`."""
        try:
            return Sheet(self.path).rows
        except HairtoneError as error:
            if error.code != "no-sheet":
                self.problems.append(str(error))
            return []

    @property
    def title(self) -> str:
        """What the study is called."""
        return str(self.toml.get("title") or self.path.name)

    @property
    def subjects(self) -> list[str]:
        """Codes of people, heads or tresses, those of study.toml first."""
        named = dict.fromkeys(self.toml.get("subjects") or {})
        return list(named | dict.fromkeys(r["subject"] for r in self.rows if r.get("subject")))

    def subject(self, code: str) -> dict[str, Any]:
        """What study.toml records of a subject."""
        entry = (self.toml.get("subjects") or {}).get(code)
        return dict(entry) if isinstance(entry, Mapping) else {}

    def kind_of(self, code: str) -> str:
        """Person, practice head or tress; a skin test or an age on record tells a person."""
        entry = self.subject(code)
        if entry.get("kind") in KINDS:
            return str(entry["kind"])
        return "person" if {"skin_test", "age_16_or_over"} & set(entry) else "tress"

    @property
    def kind(self) -> str:
        """Of the first subject."""
        return self.kind_of(self.subjects[0]) if self.subjects else "tress"

    @property
    def treatments(self) -> dict[str, dict[str, Any]]:
        """Tables of study.toml by the word of the sheet's column."""
        return dict(self.toml.get("treatments") or {})

    def sections(self, subject: str) -> list[str]:
        """Sections of a subject's hair, in the order of the sheet."""
        return list(
            dict.fromkeys(r.get("section", "") for r in self.rows if r.get("subject") == subject)
        )

    @property
    def listed(self) -> list[DeskPhoto]:
        """Photos of the sheet, washes in order."""
        grouped: dict[str, list[dict[str, str]]] = {}
        for row in self.rows:
            grouped.setdefault(row.get("photo", ""), []).append(row)
        shots = [DeskPhoto(name=name, rows=tuple(rows)) for name, rows in grouped.items() if name]
        return sorted(
            shots, key=lambda shot: (wash_order(shot.wash), shot.first.get("section", ""))
        )

    @property
    def waiting(self) -> list[DeskPhoto]:
        """Photos that lie in the folder and that the sheet does not list yet."""
        known = {row.get("photo", "") for row in self.rows}
        files = sorted((self.path / "photos").glob("*"), key=lambda path: path.name)
        return [
            DeskPhoto(name=f"photos/{path.name}")
            for path in files
            if is_photo(path) and f"photos/{path.name}" not in known
        ]

    @property
    def version(self) -> str:
        """What the folder holds, in one word: it changes with sheet, settings and photos."""
        digest = hashlib.sha256()
        for name in (*SHEETS, WAITING):
            with contextlib.suppress(OSError):
                digest.update(name.encode() + (self.path / name).read_bytes())
        for path in sorted((self.path / "photos").glob("*")):
            if is_photo(path):
                stat = path.stat()
                digest.update(f"{path.name} {stat.st_size} {stat.st_mtime_ns}".encode())
        return digest.hexdigest()[:20]

    def file(self, photo: str) -> Path:
        """The file of a photo of this study.

        Raises
        ------
        HairtoneError
            The name leads out of the folder, or nothing is there.
        """
        return Folder(self.path).find(clean_name(photo))

    def record_value(self, subject: str, section: str, column: str) -> str:
        """What the record holds in a column of the sheet for a section of a subject."""
        cells = [r.get(column, "") for r in self.rows if _is_of(r, subject, section)]
        filled = [cell for cell in cells if cell]
        return filled[-1] if filled else self._to_come().get(subject, {}).get(column, "")

    @property
    def result(self) -> dict[str, Any] | None:
        """The result that was put together last, or None."""
        try:
            made = json.loads((self.path / "results" / RESULT).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return made if isinstance(made, dict) and made.get("layout") == LAYOUT else None

    # ---- changing ----

    def place(self, photo: str, cells: Mapping[str, str], *, about: bool, day: str) -> None:
        """Say which wash a photo shows, of whom and of which section.

        Parameters
        ----------
        photo : str
            Name from the study folder down.
        cells : mapping
            ``subject``, ``wash``, ``section`` and ``treatment``, texts.
        about : bool
            Whether the number of washes is a guess; it is kept as a note.
        day : str
            When the photo was taken, for a row that is new; ISO date or empty.
        """
        sheet = self._sheet()
        rows = [row for row in sheet.rows if row.get("photo") == photo] or [{}]
        for row in rows:
            notes = _ABOUT.sub("", row.get("notes", "")).strip("; ")
            if about and cells["wash"].isdigit():
                notes = f"{notes}; about {cells['wash']} washes".strip("; ")
            filled = {**cells, "notes": notes}
            if not row:
                filled |= {"date": day, "replicate": self._replicate(cells)}
            known = {k: v for k, v in filled.items() if v or k in sheet.header}
            sheet.set(photo, known, place=int(row.get("place") or 1))
        sheet.save()
        self._bring_record_over(cells["subject"])

    def _replicate(self, cells: Mapping[str, str]) -> str:
        """The next number where the same hair was photographed at the same wash before."""
        alike = [
            r for r in self.rows
            if _is_of(r, cells["subject"], cells.get("section", ""))
            and r.get("wash") == cells["wash"]
        ]  # fmt: skip
        return str(len(alike) + 1) if alike else ""

    def set_lines(self, photo: str, lines: Iterable[Mapping[str, Any]], corners: str) -> None:
        """Keep drawn lines (texts of ``place``, ``line``, ``width``, ``regrowth``) and corners."""
        sheet = self._sheet()
        if not any(row.get("photo") == photo for row in sheet.rows):
            raise SheetError(
                "not-placed", "Nobody has said yet which wash this photo shows.",
                remedy="Say it on the page Photos first; then draw.",
            )  # fmt: skip
        for line in lines:
            place = int(line["place"])
            if not line["line"] and sheet.find(photo, place=place) is None:
                continue
            cells = {k: str(line[k]) for k in ("line", "width", "regrowth")} | {"corners": corners}
            known = {k: v for k, v in cells.items() if v or k in sheet.header}
            sheet.set(photo, known, place=place)
        sheet.save()

    def set_record(
        self, subject: str, sections: list[str], column: str, was: str, now: str
    ) -> None:
        """Change one field of the record that the sheet keeps, for these sections of a subject.

        Raises
        ------
        Changed
            Another window or program has changed it since.
        """
        held = self.record_value(subject, sections[0] if sections else "", column)
        if held != was:
            raise Changed(held)
        sheet = self._sheet()
        rows = [r for r in sheet.rows if r.get("subject") == subject]
        if not rows:
            self._keep_to_come(subject, column, now)
            return
        for section in sections or self.sections(subject):
            own = [r for r in rows if r.get("section", "") == section]
            holding = [r for r in own if r.get(column)] or [_anchor(own)] if own else []
            for row in holding:
                place = int(row.get("place") or 1)
                sheet.set(row["photo"], {column: now}, place=place)
        sheet.save()

    def set_toml(self, table: tuple[str, ...], key: str, was: Any, now: Any) -> None:
        """Change one key of study.toml, all else in it left as it is; None takes the key away.

        Raises
        ------
        Changed
            Another window or program has changed it since.
        """
        path = self.path / "study.toml"
        document, before = _read_toml(path)
        entry: Any = document
        for name in table:
            if name not in entry:
                entry[name] = tomlkit.table(is_super_table=name in ("subjects", "treatments"))
            entry = entry[name]
        held = entry.get(key)
        held = held.unwrap() if hasattr(held, "unwrap") else held
        if was is not ANY and ("" if held is None else held) != ("" if was is None else was):
            raise Changed("" if held is None else str(held))
        if now is None:
            entry.pop(key, None)
        else:
            entry[key] = now
        _write_toml(path, document, before)

    def take_out(self, photo: str) -> None:
        """Remove a photo: its rows, its file and what was made of it."""
        name = clean_name(photo)
        sheet = self._sheet()
        kept = [row for row in sheet.rows if row.get("photo") != name]
        if len(kept) < len(sheet.rows):
            sheet.rows[:] = kept
            sheet.save()
        file = self.file(name)
        remove_files([file, *previews_of(self.path, file)])

    def _sheet(self) -> Sheet:
        return Sheet(self.path)

    def _to_come(self) -> dict[str, dict[str, str]]:
        try:
            return dict(json.loads((self.path / WAITING).read_text(encoding="utf-8")))
        except (OSError, ValueError):
            return {}

    def _keep_to_come(self, subject: str, column: str, text: str) -> None:
        kept = self._to_come()
        kept.setdefault(subject, {})[column] = text
        write_atomically(self.path / WAITING, json.dumps(kept, ensure_ascii=False, indent=1))

    def _bring_record_over(self, subject: str) -> None:
        """Move a record that was written before the first photo into that photo's row."""
        kept = self._to_come()
        cells = {k: v for k, v in kept.pop(subject, {}).items() if v}
        if cells:
            sheet = self._sheet()
            row = next(r for r in sheet.rows if r.get("subject") == subject)
            sheet.set(row["photo"], cells, place=int(row.get("place") or 1))
            sheet.save()
        if kept:
            write_atomically(self.path / WAITING, json.dumps(kept, ensure_ascii=False, indent=1))
        else:
            (self.path / WAITING).unlink(missing_ok=True)


ANY: Final = object()  # for `set_toml`: whatever the key holds now


def _anchor(rows: list[dict[str, str]]) -> dict[str, str]:
    """The row that keeps the record: just coloured, else before, else the first."""
    return min(rows, key=lambda row: {"0": 0, "before": 1}.get(row.get("wash", ""), 2))


def _is_of(row: Mapping[str, str], subject: str, section: str) -> bool:
    return row.get("subject") == subject and row.get("section", "") == section


def _read_toml(path: Path) -> tuple[tomlkit.TOMLDocument, bytes]:
    try:
        before = path.read_bytes() if path.exists() else b""
        return tomlkit.parse(before.decode("utf-8-sig")), before
    except OSError as error:
        raise storage_error(error, path) from error
    except (UnicodeDecodeError, tomlkit.exceptions.ParseError) as error:
        raise SheetError(
            "settings-not-toml", f"study.toml cannot be read ({error}).", where=path.parent.name,
            remedy="Mend the line it names in a text editor, or put back an older copy.",
        ) from error  # fmt: skip


def _write_toml(path: Path, document: tomlkit.TOMLDocument, before: bytes) -> None:
    if path.exists() and path.read_bytes() != before:
        raise Changed("")
    write_atomically(path, tomlkit.dumps(document))


# ---- the folder of studies ----


def find_studies(base: Path) -> list[DeskStudy]:
    """Every study of a folder, the one used last first; the folder itself if it is one."""
    found = {path.parent for name in SHEETS for path in base.glob(f"*/{name}")}
    studies = [DeskStudy(path=path, code=path.name) for path in found]
    if any((base / name).is_file() for name in SHEETS):
        studies.append(DeskStudy(path=base, code=HERE))
    return sorted(studies, key=lambda study: (-used_last(study.path), study.code))


def find_study(base: Path, code: str) -> DeskStudy | None:
    """The study of that code, or None; only what `find_studies` lists can be named."""
    return next((study for study in find_studies(base) if study.code == code), None)


def used_last(path: Path) -> float:
    """When sheet or settings were last written. [s since 1970]"""
    times = [(path / name).stat().st_mtime for name in SHEETS if (path / name).is_file()]
    return max(times, default=0.0)


def propose_code(base: Path, kind: str) -> str:
    """The next free code for a person, a practice head or a test."""
    letter = "TEST" if kind == "tress" else LETTERS[kind]
    taken = {path.name.casefold() for path in base.glob("*")}
    number = next(n for n in range(1, 10_000) if f"{letter}{n}".casefold() not in taken)
    return f"{letter}{number}"


def remembered(base: Path) -> dict[str, Any]:
    """Chart, its size, lamp and board of the study used last, to be offered again."""
    for study in find_studies(base):
        toml = study.toml
        if toml.get("chart"):
            light = toml.get("light") or {}
            return {
                "chart": toml["chart"], "chart_mm": toml.get("chart_mm"),
                "board": toml.get("board", ""), "lamp": light.get("lamp", ""),
            }  # fmt: skip
    return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewStudy:
    """What the page *New* asks for; `count` is the number of tresses of a test."""

    code: str
    kind: str
    chart: str = ""
    chart_mm: tuple[float, float] | None = None
    board: str = ""
    lamp: str = ""
    age_16_or_over: bool | None = None
    count: int = 1


def make_study(base: Path, new: NewStudy) -> DeskStudy:
    """Make the study folder of a person, a practice head or a test of tresses.

    Raises
    ------
    SheetError
        The code is none, or taken; or a record of someone under 16 is asked for.
    """
    if not _CODE.fullmatch(new.code):
        raise SheetError(
            "no-code", "The code has to begin with a letter or a digit.",
            remedy="Use letters, digits, blanks and hyphens, such as P1.",
        )  # fmt: skip
    if new.kind == "person" and new.age_16_or_over is not True:
        raise SheetError(
            "under-16", "No record is opened for a person under 16, or whose age is not known.",
            remedy="Work on a practice head instead.",
        )  # fmt: skip
    folder = base / clean_name(new.code)
    if folder.exists():
        raise SheetError("code-taken", f"{new.code} is taken.", remedy="Choose another code.")
    new_study(folder, [])
    path = folder / "study.toml"
    document, before = _read_toml(path)
    for key, value in (("chart", new.chart), ("board", new.board)):
        if value:
            document[key] = value
    if new.chart_mm:
        document["chart_mm"] = list(new.chart_mm)
    if new.lamp:
        document["light"] = {"lamp": new.lamp}
    document["subjects"] = _new_subjects(new)
    if new.kind != "tress":
        document["treatments"] = {_TREATMENT: {"product": ""}}
    _write_toml(path, document, before)
    return DeskStudy(path=folder, code=folder.name)


def _new_subjects(new: NewStudy) -> dict[str, Any]:
    if new.kind == "tress":
        return {f"T{n}": {"kind": "tress"} for n in range(1, new.count + 1)}
    entry: dict[str, Any] = {"kind": new.kind}
    if new.kind == "person":
        entry["age_16_or_over"] = True
    return {new.code: entry}


# ---- files ----


def is_photo(path: Path) -> bool:
    """Whether a file is a photograph by its name, and has arrived whole."""
    return path.suffix.lower() in PHOTO_ENDINGS and not path.name.startswith(".") and path.is_file()


def previews_of(folder: Path, photo: Path) -> Iterator[Path]:
    """Small pictures that the desk keeps of a photo."""
    stem = hashlib.sha256(photo.name.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    yield from (folder / "results" / "previews").glob(f"{stem}-*.jpg")


def preview_path(folder: Path, photo: Path, longest: int) -> Path:
    """Where the desk keeps a small picture of a photo; the name changes with the file."""
    stem = hashlib.sha256(photo.name.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    stat = photo.stat()
    mark = hashlib.sha256(f"{stat.st_size} {stat.st_mtime_ns}".encode()).hexdigest()[:10]
    return folder / "results" / "previews" / f"{stem}-{mark}-{longest}.jpg"


def remove_files(paths: Iterable[Path]) -> list[str]:
    """Remove files and folders; their names.

    Raises
    ------
    StoreError
        One of them is held by another program.
    """
    removed = []
    for path in paths:
        try:
            shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise StoreError(
                "not-removed", f"{path.name} could not be removed ({error.strerror or error}).",
                where=path.parent.name,
                remedy="Close the program that has it open. Then try again.",
            ) from error  # fmt: skip
        removed.append(path.name)
    return removed


def wash_order(wash: str) -> int:
    """Sort key of a wash as the sheet writes it: before, 0, 1, …; anything else last."""
    return -1 if wash == "before" else int(wash) if wash.isdigit() else 10**6

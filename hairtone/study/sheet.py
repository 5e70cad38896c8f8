"""The sheet of a study: its rows, the readings of an instrument, and the study that holds both."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from functools import cached_property, partial
from pathlib import Path
from typing import Any, Final, TypeVar

from hairtone.errors import PhotoError, SheetError
from hairtone.hair.types import Side
from hairtone.study import values
from hairtone.study.files import Folder, clean_name
from hairtone.study.settings import Settings, read_settings
from hairtone.study.table import RawRow, RawTable, read_csv
from hairtone.study.values import CellError, Fault, Faults, Points, SheetFaults, shown

SHEET_NAMES: Final = ("photos.csv", "photos.xlsx")
_SLIP: Final = 0.8  # likeness from which an unknown column is a slip of the pen; our choice
YES_NO: Final = ("yes", "no")
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
    "scalp_check": partial(values.choice, among=YES_NO),
    "incompatibility_test": partial(values.choice, among=YES_NO),
    "lightened": partial(values.choice, among=YES_NO),
    "start_depth": str,
    "start_tone": str,
    "white_where": str,
    "rinsed": str,
    "aftercare": str,
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
_REQUIRED_OF_READING: Final = ("subject", "wash", "zone", "l", "a", "b", "viewing")
T = TypeVar("T")
_SETTINGS = "study.toml"


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
    roots: Side | None = None
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
    scalp_check: str = ""
    incompatibility_test: str = ""
    lightened: str = ""
    start_depth: str = ""
    start_tone: str = ""
    white_where: str = ""
    rinsed: str = ""
    aftercare: str = ""
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
    check_columns(table, faults)
    if not table.rows and not faults.found:
        raise faults.stop("no-photos", "The sheet lists no photos.", "Add one row for each hair.")
    rows = [row for raw in table.rows if (row := _read_row(table, raw, faults))]
    _check_together(rows, faults)
    faults.raise_if_any()
    return tuple(rows), (*table.notes, *_understood(table, rows))


def check_columns(table: RawTable, faults: Faults) -> None:
    """Refuse a header that lacks a needed column or nearly spells one of ours.

    Parameters
    ----------
    table : RawTable
        The sheet as read.
    faults : Faults
        Where every fault of the header is noted.

    Raises
    ------
    SheetError
        The header cannot be read as it stands; no row has been read.
    """
    slips = {name: near for name in table.header if (near := likely_column(name))}
    for name, near in slips.items():
        faults.add(
            "column-misspelt",
            f"The column {shown(name)} is not known, and its name is close to {near}.",
            f"Rename it to {near}. If it holds something else, choose a name that is less alike.",
            column=name,
        )
    missing = [n for n in _REQUIRED if n not in table.header and n not in slips.values()]
    if missing:
        faults.add(
            "column-missing",
            f"The column {' and '.join(missing)} is missing; the header reads "
            f"{shown(', '.join(table.header))}.",
            f"Add the column; {', '.join(_REQUIRED)} are needed.",
        )
    if slips or missing:
        faults.raise_if_any()


def likely_column(name: str) -> str:
    """Return the known column that an unknown name seems to mean, or nothing.

    A name with a digit (``operator_2``) was chosen on purpose and means none of them.
    """
    if name in _READERS or any(sign.isdigit() for sign in name):
        return ""
    near = get_close_matches(name, _READERS, n=1, cutoff=_SLIP)
    alike = [known for known in _READERS if _sound(known) == _sound(name)]
    return next(iter([*alike, *near]), "")


def _sound(name: str) -> str:
    """The name as it sounds: ``foto`` as ``photo``, one root as ``roots``."""
    return name.replace("ph", "f").replace("_", "").rstrip("s")


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
            f"{folder.name} is not a folder.",
            where=folder.name,
            remedy="Give the folder that holds study.toml and photos.csv.",
        )
    found = [folder / name for name in SHEET_NAMES if (folder / name).is_file()]
    if len(found) == 1:
        return found[0]
    if found:
        raise SheetError(
            "which-sheet",
            "There are two, photos.csv and photos.xlsx: we cannot know which sheet to use.",
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
        from hairtone.study.table import read_workbook

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


def _understood(table: RawTable, rows: list[SheetRow]) -> list[str]:
    """What was taken from the sheet, for the person to see."""
    first = rows[0]
    counts = {
        "row": len(rows),
        "photo": len({row.photo for row in rows}),
        "hair": len({row.hair for row in rows}),
    }
    contents = ", ".join(f"{count} {name}{'s' * (count != 1)}" for name, count in counts.items())
    notes = [
        f"{table.file}: {contents}; the first row is {first.photo}, subject {first.subject}, "
        f"wash {first.wash_text}"
    ]
    unknown = [name for name in table.header if name not in _READERS]
    if unknown:
        notes.append(f"{table.file}: kept as notes: {', '.join(unknown)}")
    codes: dict[str, set[str]] = {}
    for row in rows:
        codes.setdefault(re.sub(r"[\s_-]+", "", row.subject).casefold(), set()).add(row.subject)
    notes += [
        f"{table.file}: {' and '.join(sorted(alike))} are taken as different subjects"
        for alike in codes.values()
        if len(alike) > 1
    ]
    return notes


def _zone(text: str) -> str:
    return values.choice(text.replace("-", "_").replace(" ", "_"), among=_ZONES)


_CELLS: Final[dict[str, Any]] = {
    "subject": str,
    "section": str,
    "wash": values.wash,
    "replicate": partial(values.whole_number, least=1),
    "zone": _zone,
    "l": partial(values.number, low=0.0, high=100.0),
    "a": partial(values.number, low=-130.0, high=130.0),
    "b": partial(values.number, low=-130.0, high=130.0),
    "viewing": str,
    "geometry": str,
    "instrument": str,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentReading:
    """L*, a*, b* of one zone of one hair, read with an instrument."""

    subject: str
    section: str
    wash: int | None
    replicate: int
    zone: str
    lab: tuple[float, float, float]
    geometry: str = ""
    instrument: str = ""


def read_readings(settings: Settings) -> tuple[InstrumentReading, ...]:
    """Readings named in study.toml; none where none are named.

    Raises
    ------
    SheetError
        The file cannot be read as it stands, or states another viewing than the study.
    """
    if not settings.readings_file:
        return ()
    faults = Faults(settings.readings_file)
    try:
        path = Folder(settings.folder).find(settings.readings_file)
    except PhotoError as error:
        raise faults.stop(error.code, error.says, "Correct [readings] in study.toml.") from error
    table = read_table(path, needs="subject", dates=frozenset(), times=frozenset(), faults=faults)
    missing = [name for name in _REQUIRED_OF_READING if name not in table.header]
    if missing:
        raise faults.stop(
            "column-missing",
            f"The column {' and '.join(missing)} is missing.",
            f"Add it; {', '.join(_REQUIRED_OF_READING)} are needed.",
        )
    found = []
    for raw in table.rows:
        cells = dict(zip(table.header, raw.cells, strict=True))
        reading = _read(cells, raw.place, settings.viewing, faults)
        if reading:
            found.append(reading)
    faults.raise_if_any()
    return tuple(found)


def _read(
    cells: dict[str, str], place: str, viewing: str, faults: Faults
) -> InstrumentReading | None:
    before, got = len(faults.found), dict.fromkeys(_CELLS, None)
    for name, read in _CELLS.items():
        text = cells.get(name, "")
        if not text:
            if name in _REQUIRED_OF_READING:
                faults.add("cell-empty", "The cell is empty.", f"Fill in the {name}.",
                           place=place, column=name)  # fmt: skip
            continue
        try:
            got[name] = read(text)
        except CellError as error:
            faults.add(error.code, f"{shown(text)} {error.says}", error.remedy,
                       place=place, column=name)  # fmt: skip
    if got["viewing"] not in (None, viewing):
        faults.add(
            "other-viewing",
            f"The reading is for {shown(str(got['viewing']))}, the study for {viewing}; L*a*b* "
            f"alone cannot be converted.",
            f"Export the readings for {viewing}, or set the study's viewing to theirs.",
            place=place, column="viewing",
        )  # fmt: skip
    if len(faults.found) > before:
        return None
    return InstrumentReading(
        subject=str(got["subject"]), section=str(got["section"] or ""), wash=got["wash"],
        replicate=got["replicate"] or 1, zone=str(got["zone"]),
        lab=(got["l"], got["a"], got["b"]),  # type: ignore[arg-type]
        geometry=str(got["geometry"] or ""), instrument=str(got["instrument"] or ""),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Study:
    """A study as its folder states it; nothing is measured yet.

    Attributes
    ----------
    folder : Path
        The study folder.
    settings : Settings
        study.toml.
    rows : tuple of SheetRow
        One per hair in a photo, in the order of the sheet.
    notes : tuple of str
        What was understood, for the person to see.
    readings : tuple of InstrumentReading
        Spectrophotometer readings, where the study has any.
    """

    folder: Path
    settings: Settings
    rows: tuple[SheetRow, ...]
    notes: tuple[str, ...] = ()
    readings: tuple[InstrumentReading, ...] = ()

    @cached_property
    def photos(self) -> dict[str, tuple[SheetRow, ...]]:
        """Rows by photo, photos in the order of the sheet."""
        grouped: dict[str, list[SheetRow]] = {}
        for row in self.rows:
            grouped.setdefault(row.photo, []).append(row)
        return {photo: tuple(rows) for photo, rows in grouped.items()}

    def treatment_of(self, row: SheetRow) -> str:
        """The treatment of a row's hair: that of wash 0, else the one the row states."""
        return self.treatments.get(row.hair, row.treatment)

    def card_of(self, rows: tuple[SheetRow, ...]) -> str:
        """Name of the plain-card photo of a photo's rows: its own, its session's, the study's."""
        own = next((row.plain_card for row in rows if row.plain_card), None)
        if own:
            return own
        sessions = (self.session_cards.get(row.session) for row in rows)
        return next(filter(None, sessions), None) or self.settings.plain_card

    @cached_property
    def session_cards(self) -> dict[str, str]:
        """Plain-card photo of each session that has one."""
        return {r.session: r.plain_card for r in self.rows if r.session and r.plain_card}

    @cached_property
    def treatments(self) -> dict[tuple[str, str], str]:
        """Treatment of each hair, taken from wash 0; where that states none, from any row."""
        found: dict[tuple[str, str], str] = {}
        for row in sorted(self.rows, key=lambda row: row.wash != 0):
            if row.treatment:
                found.setdefault(row.hair, row.treatment)
        return found


def read_study(folder: str | Path) -> Study:
    """Return a study folder's settings, sheet and readings, checked.

    Parameters
    ----------
    folder : str or Path
        The folder that holds study.toml and photos.csv or photos.xlsx.

    Raises
    ------
    SheetError
        With every fault of all of them at once; nothing has been measured or opened.
    """
    folder = Path(folder)
    _refuse_no_study(folder)
    found: list[Fault] = []
    settings = _collect(found, lambda: read_settings(folder)) if folder.is_dir() else None
    sheet = _collect(found, lambda: read_sheet(folder))
    if settings and sheet:
        _collect(found, lambda: _check(settings, sheet[0]))
    readings = _collect(found, lambda: read_readings(settings)) if settings else ()
    if found or settings is None or sheet is None:
        raise SheetFaults.of(found)
    rows, notes = sheet
    return Study(
        folder=settings.folder,
        settings=settings,
        rows=rows,
        notes=notes + _notes(settings),
        readings=readings or (),
    )


def _refuse_no_study(folder: Path) -> None:
    """Refuse a folder that nobody made a study of, in one line."""
    if folder.is_dir() and not any((folder / name).exists() for name in (_SETTINGS, *SHEET_NAMES)):
        if any(folder.glob("*.xls")) or any(folder.glob("*.ods")):
            return  # reported with the sheet: it is of another kind
        raise SheetError(
            "no-study",
            "The folder is not a study: it holds neither study.toml nor photos.csv.",
            where=folder.name,
            remedy="Make a study of its photos with: hairtone new STUDY PHOTO…",
        )


def _collect(found: list[Fault], read: Callable[[], T]) -> T | None:
    """What `read` returns, or None after keeping its faults."""
    try:
        return read()
    except SheetFaults as error:
        found.extend(error.faults)
    except SheetError as error:
        found.append(Fault(file=error.where, code=error.code, says=error.says, remedy=error.remedy))
    return None


def _check(settings: Settings, rows: tuple[SheetRow, ...]) -> None:
    """Sheet and study.toml must speak of the same treatments and photos."""
    faults = Faults("study.toml")
    photos = {(row.photo, row.place) for row in rows}
    for swatch in settings.known:
        if swatch.photo not in {photo for photo, _ in photos}:
            faults.add(
                "known-unknown",
                f"{swatch.photo} is not a photo of the sheet.",
                "Write the name as the sheet does.",
                column="known",
            )
    found = list(faults.found)
    for row in rows:
        if settings.treatments and row.treatment and row.treatment not in settings.treatments:
            file, _, place = row.where.partition(", ")
            near = get_close_matches(row.treatment, settings.treatments, n=1)
            found.append(
                Fault(
                    file=file,
                    place=place,
                    column="treatment",
                    code="treatment-unknown",
                    says=f"{shown(row.treatment)} is not a treatment of study.toml.",
                    remedy=f"Did you mean {near[0]}?"
                    if near
                    else f"Write one of {', '.join(settings.treatments)}, or add "
                    f"[treatments.{row.treatment}].",
                )
            )
    if found:
        raise SheetFaults.of(found)


def _notes(settings: Settings) -> tuple[str, ...]:
    notes = [
        f"study.toml: {shown(settings.title)}, viewing {settings.viewing}, chart {settings.chart}"
        + (" (assumed)" if settings.is_chart_assumed else "")
    ]
    if settings.keep_until and settings.keep_until < dt.date.today():
        notes.append(
            f"study.toml: the photos were to be kept until {settings.keep_until}: purge the "
            f"study's subjects"
        )
    return tuple(notes)

"""A study folder, read: settings, sheet and readings, checked against each other."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import TypeVar

from hairtone.errors import SheetError
from hairtone.study.faults import Fault, Faults, SheetFaults, shown
from hairtone.study.readings import Reading, read_readings
from hairtone.study.rows import SHEET_NAMES, SheetRow, read_sheet
from hairtone.study.settings import Settings, read_settings

T = TypeVar("T")
_SETTINGS = "study.toml"


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
    readings : tuple of Reading
        Spectrophotometer readings, where the study has any.
    """

    folder: Path
    settings: Settings
    rows: tuple[SheetRow, ...]
    notes: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = ()

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
    """A study folder's settings, sheet and readings.

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
            return  # told with the sheet: it is of another kind
        raise SheetError(
            "no-study",
            "The folder is no study: neither study.toml nor photos.csv is in it.",
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
                f"{swatch.photo} is no photo of the sheet.",
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
                    says=f"{shown(row.treatment)} is no treatment of study.toml.",
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

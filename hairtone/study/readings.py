"""Spectrophotometer readings of the same hair, read by column name."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from hairtone.errors import PhotoError
from hairtone.study import values
from hairtone.study.faults import Faults, shown
from hairtone.study.paths import Folder
from hairtone.study.rows import read_table
from hairtone.study.settings import Settings
from hairtone.study.values import CellError

_REQUIRED: Final = ("subject", "wash", "zone", "l", "a", "b", "viewing")
_ZONES: Final = ("roots", "mid_lengths", "ends")


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
class Reading:
    """L*, a*, b* of one zone of one hair, read with an instrument."""

    subject: str
    section: str
    wash: int | None
    replicate: int
    zone: str
    lab: tuple[float, float, float]
    geometry: str = ""
    instrument: str = ""


def read_readings(settings: Settings) -> tuple[Reading, ...]:
    """Readings named in study.toml; none where none are named.

    Raises
    ------
    SheetError
        The file cannot be taken at its word, or states another viewing than the study.
    """
    if not settings.readings_file:
        return ()
    faults = Faults(settings.readings_file)
    try:
        path = Folder(settings.folder).find(settings.readings_file)
    except PhotoError as error:
        raise faults.stop(error.code, error.says, "Correct [readings] in study.toml.") from error
    table = read_table(path, needs="subject", dates=frozenset(), times=frozenset(), faults=faults)
    missing = [name for name in _REQUIRED if name not in table.header]
    if missing:
        raise faults.stop(
            "column-missing",
            f"The column {' and '.join(missing)} is missing.",
            f"Add it; {', '.join(_REQUIRED)} are needed.",
        )
    found = []
    for raw in table.rows:
        cells = dict(zip(table.header, raw.cells, strict=True))
        reading = _read(cells, raw.place, settings.viewing, faults)
        if reading:
            found.append(reading)
    faults.raise_if_any()
    return tuple(found)


def _read(cells: dict[str, str], place: str, viewing: str, faults: Faults) -> Reading | None:
    before, got = len(faults.found), dict.fromkeys(_CELLS, None)
    for name, read in _CELLS.items():
        text = cells.get(name, "")
        if not text:
            if name in _REQUIRED:
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
    return Reading(
        subject=str(got["subject"]), section=str(got["section"] or ""), wash=got["wash"],
        replicate=got["replicate"] or 1, zone=str(got["zone"]),
        lab=(got["l"], got["a"], got["b"]),  # type: ignore[arg-type]
        geometry=str(got["geometry"] or ""), instrument=str(got["instrument"] or ""),
    )  # fmt: skip

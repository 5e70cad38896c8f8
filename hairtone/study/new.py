"""A new study folder: the photos, and a sheet and study.toml to fill in."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from hairtone.errors import PhotoError, SheetError
from hairtone.study.files import clean_name, storage_error, write_atomically

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

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
        Photographs to copy in; their bytes are not changed.

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
    sources = [Path(photo) for photo in photos]
    for source in sources:
        if not source.is_file():
            raise PhotoError(
                "not-found", "There is no such photo.", where=source.name,
                remedy="Check the name.",
            )  # fmt: skip
    target = folder / "photos"
    taken = {path.name.casefold() for path in target.glob("*")}
    for source in sources:
        if source.resolve().parent == target.resolve():
            continue
        name = _free_name(source.name, taken)
        try:
            data = source.read_bytes()
        except OSError as error:
            raise storage_error(error, source) from error
        write_atomically(target / name, data)
    title = re.sub(r'["\\\x00-\x1f]', "", unicodedata.normalize("NFC", folder.resolve().name))
    write_atomically(folder / "study.toml", _SETTINGS.format(title=title or "A study"))
    write_atomically(folder / "photos.csv", "\ufeff" + _sheet(target))
    return folder


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


def _free_name(name: str, taken: set[str]) -> str:
    """A name that every system allows, that no spreadsheet runs, and that is not taken."""
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

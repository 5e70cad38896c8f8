"""One subject taken out of everything that hairtone has written for a study."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hairtone.errors import SheetError, StoreError
from hairtone.study.files import storage_error
from hairtone.study.sheet import Study
from hairtone.study.store import Store, stray_copies

_EXPORTS: Final = ("*.csv", "*.html", "*.pdf", "*.json", "*.png", "*.svg", "*.ipynb")
_FOLDERS: Final = ("figures", "crops", "cache", "previews")
_MOST_CODES: Final = 20  # named in an error; our choice
_OLD_STORES: Final = "results-schema*.sqlite"


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

    Results of photos that the sheet no longer names go as well: nobody can tell whose they are.
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
    told = storage_error(error, path)
    return StoreError(
        told.code,
        f"{path.name} could not be removed ({error.strerror or error}).",
        where=path.parent.name,
        remedy="Close the program that has it open, or remove it by hand; then purge again.",
    )

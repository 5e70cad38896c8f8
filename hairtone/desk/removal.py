"""Removing a person, head or tress from a study folder: first what would go, then all of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import tomlkit

from hairtone.desk.folder import HALF, HERE, WAITING, DeskStudy, is_photo, previews_of, remove_files
from hairtone.errors import HairtoneError
from hairtone.study.editing import Sheet
from hairtone.study.files import write_atomically

_PAGES = ("*.html", "*.pdf", "*.zip")


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """What goes with a subject.

    Attributes
    ----------
    rows : int
        Rows of the sheet.
    photos : tuple of str
        Photos of this subject alone; photos that show others as well stay, named in `shared`.
    pages : tuple of str
        Pages, PDFs and tables written from the study.
    previews, halves : tuple of Path
        Small pictures, and half-received files.
    whole_folder : bool
        Nothing of anyone else is left: the folder itself goes.
    strangers : tuple of str
        Files in the folder that hairtone did not put there; they stay, and so does the folder.
    """

    subject: str
    rows: int
    photos: tuple[str, ...]
    shared: tuple[str, ...]
    pages: tuple[str, ...]
    previews: tuple[Path, ...]
    halves: tuple[Path, ...]
    whole_folder: bool
    strangers: tuple[str, ...]


def plan_removal(study: DeskStudy, subject: str) -> Removal:
    """Return what would be removed with a subject; nothing is touched.

    Photos that nobody has placed yet go too when the subject is the study's only one.
    """
    own = [row for row in study.rows if row.get("subject") == subject]
    others = {row.get("photo", "") for row in study.rows if row.get("subject") != subject}
    named = list(dict.fromkeys(row["photo"] for row in own if row.get("photo")))
    alone = set(study.subjects) <= {subject}
    mine = [name for name in named if name not in others]
    mine += [shot.name for shot in study.waiting] if alone else []
    files = [study.path / name for name in mine]
    results = study.path / "results"
    return Removal(
        subject=subject, rows=len(own), photos=tuple(mine),
        shared=tuple(name for name in named if name in others),
        pages=tuple(sorted(path.name for pattern in (*_PAGES, "*.csv", "*.json")
                           for path in results.glob(pattern))),
        previews=tuple(p for file in files for p in previews_of(study.path, file)),
        halves=tuple((study.path / "photos").glob(f"{HALF}*")),
        whole_folder=alone and study.code != HERE, strangers=tuple(_strangers(study, mine)),
    )  # fmt: skip


def _strangers(study: DeskStudy, photos: list[str]) -> list[str]:
    """Files that hairtone did not make: they are a person's own, and stay."""
    known = {"study.toml", "photos.csv", "photos.xlsx", WAITING, *photos}
    found = []
    for path in sorted(study.path.rglob("*")):
        name = path.relative_to(study.path).as_posix()
        ours = name in known or name.startswith("results/") or path.name.startswith(HALF)
        if path.is_file() and not ours:
            found.append(name)
    return found


def remove_subject(study: DeskStudy, subject: str) -> list[str]:
    """Remove a subject: rows, photos, record, small pictures, pages, half-received files.

    Returns
    -------
    list of str
        Sentences: what was done, and what only a person can remove.
    """
    plan = plan_removal(study, subject)
    if plan.whole_folder and not plan.strangers:
        remove_files([study.path])
        return [f"{subject} was removed, with {len(plan.photos)} photos and the whole folder."]
    _forget_results(study, subject)
    results = study.path / "results"
    remove_files([path for pattern in (*_PAGES, "*.json") for path in results.glob(pattern)])
    remove_files([*(study.path / name for name in plan.photos), *plan.previews, *plan.halves])
    sheet = Sheet(study.path)
    sheet.rows[:] = [row for row in sheet.rows if row.get("subject") != subject]
    sheet.save()
    _forget_settings(study.path / "study.toml", subject)
    if plan.whole_folder:
        remove_files([study.path / WAITING])
    says = [f"{subject} was removed, with {plan.rows} rows and {len(plan.photos)} photos."]
    if plan.shared:
        says.append(f"These photos show others as well and stay: {', '.join(plan.shared)}.")
    if plan.strangers:
        says.append(f"These files are not hairtone's and stay: {', '.join(plan.strangers[:8])}.")
    return says


def _forget_results(study: DeskStudy, subject: str) -> None:
    """Take the subject out of the store; a sheet that cannot be read loses its results whole."""
    from hairtone.study.editing import purge_subject  # the page is there without the mathematics
    from hairtone.study.sheet import read_study

    try:
        purge_subject(read_study(study.path), subject)
    except HairtoneError as error:
        if error.code in ("store-locked", "not-removed", "store-read-only"):
            raise
        remove_files([study.path / "results"])


def _forget_settings(path: Path, subject: str) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8-sig"))
    subjects = document.get("subjects")
    if subjects is not None and subject in subjects:
        subjects.remove(subject)
        write_atomically(path, tomlkit.dumps(document))


def withdraw_pictures(study: DeskStudy) -> int:
    """Remove written pages and small pictures after a use was withdrawn; how many files."""
    results = study.path / "results"
    found = [path for pattern in _PAGES for path in results.glob(pattern)]
    files = [p for p in (study.path / "photos").glob("*") if is_photo(p)]
    found += [small for file in files for small in previews_of(study.path, file)]
    return len(remove_files(found))

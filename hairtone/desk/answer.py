"""What the result page of a study says, and the pages to hand over; made beside the server."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from hairtone.desk.folder import LAYOUT, RESULT, DeskStudy
from hairtone.errors import SheetError
from hairtone.report import sentences
from hairtone.report.blocks import ChipTable
from hairtone.report.cards import chips_by_wash, profile_figures, sentences_of, wash_figures
from hairtone.report.page import report_html, write_pdf, write_report
from hairtone.report.types import Audience
from hairtone.report.views import (
    HairView,
    drawn_profiles,
    first_of_each_wash,
    key_photos,
    views_of,
)
from hairtone.study.analysis import Analysis, analyse
from hairtone.study.files import write_atomically
from hairtone.study.hair_measures import HairMeasures
from hairtone.study.outcome import StudyResult
from hairtone.study.run import measure_study
from hairtone.study.sheet import Study, read_study

Say = Callable[[int, int, str], None]
_AUDIENCES: Final[dict[str, Audience]] = {
    "client": "stylist", "learner": "educator", "laboratory": "tester",
}  # fmt: skip
_MAP_TOP: Final = 8.0  # ΔE00 at the dark end of a map; our choice


def make_result(folder: Path, say: Say) -> dict[str, Any]:
    """Measure what is new, analyse, and return what the result page shows.

    Parameters
    ----------
    folder : Path
        The study folder. The result is kept in its ``results`` until something changes.
    say : callable
        Gets (done, total, words) on the way.
    """
    version = DeskStudy(path=folder, code="").version
    outcome, steps = _measured(read_study(folder), say)
    say(steps - 1, steps, "Putting the result together")
    analysis = analyse(outcome)
    views = views_of(analysis)
    made = {
        "layout": LAYOUT, "version": version,
        "hairs": [_hair(view) for view in views],
        "counts": outcome.counts,
        "refused": [f"{_short(photo)}: {error.says} {error.remedy}"
                    for error, photo in outcome.refusals()],
        "warnings": list(dict.fromkeys(str(flag) for flag in analysis.warnings)),
        "missing": list(analysis.missing),
    }  # fmt: skip
    write_atomically(folder / "results" / RESULT, json.dumps(made, ensure_ascii=False))
    say(steps, steps, "Done")
    return {"version": version}


def _measured(study: Study, say: Say) -> tuple[StudyResult, int]:
    """The study measured, and the number of steps of the whole: photos, then two more."""
    steps = len(study.photos) + 2

    def step(done: int, total: int) -> None:
        say(steps - 2 - total + done, steps, f"Measured {done} of {total} photos")

    say(0, steps, "Looking at what is new")
    return measure_study(study, workers=min(2, os.cpu_count() or 1), progress=step), steps


def _hair(view: HairView) -> dict[str, Any]:
    """One hair of the result page: answer, pictures, chips, curves, how sure, when to refresh."""
    row = view.rows[0].row
    known: dict[str, Any] = {"subject": row.subject, "section": row.section, "name": view.name}
    if not view.photos:
        return known | {"answer": answer_of(view), "pictures": [], "chips": None, "curve": None,
                        "figures": [], "sure": [], "refresh": [], "colours": []}  # fmt: skip
    washes = wash_figures(view)
    curve = washes.pop("fade", None)
    figures = [*washes.values(), *profile_figures(view, drawn_profiles(view), _MAP_TOP)]
    return known | {
        "answer": answer_of(view),
        "pictures": _pictures(view),
        "chips": _chips(chips_by_wash(view)),
        "curve": dataclasses.asdict(curve) if curve else None,
        "figures": [dataclasses.asdict(figure) for figure in figures],
        "sure": [text for text in sentences_of(view) if text],
        "refresh": refresh_of(view),
        "colours": _last_colours(view),
    }


def answer_of(view: HairView) -> list[str]:
    """Return what is to be known first: what is left, roots against ends, the tone."""
    hair, photos = view.measures, first_of_each_wash(view)
    if hair is None or not photos:
        return ["No photo of this hair could be measured. The page Photos says why."]
    latest = photos[-1]
    if latest.row.row.wash is None:
        return ["This is the hair before colouring. The next photo shows it just coloured."]
    even = sentences.even_answer(latest)
    if not hair.fades:
        return [*_taken_up(hair), even]
    left = sentences.left_answer(hair) or sentences.colour_left_sentence(hair)
    return [text for text in (left, even, sentences.tone_sentence(hair)) if text]


def _taken_up(hair: HairMeasures) -> list[str]:
    if hair.uptake is None:
        return ["Just coloured. A photo from before colouring would show how much the hair took."]
    return list(sentences.uptake_sentences(hair.uptake, hair.porous))


def refresh_of(view: HairView) -> list[str]:
    """Return when the refresh limit is reached, in washes and, where days are known, in dates."""
    hair = view.measures
    if hair is None or not hair.fades:
        return []
    said = sentences.refresh_answer(hair) if hair.curves else ""
    if not said:
        return ["These photos do not show yet when a refresh is due. One more photo after two to "
                "four more washes helps."]  # fmt: skip
    return [said]


def _pictures(view: HairView) -> list[dict[str, Any]]:
    """Before, just coloured and now: photo and place; the page draws them."""
    rows = [photo.row.row for photo in key_photos(view)]
    return [{"photo": row.photo, "place": row.place, "wash": row.wash_text} for row in rows]


def _chips(table: ChipTable) -> dict[str, Any]:
    return dataclasses.asdict(table)


def _last_colours(view: HairView) -> list[str]:
    """Screen colours from roots to ends of the last photo, for the card on the first page."""
    from hairtone.colorimetry import screen_colour

    tenths = view.photos[-1].profile.lab.reshape(10, -1, 3).mean(axis=1)
    codes = [[int(c) for c in screen_colour(lab)] for lab in tenths]
    return ["#" + "".join(f"{c:02x}" for c in code) for code in codes]


def _short(photo: str) -> str:
    return photo.rpartition("/")[2]


def write_page(folder: Path, what: str, who: str, say: Say) -> dict[str, Any]:
    """Write a page to hand over into ``results`` and return the names of its files.

    Parameters
    ----------
    folder : Path
        The study folder.
    what : str
        ``"client"``, ``"learner"`` or ``"laboratory"``.
    who : str
        Code of the client or learner; empty: all of the study.
    say : callable
        Gets (done, total, words) on the way.
    """
    outcome, steps = _measured(part_of(read_study(folder), what, who), say)
    analysis = analyse(outcome)
    say(steps - 1, steps, "Writing the page")
    results = folder / "results"
    if what == "laboratory":
        return {"files": [_write_all(analysis, results)]}
    safe = re.sub(r"[^A-Za-z0-9_-]+", "_", who) or "all"
    page = results / f"page-{what}-{safe}.html"
    write_atomically(page, report_html(analysis, audience=_AUDIENCES[what]))
    files = [page.name]
    try:
        files.append(write_pdf(page).name)
    except Exception as error:  # without a browser the page itself prints as well
        if getattr(error, "code", "") not in ("no-browser", "not-printed"):
            raise
    say(steps, steps, "Done")
    return {"files": files}


def part_of(study: Study, what: str, who: str) -> Study:
    """Return the part of a study that is about one client or one learner."""
    if not who or what == "laboratory":
        return study
    column = "subject" if what == "client" else "learner"
    own = {row.hair for row in study.rows if getattr(row, column) == who}
    rows = tuple(row for row in study.rows if row.hair in own)
    if not rows:
        raise SheetError("nobody", f"No photo belongs to {who}.", remedy="Check the code.")
    return dataclasses.replace(study, rows=rows)


def _write_all(analysis: Analysis, results: Path) -> str:
    """The tester's report and every table as one archive."""
    page = write_report(analysis, audience="tester", out=results)
    part = results / ".laboratory.zip.part"
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted([page, *results.glob("*.csv"), *results.glob("*.json")]):
            if file.name != RESULT:
                archive.write(file, file.name)
    part.replace(results / "laboratory.zip")
    return "laboratory.zip"

"""What the result page of a study says, and the pages to hand over; made beside the server."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import os
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from hairtone.desk.folder import LAYOUT, RESULT, DeskStudy
from hairtone.errors import SheetError
from hairtone.report.blocks import ChipTable
from hairtone.report.cards import chips_by_wash, profile_figures, sentences_of, wash_figures
from hairtone.report.page import report_html, write_pdf, write_report
from hairtone.report.types import ZONE_WORDS, Audience
from hairtone.report.views import HairView, Tables, drawn_profiles, first_of_each_wash, hairs_of
from hairtone.study.analysis import Analysis, analyse
from hairtone.study.files import write_atomically
from hairtone.study.outcome import StudyResult
from hairtone.study.run import measure_study
from hairtone.study.sheet import Study, read_study

Say = Callable[[int, int, str], None]
Row = Mapping[str, Any]
_AUDIENCES: Final[dict[str, Audience]] = {
    "client": "stylist", "learner": "educator", "laboratory": "tester",
}  # fmt: skip
_SHARES: Final = (  # from which per cent a share is called so; our choice
    (90.0, "Almost all of the colour is left"),
    (70.0, "About three quarters of the colour are left"),
    (58.0, "About two thirds of the colour are left"),
    (42.0, "About half of the colour is left"),
    (28.0, "About a third of the colour is left"),
    (15.0, "About a quarter of the colour is left"),
    (5.0, "Little of the colour is left"),
)
_TOO_WIDE: Final = 60.0  # points between the limits from which no share is named; our choice
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
    tables = Tables(analysis.frames)
    views = [
        HairView(outcome=outcome, rows=rows, tables=tables) for rows in hairs_of(outcome).values()
    ]
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
    if not view.measured:
        says = "No photo of this hair could be measured. The page Photos says why."
        return known | {"answer": [says], "pictures": [], "chips": None, "curve": None,
                        "figures": [], "sure": [], "refresh": [], "colours": []}  # fmt: skip
    washes = wash_figures(view)
    curve = washes.pop("fade", None)
    figures = [*washes.values(), *profile_figures(view, drawn_profiles(view), _MAP_TOP)]
    return known | {
        "answer": answer_of(view),
        "pictures": _pictures(view),
        "chips": _chips(chips_by_wash(view, view.outcome.study.settings.viewing)),
        "curve": dataclasses.asdict(curve) if curve else None,
        "figures": [dataclasses.asdict(figure) for figure in figures],
        "sure": [text for text in sentences_of(view) if text],
        "refresh": refresh_of(view),
        "colours": _last_colours(view),
    }


def answer_of(view: HairView) -> list[str]:
    """Return what is to be known first: what is left, roots against ends, the tone."""
    rows = first_of_each_wash(view)
    washed = [row for row in view.of("fade") if int(row["wash"]) > 0]
    if not any(row.row.wash is not None for row in rows):
        return ["This is the hair before colouring. The next photo shows it just coloured."]
    last = rows[-1].row
    if washed:
        return [*_left(washed), *_ends(view, last.wash_text), *_tone(washed)]
    return [*_taken_up(view), *_ends(view, last.wash_text)]


def _left(washed: Sequence[Row]) -> list[str]:
    last = max(int(row["wash"]) for row in washed)
    told = [r for r in washed if int(r["wash"]) == last and r.get("colour_left") is not None]
    after = "1 wash" if last == 1 else f"{last} washes"
    if not told:
        return [f"How much colour is left after {after} cannot be said from these photos."]
    share = sum(float(row["colour_left"]) for row in told) / len(told)
    low = max(0.0, min(float(row["colour_left_low"]) for row in told))
    high = max(0.0, max(float(row["colour_left_high"]) for row in told))
    if high - low > _TOO_WIDE:
        return [f"After {after} the photos do not say well how much colour is left "
                f"({low:.0f} to {high:.0f} %)."]  # fmt: skip
    words = next((w for least, w in _SHARES if share >= least), "The colour is all but gone")
    return [f"{words} after {after} ({low:.0f} to {high:.0f} %)."]


def _ends(view: HairView, wash: str) -> list[str]:
    rows = [r for r in view.of("evenness") if r["measure"] == "root_to_ends"]
    row = next((r for r in rows if str(r["wash"]) == wash), None)
    if row is None:
        return []
    if not row.get("resolved"):
        return [f"Roots and ends look the same ({row['value']:.1f}; a difference above "
                f"{row['critical']:.1f} would have shown)."]  # fmt: skip
    return [f"Roots and ends differ by ΔE₀₀ {row['value']:.1f} ({row['low']:.1f} to "
            f"{row['high']:.1f}): {row['words']}."]  # fmt: skip


def _tone(washed: Sequence[Row]) -> list[str]:
    last = max(int(row["wash"]) for row in washed)
    told = {str(r["tone_words"]) for r in washed if int(r["wash"]) == last and r.get("tone_words")}
    if len(told) != 1:
        return []
    words = told.pop()
    return ["The tone has not changed."] if words.startswith("no ") else [f"Tone: {words}."]


def _taken_up(view: HairView) -> list[str]:
    rows = view.of("uptake")
    if not rows:
        return ["Just coloured. A photo from before colouring would show how much the hair took."]
    parts = [f"{ZONE_WORDS[r['zone']]} {float(r['delta_e']):.0f}" for r in rows]
    return [f"The hair took the colour: it changed by ΔE₀₀ {', '.join(parts)}."]


def refresh_of(view: HairView) -> list[str]:
    """Return when half of the colour is left, in washes and, where days are known, in dates."""
    fits = view.of("fade_fit")
    if not fits:
        return []
    lows = [float(r["washes_to_refresh_low"]) for r in fits if _is_told(r, "low")]
    highs = [float(r["washes_to_refresh_high"]) for r in fits if _is_told(r, "high")]
    if len(lows) < len(fits) or len(highs) < len(fits):
        return ["When half of the colour will be left cannot be said yet. One more photo after "
                "two to four more washes helps."]  # fmt: skip
    low, high = min(lows), max(highs)
    first, last = f"{low:.0f}", f"{high:.0f}"
    span = f"{first} washes" if first == last else f"{first} to {last} washes"
    washed = max(row.row.wash or 0 for row in view.measured)
    if high <= washed:
        return [f"Half of the colour had gone after about {span}. It can be refreshed now."]
    says = f"Half of the colour will be left after about {span}"
    says += f"; it has had {washed}." if washed else "."
    days = _days(view, max(low, washed), high)
    return [says, f"At the pace of the washes so far that is {days}."] if days else [says]


def _is_told(row: Row, end: str) -> bool:
    return row.get(f"washes_to_refresh_{end}") is not None


def _days(view: HairView, low: float, high: float) -> str:
    """The dates of these washes, where the days of at least two washes are known."""
    dated = [(row.row.wash, row.row.date) for row in view.rows
             if row.row.wash is not None and row.row.date is not None]  # fmt: skip
    if len(dated) < 2 or dated[-1][1] <= dated[0][1] or dated[-1][0] <= dated[0][0]:
        return ""
    (first, start), (last, end) = dated[0], dated[-1]
    pace = (end - start).days / (last - first)
    days = [start + dt.timedelta(days=pace * (wash - first)) for wash in (low, high)]
    texts = [f"{day.day} {day:%B %Y}" for day in days]
    return f"about {texts[0]}" if texts[0] == texts[1] else f"between {texts[0]} and {texts[1]}"


def _pictures(view: HairView) -> list[dict[str, Any]]:
    """Before, just coloured and now: photo and place; the page draws them."""
    rows = first_of_each_wash(view)
    wanted = [row for row in rows if row.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows[-1] not in wanted else []
    return [{"photo": r.row.photo, "place": r.row.place, "wash": r.row.wash_text} for r in wanted]


def _chips(table: ChipTable) -> dict[str, Any]:
    return dataclasses.asdict(table)


def _last_colours(view: HairView) -> list[str]:
    """Screen colours from roots to ends of the last photo, for the card on the first page."""
    from hairtone.colorimetry import screen_colour

    tenths = (view.measured[-1].hair.get("tress") or {}).get("tenths") or []
    codes = [[int(c) for c in screen_colour(lab)] for lab in tenths if lab]
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

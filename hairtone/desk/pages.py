"""What each page of the desk shows: facts for its template, read from the study folder."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from hairtone.chart.reference import DEFAULT_CHART, known_references
from hairtone.desk.folder import (
    HERE,
    KINDS,
    DeskPhoto,
    DeskStudy,
    find_studies,
    propose_code,
    remembered,
    wash_order,
)
from hairtone.desk.forms import QUARTERS, USES, Field, safety_lines, shown_value, steps_for
from hairtone.desk.jobs import Jobs
from hairtone.desk.removal import plan_removal

SAMPLE: Final = "SAMPLE"
_CHECK_S: Final = 90.0  # longest time for one photo, 150 Mpx on a slow machine; our choice
_MOST_STRIPES: Final = 6  # hairs whose colours stand on a card; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskCard:
    """One study on the first page."""

    code: str
    title: str
    kind: str
    who: str
    stripes: tuple[tuple[str, ...], ...]
    state: str
    next: str
    next_page: str
    problems: tuple[str, ...]


def home(base: Path, jobs: Jobs) -> dict[str, Any]:
    """People, practice heads and tests of the folder, and a sample where there is none yet."""
    cards = [_card(study) for study in find_studies(base)]
    groups = [(kind, [card for card in cards if card.kind == kind]) for kind in KINDS]
    sample = jobs.of(SAMPLE)
    has_sample = any(card.code == SAMPLE for card in cards)
    return {
        "groups": [(_GROUPS[kind], found) for kind, found in groups if found],
        "is_empty": not cards, "has_sample": has_sample, "folder": base.name,
        "sample": sample if sample and sample.is_open else None,
        "lab": "/lab", "code": "",
    }  # fmt: skip


_GROUPS: Final = {"person": "People", "practice head": "Practice heads", "tress": "Tests"}


def _card(study: DeskStudy) -> DeskCard:
    result = study.result
    hairs = result["hairs"] if result else []
    stripes = tuple(tuple(hair["colours"]) for hair in hairs if len(hair["colours"]) > 1)
    state, following, page = _what_comes_next(study)
    return DeskCard(
        code=study.code, title=study.path.name if study.code == HERE else study.code,
        kind=study.kind, who=study.title if study.title != study.path.name else "",
        stripes=stripes[:_MOST_STRIPES], state=state, next=following, next_page=page,
        problems=tuple(study.problems),
    )  # fmt: skip


def _what_comes_next(study: DeskStudy) -> tuple[str, str, str]:
    """What there is, what is to be done, and on which page."""
    if study.waiting:
        count = len(study.waiting)
        return f"{_photos(count)} without a wash", "Say what the photo shows", "photos"
    washes = sorted({shot.wash for shot in study.listed}, key=wash_order)
    if not washes:
        return "no photo yet", "Photo before colouring", "photos"
    last = stage_words(washes[-1])
    visits = sorted(row["next_visit"] for row in study.rows if row.get("next_visit"))
    state = f"{_photos(len(study.listed))}, the last one {last}"
    if visits:
        state += f"; next visit {visits[-1]}"
    return state, ("Photo just coloured" if washes == ["before"] else "Next photo"), "photos"


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"


def stage_words(wash: str) -> str:
    """A wash of the sheet in words."""
    if wash == "before":
        return "before colouring"
    if wash == "0":
        return "just coloured"
    return "after 1 wash" if wash == "1" else f"after {wash} washes"


def new(base: Path) -> dict[str, Any]:
    """Questions of a new person, practice head or test, with what was answered last time."""
    kept = remembered(base)
    width, height = (f"{mm:g}" for mm in kept.get("chart_mm") or ()) if _is_pair(kept) else ("", "")
    return {
        "codes": {kind: propose_code(base, kind) for kind in KINDS},
        "charts": [(name, _chart_words(name)) for name in known_references()],
        "chart": kept.get("chart", DEFAULT_CHART), "width": width, "height": height,
        "board": kept.get("board", ""), "lamp": kept.get("lamp", ""), "code": "",
    }  # fmt: skip


def _is_pair(kept: Mapping[str, Any]) -> bool:
    size = kept.get("chart_mm")
    return (
        isinstance(size, list) and len(size) == 2 and all(isinstance(x, int | float) for x in size)
    )


def _chart_words(name: str) -> str:
    words = name.replace("chart24-", "24 patches, ").replace("-", " ")
    for year in ("2014 11",):
        words = words.replace(year, "November 2014")
    return words.replace("average30", "edition not known (mean of 30 charts)")


def photos(study: DeskStudy, asked: Mapping[str, str]) -> dict[str, Any]:
    """Photos of a study: those without a wash first, then wash by wash."""
    by_stage: dict[str, list[DeskPhoto]] = {}
    for shot in study.listed:
        by_stage.setdefault(shot.wash, []).append(shot)
    last = study.listed[-1].first if study.listed else {}
    subjects = study.subjects or [study.path.name]
    treatments = list(study.treatments)
    known = [s for s in study.sections(last.get("subject", subjects[0])) if s]
    return {
        "waiting": study.waiting,
        "stages": [(stage_words(wash), shots) for wash, shots in by_stage.items()],
        "subjects": subjects, "subject": last.get("subject", subjects[0]),
        "sections": list(dict.fromkeys([*known, *QUARTERS])), "section": last.get("section", ""),
        "asks_section": study.kind != "tress",
        "treatments": treatments, "treatment": treatments[0] if len(treatments) == 1 else "",
        "suggestion": _suggested_wash(study), "code": study.code, "kind": study.kind,
    }  # fmt: skip


def _suggested_wash(study: DeskStudy) -> str:
    """The stage that most likely comes next; a count of washes is left for the person to say."""
    washes = {shot.wash for shot in study.listed}
    if not washes:
        return "before"
    return "0" if washes == {"before"} else "n"


def record(study: DeskStudy, asked: Mapping[str, str]) -> dict[str, Any]:
    """The service record of one subject, section by section where there are several."""
    subjects = study.subjects or [study.path.name]
    subject = asked.get("who", subjects[0])
    if subject not in subjects:
        raise KeyError(subject)
    kind, entry = study.kind_of(subject), study.subject(subject)
    sections = [s for s in study.sections(subject) if s]
    treatment = _treatment_of(study, subject)
    steps = []
    for step, fields in steps_for(kind):
        lines = [
            (field, section, _value(study, field, (subject, section), treatment))
            for field in fields
            for section in (sections or [""] if field.each_section else [""])
        ]
        filled = sum(bool(value) for _, _, value in lines)
        steps.append((step, lines, filled))
    return {
        "subjects": subjects, "subject": subject, "kind": kind, "steps": steps,
        "treatment": treatment, "uses": USES, "consent": entry.get("consent"),
        "age": entry.get("age_16_or_over"), "safety": safety_lines(kind, entry),
        "due": _developed(steps), "code": study.code,
    }  # fmt: skip


def _developed(steps: list[Any]) -> list[str]:
    """Until when each section develops: its finish and the minutes noted, as the maker directs."""
    lines = [line for _, own, _ in steps for line in own]
    minutes = next((v for field, _, v in lines if field.name == "development_min"), "")
    told = []
    for field, section, value in lines:
        if field.name == "finish" and len(value) == 5 and minutes:
            hour, minute = map(int, value.split(":"))
            end = hour * 60 + minute + round(float(minutes))
            name = section or "It"
            told.append(f"{name.capitalize()} develops until {end // 60 % 24:02d}:{end % 60:02d}.")
    return told


def _treatment_of(study: DeskStudy, subject: str) -> str:
    """The treatment of a subject: its rows' own, else the only one there is."""
    own = [r["treatment"] for r in study.rows if r.get("subject") == subject and r.get("treatment")]
    return own[-1] if own else next(iter(study.treatments), "colour")


def _value(study: DeskStudy, field: Field, whose: tuple[str, str], treatment: str) -> str:
    subject, section = whose
    if field.store == "subject":
        return shown_value(field, study.subject(subject).get(field.name))
    if field.store == "treatment":
        return shown_value(field, (study.treatments.get(treatment) or {}).get(field.name))
    if not field.each_section:
        section = next(iter(study.sections(subject)), "")
    return study.record_value(subject, section, field.name)


def result(study: DeskStudy, asked: Mapping[str, str]) -> dict[str, Any]:
    """The result of a study as it was made last, and whether it is of the study as it is now."""
    made = study.result
    who = {code: study.subject(code) for code in study.subjects}
    needs = [code for code in study.subjects if study.kind_of(code) == "person"]
    hidden = [code for code in needs if "measure" not in (who[code].get("consent") or ())]
    learners = list(dict.fromkeys(r["learner"] for r in study.rows if r.get("learner")))
    written = study.path / "results"
    return {
        "result": made, "is_current": made is not None and made["version"] == study.version,
        "has_photos": bool(study.rows), "needs_consent": needs, "hidden": hidden, "uses": USES,
        "consents": {code: who[code].get("consent") for code in needs},
        "subjects": study.subjects, "learners": learners, "code": study.code, "kind": study.kind,
        "stage_words": stage_words,
        "written": sorted(p.name for p in written.glob("page-*") if p.suffix in (".html", ".pdf")),
    }  # fmt: skip


def line(study: DeskStudy, asked: Mapping[str, str]) -> dict[str, Any]:
    """One photo to draw on."""
    from hairtone.report.picker import lines_of

    photo = asked["photo"]
    study.file(photo)
    rows = [row for row in study.rows if row.get("photo") == photo]
    lines, corners = lines_of(rows)
    return {
        "photo": photo, "short": photo.rpartition("/")[2], "lines": lines, "corners": corners,
        "is_placed": bool(rows), "code": study.code,
    }  # fmt: skip


def remove(study: DeskStudy, asked: Mapping[str, str]) -> dict[str, Any]:
    """What would be removed of a person, head or tress."""
    subjects = study.subjects
    subject = asked.get("who", subjects[0] if subjects else "")
    if subjects and subject not in subjects:
        raise KeyError(subject)
    return {
        "subjects": subjects, "subject": subject, "plan": plan_removal(study, subject),
        "kind": study.kind_of(subject), "code": study.code,
    }  # fmt: skip


PAGES: Final[dict[str, Callable[[DeskStudy, Mapping[str, str]], dict[str, Any]]]] = {
    "photos": photos, "record": record, "result": result, "line": line, "remove": remove,
}  # fmt: skip


async def check(study: DeskStudy, photo: str, settings: Mapping[str, Any]) -> dict[str, Any]:
    """The verdict on a photo; told again without looking while photo, rows and chart are the same.

    Raises
    ------
    HairtoneError
        There is no such photo, or the process that looks was lost.
    """
    stat = study.file(photo).stat()
    drawn = ("place", "line", "width", "regrowth", "corners", "roots", "white_percent")
    rows = [
        [row.get(name, "") for name in drawn] for row in study.rows if row.get("photo") == photo
    ]
    top = {k: v for k, v in study.toml.items() if not isinstance(v, dict)}
    key = json.dumps([str(study.path), photo, stat.st_mtime_ns, stat.st_size, rows, str(top)])
    known: dict[str, dict[str, Any]] = settings["desk_checks"]
    if key not in known:
        known[key] = await settings["desk_looking"].ask(
            "check", limit_s=_CHECK_S, folder=str(study.path), photo=photo
        )
    return known[key]

"""What the desk's buttons and fields do, one function each."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from hairtone.desk import pages
from hairtone.desk.folder import (
    KINDS,
    DeskStudy,
    NewStudy,
    make_study,
    propose_code,
)
from hairtone.desk.forms import FIELDS, USES, looks_like_name, stored_value
from hairtone.desk.removal import remove_subject, withdraw_pictures
from hairtone.errors import SheetError
from hairtone.study.values import CellError
from hairtone.study.values import wash as read_wash

_OUTLINE_S: Final = 30.0  # longest time for an outline; our choice
_MOST_TRESSES: Final = 60  # of one test made on the page; a sheet takes any number; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a button answers: sentences beside it, warnings, and a page to go to."""

    lines: tuple[str, ...] = ()
    warns: tuple[str, ...] = ()
    goto: str = ""
    more: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "lines": list(self.lines),
            "warns": list(self.warns),
            "goto": self.goto,
            **self.more,
        }


Settings = Mapping[str, Any]
Asked = dict[str, Any]


def add_study(base: Path, asked: Asked, settings: Settings) -> Said:
    """Make a person's, a head's or a test's folder."""
    kind = str(asked["kind"])
    if kind not in KINDS:
        raise SheetError("no-kind", "Nothing was chosen.", remedy="Choose what you work on.")
    code = str(asked["code"]).strip()
    if looks_like_name(code, is_code=True) and not asked.get("sure"):
        return Said(
            warns=(f"“{code}” looks like a name. Use a code such as {propose_code(base, kind)}, "
                   f"or press the button again to keep it.",),
            more={"sure": True},
        )  # fmt: skip
    made = make_study(base, NewStudy(
        code=code, kind=kind, chart=str(asked.get("chart", "")), chart_mm=_size(asked),
        board=_plain(asked, "board"), lamp=_plain(asked, "lamp"),
        age_16_or_over={"yes": True, "no": False}.get(str(asked.get("age", ""))),
        count=min(max(int(asked.get("count") or 1), 1), _MOST_TRESSES),
    ))  # fmt: skip
    return Said(lines=(f"{code} is there.",), goto=f"/desk/s/{quote(made.code, safe='')}/photos")


def _plain(asked: Asked, name: str) -> str:
    return " ".join(str(asked.get(name, "")).split())[:200]


def _size(asked: Asked) -> tuple[float, float] | None:
    texts = [str(asked.get(name, "")).replace(",", ".").strip() for name in ("width", "height")]
    if not any(texts):
        return None
    try:
        width, height = (float(text) for text in texts)
    except ValueError:
        width = height = 0.0
    if not (10 <= width <= 2000 and 10 <= height <= 2000):
        raise SheetError(
            "no-size", "The size of the chart is not two lengths in millimetres.",
            remedy="Measure the field of patches, such as 250 and 165, or leave both empty.",
        )  # fmt: skip
    return width, height


def add_sample(base: Path, asked: Asked, settings: Settings) -> Said:
    """Render the sample to try."""
    if not (base / pages.SAMPLE / "study.toml").exists():
        settings["desk_jobs"].start(pages.SAMPLE, "sample", base / pages.SAMPLE)
    return Said(lines=("The sample is being made. It takes about half a minute.",))


def place(study: DeskStudy, asked: Asked, settings: Settings) -> Awaitable[Said]:
    """Say which wash a photo shows."""
    return _place(study, asked, settings)


async def _place(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    wash = str(asked["wash"]).strip()
    try:
        read_wash(wash)
    except CellError:
        raise SheetError(
            "no-wash", "How many washes has it had?", remedy="Write a whole number, such as 4."
        ) from None
    photo = str(asked["photo"])
    study.file(photo)
    subject = str(asked.get("subject") or (study.subjects or [study.path.name])[0])
    seen = await pages.check(study, photo, settings)
    cells = {
        "subject": subject, "wash": wash, "section": _plain(asked, "section"),
        "treatment": "" if wash == "before" else _plain(asked, "treatment"),
    }  # fmt: skip
    study.place(photo, cells, about=bool(asked.get("about")), day=seen.get("taken", ""))
    return Said(lines=(f"Saved: {pages.stage_words(wash)}.",))


def take_out(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Remove a photo."""
    study.take_out(str(asked["photo"]))
    return Said(lines=("The photo is removed.",))


def write_field(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Keep one answer of the record."""
    question, subject = FIELDS[str(asked["name"])], str(asked["subject"])
    if subject not in (study.subjects or [study.path.name]):
        raise KeyError(subject)
    was, now = str(asked["was"]), str(asked["now"])
    value = stored_value(question, now)
    if question.store == "sheet":
        sections = [str(asked.get("section", ""))] if question.each_section else []
        if not question.each_section:
            sections = study.sections(subject)
        study.set_record(subject, sections, question.name, was, "" if value is None else str(value))
    else:
        table = ("subjects", subject)
        if question.store == "treatment":
            table = ("treatments", str(asked["treatment"]))
        study.set_toml(table, question.name, stored_value(question, was), value)
    named = looks_like_name(now) if question.form in ("text", "words") else False
    warns = ("This looks like a person's name. Use a code instead.",) if named else ()
    after = DeskStudy(path=study.path, code=study.code)
    held = pages.record(after, {"who": subject})
    return Said(lines=("Saved.",), warns=warns, more={"safety": held["safety"], "due": held["due"]})


def set_consent(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Note that a use of the photos was agreed to, or is withdrawn."""
    subject, use, on = str(asked["subject"]), str(asked["use"]), bool(asked["on"])
    if use not in USES or subject not in study.subjects:
        raise KeyError(use)
    held = study.subject(subject).get("consent")
    agreed = [u for u in USES if (u == use and on) or (u != use and u in (held or ()))]
    study.set_toml(("subjects", subject), "consent", held, agreed)
    if on:
        return Said(lines=("Noted: agreed.",))
    gone = withdraw_pictures(study)
    files = "1 page or picture was" if gone == 1 else f"{gone} pages and pictures were"
    return Said(lines=(f"Noted: withdrawn. {files} removed.",))


def draw_line(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Keep lines and corners that were drawn."""
    from hairtone.report.picker import points_text

    lines = [
        {
            "place": int(entry["place"]),
            "line": points_text(entry["points"]) if len(entry["points"]) > 1 else "",
            "width": f"{entry['width']:g}" if entry.get("width") else "",
            "regrowth": points_text([entry["mark"]]) if entry.get("mark") else "",
        }
        for entry in asked["lines"]
    ]
    corners = points_text(asked["corners"]) if len(asked["corners"]) == 4 else ""
    study.set_lines(str(asked["photo"]), lines, corners)
    return Said(lines=("The line is saved.",))


def outline(study: DeskStudy, asked: Asked, settings: Settings) -> Awaitable[Said]:
    """Tell what would be measured along a line."""
    return _outline(study, asked, settings)


async def _outline(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    file = study.file(str(asked["photo"]))
    made = await settings["desk_looking"].ask(
        "outline", limit_s=_OUTLINE_S, file=str(file), line=asked["line"]
    )
    return Said(more={"outline": made})


def measure(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Measure what is new and put the result together."""
    job = settings["desk_jobs"].start(study.code, "result", study.path)
    return Said(more={"job": job.to_dict()})


def write_out(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Write a page to hand over."""
    what, who = str(asked["what"]), str(asked.get("who", ""))
    if what not in ("client", "learner", "laboratory"):
        raise KeyError(what)
    job = settings["desk_jobs"].start(study.code, "page", study.path, what=what, who=who)
    return Said(more={"job": job.to_dict()})


def remove(study: DeskStudy, asked: Asked, settings: Settings) -> Said:
    """Remove a person, head or tress."""
    subject = str(asked["subject"])
    if asked.get("typed", "").strip() != subject:
        raise SheetError(
            "not-sure", "The code you typed is another one.", remedy=f"Type {subject} to be sure."
        )
    job = settings["desk_jobs"].of(study.code)
    if job is not None and job.is_open:
        raise SheetError(
            "measuring", "These photos are being measured just now.",
            remedy="Wait until that is done, then press again.",
        )  # fmt: skip
    says = remove_subject(study, subject)
    settings["desk_checks"].clear()
    return Said(lines=tuple(says), goto="/desk")


Act = Callable[[Any, Asked, Settings], Said | Awaitable[Said]]
HOME_ACTS: Final[dict[str, Act]] = {"new": add_study, "sample": add_sample}
ACTS: Final[dict[str, Act]] = {
    "place": place, "take-out": take_out, "field": write_field, "consent": set_consent,
    "line": draw_line, "outline": outline, "measure": measure, "write": write_out,
    "remove": remove,
}  # fmt: skip

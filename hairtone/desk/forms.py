"""The service record as a form: its fields in the trade's order, and what is said about them.

Order and fields: common practice of the trade. What is recorded is shown, never judged.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from hairtone.errors import SheetError
from hairtone.measures.plausibility import service_banners
from hairtone.study.sheet import ELASTICITY, POROSITY
from hairtone.study.values import CellError, time

QUARTERS: Final = ("back left", "back right", "front left", "front right")
USES: Final = {
    "measure": "to measure the colour, and for the client's own page",
    "teach": "to teach with",
    "assess": "to assess a learner by",
    "publish": "to publish",
}
_YES_NO: Final = ("yes", "no")
_ZONES: Final = {"roots": "roots", "mid_lengths": "mid-lengths", "ends": "ends"}
_PEOPLE: Final = ("person",)
_HEADS: Final = ("person", "practice head")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One question of the record.

    Attributes
    ----------
    name : str
        Column of the sheet, or key of study.toml.
    label, help : str
        The question, and a line below it.
    store : str
        ``"sheet"``, ``"subject"`` or ``"treatment"``: where the answer is kept.
    each_section : bool
        Asked once for every section; else once for the whole head or tress.
    form : str
        ``text``, ``words`` (several lines), ``number``, ``date``, ``time``, ``moment``, ``choice``.
    choices : tuple of str
        Of a choice.
    """

    name: str
    label: str
    help: str = ""
    store: str = "sheet"
    each_section: bool = False
    form: str = "text"
    choices: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceStep:
    """One step of the service with its questions."""

    title: str
    says: str = ""
    fields: tuple[Field, ...]


def _zoned(name: str, label: str, words: tuple[str, ...]) -> tuple[Field, ...]:
    return tuple(
        Field(name=f"{name}_{zone}", label=f"{label}, {word}", form="choice", choices=words)
        for zone, word in _ZONES.items()
    )


STEPS: Final = (
    ServiceStep(
        title="Who and when",
        says="Codes only, no names.",
        fields=(
            Field(name="learner", label="Learner (code)"),
            Field(name="assessor", label="Assessor (code)"),
            Field(name="service", label="Day and time of the service", store="subject",
                  form="moment"),
        ),
    ),
    ServiceStep(
        title="Skin test",
        says="The allergy alert test, done exactly as the maker directs, each time.",
        fields=(
            Field(name="skin_test", label="When was it done?", store="subject", form="moment",
                  help="With the time: 48 hours are counted from it.", kinds=_PEOPLE),
            Field(name="skin_test_clear", label="Was it clear?", store="subject", form="choice",
                  choices=_YES_NO, kinds=_PEOPLE),
        ),
    ),
    ServiceStep(
        title="Hair and scalp before",
        says="Feel porosity from points to roots. Elasticity is the stretch of damp hair.",
        fields=(
            Field(name="scalp_check", label="Scalp checked?", form="choice", choices=_YES_NO,
                  kinds=_PEOPLE),
            *_zoned("porosity", "Porosity", POROSITY),
            *_zoned("elasticity", "Elasticity", ELASTICITY),
            Field(name="incompatibility_test", label="Incompatibility test done?", form="choice",
                  choices=_YES_NO, help="Where the history of the hair asks for it."),
            Field(name="strand_test", label="Strand test", help="Minutes and what came of it."),
            Field(name="lightened", label="Lightened before?", form="choice", choices=_YES_NO),
            Field(name="start_depth", label="Starting depth"),
            Field(name="start_tone", label="Starting tone"),
            Field(name="white_percent", label="White hair, per cent", form="number"),
            Field(name="white_where", label="Where the white hair is"),
        ),
    ),
    ServiceStep(
        title="Product",
        fields=(
            Field(name="product", label="Product", store="treatment"),
            Field(name="shade", label="Shade", store="treatment"),
            Field(name="batch", label="Batch", store="treatment"),
            Field(name="leveller", label="Porosity leveller on", store="treatment",
                  help="Which zones; empty for none."),
        ),
    ),
    ServiceStep(
        title="Application",
        says="Start and finish of the application, section by section.",
        fields=(
            Field(name="method", label="Method", store="treatment",
                  help="Bottle, or bowl and brush."),
            Field(name="section_mm", label="Thickness of the sections, mm", store="treatment",
                  form="number"),
            Field(name="start", label="Start", each_section=True, form="time"),
            Field(name="finish", label="Finish", each_section=True, form="time"),
        ),
    ),
    ServiceStep(
        title="Development and rinse",
        says="Development runs from the finish, as the maker directs.",
        fields=(
            Field(name="development_min", label="Development, minutes", store="treatment",
                  form="number"),
            Field(name="rinsed", label="How it was rinsed",
                  help="Until clear, without shampoo; conditioner on mid-lengths and ends."),
        ),
    ),
    ServiceStep(
        title="Aftercare and next visit",
        fields=(
            Field(name="aftercare", label="Aftercare", form="words"),
            Field(name="next_visit", label="Next visit", form="date"),
            Field(name="notes", label="Notes", form="words"),
        ),
    ),
)  # fmt: skip
FIELDS: Final = {field.name: field for step in STEPS for field in step.fields}


def steps_for(kind: str) -> list[tuple[ServiceStep, list[Field]]]:
    """Steps with the questions that are asked of a person, a practice head or a tress."""
    kept = [(s, [f for f in s.fields if not f.kinds or kind in f.kinds]) for s in STEPS]
    return [(step, fields) for step, fields in kept if fields]


def shown_value(field: Field, value: Any) -> str:
    """What an input of the form holds for a stored value."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%dT%H:%M")
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def stored_value(field: Field, text: str) -> Any:
    """What is stored for the text of an input; None for an empty one.

    Raises
    ------
    SheetError
        The text is no answer to the question.
    """
    text = text.strip()
    if not text:
        return None
    try:
        return _READERS[field.form](field, text)
    except (ValueError, CellError) as error:
        remedy = error.remedy if isinstance(error, CellError) else _REMEDIES[field.form]
        raise SheetError(
            "no-answer", f"{field.label}: “{text[:60]}” cannot be taken.", remedy=remedy
        ) from None


def _number(field: Field, text: str) -> Any:
    value = float(text.replace(",", "."))
    if not 0 < value < 1e4 and not (value == 0 and field.store == "sheet"):
        raise ValueError
    return value if field.store != "sheet" else f"{value:g}"


def _moment(_: Field, text: str) -> dt.date:
    if len(text) == 10:
        return dt.date.fromisoformat(text)
    return dt.datetime.fromisoformat(text)


def _choice(field: Field, text: str) -> Any:
    if text not in field.choices:
        raise ValueError
    return text == "yes" if field.store == "subject" else text


_READERS: Final[dict[str, Callable[[Field, str], Any]]] = {
    "number": _number,
    "date": lambda _, text: dt.date.fromisoformat(text).isoformat(),
    "time": lambda _, text: time(text),
    "moment": _moment,
    "choice": _choice,
    "text": lambda _, text: " ".join(text.split()),
    "words": lambda _, text: " ".join(text.split()),
}
_REMEDIES: Final = {
    "number": "Write a number, such as 8 or 7.5.",
    "date": "Write the date as year-month-day, such as 2026-03-02.",
    "moment": "Write day and time, such as 2026-03-02 14:05.",
    "choice": "Choose one of the words.",
}


def safety_lines(kind: str, subject: Mapping[str, Any]) -> list[str]:
    """Return what the record has to show of skin test, age and consent; empty for a head or tress.

    Under 48 hours between test and service, or days without times less than 3 apart, are said.
    """
    if kind != "person":
        return []
    banners = service_banners(
        skin_test=subject.get("skin_test"),
        skin_test_clear=subject.get("skin_test_clear"),
        service=subject.get("service"),
        age_16_or_over=subject.get("age_16_or_over"),
    )
    return [str(banner.says) for banner in banners]


_TITLES: Final = re.compile(r"\b(mrs?|ms|miss|mx|dr|herr|frau|mme|sr|sra)\b\.?\s+\w", re.IGNORECASE)
_TWO_NAMES: Final = re.compile(r"\b[A-Z][a-zà-öø-ÿ]{2,}\s+[A-Z][a-zà-öø-ÿ]{2,}\b")
_ONE_NAME: Final = re.compile(r"[A-Z]?[a-zà-öø-ÿ]{3,}(?:[ -][A-Za-zà-öø-ÿ]+\.?)*")


def looks_like_name(text: str, *, is_code: bool = False) -> bool:
    """Return whether text looks like a person's name.

    Two capitalised words and a title do; where a code is asked for, one plain word as well.

    Parameters
    ----------
    text : str
        What was typed.
    is_code : bool, optional
        It is meant as a code: then a single word of small letters looks like a name, too.
    """
    text = text.strip()
    if _TITLES.search(text) or _TWO_NAMES.search(text):
        return True
    return is_code and bool(_ONE_NAME.fullmatch(text))

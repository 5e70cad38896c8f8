"""The service record beside the figures, and what it lacks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hairtone.measures.plausibility import service_banners
from hairtone.report.source import hair_words
from hairtone.report.types import ZONE_WORDS, ZONES

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult
    from hairtone.study.rows import SheetRow
    from hairtone.study.settings import Settings, Subject, Treatment


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What is on record of one hair.

    Attributes
    ----------
    name : str
        The hair.
    banners : tuple of str
        What stands out: an allergy test missing or too late, an age under 16.
    fields : tuple of (str, str)
        Words and values, only those that are filled.
    next_visit : str
        ISO date, or empty.
    """

    name: str
    banners: tuple[str, ...]
    fields: tuple[tuple[str, str], ...]
    next_visit: str = ""


def record_of(rows: Sequence[RowResult], settings: Settings) -> Record:
    """The record of one hair from its rows of the sheet and its entry in study.toml.

    Parameters
    ----------
    rows : sequence of RowResult
        All rows of one subject and section.
    settings : Settings
        Of the study.
    """
    sheet = [row.row for row in rows]
    code, section = sheet[0].hair
    name, subject = hair_words(code, section), settings.subjects.get(code)
    if subject is not None and subject.age_16_or_over is False:
        banner = f"{code} is under 16: no client service record is kept."
        return Record(name=name, banners=(banner,), fields=())
    fields = [*_treatment_fields(rows[0].treatment, settings), *_sheet_fields(sheet)]
    fields += list(_subject_fields(subject))
    return Record(
        name=name,
        banners=_banners(subject),
        fields=tuple((word, value) for word, value in fields if value),
        next_visit=_last(sheet, "next_visit"),
    )


def _banners(subject: Subject | None) -> tuple[str, ...]:
    """Only where a person's record is kept; a tress or training head needs no allergy test."""
    if subject is None or (subject.skin_test is None and subject.age_16_or_over is None):
        return ()
    found = service_banners(
        skin_test=subject.skin_test,
        skin_test_clear=subject.skin_test_clear,
        service=subject.service,
        age_16_or_over=subject.age_16_or_over,
    )
    return tuple(str(flag) for flag in found)


def _moment(moment: dt.date | None) -> str:
    if moment is None:
        return ""
    if isinstance(moment, dt.datetime):
        return moment.strftime("%Y-%m-%d %H:%M")
    return moment.isoformat()


def _treatment_fields(name: str, settings: Settings) -> Iterator[tuple[str, str]]:
    yield "treatment", name
    treatment: Treatment | None = settings.treatments.get(name)
    if treatment is None:
        return
    yield "product", treatment.product
    yield "shade", treatment.shade
    yield "batch", treatment.batch
    yield "method", treatment.method
    yield "porosity leveller on", treatment.leveller
    yield "development", _with_unit(treatment.development_min, "min")
    yield "section thickness", _with_unit(treatment.section_mm, "mm")


def _with_unit(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}"


def _sheet_fields(rows: Sequence[SheetRow]) -> Iterator[tuple[str, str]]:
    yield "coloured on", next((_moment(row.date) for row in rows if row.wash == 0), "")
    yield "start and finish", _joined(_last(rows, "start"), _last(rows, "finish"))
    yield "strand test", _last(rows, "strand_test")
    yield "felt porosity", _by_zone(rows, "porosity")
    yield "elasticity", _by_zone(rows, "elasticity")
    yield "white hair", _percent(rows)
    yield "learner", _last(rows, "learner")
    yield "assessor", _last(rows, "assessor")
    yield "washes photographed", ", ".join(dict.fromkeys(row.wash_text for row in rows))
    yield "next visit", _last(rows, "next_visit")
    yield "notes", "; ".join(dict.fromkeys(row.notes for row in rows if row.notes))


def _last(rows: Sequence[SheetRow], name: str) -> str:
    """The value written last, washes in order."""
    filled = [getattr(row, name) for row in rows if getattr(row, name) not in ("", None)]
    return str(filled[-1]) if filled else ""


def _joined(start: str, finish: str) -> str:
    return f"{start or '?'} to {finish or '?'}" if start or finish else ""


def _by_zone(rows: Sequence[SheetRow], what: str) -> str:
    words = [(ZONE_WORDS[zone], _last(rows, f"{what}_{zone}")) for zone in ZONES]
    return ", ".join(f"{zone} {word}" for zone, word in words if word)


def _percent(rows: Sequence[SheetRow]) -> str:
    text = _last(rows, "white_percent")
    return f"{float(text):g} %" if text else ""


def _subject_fields(subject: Subject | None) -> Iterator[tuple[str, str]]:
    if subject is None:
        return
    clear = {True: "clear", False: "not clear", None: "result not written down"}
    if subject.skin_test is not None:
        yield (
            "allergy alert test",
            f"{_moment(subject.skin_test)}, {clear[subject.skin_test_clear]}",
        )
    yield "service", _moment(subject.service)
    consent = subject.consent
    yield "consent for", "" if consent is None else ", ".join(consent) or "nothing"
    yield "trims", ", ".join(f"{t.mm:g} mm after wash {t.wash}" for t in subject.trims)

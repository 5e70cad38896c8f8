"""The card of one hair: its answer, chips, pictures, figures, sentences and service record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.colorimetry import delta_e_ab
from hairtone.measures.plausibility import service_banners
from hairtone.report import sentences
from hairtone.report.blocks import (
    ChipRow,
    ChipTable,
    FigureBlock,
    Grid,
    chip_of,
    chips_note,
    grid,
    shown,
)
from hairtone.report.figures import (
    figure_amounts,
    figure_evenness_washes,
    figure_fades,
    figure_map,
    figure_profiles,
)
from hairtone.report.pictures import pictures_of
from hairtone.report.types import ZONE_WORDS, ZONES, Audience
from hairtone.report.views import (
    DrawnProfile,
    HairView,
    drawn_profiles,
    first_of_each_wash,
    hair_words,
    key_photos,
    wash_words,
)
from hairtone.study.hair_measures import marked_regrowth

if TYPE_CHECKING:
    from hairtone.study.hair_measures import HairMeasures, PhotoMeasures
    from hairtone.study.records import RowResult
    from hairtone.study.settings import Settings, Subject, Treatment
    from hairtone.study.sheet import SheetRow

TENTHS: Final = 10


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
    """Return the record of one hair from its rows of the sheet and its entry in study.toml.

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
    yield "photographed", ", ".join(dict.fromkeys(wash_words(row.wash_text) for row in rows))
    yield "next visit", _last(rows, "next_visit")
    yield "notes", "; ".join(dict.fromkeys(row.notes for row in rows if row.notes))


def _last(rows: Sequence[SheetRow], name: str) -> str:
    """The value written last, washes in order; empty for a column that the sheet does not know."""
    filled = [value for row in rows if (value := getattr(row, name, "")) not in ("", None)]
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


# figures ---------------------------------------------------------------------------------------


def profile_figures(
    view: HairView, profiles: Sequence[tuple[RowResult, DrawnProfile]], map_top: float
) -> list[FigureBlock]:
    """Return curves from roots to ends, and the map of differences from the hair's mean.

    Parameters
    ----------
    view : HairView
        The hair.
    profiles : sequence of (RowResult, DrawnProfile)
        What is drawn.
    map_top : float
        ΔE00 at the dark end of the map.
    """
    if not profiles:
        return []
    drawn = [profile for _, profile in profiles]
    curves = shown(
        figure_profiles(drawn, zones=view.settings.zones),
        caption=f"{view.name}: colour from roots to ends. The flatter a line, the more even; the "
        f"band around it is how sure the photo is (95 %).",
        alt=_profile_alt(view.name, drawn),
        is_tall=True,
    )
    return [curves, map_figure(view, drawn, map_top)]


def map_figure(view: HairView, drawn: Sequence[DrawnProfile], map_top: float) -> FigureBlock:
    """Return where along the hair its colour leaves the hair's own mean."""
    return shown(
        figure_map(
            np.stack([p.delta_e for p in drawn]),
            [p.label for p in drawn],
            top=map_top,
            critical=np.stack([p.critical for p in drawn]),
        ),
        caption=f"{view.name}: the darker a place, the further its colour is from the hair's mean; "
        f"dotted places are too close to it to be sure. One scale for the whole study.",
        alt=_map_alt(view.name, drawn),
    )


def _profile_alt(name: str, drawn: Sequence[DrawnProfile]) -> str:
    parts = [
        f"{p.label}: L* {p.lab[0, 0]:.0f} at the roots to {p.lab[-1, 0]:.0f} at the ends, a* "
        f"{p.lab[0, 1]:.0f} to {p.lab[-1, 1]:.0f}, b* {p.lab[0, 2]:.0f} to {p.lab[-1, 2]:.0f}"
        for p in drawn
    ]
    return f"Curves of L*, a*, b* and difference from the mean along {name}. {'. '.join(parts)}."


def _map_alt(name: str, drawn: Sequence[DrawnProfile]) -> str:
    parts = [
        f"{p.label}: largest {p.delta_e.max():.1f} at {100 * p.position[p.delta_e.argmax()]:.0f} % "
        f"of the length"
        for p in drawn
    ]
    return f"Map of ΔE₀₀ from the mean along {name}. {'. '.join(parts)}."


def wash_figures(view: HairView) -> dict[str, FigureBlock]:
    """Return figures over the washes by name: evenness, fade, amounts; those there is data for."""
    hair = view.measures
    if hair is None:
        return {}
    found: dict[str, FigureBlock] = {}
    if len({photo.row.row.wash_text for photo in hair.photos}) > 1:
        found["evenness"] = shown(
            figure_evenness_washes(hair.photos, bands=short_bands(view.bands.scales["evenness"])),
            caption=f"{view.name}: difference between roots and ends, photo by photo. A hollow "
            f"mark is too small to be sure.",
            alt=" ".join(sentences.evenness_sentence(photo) for photo in first_of_each_wash(view)),
        )
    if any(step.colour_left is not None for step in sentences.last_steps(hair).values()):
        found["fade"] = shown(
            figure_fades(hair.fades, hair.curves, words=view.bands.scales["colour_left"]),
            caption=f"{view.name}: how much of the colour is left. The bands show how sure (95 %); "
            f"each bar, between which washes {_limit(hair)} is left.",
            alt=f"{sentences.colour_left_sentence(hair)} {sentences.refresh_sentence(hair)}",
        )
        amounts = _amounts_figure(view, hair)
        found |= {"amounts": amounts} if amounts else {}
    return found


def _limit(hair: HairMeasures) -> str:
    curve = next(iter(hair.curves.values()), None)
    return sentences.limit_words(curve.refresh_percent if curve is not None else 50.0)


def short_bands(bands: Sequence[tuple[float, str]]) -> tuple[tuple[float, str], ...]:
    """Return word bands short enough for the margin of a figure."""
    return tuple(
        (limit, word.split(",")[0].removeprefix("a ").removesuffix(" difference"))
        for limit, word in bands
    )


def _amounts_figure(view: HairView, hair: HairMeasures) -> FigureBlock | None:
    """Colour held by roots and ends; nothing where the uptake is unknown."""
    uptake = _uptake_ab(hair)
    rows = [
        {
            "zone": zone,
            "wash": step.wash,
            "amount": uptake[zone] * step.colour_left / 100,
            "low": uptake[zone] * step.colour_left_low / 100,
            "high": uptake[zone] * step.colour_left_high / 100,
        }
        for zone, fade in hair.fades.items()
        for step in fade.steps
        if zone in uptake
        and step.colour_left is not None
        and step.colour_left_low is not None
        and step.colour_left_high is not None
    ]
    if not rows:
        return None
    crossing, between = hair.crossing, None
    if crossing is not None and crossing.wash is not None and crossing.low is not None:
        between = crossing.low, crossing.high
    tail = " Shaded: the washes between which they look alike." if between else ""
    return shown(
        figure_amounts(rows, crossing=between),
        caption=f"{view.name}: how much colour roots and ends hold.{tail}",
        alt=sentences.crossing_sentence(crossing)
        or f"Curves of the colour that roots and ends of {view.name} hold.",
    )


def _uptake_ab(hair: HairMeasures) -> dict[str, float]:
    """ΔE*ab of the roots' and the ends' uptake, where before and just coloured are there."""
    by_wash = {photo.row.row.wash: photo for photo in reversed(hair.photos)}
    if None not in by_wash or 0 not in by_wash:
        return {}
    before, after = by_wash[None].colours, by_wash[0].colours
    return {
        zone: float(delta_e_ab(before[zone].lab, after[zone].lab)) for zone in ("roots", "ends")
    }


# cards -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What a report shows of one hair; every text is plain.

    Attributes
    ----------
    name, under : str
        The hair, and its treatment in a line.
    learner : str
        Code of the learner, or empty.
    answer : tuple of str
        Plain sentences without figures of the trade: even or not, how much is left, when to
        refresh.
    pictures : tuple of Shown
        Crops of the photographs, where consent allows them.
    chips, key_chips, washes : ChipTable
        Roots to ends, a row for each wash; the same for before, just coloured and the last; and
        washes across, a row for each zone.
    figures, handover : tuple of Shown
        All figures; and those that a client takes home.
    map : Shown or None
        Missed and grabbed places.
    evenness, uptake, fade : tuple of str
        Sentences with their figures.
    log : Grid
        Washes with their dates and what was left.
    record : Record
        The service record.
    """

    name: str
    under: str
    learner: str
    answer: tuple[str, ...]
    pictures: tuple[FigureBlock, ...]
    chips: ChipTable
    key_chips: ChipTable
    washes: ChipTable
    figures: tuple[FigureBlock, ...]
    handover: tuple[FigureBlock, ...]
    map: FigureBlock | None
    evenness: tuple[str, ...]
    uptake: tuple[str, ...]
    fade: tuple[str, ...]
    log: Grid
    record: Record


def make_card(view: HairView, *, map_top: float, audience: Audience) -> Card:
    """Return the card of one hair.

    Parameters
    ----------
    view : HairView
        The hair.
    map_top : float
        ΔE00 at the dark end of every map of the study.
    audience : str
        Whom the report is for; decides which consent pictures need.
    """
    settings, hair = view.settings, view.measures
    profiles = drawn_profiles(view)
    washes = wash_figures(view)
    treatment = view.rows[0].treatment
    details = settings.treatments.get(treatment)
    under = [treatment, *([details.product, details.method] if details else [])]
    along = profile_figures(view, profiles, map_top)
    return Card(
        name=view.name,
        under=" · ".join(word for word in dict.fromkeys(under) if word),
        learner=_last([row.row for row in view.rows], "learner"),
        answer=answer_of(view),
        pictures=pictures_of(view, audience=audience),
        chips=chips_along(view),
        key_chips=_chips([(_wash_label(photo), photo) for photo in key_photos(view)], view),
        washes=chips_by_wash(view),
        figures=(*along, *washes.values()),
        handover=tuple(washes[name] for name in ("fade",) if name in washes),
        map=along[1] if along else None,
        evenness=evenness_sentences(view),
        uptake=sentences.uptake_sentences(hair.uptake, hair.porous) if hair else (),
        fade=fade_sentences(view),
        log=_log(view),
        record=record_of(view.rows, settings),
    )


def answer_of(view: HairView) -> tuple[str, ...]:
    """Return the plain answers for one hair: how much is left, when to refresh, even or not."""
    hair = view.measures
    photos = first_of_each_wash(view)
    if hair is None or not photos:
        return ("No photo of this hair could be used.",)
    found = [sentences.left_answer(hair), sentences.refresh_answer(hair)]
    latest = photos[-1]
    when = wash_words(latest.row.row.wash_text)
    even = sentences.even_answer(latest)
    found.append(f"{when[:1].upper()}{when[1:]}: {even[:1].lower()}{even[1:]}")
    return tuple(text for text in found if text)


def chips_along(view: HairView) -> ChipTable:
    """Return chips of one hair, a row for each wash, roots on the left."""
    return _chips([(_wash_label(photo), photo) for photo in first_of_each_wash(view)], view)


def _wash_label(photo: PhotoMeasures) -> str:
    return wash_words(photo.row.row.wash_text).replace(" colouring", "")


def class_chips(views: Sequence[HairView]) -> ChipTable | None:
    """Return chips of every hair just coloured, side by side, roots on the left."""
    found = [
        (view.name, photo)
        for view in views
        for photo in first_of_each_wash(view)
        if photo.row.row.wash == 0
    ]
    return _chips(found, views[0]) if found else None


def _chips(photos: Sequence[tuple[str, PhotoMeasures]], view: HairView) -> ChipTable:
    head = ["roots", *[""] * (TENTHS - 2), "ends"]
    head[TENTHS // 2 - 1] = "mid"
    rows = []
    for label, photo in photos:
        tenths = photo.profile.lab.reshape(TENTHS, -1, 3).mean(axis=1)
        rows.append(ChipRow(label=label, chips=tuple(chip_of(lab) for lab in tenths)))
    caption = chips_note(view.settings.viewing)
    return ChipTable(caption=caption, head=tuple(head), rows=tuple(rows))


def chips_by_wash(view: HairView) -> ChipTable:
    """Return chips of one hair, a row for each zone, washes from left to right."""
    photos = first_of_each_wash(view)
    rows = [
        ChipRow(
            label=ZONE_WORDS[zone],
            chips=tuple(chip_of(photo.colours[zone].lab) for photo in photos),
        )
        for zone in ZONES
    ]
    head = [_short_wash(photo) for photo in photos]
    caption = f"From left to right: before, just coloured, then after so many washes. {_SCREEN}"
    return ChipTable(caption=caption, head=tuple(head), rows=tuple(rows))


_SCREEN: Final = "A screen or printer shows a likeness; the number is the lightness L*."


def _short_wash(photo: PhotoMeasures) -> str:
    wash = photo.row.row.wash
    return "before" if wash is None else "new" if wash == 0 else str(wash)


def evenness_sentences(view: HairView) -> tuple[str, ...]:
    """Return roots to ends before, just coloured and after the last wash, and missed places."""
    hair = view.measures
    if hair is None:
        return ()
    out = [sentences.evenness_sentence(photo) for photo in key_photos(view)]
    places = [patch for _, patches in hair.patches for patch in patches]
    return (*out, *[sentences.patch_sentence(patch) for patch in places])


def fade_sentences(view: HairView) -> tuple[str, ...]:
    """Return what is left, when to refresh, tone, crossing, blending and new growth."""
    hair = view.measures
    if hair is None:
        return ()
    faded: tuple[str, ...] = ()
    if hair.fades:
        faded = (
            sentences.colour_left_sentence(hair),
            sentences.refresh_sentence(hair),
            sentences.tone_sentence(hair),
            sentences.crossing_sentence(hair.crossing),
        )
    return tuple(
        text for text in (*faded, *sentences.blend_sentences(hair), *_regrowth(hair)) if text
    )


def _regrowth(hair: HairMeasures) -> tuple[str, ...]:
    """New growth marked on the photos, wash by wash; it is left out of every figure."""
    marks = [(photo.row.row.wash_text, marked_regrowth(photo.row)) for photo in hair.photos]
    return sentences.regrowth_sentence([(wash, mark) for wash, mark in marks if mark])


def sentences_of(view: HairView) -> tuple[str, ...]:
    """Return everything that is said of one hair: evenness, uptake, fade."""
    hair = view.measures
    uptake = sentences.uptake_sentences(hair.uptake, hair.porous) if hair else ()
    return (*evenness_sentences(view), *uptake, *fade_sentences(view))


def _log(view: HairView) -> Grid:
    """Wash by wash: the day, what was left in each zone, and how the photo came out."""
    fades = view.measures.fades if view.measures is not None else {}
    left = {
        (step.wash, zone): _range(step.colour_left_low, step.colour_left_high)
        for zone, fade in fades.items()
        for step in fade.steps
    }
    rows = []
    for row in view.rows:
        wash, day = row.row.wash, row.row.date
        share = [None if wash is None else left.get((wash, zone)) for zone in ZONES]
        word = sentences.STATUS_WORDS[row.status].split(";")[0]
        rows.append((wash_words(row.row.wash_text), "" if day is None else day.isoformat(),
                     *share, word))  # fmt: skip
    head = ("", "day", "roots %", "mid %", "ends %", "photo")
    return grid(f"{view.name}: colour left (95 % range)", head, rows)


def _range(low: float | None, high: float | None) -> str | None:
    """Colour left as a range; 100 just coloured, by definition."""
    if low is None or high is None:
        return None
    if high < 0:
        return "under 0"  # beyond the colour before: no range from 0 to 0
    first, last = (sentences.number(max(end, 0.0), 0) for end in (low, high))
    return first if first == last else f"{first}–{last}"


def glances(views: Sequence[HairView]) -> Iterator[tuple[str, ChipTable, tuple[str, ...]]]:
    """Yield name, chips and sentences of each hair that was measured."""
    for view in views:
        if view.photos:
            yield view.name, chips_by_wash(view), sentences_of(view)


def differences_of(photos: Sequence[PhotoMeasures]) -> list[Any]:
    """Return the root-to-ends difference of each photo."""
    return [photo.evenness.root_to_ends for photo in photos]

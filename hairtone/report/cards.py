"""The card of one hair: its chips, pictures, figures, sentences and service record."""

from __future__ import annotations

import base64
import datetime as dt
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.colorimetry import delta_e_ab
from hairtone.errors import HairtoneError
from hairtone.measures.plausibility import service_banners
from hairtone.report import sentences
from hairtone.report.blocks import ChipRow, ChipTable, Grid, Shown, chip_of, chips_note, grid, shown
from hairtone.report.figures import (
    figure_amounts,
    figure_evenness_washes,
    figure_fade_table,
    figure_map,
    figure_profiles,
)
from hairtone.report.types import ZONE_WORDS, ZONES, Analysis, Audience
from hairtone.report.views import (
    DrawnProfile,
    HairView,
    Tables,
    drawn_profiles,
    first_of_each_wash,
    hair_words,
    hairs_of,
    wash_words,
)
from hairtone.study.hair_measures import marked_regrowth

if TYPE_CHECKING:
    from hairtone.study.records import RowResult
    from hairtone.study.settings import Settings, Subject, Treatment
    from hairtone.study.sheet import SheetRow


# uses a person must have agreed to before a report of that kind shows the hair; our choice
NEEDED: Final[dict[Audience, tuple[str, ...]]] = {
    "educator": ("teach", "assess"),
    "stylist": ("measure",),
    "tester": ("publish",),
}
_TALLEST: Final = 420  # pixels of a crop's longer side; our choice
_AROUND: Final = 0.12  # of the line's length, left around it; our choice
TENTHS: Final = 10
MOST_HAIRS: Final = 12  # shown at a glance; our choice


def crops_of(view: HairView, *, audience: Audience) -> tuple[Shown, ...]:
    """Before, just coloured and the last wash of one hair, cropped to the hair.

    Empty unless ``show_photos`` is on in study.toml and the subject's consent holds every use
    that this report stands for.

    Parameters
    ----------
    view : HairView
        The hair.
    audience : str
        Whom the report is for.
    """
    settings = view.outcome.study.settings
    subject = settings.subjects.get(view.rows[0].row.subject)
    if not settings.show_photos or subject is None:
        return ()
    if not all(subject.allows(scope) for scope in NEEDED[audience]):
        return ()
    rows = first_of_each_wash(view)
    wanted = [row for row in rows if row.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows and rows[-1] not in wanted else []
    found = [_crop(view, row) for row in wanted]
    return tuple(crop for crop in found if crop is not None)


def _crop(view: HairView, row: RowResult) -> Shown | None:
    line = (row.hair.get("tress") or {}).get("line")
    if not line:
        return None
    from hairtone.photo.reader import read_photo
    from hairtone.study.files import Folder

    try:
        path = Folder(view.outcome.study.folder).find(row.row.photo)
        photo = read_photo(path, expected_sha256=row.sha256 or None)
    except (HairtoneError, OSError):
        return None
    when = wash_words(row.row.wash_text)
    return Shown(
        uri=_jpeg_uri(photo, np.asarray(line, dtype=np.float64)),
        alt=f"Photograph of {view.name}, {when}, cropped to the hair; colours as the camera wrote "
        f"them, not measured.",
        caption=f"{view.name}, {when}: the photograph, not calibrated.",
    )


def _jpeg_uri(photo: Any, line: np.ndarray) -> str:
    """The photo's part around a line, without any of the camera's notes."""
    from PIL import Image

    from hairtone.report.picker import shown_codes

    width, height = photo.size
    reach = _AROUND * float(np.hypot(*np.diff(line, axis=0).T).sum())
    x0, y0 = np.maximum(np.floor(line.min(axis=0) - reach), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(line.max(axis=0) + reach), (width - 1, height - 1)).astype(int)
    codes = shown_codes(photo, photo.pixels[y0 : y1 + 1, x0 : x1 + 1, :3])
    picture = Image.fromarray(codes)
    picture.thumbnail((_TALLEST, _TALLEST), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")


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


def profile_figures(
    view: HairView, profiles: Sequence[tuple[RowResult, DrawnProfile]], map_top: float
) -> list[Shown]:
    """Curves from roots to ends, and the map of differences from the hair's mean.

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
    drawn, zones = [profile for _, profile in profiles], view.outcome.study.settings.zones
    labels = [profile.label for profile in drawn]
    curves = shown(
        figure_profiles(drawn, zones=zones),
        caption=f"{view.name}: colour from roots to ends with 95 % bands.",
        alt=_profile_alt(view.name, drawn),
        is_tall=True,
    )
    level = shown(
        figure_map(
            np.stack([p.delta_e for p in drawn]),
            labels,
            top=map_top,
            critical=np.stack([p.critical for p in drawn]),
        ),
        caption=f"{view.name}: where along the hair its colour leaves the hair's own mean. The "
        f"scale is the same for every hair of this study.",
        alt=_map_alt(view.name, drawn),
    )
    return [curves, level]


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


def wash_figures(view: HairView) -> dict[str, Shown]:
    """Figures over the washes by name: evenness, fade, amounts; those there is data for.

    Where the colour left cannot be told there is no figure of it: a sentence says so.
    """
    found = {}
    ends = [row for row in view.of("evenness") if row["measure"] == "root_to_ends"]
    if len(ends) > 1:
        found["evenness"] = shown(
            figure_evenness_washes(ends, bands=view.tables.bands),
            caption=f"{view.name}: difference between roots and ends, photo by photo.",
            alt=" ".join(sentences.evenness_sentence(row) for row in ends),
        )
    fade = view.of("fade")
    if any(row.get("colour_left") is not None and int(row["wash"]) > 0 for row in fade):
        found["fade"] = _fade_figure(view, fade)
        amounts = _amounts_figure(view, fade)
        found |= {"amounts": amounts} if amounts else {}
    return found


def _amounts_figure(view: HairView, fade: list[dict[str, Any]]) -> Shown | None:
    """Colour held by roots and ends; nothing where the uptake is unknown."""
    uptake = _uptake_ab(view)
    rows = [
        {
            "zone": row["zone"],
            "wash": row["wash"],
            **{
                name: uptake[row["zone"]] * float(row[f"colour_left{end}"]) / 100
                for name, end in (("amount", ""), ("low", "_low"), ("high", "_high"))
            },
        }
        for row in fade
        if row["zone"] in uptake
        and all(row.get(f"colour_left{end}") is not None for end in ("", "_low", "_high"))
    ]
    if not rows:
        return None
    crossings = [row for row in view.of("crossing") if row.get("wash") is not None]
    crossing = next((row for row in crossings if not sentences.is_open_crossing(row)), None)
    between = None if crossing is None else (float(crossing["low"]), crossing.get("high"))
    told = [sentences.crossing_sentence(row) for row in view.of("crossing")]
    return shown(
        figure_amounts(rows, crossing=between),
        caption=f"{view.name}: how much colour roots and ends hold"
        + ("; shaded: washes between which they come to hold the same." if between else "."),
        alt=" ".join(told) or f"Curves of the colour that roots and ends of {view.name} hold.",
    )


def _uptake_ab(view: HairView) -> dict[str, float]:
    """ΔE*ab of the roots' and the ends' uptake, where before and just coloured are there."""
    colours: dict[tuple[str, str], list[float]] = {
        (row["zone"], str(row["wash"])): [row["L"], row["a"], row["b"]]
        for row in reversed(view.of("measurements"))
    }
    return {
        zone: float(delta_e_ab(colours[zone, "before"], colours[zone, "0"]))
        for zone in ("roots", "ends")
        if (zone, "before") in colours and (zone, "0") in colours
    }


def _fade_figure(view: HairView, fade: list[dict[str, Any]]) -> Shown:
    picture = figure_fade_table(fade, refresh=view.of("fade_fit"))
    return shown(
        picture,
        caption=f"{view.name}: colour left in each zone with 95 % bands; the bars at 50 % are the "
        f"range of washes to refresh.",
        alt=f"{sentences.colour_left_sentence(fade)} "
        f"{sentences.refresh_sentence(view.of('fade_fit'))}",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What a report shows of one hair; every text is plain.

    Attributes
    ----------
    name, under : str
        The hair, and its treatment in a line.
    chips : ChipTable
        Roots to ends, one row for each wash.
    washes : ChipTable
        Washes from before to the last, one row for each zone.
    figures : tuple of Shown
        Profile, evenness, fade, map.
    handover : tuple of Shown
        Only what a client takes home: the colour left, and the colour that roots and ends hold.
    evenness, uptake, fade : tuple of str
        Sentences.
    log : Grid
        Washes with their dates and what was left.
    record : Record
        The service record.
    pictures : tuple of Shown
        Crops of the photographs, where the study shows them and consent allows it.
    next_visit : str
        ISO date, or empty.
    """

    name: str
    under: str
    chips: ChipTable
    washes: ChipTable
    figures: tuple[Shown, ...]
    handover: tuple[Shown, ...]
    evenness: tuple[str, ...]
    uptake: tuple[str, ...]
    fade: tuple[str, ...]
    log: Grid
    record: Record
    pictures: tuple[Shown, ...] = ()
    next_visit: str = ""


def make_card(view: HairView, *, map_top: float, audience: Audience) -> Card:
    """The card of one hair.

    Parameters
    ----------
    view : HairView
        The hair.
    map_top : float
        ΔE00 at the dark end of every map of the study.
    audience : str
        Whom the report is for; decides which consent crops need.
    """
    settings = view.outcome.study.settings
    profiles = drawn_profiles(view)
    washes = wash_figures(view)
    treatment = view.rows[0].treatment
    details = settings.treatments.get(treatment)
    under = [treatment, *([details.product, details.method] if details else [])]
    visits = [r.row.next_visit for r in view.rows if r.row.next_visit is not None]
    return Card(
        name=view.name,
        under=" · ".join(word for word in dict.fromkeys(under) if word),
        chips=chips_along(view, settings.viewing),
        washes=chips_by_wash(view, settings.viewing),
        figures=(*profile_figures(view, profiles, map_top), *washes.values()),
        handover=tuple(washes[name] for name in ("fade", "amounts") if name in washes),
        evenness=evenness_sentences(view),
        uptake=_uptake(view),
        fade=(*_fade(view), *_regrowth(view)),
        log=_log(view),
        record=record_of(view.rows, settings),
        pictures=crops_of(view, audience=audience),
        next_visit=visits[-1].isoformat() if visits else "",
    )


def _tenths(row: RowResult) -> list[Any]:
    return list((row.hair.get("tress") or {}).get("tenths") or [])


def chips_along(view: HairView, viewing: str) -> ChipTable:
    """Chips of one hair, a row for each wash, roots on the left."""
    head = ["roots", *[""] * (TENTHS - 2), "ends"]
    head[TENTHS // 2 - 1] = "mid"
    rows = []
    for row in first_of_each_wash(view):
        tenths = _tenths(row) or [None] * TENTHS
        label = "before" if row.row.wash is None else f"wash {row.row.wash}"
        rows.append(ChipRow(label=label, chips=tuple(_chip(lab) for lab in tenths)))
    return ChipTable(caption=chips_note(viewing), head=tuple(head), rows=tuple(rows))


def _chip(lab: Any) -> Any:
    return None if lab is None else chip_of(lab)


def chips_by_wash(view: HairView, viewing: str) -> ChipTable:
    """Chips of one hair, a row for each zone, washes from left to right."""
    colours = {
        (row["zone"], str(row["wash"]), row["replicate"]): [row["L"], row["a"], row["b"]]
        for row in view.of("measurements")
    }
    kept = first_of_each_wash(view)
    rows = []
    for zone in ZONES:
        found = [colours.get((zone, r.row.wash_text, r.row.replicate)) for r in kept]
        rows.append(ChipRow(label=ZONE_WORDS[zone], chips=tuple(_chip(lab) for lab in found)))
    head = ["before" if r.row.wash is None else str(r.row.wash) for r in kept]
    caption = f"Washes from left to right, 0 = just coloured. {chips_note(viewing)}"
    return ChipTable(caption=caption, head=tuple(head), rows=tuple(rows))


def evenness_sentences(view: HairView) -> tuple[str, ...]:
    """Roots to ends before, just coloured and after the last wash, and missed places."""
    rows = _by_wash(view, "root_to_ends")
    net = _by_wash(view, "root_to_ends_net")
    washes = list(dict.fromkeys(r.row.wash_text for r in view.measured))
    told = [wash for wash in washes if wash in ("before", "0")] or washes[:1]
    told += [washes[-1]] if washes and washes[-1] not in told else []
    out = [
        sentences.evenness_sentence(rows[wash], net=net.get(wash), direction=_direction(view, wash))
        for wash in told
        if wash in rows
    ]
    return (*out, *[sentences.patch_sentence(row) for row in view.of_photos("patches")])


def _by_wash(view: HairView, measure: str) -> dict[str, dict[str, Any]]:
    """Rows of one measure of evenness by wash, the first repeat of each."""
    rows = reversed(view.of("evenness"))
    return {str(row["wash"]): row for row in rows if row["measure"] == measure}


def _direction(view: HairView, wash: str) -> str:
    colours = {
        row["zone"]: [row["L"], row["a"], row["b"]]
        for row in reversed(view.of("measurements"))
        if str(row["wash"]) == wash
    }
    if "roots" not in colours or "ends" not in colours:
        return ""
    return sentences.direction_words(colours["roots"], colours["ends"])


def _uptake(view: HairView) -> tuple[str, ...]:
    rows = view.of("uptake")
    out = [sentences.uptake_sentence(rows)] if rows else []
    found = [row for row in view.of("porous") if row.get("onset") is not None]
    return (*out, *[sentences.porous_sentence(row) for row in found])


def _fade(view: HairView) -> tuple[str, ...]:
    fade = view.of("fade")
    if not fade:
        return ()
    return (
        sentences.colour_left_sentence(fade, has_before=view.has_before),
        sentences.refresh_sentence(view.of("fade_fit")),
        sentences.tone_sentence(fade),
        *[sentences.crossing_sentence(row) for row in view.of("crossing")],
    )


def _regrowth(view: HairView) -> tuple[str, ...]:
    """New growth marked on the photos, wash by wash; it is left out of every figure."""
    told = [(row.row.wash_text, marked_regrowth(row)) for row in view.measured]
    return sentences.regrowth_sentence([(wash, mark) for wash, mark in told if mark])


def sentences_of(view: HairView) -> tuple[str, ...]:
    """Everything that is said of one hair: evenness, uptake, fade."""
    return (*evenness_sentences(view), *_uptake(view), *_fade(view), *_regrowth(view))


def _log(view: HairView) -> Grid:
    """Wash by wash: the day, what was left in each zone, and how the photo came out."""
    left = {(str(row["wash"]), row["zone"]): _range(row) for row in reversed(view.of("fade"))}
    rows = []
    for row in view.rows:
        wash, day = row.row.wash_text, row.row.date
        share = [left.get((wash, zone)) for zone in ZONES]
        rows.append((wash, "" if day is None else day.isoformat(), *share, row.status))
    head = ("wash", "day", "roots %", "mid %", "ends %", "photo")
    caption = f"{view.name}: wash log with the share of the colour left (95 % range)"
    return grid(caption, head, rows)


def _range(row: dict[str, Any]) -> str | None:
    """Colour left as a range; 100 just coloured, by definition."""
    low, high = row.get("colour_left_low"), row.get("colour_left_high")
    if low is None or high is None:
        return None
    if float(high) < 0:
        return "under 0"  # beyond the colour before: no range from 0 to 0
    first, last = (sentences.number(max(float(end), 0.0), 0) for end in (low, high))
    return first if first == last else f"{first}–{last}"


def glances(analysis: Analysis) -> Iterator[tuple[str, ChipTable, tuple[str, ...]]]:
    """Name, chips and sentences of each hair that was measured, the first twelve.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    """
    tables = Tables(analysis.frames)
    outcome = analysis.outcome
    views = [
        HairView(outcome=outcome, rows=rows, tables=tables) for rows in hairs_of(outcome).values()
    ]
    for view in [view for view in views if view.measured][:MOST_HAIRS]:
        yield view.name, chips_by_wash(view, outcome.study.settings.viewing), sentences_of(view)

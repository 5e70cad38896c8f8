"""One card per hair: chips, figures and sentences of everything that was measured on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from hairtone.report import sentences
from hairtone.report.blocks import (
    ChipRow,
    ChipTable,
    Grid,
    Shown,
    chip_of,
    chips_note,
    grid,
)
from hairtone.report.card_figures import profile_figures, wash_figures
from hairtone.report.pictures import crops_of
from hairtone.report.record import Record, record_of
from hairtone.report.types import ZONE_WORDS, ZONES, Audience
from hairtone.report.views import HairView, drawn_profiles, first_of_each_wash
from hairtone.study.growth import marked_regrowth

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult

TENTHS: Final = 10


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

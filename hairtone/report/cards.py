"""One card per hair: chips, figures and sentences of everything that was measured on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.errors import StoreError
from hairtone.report import sentences
from hairtone.report.blocks import (
    ChipRow,
    ChipTable,
    Grid,
    Shown,
    chip_of,
    chips_note,
    grid,
    shown,
)
from hairtone.report.figures import (
    figure_evenness_washes,
    figure_fade_table,
    figure_map,
    figure_profiles,
)
from hairtone.report.record import Record, record_of
from hairtone.report.source import DrawnProfile, drawn_profile, hair_words, wash_words
from hairtone.report.tables import Tables
from hairtone.report.types import ZONE_WORDS, ZONES

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult, StudyResult

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
        Only what a client takes home: fade and evenness over the washes.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairView:
    """One hair of a study: its rows that were not refused, and its share of the tables."""

    outcome: StudyResult
    rows: tuple[RowResult, ...]
    tables: Tables

    @property
    def measured(self) -> tuple[RowResult, ...]:
        """Rows with a colour, before first."""
        return tuple(row for row in self.rows if row.error is None)

    @property
    def name(self) -> str:
        """Subject, and section where there is one."""
        return hair_words(*self.rows[0].row.hair)

    def of(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that are about this hair."""
        return self.tables.of_hair(table, *self.rows[0].row.hair)

    def of_photos(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that names photos, those of this hair."""
        mine = {(row.row.photo, row.row.place) for row in self.rows}
        return [row for row in self.tables.rows(table) if (row["photo"], row["place"]) in mine]


def make_card(view: HairView, *, map_top: float) -> Card:
    """The card of one hair.

    Parameters
    ----------
    view : HairView
        The hair.
    map_top : float
        ΔE00 at the dark end of every map of the study.
    """
    settings = view.outcome.study.settings
    profiles = drawn_profiles(view)
    washes = _table_figures(view)
    treatment = view.rows[0].treatment
    details = settings.treatments.get(treatment)
    under = [treatment, *([details.product, details.method] if details else [])]
    visits = [r.row.next_visit for r in view.rows if r.row.next_visit is not None]
    return Card(
        name=view.name,
        under=" · ".join(word for word in dict.fromkeys(under) if word),
        chips=chips_along(view, settings.viewing),
        washes=chips_by_wash(view, settings.viewing),
        figures=(*_profile_figures(view, profiles, map_top), *washes),
        handover=tuple(washes),
        evenness=_evenness(view),
        uptake=_uptake(view),
        fade=_fade(view),
        log=_log(view),
        record=record_of(view.rows, settings),
        next_visit=visits[-1].isoformat() if visits else "",
    )


def _first_of_each_wash(view: HairView) -> list[RowResult]:
    """One row for each wash, the first repeat."""
    by_wash: dict[str, RowResult] = {}
    for row in view.measured:
        by_wash.setdefault(row.row.wash_text, row)
    return list(by_wash.values())


def _tenths(row: RowResult) -> list[Any]:
    return list((row.hair.get("tress") or {}).get("tenths") or [])


def chips_along(view: HairView, viewing: str) -> ChipTable:
    """Chips of one hair, a row for each wash, roots on the left."""
    head = ["roots", *[""] * (TENTHS - 2), "ends"]
    head[TENTHS // 2 - 1] = "mid"
    rows = []
    for row in _first_of_each_wash(view):
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
    kept = _first_of_each_wash(view)
    rows = []
    for zone in ZONES:
        found = [colours.get((zone, r.row.wash_text, r.row.replicate)) for r in kept]
        rows.append(ChipRow(label=ZONE_WORDS[zone], chips=tuple(_chip(lab) for lab in found)))
    head = ["before" if r.row.wash is None else str(r.row.wash) for r in kept]
    caption = f"Washes from left to right, 0 = just coloured. {chips_note(viewing)}"
    return ChipTable(caption=caption, head=tuple(head), rows=tuple(rows))


def drawn_profiles(view: HairView) -> list[tuple[RowResult, DrawnProfile]]:
    """Before, just coloured and the last wash; those whose draws can still be read."""
    rows = _first_of_each_wash(view)
    wanted = [r for r in rows if r.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows and rows[-1] not in wanted else []
    found = []
    for row in wanted:
        try:
            profile = view.outcome.profile(row)
        except StoreError:
            continue
        found.append((row, drawn_profile(profile, label=wash_words(row.row.wash_text))))
    return found


def _profile_figures(
    view: HairView, profiles: Sequence[tuple[RowResult, DrawnProfile]], map_top: float
) -> list[Shown]:
    if not profiles:
        return []
    drawn, zones = [profile for _, profile in profiles], view.outcome.study.settings.zones
    labels = [profile.label for profile in drawn]
    curves = shown(
        figure_profiles(drawn, zones=zones),
        caption=f"{view.name}: colour from roots to ends with 95 % bands.",
        alt=_profile_alt(view.name, drawn),
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


def _table_figures(view: HairView) -> list[Shown]:
    found = []
    ends = [row for row in view.of("evenness") if row["measure"] == "root_to_ends"]
    if len(ends) > 1:
        found.append(
            shown(
                figure_evenness_washes(ends, bands=view.tables.bands),
                caption=f"{view.name}: difference between roots and ends, photo by photo.",
                alt=" ".join(sentences.evenness_sentence(row) for row in ends),
            )
        )
    fade = view.of("fade")
    if len({row["wash"] for row in fade}) > 1:
        found.append(_fade_figure(view, fade))
    return found


def _fade_figure(view: HairView, fade: list[dict[str, Any]]) -> Shown:
    crossings = [row for row in view.of("crossing") if row.get("low") is not None]
    last = max(int(row["wash"]) for row in fade)
    cross = None
    if crossings:
        high = crossings[0].get("high")
        cross = (float(crossings[0]["low"]), float(last if high is None else high))
    picture = figure_fade_table(fade, refresh=view.of("fade_fit"), crossing=cross)
    return shown(
        picture,
        caption=f"{view.name}: colour left in each zone with 95 % bands; the bars at 50 % are the "
        f"range of washes to refresh.",
        alt=f"{sentences.colour_left_sentence(fade)} "
        f"{sentences.refresh_sentence(view.of('fade_fit'))}",
    )


def _evenness(view: HairView) -> tuple[str, ...]:
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
        sentences.colour_left_sentence(fade),
        sentences.refresh_sentence(view.of("fade_fit")),
        sentences.tone_sentence(fade),
        *[sentences.crossing_sentence(row) for row in view.of("crossing")],
    )


def sentences_of(view: HairView) -> tuple[str, ...]:
    """Everything that is said of one hair: evenness, uptake, fade."""
    return (*_evenness(view), *_uptake(view), *_fade(view))


def _log(view: HairView) -> Grid:
    """Wash by wash: the day, what was left in each zone, and how the photo came out."""
    left = {
        (str(row["wash"]), row["zone"]): row.get("colour_left") for row in reversed(view.of("fade"))
    }
    rows = []
    for row in view.rows:
        wash, day = row.row.wash_text, row.row.date
        share = [_percent(left.get((wash, zone))) for zone in ZONES]
        rows.append((wash, "" if day is None else day.isoformat(), *share, row.status))
    head = ("wash", "day", "roots %", "mid %", "ends %", "photo")
    return grid(f"{view.name}: wash log with the share of the colour left", head, rows)


def _percent(value: float | None) -> int | None:
    return None if value is None else round(float(value))

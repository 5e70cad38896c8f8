"""The figures of one hair: along its length and over the washes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hairtone.colorimetry import delta_e_ab
from hairtone.report import sentences
from hairtone.report.blocks import Shown, shown
from hairtone.report.figures import (
    figure_amounts,
    figure_evenness_washes,
    figure_fade_table,
    figure_map,
    figure_profiles,
)
from hairtone.report.source import DrawnProfile
from hairtone.report.views import HairView

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult


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

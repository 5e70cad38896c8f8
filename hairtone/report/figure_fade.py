"""Figures of fade: colour left over washes, and where roots and ends cross."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes

from hairtone.report.style import (
    FADED,
    MUTED,
    RULE,
    WASH_OUT,
    ZONE_MARKS,
    Mark,
    Picture,
    draw_interval,
    mark_of,
    name_rows,
    say_empty,
    single,
    styled,
)
from hairtone.report.types import ZONE_WORDS, ZONES

REFRESH: Final = 50.0  # % of the colour left at which a refresh is due; our choice, as bands.toml
LIMITS: Final = (
    (90, "fresh"),
    (75, "settled"),
    (50, "softened"),
    (25, "refresh due"),
    (10, "tint"),
)


@styled
def figure_fade_table(
    rows: Sequence[dict[str, Any]],
    *,
    refresh: Sequence[dict[str, Any]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Colour left in each zone of one hair after each wash, with 95 % bands.

    Parameters
    ----------
    rows : sequence of dict
        Rows of fade.csv for one hair: zone, wash, colour_left, colour_left_low, colour_left_high.
    refresh : sequence of dict, optional
        Rows of fade_fit.csv for the same hair; the range of washes to refresh is drawn at 50 %.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    shown = [row for row in rows if row.get("colour_left") is not None]
    if not shown:
        say_empty(ax, "too little uptake, or too few washes, to tell what is left")
        return picture
    for zone in ZONES:
        _draw_zone(ax, [row for row in shown if row["zone"] == zone], zone)
        for fit in refresh:
            if fit["zone"] == zone and fit.get("washes_to_refresh_low") is not None:
                _draw_refresh(ax, fit, zone)
    _draw_limits(ax)
    last = max(int(row["wash"]) for row in shown)
    ax.set(xlim=(-0.3, last + max(1.2, 0.24 * last)), ylim=(0, max(108, _highest(shown))))
    ax.set_xticks(range(0, last + 1))
    ax.set_xlabel("washes")
    ax.set_ylabel("colour left, %")
    picture.legend(*ax.get_legend_handles_labels(), loc="outside upper center", ncols=3)
    return picture


def _highest(rows: Sequence[dict[str, Any]]) -> float:
    highs = [row["colour_left_high"] for row in rows if row.get("colour_left_high") is not None]
    return 1.04 * max(highs, default=100.0)


def _draw_zone(ax: Axes, rows: Sequence[dict[str, Any]], zone: str) -> None:
    mark = ZONE_MARKS[zone]
    rows = sorted(rows, key=lambda row: int(row["wash"]))
    if not rows:
        return
    washes = np.array([int(row["wash"]) for row in rows], dtype=float)
    left = np.array([row["colour_left"] for row in rows], dtype=float)
    low = np.array([_or(row.get("colour_left_low"), row["colour_left"]) for row in rows])
    high = np.array([_or(row.get("colour_left_high"), row["colour_left"]) for row in rows])
    ax.fill_between(washes, low, high, color=mark.colour, alpha=FADED, lw=0)
    ax.plot(
        washes,
        left,
        color=mark.colour,
        linestyle=mark.line,
        marker=mark.shape,
        label=ZONE_WORDS[zone],
    )


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _draw_refresh(ax: Axes, fit: dict[str, Any], zone: str) -> None:
    """The range of washes at which half the colour is left, as a bar near the 50 % line."""
    offset = {"roots": 2.5, "mid_lengths": 0.0, "ends": -2.5}[zone]
    low, high = fit["washes_to_refresh_low"], fit.get("washes_to_refresh_high")
    edge = ax.get_xlim()[1] if high is None else high
    ax.plot([low, edge], [REFRESH + offset] * 2, color=ZONE_MARKS[zone].colour, linewidth=3.2)


def _draw_limits(ax: Axes) -> None:
    for limit, word in LIMITS:
        ax.axhline(limit, color=RULE, linewidth=0.6, zorder=-1)
        ax.text(1.0, limit + 0.8, word, transform=ax.get_yaxis_transform(), ha="right",
                fontsize=6.8, color=MUTED)  # fmt: skip


@styled
def figure_treatments_fade(
    series: Mapping[str, Sequence[dict[str, Any]]], *, zone: str, ax: Axes | None = None
) -> Picture:
    """Colour left in one zone over washes, treatment against treatment.

    Parameters
    ----------
    series : mapping of sequences
        For each treatment: wash, value, low, high (mean over hairs and its 95 % interval).
    zone : str
        Which zone it is.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    if not any(series.values()):
        say_empty(ax, "no fade was measured")
        return picture
    for index, (name, rows) in enumerate(series.items()):
        _draw_treatment(ax, name, rows, mark_of(index))
    ax.set_ylim(bottom=0)
    ax.set_xlabel("washes")
    ax.set_ylabel("colour left, %")
    ax.set_title(ZONE_WORDS.get(zone, zone))
    picture.legend(*ax.get_legend_handles_labels(), loc="outside upper center", ncols=2)
    return picture


def _draw_treatment(ax: Axes, name: str, rows: Sequence[dict[str, Any]], mark: Mark) -> None:
    washes = np.array([int(row["wash"]) for row in rows], dtype=float)
    low, high = ([row[key] for row in rows] for key in ("low", "high"))
    ax.fill_between(washes, low, high, color=mark.colour, alpha=FADED, lw=0)
    value = [row["value"] for row in rows]
    ax.plot(washes, value, color=mark.colour, linestyle=mark.line, marker=mark.shape, label=name)


@styled
def figure_amounts(
    rows: Sequence[dict[str, Any]],
    *,
    crossing: tuple[float, float | None] | None = None,
    ax: Axes | None = None,
) -> Picture:
    """How much colour roots and ends hold after each wash, and where they hold the same.

    Parameters
    ----------
    rows : sequence of dict
        For roots and ends: zone, wash, amount, low, high. [ΔE*ab from the hair before colouring]
    crossing : (float, float or None), optional
        Washes between which both hold the same; None: open.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    if not rows:
        say_empty(ax, "too little uptake, or too few washes, to tell")
        return picture
    last = max(int(row["wash"]) for row in rows)
    right = last + 0.6
    if crossing is not None and crossing[0] < right:
        stop = right if crossing[1] is None else min(crossing[1], right)
        ax.axvspan(crossing[0], stop, color=WASH_OUT, lw=0, zorder=-2)
    for zone in ("roots", "ends"):
        _draw_amount(ax, [row for row in rows if row["zone"] == zone], zone)
    ax.set(xlim=(-0.3, right), xlabel="washes", ylabel="colour held, ΔE*ab from before")
    ax.set_ylim(bottom=0)
    ax.set_xticks(range(0, last + 1))
    picture.legend(*ax.get_legend_handles_labels(), loc="outside upper center", ncols=2)
    return picture


def _draw_amount(ax: Axes, rows: Sequence[dict[str, Any]], zone: str) -> None:
    mark = ZONE_MARKS[zone]
    rows = sorted(rows, key=lambda row: int(row["wash"]))
    washes = [int(row["wash"]) for row in rows]
    low, high = ([row[key] for row in rows] for key in ("low", "high"))
    ax.fill_between(washes, low, high, color=mark.colour, alpha=FADED, lw=0)
    value = [row["amount"] for row in rows]
    ax.plot(washes, value, color=mark.colour, linestyle=mark.line, marker=mark.shape,
            label=ZONE_WORDS[zone])  # fmt: skip


@styled
def figure_crossings(
    labels: Sequence[str], ranges: Sequence[tuple[float, float]], *, ax: Axes | None = None
) -> Picture:
    """Between which washes roots and ends of each hair cross.

    Parameters
    ----------
    labels : sequence of str
        What each hair is.
    ranges : sequence of (float, float)
        Washes between which its roots and ends cross.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.1 + 0.32 * max(1, len(labels)))
    if not ranges:
        say_empty(ax, "no crossing of roots and ends was found")
        return picture
    for row, (low, high) in enumerate(ranges):
        draw_interval(ax, at=row, value=(low + high) / 2, interval=(low, high), mark=mark_of(0))
    name_rows(ax, labels)
    ax.set_xlim(left=0)
    ax.set_xlabel("wash at which the ends are as light as the roots, 95 % interval")
    return picture


def plain_rows(frame: Any) -> list[dict[str, Any]]:
    """Rows of a DataFrame as plain dictionaries, None where a cell is missing."""
    rows: list[dict[str, Any]] = []
    for record in frame.to_dict("records"):
        rows.append({str(k): (None if _is_missing(v) else v) for k, v in record.items()})
    return rows


def _is_missing(value: Any) -> bool:
    return value is None or bool(np.isscalar(value) and value != value)

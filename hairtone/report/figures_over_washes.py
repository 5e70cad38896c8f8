"""Figures over washes and between treatments: fades, comparisons, and one for every result."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from hairtone.chart.types import PATCH_NAMES
from hairtone.report.figures_along import figure_differences, figure_uptake_table
from hairtone.report.style import (
    FADED,
    INK,
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
from hairtone.report.views import plain_rows
from hairtone.uncertainty import ColourDifference

if TYPE_CHECKING:
    from hairtone.calibration.types import Calibration
    from hairtone.measures.agreement import Agreement
    from hairtone.measures.blend import Blend
    from hairtone.measures.comparison import LevellerEffect
    from hairtone.measures.design import DesignPlan
    from hairtone.measures.evenness import Patch, Patchiness
    from hairtone.measures.fade import ChangeCurve, Fade
    from hairtone.measures.fade_curve import Crossing, FadeCurve, Forecast
    from hairtone.measures.repeatability import Repeatability, ScatterOf
    from hairtone.measures.uptake import PorousOnset, Uptake
    from hairtone.measures.words import Grade
    from hairtone.measures.zones import SectionComparison


REFRESH: Final = 50.0  # % of the colour left where a row names no limit of its own; as bands.toml
LIMITS: Final = (
    (90, "fresh"),
    (75, "settled"),
    (50, "softened"),
    (25, "refresh due"),
    (10, "tint"),
)
_ROW: Final = 0.42  # inches a row
Limits = tuple[float | None, float | None]


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
        Rows of fade_fit.csv for the same hair; the range of washes to refresh is drawn at the
        study's own limit.
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
    """The range of washes at which a refresh is due, as a bar near the study's own limit."""
    offset = {"roots": 2.5, "mid_lengths": 0.0, "ends": -2.5}[zone]
    low, high = fit["washes_to_refresh_low"], fit.get("washes_to_refresh_high")
    edge = ax.get_xlim()[1] if high is None else high
    ax.plot(
        [low, edge],
        [(fit.get("refresh_percent") or REFRESH) + offset] * 2,
        color=ZONE_MARKS[zone].colour,
        linewidth=3.2,
    )


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


@styled
def figure_comparison_table(
    labels: Sequence[str], rows: Sequence[dict[str, Any]], *, ax: Axes | None = None
) -> Picture:
    """Differences between treatments with interval, margin and verdict.

    Parameters
    ----------
    labels : sequence of str
        What each row compares.
    rows : sequence of dict
        Rows of comparison.csv: difference, low, high, margin, verdict.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, width=5.4, height=1.3 + _ROW * max(1, len(rows)))
    shown = [(label, row) for label, row in zip(labels, rows, strict=True) if _known(row)]
    if not shown:
        say_empty(ax, "there is nothing to compare yet")
        return picture
    margins = {row["margin"] for _, row in shown if row.get("margin") is not None}
    if len(margins) == 1:
        margin = margins.pop()
        ax.axvspan(-margin, margin, color=WASH_OUT, lw=0, zorder=-2)
    ax.axvline(0, color=INK, linewidth=0.8)
    for at, (_, row) in enumerate(shown):
        low, high = row["low"], row["high"]
        draw_interval(
            ax,
            at=at,
            value=row["difference"],
            interval=(low, high),
            mark=mark_of(0),
            is_resolved=_is_resolved(row),
        )
    name_rows(ax, [label for label, _ in shown])
    _name_verdicts(ax, [str(row.get("verdict") or "") for _, row in shown])
    ax.set_xlabel("difference with 95 % interval; shaded: as even as; hollow: not resolved")
    ax.xaxis.label.set_fontsize(7.5)
    return picture


def _is_resolved(row: dict[str, Any]) -> bool:
    """By the corrected p where there is one, else by the interval."""
    p = row.get("p_holm")
    return not row["low"] <= 0 <= row["high"] if p is None else bool(p < 0.05)


def _known(row: dict[str, Any]) -> bool:
    return all(row.get(key) is not None for key in ("difference", "low", "high"))


def wrap(text: str, *, width: int = 24) -> str:
    """Text broken into lines short enough for the margin of a figure."""
    return "\n".join(textwrap.wrap(text, width))


def _name_verdicts(ax: Axes, verdicts: Sequence[str]) -> None:
    right = ax.secondary_yaxis("right")
    right.set_yticks(range(len(verdicts)), [wrap(verdict) for verdict in verdicts])
    right.tick_params(length=0, labelsize=7.5)
    right.spines["right"].set_visible(False)


def figure_comparison(comparison: Any, ax: Axes | None = None) -> Picture:
    """The difference of two treatments with its interval, margin and verdict.

    Parameters
    ----------
    comparison : Comparison or Comparisons
        From `compare_treatments`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """

    rows = plain_rows(comparison.to_frame())
    return figure_comparison_table([comparison_label(row) for row in rows], rows, ax=ax)


def comparison_label(row: dict[str, Any]) -> str:
    """What a row of comparison.csv compares, in words."""
    from hairtone.report.figures_along import MEASURE_WORDS
    from hairtone.report.types import ZONE_WORDS

    measure = str(row.get("measure") or "")
    words = [MEASURE_WORDS.get(measure, measure.replace("_", " "))]
    if row.get("zone"):
        words.append(ZONE_WORDS.get(str(row["zone"]), str(row["zone"])))
    if row.get("wash") not in (None, ""):
        words.append(f"wash {row['wash']}")
    return f"{row.get('treatment_a', '')} against {row.get('treatment_b', '')}\n{', '.join(words)}"


@styled
def figure_patches(residual: ArrayLike, held_out: ArrayLike, *, ax: Axes | None = None) -> Picture:
    """How well each chart patch agrees with its reference, fitted and when left out of the fit.

    Parameters
    ----------
    residual, held_out : array_like, shape (24,)
        ΔE00; NaN where the patch was not used.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    fitted, left_out = (np.asarray(v, dtype=np.float64) for v in (residual, held_out))
    picture, ax = single(ax, height=5.2)
    for at, (inner, outer) in enumerate(zip(fitted, left_out, strict=True)):
        if np.isfinite(inner) and np.isfinite(outer):
            ax.plot([inner, outer], [at, at], color=MUTED, linewidth=1.0, zorder=1)
        elif not np.isfinite(inner):
            ax.text(0.05, at, "not used", va="center", fontsize=7, color=MUTED)
    rows = np.arange(len(fitted))
    fit, out = mark_of(0), mark_of(1)
    ax.plot(fitted, rows, fit.shape, color=fit.colour, label="in the fit")
    ax.plot(left_out, rows, out.shape, color=out.colour, label="left out of the fit")
    name_rows(ax, PATCH_NAMES)
    ax.tick_params(axis="y", labelsize=7.5)
    ax.set_xlim(left=0)
    ax.set_xlabel("ΔE₀₀ from the reference")
    picture.legend(*ax.get_legend_handles_labels(), loc="outside upper center", ncols=2)
    return picture


def figure_calibration(calibration: Calibration, ax: Axes | None = None) -> Picture:
    """Patch by patch, how far a calibration is from the chart.

    Parameters
    ----------
    calibration : Calibration
        From `calibrate`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    return figure_patches(calibration.residual, calibration.held_out, ax=ax)


@styled
def figure_agreement_table(rows: Sequence[dict[str, Any]], *, ax: Axes | None = None) -> Picture:
    """Photo against instrument: bias and limits of agreement for each zone and axis.

    Parameters
    ----------
    rows : sequence of dict
        Rows of agreement.csv: zone, axis, bias, limit_low, limit_high, n.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.2 + _ROW * max(1, len(rows)))
    if not rows:
        say_empty(ax, "no instrument readings of this hair")
        return picture
    ax.axvline(0, color=INK, linewidth=0.8)
    for at, row in enumerate(rows):
        draw_interval(
            ax,
            at=at,
            value=row["bias"],
            interval=(
                _or(row["limit_low"], row["bias"]),  # too few readings: no limits
                _or(row["limit_high"], row["bias"]),
            ),
            mark=mark_of(0),
        )
    name_rows(
        ax, [f"{row['zone'].replace('_', '-')}, {row['axis']} (n {row['n']})" for row in rows]
    )
    ax.set_xlabel("photo less instrument: bias and limits of agreement")
    return picture


@styled
def figure_repeats_table(rows: Sequence[dict[str, Any]], *, ax: Axes | None = None) -> Picture:
    """How much the same hair moves when it is re-laid and photographed again.

    Parameters
    ----------
    rows : sequence of dict
        Rows of repeats.csv: measure, zone, factor, sd, low, high, n.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.2 + _ROW * max(1, len(rows)))
    shown = [row for row in rows if all(row.get(k) is not None for k in ("sd", "low", "high"))]
    if not shown:
        say_empty(ax, "no repeats: photograph a hair again after re-combing it")
        return picture
    for at, row in enumerate(shown):
        draw_interval(
            ax, at=at, value=row["sd"], interval=(row["low"], row["high"]), mark=mark_of(0)
        )
    labels = [", ".join(str(row[k]) for k in ("measure", "zone", "factor") if row.get(k))
              for row in shown]  # fmt: skip
    name_rows(ax, [label.replace("_", " ") for label in labels])
    ax.set_xlim(left=0)
    ax.set_xlabel("standard deviation over repeats, 95 % interval")
    return picture


@styled
def figure_intervals(
    labels: Sequence[str],
    values: Sequence[float | None],
    limits: Sequence[Limits],
    *,
    says: str,
    ax: Axes | None = None,
) -> Picture:
    """Values with their intervals, one a line; hollow where the interval holds 0.

    Parameters
    ----------
    labels : sequence of str
        What each value is.
    values : sequence of float or None
        None where there is none.
    limits : sequence of (float or None, float or None)
        None: unbounded; the line then runs to the edge with an arrow.
    says : str
        What the axis shows, with its unit.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.2 + 0.34 * max(1, len(labels)))
    known = [v for v in (*values, *(x for pair in limits for x in pair)) if v is not None]
    if not known:
        say_empty(ax, "cannot be told from these photos")
        return picture
    reach = max(known) - min(0.0, *known) or 1.0
    for at, (value, (low, high)) in enumerate(zip(values, limits, strict=True)):
        if value is None:
            ax.text(0.02, at, "cannot be told", transform=ax.get_yaxis_transform(), color=MUTED)
            continue
        start = value - reach if low is None else low
        stop = value + reach if high is None else high
        draw_interval(
            ax,
            at=at,
            value=value,
            interval=(start, stop),
            mark=mark_of(0),
            is_resolved=not start <= 0 <= stop,
        )
        if high is None:
            ax.plot([stop], [at], marker=">", color=mark_of(0).colour, clip_on=False)
    if min(known) < 0 < max(known):
        ax.axvline(0, color=INK, linewidth=0.8)
    name_rows(ax, labels)
    ax.set_xlabel(says)
    return picture


def figure_uptake(uptake: Uptake, ax: Axes | None = None) -> Picture:
    """Colour taken up in each zone of one hair."""
    rows = [
        {**row, "subject": "", "section": "", "treatment": ""}
        for row in plain_rows(uptake.to_frame())
    ]
    return figure_uptake_table(rows, ax=ax)


def figure_fade(fade: Fade, ax: Axes | None = None) -> Picture:
    """Colour left of one zone over washes with its 95 % band."""
    return figure_fade_table(plain_rows(fade.to_frame()), ax=ax)


@styled
def figure_fadecurve(curve: FadeCurve, ax: Axes | None = None) -> Picture:
    """The curve of one zone's fade with its 95 % band; beyond the last wash it is a forecast."""
    picture, ax = single(ax)
    mark = mark_of(0)
    drawn = curve.forecast(np.linspace(0, curve.furthest_wash, 121))
    seen = ~drawn.is_forecast
    ax.fill_between(drawn.wash, drawn.low, drawn.high, color=mark.colour, alpha=FADED, lw=0)
    ax.plot(drawn.wash[seen], drawn.colour_left[seen], color=mark.colour)
    ax.plot(drawn.wash[~seen], drawn.colour_left[~seen], color=mark.colour, linestyle=":")
    ax.errorbar(curve.washes, curve.colour_left, yerr=1.96 * curve.noise, fmt=mark.shape,
                color=mark.colour)  # fmt: skip
    ax.axvline(curve.last_wash, color=MUTED, linewidth=0.7)
    ax.text(curve.last_wash, 102, " forecast →", fontsize=7.5, color=MUTED)
    ax.set(xlim=(0, curve.furthest_wash), ylim=(0, 110), xlabel="washes", ylabel="colour left, %")
    doubt = "; the readings do not follow this shape" if curve.is_misfit else ""
    ax.set_title(f"{ZONE_WORDS.get(curve.zone, curve.zone)}{doubt}")
    return picture


@styled
def figure_forecast(forecast: Forecast, ax: Axes | None = None) -> Picture:
    """Draw the colour left after each wash asked for, with its 95 % range."""
    picture, ax = single(ax)
    mark = mark_of(0)
    reach = [forecast.colour_left - forecast.low, forecast.high - forecast.colour_left]
    ax.errorbar(forecast.wash, forecast.colour_left, yerr=reach, fmt=mark.shape, color=mark.colour)
    ax.set(ylim=(0, 110), xlabel="washes", ylabel="colour left, %")
    return picture


@styled
def figure_changecurve(curve: ChangeCurve, ax: Axes | None = None) -> Picture:
    """ΔE from wash 0 as a curve that levels off; says so where the readings do not follow it."""
    picture, ax = single(ax)
    if curve.time_constant is None:
        say_empty(ax, "the change was over at the first wash measured")
        return picture
    washes = np.linspace(0, 5 * curve.time_constant, 100)
    ax.plot(washes, curve.final * (1 - np.exp(-washes / curve.time_constant)), color=INK)
    reach = 1.96 * curve.final_sd
    ax.axhspan(curve.final - reach, curve.final + reach, color=INK, alpha=FADED, lw=0)
    ax.set(xlim=(0, washes[-1]), xlabel="washes", ylabel="ΔE from just coloured")
    ax.set_ylim(bottom=0)
    if curve.is_misfit:
        ax.set_title("the readings do not follow this shape")
    return picture


def figure_crossing(crossing: Crossing, ax: Axes | None = None) -> Picture:
    """The wash at which roots and ends hold equally much colour."""
    if crossing.wash is None or crossing.low is None:
        return figure_crossings([], [], ax=ax)
    high = 2 * crossing.wash if crossing.high is None else crossing.high
    return figure_crossings([crossing.words], [(crossing.low, high)], ax=ax)


def figure_patch(patch: Patch, ax: Axes | None = None) -> Picture:
    """How far one missed or grabbed place is from the hair around it."""
    label = f"{patch.kind}, {100 * patch.start:.0f} to {100 * patch.stop:.0f} % of the length"
    return figure_differences([label], [patch.difference], ax=ax)


def figure_patchiness(patchiness: Patchiness, ax: Axes | None = None) -> Picture:
    """Patchiness with its interval and what an even hair stays under."""
    difference = ColourDifference(
        delta_e=patchiness.value,
        low=patchiness.low,
        high=patchiness.high,
        critical=patchiness.critical,
    )
    return figure_differences(["patchiness"], [difference], ax=ax)


def figure_sectioncomparison(sections: SectionComparison, ax: Axes | None = None) -> Picture:
    """Every pair of sections with its difference."""
    labels = [f"{a} – {b}" for a, b in sections.differences]
    return figure_differences(labels, list(sections.differences.values()), ax=ax)


@styled
def figure_grade(grade: Grade, ax: Axes | None = None) -> Picture:
    """A grade on the grey scale from 5 (no change) to 1."""
    picture, ax = single(ax, height=1.4)
    ax.plot([1, 5], [0, 0], color=MUTED, linewidth=0.8)
    ax.plot([grade.gsc], [0], marker=mark_of(0).shape, markersize=9, color=mark_of(0).colour)
    ax.set(xlim=(5.2, 0.8), ylim=(-0.6, 0.6), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.set_xlabel(f"grey-scale grade, 5 none to 1 (by table: {grade.table})")
    return picture


def figure_levellereffect(effect: LevellerEffect, ax: Axes | None = None) -> Picture:
    """Unevenness without the leveller less with it."""
    pairs = "1 pair" if effect.pairs == 1 else f"{effect.pairs} pairs"
    whom = "" if effect.is_general else ", these only"
    return figure_intervals(
        [f"leveller\n({pairs}{whom})"],
        [effect.effect],
        [(effect.low, effect.high)],
        says="ΔE₀₀ more even with the leveller, 95 % interval",
        ax=ax,
    )


def figure_porousonset(porous: PorousOnset, ax: Axes | None = None) -> Picture:
    """Where along the hair uptake leaves the roots' level."""
    picture = figure_intervals(
        ["onset"],
        [porous.onset],
        [(porous.low, porous.high)],
        says="0 roots … 1 ends, 95 % range",
        ax=ax,
    )
    return picture


def figure_blend(blend: Blend, ax: Axes | None = None) -> Picture:
    """Blend index with its interval."""
    return figure_intervals(
        ["blend"], [blend.blend], [(blend.low, blend.high)], says="blend, %, 95 % interval", ax=ax
    )


def figure_agreement(agreement: Agreement, ax: Axes | None = None) -> Picture:
    """Photo less instrument: bias and limits of agreement for L*, a*, b*."""
    rows = plain_rows(agreement.to_frame())
    return figure_intervals(
        [f"{row['axis']} (n {row['n']})" for row in rows],
        [row["bias"] for row in rows],
        [(row["limit_low"], row["limit_high"]) for row in rows],
        says="photo less instrument: bias and limits of agreement",
        ax=ax,
    )


def figure_scatterof(scatter: ScatterOf, ax: Axes | None = None) -> Picture:
    """One standard deviation with its interval."""
    return _scatter([scatter], ax)


def figure_repeatability(found: Repeatability, ax: Axes | None = None) -> Picture:
    """Scatter within and between groups, and of a single reading."""
    return _scatter([found.within, found.between, found.total], ax)


def _scatter(parts: Sequence[ScatterOf], ax: Axes | None) -> Picture:
    return figure_intervals(
        [f"{part.factor} (n {part.n})" for part in parts],
        [part.sd for part in parts],
        [(part.low, part.high) for part in parts],
        says="standard deviation, 95 % interval",
        ax=ax,
    )


@styled
def figure_designplan(plan: DesignPlan, ax: Axes | None = None) -> Picture:
    """The order in which tresses are coloured, by treatment letter; blinded, so no names."""
    picture, ax = single(ax, height=2.6)
    letters = sorted({tress.letter for tress in plan.tresses})
    for order, tress in enumerate(plan.tresses, start=1):
        at = letters.index(tress.letter)
        mark = mark_of(at)
        ax.plot([order], [at], marker=mark.shape, color=mark.colour, markersize=7)
    name_rows(ax, letters)
    ax.set_xlabel("order of colouring")
    return picture

"""Figures over washes and between treatments: fades, comparisons, and one for every result."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from hairtone.chart.types import PATCH_NAMES
from hairtone.report.figures_along import figure_differences, figure_uptakes
from hairtone.report.sentences import comparison_label
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
from hairtone.report.types import ZONE_WORDS
from hairtone.uncertainty import ColourDifference

if TYPE_CHECKING:
    from hairtone.calibration.types import Calibration
    from hairtone.measures.agreement import Agreement
    from hairtone.measures.blend import Blend
    from hairtone.measures.comparison import Comparison, LevellerEffect
    from hairtone.measures.design import DesignPlan, Repeatability, ScatterOf
    from hairtone.measures.evenness import Patch, Patchiness
    from hairtone.measures.fade import ChangeCurve, Fade, FadeStep
    from hairtone.measures.fade_curve import Crossing, FadeCurve, Forecast
    from hairtone.measures.uptake import PorousOnset, Uptake
    from hairtone.measures.words import Grade
    from hairtone.measures.zones import SectionComparison
    from hairtone.study.comparisons import RepeatScatter


_ROW: Final = 0.42  # inches a row
Limits = tuple[float | None, float | None]


@styled
def figure_fades(
    fades: Mapping[str, Fade],
    curves: Mapping[str, FadeCurve] | None = None,
    *,
    words: Sequence[tuple[float, str]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Draw the colour left in each zone of one hair after each wash, with 95 % bands.

    Parameters
    ----------
    fades : mapping of str to Fade
        By zone.
    curves : mapping of str to FadeCurve, optional
        By zone; the range of washes to the refresh limit is drawn as a bar at that limit.
    words : sequence of (float, str), optional
        Upper limits of the study's words for the colour left, ascending. [%]
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    known = {
        zone: steps
        for zone, fade in fades.items()
        if (steps := [step for step in fade.steps if step.colour_left is not None])
    }
    if not known:
        say_empty(ax, "too little uptake, or too few washes, to show what is left")
        return picture
    last = max(step.wash for steps in known.values() for step in steps)
    ax.set_xlim(-0.3, last + max(1.2, 0.24 * last))
    for at, (zone, steps) in enumerate(known.items()):
        _draw_zone(ax, steps, zone)
        curve = (curves or {}).get(zone)
        if curve is not None:
            _draw_refresh(ax, curve, zone, offset=2.5 * (1 - at))
    _draw_limits(ax, words)
    ax.set_ylim(0, max(108.0, _highest(known)))
    ax.set_xticks(range(0, last + 1))
    ax.set_xlabel("washes")
    ax.set_ylabel("colour left, %")
    picture.legend(*ax.get_legend_handles_labels(), loc="outside upper center", ncols=3)
    return picture


def _highest(known: Mapping[str, Sequence[FadeStep]]) -> float:
    highs = [step.colour_left_high for steps in known.values() for step in steps]
    return 1.04 * max((high for high in highs if high is not None), default=100.0)


def _draw_zone(ax: Axes, steps: Sequence[FadeStep], zone: str) -> None:
    mark = ZONE_MARKS.get(zone, mark_of(0))
    washes = np.array([step.wash for step in steps], dtype=float)
    left = np.array([step.colour_left for step in steps], dtype=float)
    low, high = (
        np.array([left[k] if end is None else end for k, end in enumerate(ends)], dtype=float)
        for ends in (
            [step.colour_left_low for step in steps],
            [step.colour_left_high for step in steps],
        )
    )
    ax.fill_between(washes, low, high, color=mark.colour, alpha=FADED, lw=0)
    ax.plot(
        washes,
        left,
        color=mark.colour,
        linestyle=mark.line,
        marker=mark.shape,
        label=ZONE_WORDS.get(zone, zone or "colour left"),
    )


def _draw_refresh(ax: Axes, curve: FadeCurve, zone: str, *, offset: float) -> None:
    """The range of washes at which the refresh limit is reached, as a bar at that limit."""
    low, high = curve.washes_to_refresh.low, curve.washes_to_refresh.high
    if low is None:
        return
    edge = ax.get_xlim()[1] if high is None else high
    colour = ZONE_MARKS.get(zone, mark_of(0)).colour
    ax.plot([low, edge], [curve.refresh_percent + offset] * 2, color=colour, linewidth=3.2)


def _draw_limits(ax: Axes, words: Sequence[tuple[float, str]]) -> None:
    """The study's own words for the colour left, each above its lower limit."""
    for (below, _), (_, word) in pairwise(((0.0, ""), *words)):
        ax.axhline(below, color=RULE, linewidth=0.6, zorder=-1)
        ax.text(1.0, below + 0.8, word, transform=ax.get_yaxis_transform(), ha="right",
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
def figure_comparisons(comparisons: Sequence[Comparison], *, ax: Axes | None = None) -> Picture:
    """Draw differences between treatments with interval, margin and verdict.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Those without an interval are left out.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    known = [c for c in comparisons if c.low is not None and c.high is not None]
    picture, ax = single(ax, width=5.4, height=1.3 + _ROW * max(1, len(known)))
    if not known:
        say_empty(ax, "there is nothing to compare yet")
        return picture
    margins = {c.margin for c in known if c.margin is not None}
    if len(margins) == 1:
        margin = margins.pop()
        ax.axvspan(-margin, margin, color=WASH_OUT, lw=0, zorder=-2)
    ax.axvline(0, color=INK, linewidth=0.8)
    for at, found in enumerate(known):
        draw_interval(
            ax,
            at=at,
            value=found.difference,
            interval=(found.low or 0.0, found.high or 0.0),
            mark=mark_of(0),
            is_resolved=found.is_resolved,
        )
    name_rows(ax, [comparison_label(found) for found in known])
    _name_verdicts(ax, [found.verdict for found in known])
    ax.set_xlabel("difference, 95 % interval; shaded: as even as; hollow: too small to be sure")
    ax.xaxis.label.set_fontsize(7.5)
    return picture


def wrap(text: str, *, width: int = 24) -> str:
    """Text broken into lines short enough for the margin of a figure."""
    return "\n".join(textwrap.wrap(text, width))


def _name_verdicts(ax: Axes, verdicts: Sequence[str]) -> None:
    right = ax.secondary_yaxis("right")
    right.set_yticks(range(len(verdicts)), [wrap(verdict) for verdict in verdicts])
    right.tick_params(length=0, labelsize=7.5)
    right.spines["right"].set_visible(False)


def figure_comparison(comparison: Comparison, ax: Axes | None = None) -> Picture:
    """Draw the difference of two treatments with its interval, margin and verdict."""
    return figure_comparisons([comparison], ax=ax)


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


def figure_agreements(agreement: Mapping[str, Agreement], *, ax: Axes | None = None) -> Picture:
    """Draw photo against instrument: bias and limits of agreement for each zone and axis.

    Parameters
    ----------
    agreement : mapping of str to Agreement
        By zone.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    rows = [
        (f"{ZONE_WORDS.get(zone, zone)}, {row['axis']} (n {row['n']})", row)
        for zone, found in agreement.items()
        for row in plain_rows(found.to_frame())
    ]
    return figure_intervals(
        [label for label, _ in rows],
        [row["bias"] for _, row in rows],
        [(row["limit_low"], row["limit_high"]) for _, row in rows],
        says="photo less instrument: bias and limits of agreement",
        ax=ax,
    )


def figure_repeats(repeats: Sequence[RepeatScatter], *, ax: Axes | None = None) -> Picture:
    """Draw how much the same hair moves when it is laid and photographed again.

    Parameters
    ----------
    repeats : sequence of RepeatScatter
        From `analyse`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    labels = [
        ", ".join(word.replace("_", " ") for word in (r.measure, r.zone, r.scatter.factor) if word)
        for r in repeats
    ]
    return figure_intervals(
        labels,
        [r.scatter.sd for r in repeats],
        [(r.scatter.low, r.scatter.high) for r in repeats],
        says="standard deviation over repeats, 95 % interval",
        ax=ax,
    )


def plain_rows(frame: Any) -> list[dict[str, Any]]:
    """Rows of a DataFrame as plain dictionaries, None where a cell is missing."""
    rows: list[dict[str, Any]] = []
    for record in frame.to_dict("records"):
        rows.append({str(k): (None if _is_missing(v) else v) for k, v in record.items()})
    return rows


def _is_missing(value: Any) -> bool:
    return value is None or bool(np.isscalar(value) and value != value)


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
        say_empty(ax, "these photos do not show it")
        return picture
    reach = max(known) - min(0.0, *known) or 1.0
    for at, (value, (low, high)) in enumerate(zip(values, limits, strict=True)):
        if value is None:
            ax.text(0.02, at, "not shown", transform=ax.get_yaxis_transform(), color=MUTED)
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
    """Draw the colour taken up in each zone of one hair."""
    return figure_uptakes([""], [uptake], ax=ax)


def figure_fade(fade: Fade, ax: Axes | None = None) -> Picture:
    """Draw the colour left of one zone over washes with its 95 % band."""
    return figure_fades({fade.zone: fade}, ax=ax)


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
    """Mark the wash at which roots and ends look alike."""
    if crossing.wash is None or crossing.low is None:
        return figure_crossings([], [], ax=ax)
    high = 2 * crossing.wash if crossing.high is None else crossing.high
    return figure_crossings([crossing.words], [(crossing.low, high)], ax=ax)


def figure_patch(patch: Patch, ax: Axes | None = None) -> Picture:
    """How far one missed or grabbed place is from the hair around it."""
    label = f"{patch.kind}, {100 * patch.start:.0f} to {100 * patch.stop:.0f} % of the length"
    return figure_differences([label], [patch.difference], ax=ax)


def figure_patchiness(patchiness: Patchiness, ax: Axes | None = None) -> Picture:
    """Patchiness with its interval and what an even hair shows by chance."""
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

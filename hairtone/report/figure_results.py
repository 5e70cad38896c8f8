"""One figure for each result of the measures, found by ``.plot`` by the result's name.

Each takes the result and, optionally, the axes to draw in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from hairtone.report.figure_evenness import figure_differences, figure_uptake_table
from hairtone.report.figure_fade import figure_crossings, figure_fade_table, plain_rows
from hairtone.report.style import (
    FADED,
    INK,
    MUTED,
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
    from hairtone.measures.agreement import Agreement
    from hairtone.measures.blend import Blend
    from hairtone.measures.design import DesignPlan
    from hairtone.measures.evenness import Patch, Patchiness
    from hairtone.measures.fade import ChangeCurve, Fade
    from hairtone.measures.fade_curve import Crossing, FadeCurve
    from hairtone.measures.leveller import LevellerEffect
    from hairtone.measures.repeatability import Repeatability, ScatterOf
    from hairtone.measures.uptake import PorousOnset, Uptake
    from hairtone.measures.words import Grade
    from hairtone.measures.zones import SectionComparison

Limits = tuple[float | None, float | None]


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

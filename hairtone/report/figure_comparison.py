"""Figures that set things side by side: treatments, repeats, an instrument, the chart."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from hairtone.chart.types import PATCH_NAMES
from hairtone.report.style import (
    INK,
    MUTED,
    WASH_OUT,
    Picture,
    draw_interval,
    mark_of,
    name_rows,
    say_empty,
    single,
    styled,
)

if TYPE_CHECKING:
    from hairtone.calibration.types import Calibration

_ROW: Final = 0.42  # inches a row


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
    comparison : Comparison
        From `compare_treatments`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    from hairtone.report.figure_fade import plain_rows

    rows = plain_rows(comparison.to_frame())
    return figure_comparison_table([comparison_label(row) for row in rows], rows, ax=ax)


def comparison_label(row: dict[str, Any]) -> str:
    """What a row of comparison.csv compares, in words."""
    from hairtone.report.figure_evenness import MEASURE_WORDS
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
            interval=(row["limit_low"], row["limit_high"]),
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

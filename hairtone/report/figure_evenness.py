"""Figures of evenness and uptake: a value, its interval, and what noise alone would show."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from matplotlib.axes import Axes

from hairtone.report.source import hair_words, wash_order, wash_words
from hairtone.report.style import (
    INK,
    MUTED,
    PAPER,
    WASH_OUT,
    ZONE_MARKS,
    Picture,
    draw_interval,
    mark_of,
    name_rows,
    say_empty,
    single,
    styled,
)
from hairtone.report.types import ZONE_WORDS

if TYPE_CHECKING:
    from hairtone.uncertainty import ColourDifference

MEASURE_WORDS: Final = {
    "root_to_ends": "roots to ends",
    "root_to_ends_net": "roots to ends, less the hair's own gradient",
    "mean_difference": "mean difference from the mean",
    "largest_difference": "largest difference of two zones",
    "patchiness": "patchiness",
}
_ROW_HEIGHT: Final = 0.3  # inches


@styled
def figure_differences(
    labels: Sequence[str],
    differences: Sequence[ColourDifference],
    *,
    bands: Sequence[tuple[float, str]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Colour differences with their intervals and critical values, one a line.

    Parameters
    ----------
    labels : sequence of str
        What each difference is.
    differences : sequence of ColourDifference
        Hollow marks are not resolved; the upright beside each is its critical value.
    bands : sequence of (float, str), optional
        Upper limits of the word bands, ascending, and their words. [ΔE00]
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.3 + _ROW_HEIGHT * len(labels))
    if not differences:
        say_empty(ax, "nothing was measured")
        return picture
    reach = 1.08 * max(max(d.high, d.critical) for d in differences)
    _draw_bands(ax, bands, reach)
    for row, difference in enumerate(differences):
        draw_interval(
            ax,
            at=row,
            value=difference.delta_e,
            interval=(difference.low, difference.high),
            mark=mark_of(0),
            is_resolved=difference.is_resolved,
        )
        ax.plot([difference.critical] * 2, [row - 0.3, row + 0.3], color=INK, linewidth=1.0)
    name_rows(ax, labels)
    ax.set_xlim(0, reach)
    ax.set_xlabel("ΔE₀₀, 95 % interval;  | equal stay under;  hollow: not resolved")
    ax.xaxis.label.set_fontsize(7.5)
    return picture


@styled
def figure_evenness_washes(
    rows: Sequence[dict[str, Any]],
    *,
    bands: Sequence[tuple[float, str]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Roots to ends of one hair, wash by wash, with intervals and critical values.

    Parameters
    ----------
    rows : sequence of dict
        Rows of evenness.csv for one hair and measure: wash, value, low, high, critical, resolved.
    bands : sequence of (float, str), optional
        Upper limits of the word bands, ascending, and their words. [ΔE00]
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    washes = sorted({str(row["wash"]) for row in rows}, key=wash_order)
    reach = 1.12 * max(max(row["high"], row["critical"]) for row in rows)
    _draw_bands(ax, bands, reach, upright=True)
    mark = mark_of(0)
    for row in rows:
        at = washes.index(str(row["wash"])) + 0.16 * (int(row.get("replicate") or 1) - 1)
        ax.plot([at, at], [row["low"], row["high"]], color=mark.colour)
        fill = mark.colour if row["resolved"] else PAPER
        ax.plot([at], [row["value"]], mark.shape, color=mark.colour, markerfacecolor=fill, ms=6.5)
        ax.plot([at - 0.3, at + 0.3], [row["critical"]] * 2, color=INK, linewidth=1.0)
    ax.set_xticks(range(len(washes)), washes)
    ax.set_xlim(-0.6, len(washes) + (1.2 if bands else -0.4))
    ax.set_ylim(0, reach)
    ax.set_xlabel("wash (0 = just coloured)")
    ax.set_ylabel("roots to ends, ΔE₀₀")
    ax.set_title(
        "— an even hair stays under; hollow: not resolved", fontsize=7.5, fontweight="normal"
    )
    return picture


def _draw_bands(
    ax: Axes, bands: Iterable[tuple[float, str]], reach: float, *, upright: bool = False
) -> None:
    """Word bands as alternating grounds, named along the top (upright: on the right)."""
    start = 0.0
    paint = ax.axhspan if upright else ax.axvspan
    for index, (limit, word) in enumerate(bands):
        stop = min(limit, reach)
        if stop <= start:
            break
        if index % 2:
            paint(start, stop, color=WASH_OUT, zorder=-2, lw=0)
        if stop - start > 0.08 * reach:
            _name_band(ax, (start + stop) / 2, word, upright=upright)
        start = stop


def _name_band(ax: Axes, middle: float, word: str, *, upright: bool) -> None:
    if upright:
        x, y, transform = 0.995, middle, ax.get_yaxis_transform()
    else:
        x, y, transform = middle, 1.02, ax.get_xaxis_transform()
    ax.text(
        x,
        y,
        word,
        transform=transform,
        ha="right" if upright else "center",
        va="center" if upright else "bottom",
        fontsize=7.0,
        color=MUTED,
    )


def figure_evenness(evenness: Any, ax: Axes | None = None) -> Picture:
    """Root-to-ends, mean and largest difference of one hair, each with its interval.

    Parameters
    ----------
    evenness : Evenness
        From `measure_evenness`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    names = ("root_to_ends", "root_to_ends_net", "mean_difference", "largest_difference")
    found = [(MEASURE_WORDS[name], getattr(evenness, name, None)) for name in names]
    shown = [(label, difference) for label, difference in found if difference is not None]
    return figure_differences([label for label, _ in shown], [d for _, d in shown], ax=ax)


@styled
def figure_uptake_table(rows: Sequence[dict[str, Any]], *, ax: Axes | None = None) -> Picture:
    """How much colour each zone took up, hair by hair.

    Parameters
    ----------
    rows : sequence of dict
        Rows of uptake.csv: subject, section, treatment, zone, delta_e, low, high.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    hairs = list(dict.fromkeys((r["subject"], r["section"], r["treatment"]) for r in rows))
    picture, ax = single(ax, height=1.2 + 0.5 * len(hairs))
    if not rows:
        say_empty(ax, "no photo before colouring, so no uptake")
        return picture
    for row in rows:
        zone = row["zone"]
        at = hairs.index((row["subject"], row["section"], row["treatment"]))
        offset = {"roots": -0.25, "mid_lengths": 0.0, "ends": 0.25}[zone]
        mark = ZONE_MARKS[zone]
        draw_interval(
            ax, at=at + offset, value=row["delta_e"], interval=(row["low"], row["high"]), mark=mark
        )
    for zone, mark in ZONE_MARKS.items():
        ax.plot([], [], color=mark.colour, marker=mark.shape, ls="none", label=ZONE_WORDS[zone])
    name_rows(ax, [_hair_label(*hair) for hair in hairs])
    ax.set_xlim(left=0)
    ax.set_xlabel("colour taken up: ΔE₀₀ just coloured against before, 95 % interval")
    picture.legend(loc="outside upper center", ncols=3)
    return picture


def _hair_label(subject: str, section: str, treatment: str) -> str:
    hair = hair_words(subject, section)
    return f"{hair}\n{treatment}" if treatment else hair


def row_label(row: dict[str, Any]) -> str:
    """Hair and wash of a row of evenness.csv or measurements.csv."""
    hair = hair_words(row["subject"], row["section"])
    again = f", repeat {row['replicate']}" if row.get("replicate", 1) not in (1, "1") else ""
    return f"{hair}, {wash_words(str(row['wash']))}{again}"

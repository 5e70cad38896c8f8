"""Figures of colour along the hair: curves roots to ends, and colour chips."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from hairtone.colorimetry import screen_colour
from hairtone.hair.types import Profile
from hairtone.report.source import DrawnProfile, drawn_profile
from hairtone.report.style import (
    DEPTH,
    FADED,
    INK,
    MUTED,
    PAPER,
    RULE,
    WASH_OUT,
    Mark,
    Picture,
    label_zones,
    mark_of,
    new_picture,
    single,
    styled,
)

THIRDS: Final = (1 / 3, 2 / 3)
REACH: Final = 1.96  # standard normal, 97.5 %; of a 95 % interval
_AXES: Final = ("lightness L*", "red–green a*", "yellow–blue b*")


def figure_profile(profile: Profile, ax: Axes | None = None) -> Picture:
    """Colour of one hair from roots to ends with 95 % bands.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    ax : Axes, optional
        Draw only the difference from the hair's mean, here.
    """
    drawn = [drawn_profile(profile)]
    return figure_profiles(drawn) if ax is None else figure_from_mean(drawn, ax=ax)


@styled
def figure_profiles(
    profiles: Sequence[DrawnProfile], *, zones: tuple[float, float] = THIRDS
) -> Picture:
    """L*, a*, b* and ΔE00 from the mean along several hairs, one above the other.

    Parameters
    ----------
    profiles : sequence of DrawnProfile
        At most six are told apart.
    zones : tuple of float, optional
        Where roots end and ends begin.
    """
    picture = new_picture(width=5.0, height=5.7)
    panels = picture.subplots(4, 1, sharex=True)
    for index, profile in enumerate(profiles):
        _draw_lab(panels[:3], profile, mark_of(index))
    for ax, title in zip(panels[:3], _AXES, strict=True):
        ax.set_title(title)
        label_zones(ax, zones)
    figure_from_mean(profiles, ax=panels[3], zones=zones)
    if len(profiles) > 1:
        handles, labels = panels[0].get_legend_handles_labels()
        picture.legend(handles, labels, loc="outside upper center", ncols=min(3, len(profiles)))
    return picture


def _draw_lab(panels: Sequence[Axes], profile: DrawnProfile, mark: Mark) -> None:
    for axis, ax in enumerate(panels):
        value, reach = profile.lab[:, axis], REACH * profile.sd[:, axis]
        ax.fill_between(
            profile.position, value - reach, value + reach, color=mark.colour, alpha=FADED, lw=0
        )
        ax.plot(
            profile.position,
            value,
            color=mark.colour,
            linestyle=mark.line,
            marker=mark.shape,
            markevery=max(1, len(value) // 6),
            label=profile.label,
        )


@styled
def figure_from_mean(
    profiles: Sequence[DrawnProfile],
    *,
    zones: tuple[float, float] = THIRDS,
    ax: Axes | None = None,
) -> Picture:
    """How far each place is from the hair's own mean; what an even hair stays under is shaded.

    Parameters
    ----------
    profiles : sequence of DrawnProfile
        At most six are told apart.
    zones : tuple of float, optional
        Where roots end and ends begin.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=2.6)
    floor = np.max([p.critical for p in profiles], axis=0)
    ax.fill_between(profiles[0].position, 0, floor, color=WASH_OUT, lw=0, zorder=0)
    for index, profile in enumerate(profiles):
        mark = mark_of(index)
        ax.fill_between(
            profile.position, profile.low, profile.high, color=mark.colour, alpha=FADED, lw=0
        )
        ax.plot(
            profile.position,
            profile.delta_e,
            color=mark.colour,
            linestyle=mark.line,
            marker=mark.shape,
            markevery=max(1, len(profile.position) // 6),
        )
    label_zones(ax, zones)
    ax.set_ylim(bottom=0)
    ax.set_title("ΔE₀₀ from the hair's mean; shaded: not resolved")
    return picture


@styled
def figure_chips(
    colours: ArrayLike,
    labels: Sequence[str],
    *,
    viewing: str,
    ax: Axes | None = None,
) -> Picture:
    """Rows of colour chips from roots to ends.

    Parameters
    ----------
    colours : array_like, shape (rows, steps, 3)
        L*a*b* from roots to ends; NaN leaves a chip out.
    labels : sequence of str
        What each row is.
    viewing : str
        Illuminant and observer of `colours`, printed below.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    lab = np.asarray(colours, dtype=np.float64)
    rows, steps = lab.shape[:2]
    picture, ax = single(ax, height=0.9 + 0.34 * rows)
    known = np.isfinite(lab).all(axis=-1)
    for row, step in np.argwhere(known):
        rgb = screen_colour(lab[row, step]) / 255
        ax.barh(row, 1.0, left=step, height=0.84, color=rgb, edgecolor=PAPER, linewidth=0.6)
        dark = lab[row, step, 0] < 55
        ax.text(
            step + 0.5,
            row,
            f"{lab[row, step, 0]:.0f}",
            ha="center",
            va="center",
            fontsize=7,
            color="#ffffff" if dark else INK,
        )
    for row, step in np.argwhere(~known):
        ax.text(step + 0.5, row, "–", ha="center", va="center", color=MUTED)
    ax.set(xlim=(0, steps), ylim=(rows - 0.5, -0.5))
    ax.set_yticks(range(rows), labels)
    ax.set_xticks([0, steps / 2, steps], ["roots", "mid-lengths", "ends"])
    ax.tick_params(length=0)
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    ax.set_xlabel(
        f"numbers are L*; colours for {viewing}. A screen or printer is no measuring device.",
        fontsize=7.5,
        color=MUTED,
    )
    return picture


@styled
def figure_map(
    differences: ArrayLike,
    labels: Sequence[str],
    *,
    top: float,
    critical: ArrayLike | None = None,
    ax: Axes | None = None,
) -> Picture:
    """ΔE00 along the hair as a map, hairs or washes below each other, on one fixed scale.

    Parameters
    ----------
    differences : array_like, shape (rows, positions)
        ΔE00 from the reference, roots first; NaN where nothing was measured.
    labels : sequence of str
        What each row is.
    top : float
        ΔE00 at the dark end of the scale: one for a whole study.
    critical : array_like, shape (rows, positions), optional
        What equal colours stay under; below it the map is hatched as not resolved.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    values = np.atleast_2d(np.asarray(differences, dtype=np.float64))
    rows, steps = values.shape
    picture, ax = single(ax, height=1.3 + 0.3 * rows)
    edges_x, edges_y = np.linspace(0, 1, steps + 1), np.arange(rows + 1) - 0.5
    mesh = ax.pcolormesh(
        edges_x, edges_y, np.ma.masked_invalid(values), cmap=DEPTH, vmin=0, vmax=top
    )
    if critical is not None:
        unresolved = values <= np.atleast_2d(np.asarray(critical, dtype=np.float64))
        _hatch(ax, unresolved, edges_x)
    label_zones(ax, THIRDS)
    ax.set_ylim(rows - 0.5, -0.5)
    ax.set_yticks(range(rows), labels)
    ax.tick_params(axis="y", length=0)
    bar = picture.colorbar(mesh, ax=ax, location="bottom", shrink=0.7, aspect=30, extend="max")
    bar.set_label("ΔE₀₀" + (", dotted: not resolved" if critical is not None else ""))
    bar.outline.set_edgecolor(RULE)
    return picture


def _hatch(ax: Axes, where: np.ndarray, edges: np.ndarray) -> None:
    """Small dots over the cells where nothing is resolved."""
    middle = (edges[:-1] + edges[1:]) / 2
    for row in range(where.shape[0]):
        at = middle[where[row]][::2]
        ax.plot(at, np.full(at.shape, float(row)), ".", color=INK, markersize=1.6, alpha=0.6)

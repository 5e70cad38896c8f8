"""How figures look: one ink, one paper, marks that differ in shape as well as in colour."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from typing import Any, Final, ParamSpec, TypeVar, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

INK: Final = "#23272e"
MUTED: Final = "#5a5f68"
RULE: Final = "#cfc8bd"
PAPER: Final = "#ffffff"
WASH_OUT: Final = "#efeae2"  # bands behind the data
COPPER: Final = "#8a4a1c"
FADED: Final = 0.16  # opacity of an interval's band

_RC: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",  # ships with matplotlib, holds Δ and ₀
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": False,
    "axes.axisbelow": True,
    "text.color": INK,
    "text.parse_math": False,  # a label from the sheet is shown as typed, whatever signs it has
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.fonttype": "path",  # the picture needs no font where it is opened
    "svg.hashsalt": "hairtone",  # the same figure gives the same file
    "pdf.fonttype": 42,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How one series is drawn: colour, point shape and line, each telling it apart alone."""

    colour: str
    shape: str
    line: str | tuple[int, tuple[int, ...]]


# Our own choice of inks; tests hold them apart for red-, green- and blue-blind eyes.
MARKS: Final = (
    Mark(colour="#17324d", shape="o", line="-"),
    Mark(colour="#b5531a", shape="s", line=(0, (5, 2))),
    Mark(colour="#4b9aa8", shape="^", line=(0, (1, 1))),
    Mark(colour="#7a4a86", shape="D", line=(0, (5, 1, 1, 1))),
    Mark(colour="#d3aa2b", shape="v", line=(0, (3, 1, 1, 1, 1, 1))),
    Mark(colour="#7d8187", shape="P", line=(0, (8, 3))),
)
ZONE_MARKS: Final = {"roots": MARKS[0], "mid_lengths": MARKS[2], "ends": MARKS[1]}
# Light to dark without a turn, so that it keeps its order in black and white; our own choice.
DEPTH: Final = LinearSegmentedColormap.from_list(
    "depth", ["#fbf5ea", "#e9b877", "#b3652a", "#6a2f12", "#1d0c05"]
)


def mark_of(index: int) -> Mark:
    """Mark of the series with this number; they repeat after the last."""
    return MARKS[index % len(MARKS)]


class Picture(Figure):
    """A figure that shows itself in a notebook and knows its file forms."""

    def svg(self) -> str:
        """The figure as SVG text, the same for the same data."""
        out = io.StringIO()
        with mpl.rc_context(cast(Any, _RC)):
            self.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        return out.getvalue()

    def data_uri(self) -> str:
        """The figure as an address that holds the picture itself."""
        text = base64.b64encode(self.svg().encode("utf-8")).decode("ascii")
        return f"data:image/svg+xml;base64,{text}"

    def _repr_svg_(self) -> str:
        return self.svg()


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Draw in the house style, whatever settings the notebook has."""

    @wraps(draw)
    def inner(*args: P.args, **kwargs: P.kwargs) -> R:
        with mpl.rc_context(cast(Any, _RC)):
            return draw(*args, **kwargs)

    return inner


def new_picture(*, width: float = 5.0, height: float = 3.2) -> Picture:
    """An empty figure. [inches]"""
    with mpl.rc_context(cast(Any, _RC)):
        return Picture(figsize=(width, height), layout="constrained")


def single(ax: Axes | None, *, width: float = 5.0, height: float = 3.2) -> tuple[Picture, Axes]:
    """The axes to draw in and their figure; a new one where `ax` is None."""
    if ax is None:
        picture = new_picture(width=width, height=height)
        return picture, picture.add_subplot()
    return cast(Picture, ax.get_figure(root=True)), ax


def label_zones(ax: Axes, zones: tuple[float, float]) -> None:
    """Thin uprights where the zones meet, zone names above, 0 and 1 named roots and ends."""
    for edge in zones:
        ax.axvline(edge, color=RULE, linewidth=0.8, zorder=0)
    ax.set_xlim(0.0, 1.0)
    ax.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0], ["roots", "¼", "½", "¾", "ends"])


def say_empty(ax: Axes, words: str) -> None:
    """Axes that have nothing to show say so."""
    ax.set_axis_off()
    ax.text(0.5, 0.5, words, ha="center", va="center", transform=ax.transAxes, color=MUTED)


def draw_interval(
    ax: Axes,
    *,
    at: float,
    value: float,
    interval: tuple[float, float],
    mark: Mark,
    is_resolved: bool = True,
) -> None:
    """A value with its interval on a line of its own; hollow where it is not resolved."""
    low, high = interval
    ax.plot([low, high], [at, at], color=mark.colour, linewidth=1.6, solid_capstyle="butt")
    for end in (low, high):
        ax.plot([end, end], [at - 0.12, at + 0.12], color=mark.colour, linewidth=1.2)
    ax.plot(
        [value],
        [at],
        marker=mark.shape,
        markersize=6.5,
        color=mark.colour,
        markerfacecolor=mark.colour if is_resolved else PAPER,
        linestyle="none",
    )


def name_rows(ax: Axes, labels: Sequence[str]) -> None:
    """Rows named on the left, the first on top."""
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=WASH_OUT, linewidth=0.8)

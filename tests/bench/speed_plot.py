"""The speed benchmark's growth tables as one picture."""

from __future__ import annotations

from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

Rows = list[dict[str, object]]
Places = list[tuple[float, float]]
MARKERS = "osD^"


def plot_growth(tables: dict[str, Rows], path: Path) -> None:
    """What a photo costs over its size, over its colours, and over the photos of its study."""
    figure = Figure(figsize=(10, 3.2), layout="constrained")
    by_size, by_colours, by_photos = figure.subplots(1, 3)
    sizes = [(_megapixels(row), _number(row["whole, ms"])) for row in tables.get("growth", [])]
    _draw(by_size, {"": sizes}, ("megapixels", "milliseconds a photo, CPU"))
    colours: dict[str, Places] = {}
    for row in tables.get("ratios", []):
        took = _number(row["whole"]) * _number(row["decode, ms"])
        colours.setdefault(f"{_megapixels(row):g} MP", []).append((_number(row["colours"]), took))
    _draw(by_colours, colours, ("distinct colours in the photo", "milliseconds a photo, CPU"))
    steps: dict[str, Places] = {}
    for row in tables.get("studies", []):
        for step in ("first run", "resumed", "analysis", "tables"):
            steps.setdefault(step, []).append((_number(row["photos"]), _number(row[step])))
    _draw(by_photos, steps, ("photos in the study", "ms a photo beside measuring it"))
    by_photos.set_xscale("log")
    by_photos.set_yscale("log")
    for axes in (by_size, by_colours):
        axes.set_ylim(bottom=0)
    figure.savefig(path, dpi=110)


def _draw(axes: Axes, lines: dict[str, Places], names: tuple[str, str]) -> None:
    for marker, (label, places) in zip(MARKERS, lines.items(), strict=False):
        if places:
            axes.plot(*zip(*sorted(places), strict=True), marker=marker, lw=1, label=label)
    axes.set_xlabel(names[0])
    axes.set_ylabel(names[1])
    axes.grid(alpha=0.3)
    if len(lines) > 1:
        axes.legend(fontsize=7)


def _megapixels(row: dict[str, object]) -> float:
    return float(str(row["photo"]).split()[0])


def _number(told: object) -> float:
    """The value, or the median of one told as ``median (least to most)``."""
    return float(str(told).split()[0])

"""How a study was measured, in a table: viewing, chart, calibration, versions."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from hairtone.report.blocks import Grid, grid
from hairtone.report.sentences import number

if TYPE_CHECKING:
    from hairtone.study.outcome import StudyResult


MOST_SESSIONS: Final = 6  # drifts on the page; our choice
MOST_HASHES: Final = 500  # lines on the page; our choice: 10 000 would take a second to open


def methods_of(outcome: StudyResult) -> Grid:
    """What a reader needs to do it again.

    Parameters
    ----------
    outcome : StudyResult
        The measured study.
    """
    settings = outcome.study.settings
    charts = [row.photo.get("chart") or {} for row in outcome.rows if row.error is None]
    rows: list[tuple[str, str]] = [
        ("viewing (light and observer)", settings.viewing),
        ("chart reference", settings.chart + _assumed(settings.is_chart_assumed)),
        ("calibration", _counted([str(chart.get("method") or "") for chart in charts])),
        ("chart left out of the fit, mean ΔE₀₀", _held_out(charts)),
        ("light field from", _counted([_light(chart) for chart in charts])),
        ("zones", f"roots to {settings.zones[0]:.2f}, ends from {settings.zones[1]:.2f}"),
        ("“as even as” margin, ΔE₀₀", f"{settings.margin:g}"),
        ("difference formula", "CIEDE2000, kL = kC = kH = 1 (ISO/CIE 11664-6)"),
        ("intervals", "95 %, by inverting the sampling law of the difference"),
        ("chart's drift, session by session", _drift(outcome)),
        ("versions", ", ".join(f"{name} {v}" for name, v in _versions().items())),
        *[("remark", note) for note in outcome.notes],
    ]
    return grid("How this was measured", ("what", "how"), rows, long=(1,))


def _assumed(is_assumed: bool) -> str:
    return " (edition assumed: none was written down)" if is_assumed else ""


def _counted(words: list[str]) -> str:
    counts = Counter(word for word in words if word)
    return ", ".join(f"{word} ({count} rows)" for word, count in sorted(counts.items())) or "–"


def _light(chart: dict[str, Any]) -> str:
    return str((chart.get("light") or {}).get("source") or "")


def _held_out(charts: list[dict[str, Any]]) -> str:
    known = [float(chart["held_out"]) for chart in charts if chart.get("held_out") is not None]
    if not known:
        return "–"
    return f"{number(sum(known) / len(known), 2)} (largest photo {number(max(known), 2)})"


def _drift(outcome: StudyResult) -> str:
    """Drift of each pool's sessions: the largest ones, as drift.csv holds all."""
    told = []
    for pool in outcome.pools:
        worst = sorted(pool.drifts, key=lambda drift: -drift.delta_e)[:MOST_SESSIONS]
        each = "; ".join(f"{d.session or 'no session'} {number(d.delta_e, 2)}" for d in worst)
        more = len(pool.drifts) - len(worst)
        told.append(
            f"pool {pool.name}, mean ΔE₀₀ from all its photos: {each}"
            + (f"; and {more} less" if more > 0 else "")
        )
    return ". ".join(told) or "–"


def _versions() -> dict[str, str]:
    from hairtone.study.recipe import versions

    return versions()


def hashes_of(outcome: StudyResult) -> Grid:
    """Photographs by the SHA-256 of their bytes."""
    seen = list({row.row.photo: row.sha256 for row in outcome.rows if row.sha256}.items())
    more = len(seen) - MOST_HASHES
    caption = "Photographs" if more <= 0 else f"Photographs; {more} more are kept in the store"
    return grid(caption, ("photo", "SHA-256"), seen[:MOST_HASHES], long=(0, 1))

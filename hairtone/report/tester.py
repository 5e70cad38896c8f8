"""The laboratory's page: comparisons, repeats and exclusions, and how the study was measured."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.report import sentences
from hairtone.report.blocks import Grid, Shown, grid, shown, table_of
from hairtone.report.figures import (
    comparison_label,
    figure_agreement_table,
    figure_comparison_table,
    figure_repeats_table,
    figure_treatments_fade,
)
from hairtone.report.figures_along import MEASURE_WORDS
from hairtone.report.sentences import number
from hairtone.report.types import ZONE_WORDS, ZONES, Analysis
from hairtone.report.views import Tables, wash_order

if TYPE_CHECKING:
    from hairtone.study.outcome import StudyResult


MOST_SESSIONS: Final = 6  # drifts on the page; our choice
MOST_HASHES: Final = 500  # lines on the page; our choice: 10 000 would take a second to open
MOST_LINES: Final = 400  # of the table of comparisons; comparison.csv holds all; our choice
MOST_COMPARISONS: Final = 24  # drawn in one figure; the table holds all; our choice
_UNDER: Final = "mean over hairs with SD and number; of a single photo its 95 % interval"
_COMPARISON: Final = {
    "measure": "measure", "zone": "zone", "wash": "wash", "treatment_a": "a", "treatment_b": "b",
    "difference": "a less b", "low": "low", "high": "high", "p_holm": "p (Holm)",
    "margin": "margin", "verdict": "verdict", "n_a": "n a", "n_b": "n b",
}  # fmt: skip


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
    from hairtone.study.plan import versions

    return versions()


def hashes_of(outcome: StudyResult) -> Grid:
    """Photographs by the SHA-256 of their bytes."""
    seen = list({row.row.photo: row.sha256 for row in outcome.rows if row.sha256}.items())
    more = len(seen) - MOST_HASHES
    caption = "Photographs" if more <= 0 else f"Photographs; {more} more are kept in the store"
    return grid(caption, ("photo", "SHA-256"), seen[:MOST_HASHES], long=(0, 1))


def blocks_of(analysis: Analysis, tables: Tables) -> dict[str, Any]:
    """The tester's own blocks by the name the template calls them.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    tables : Tables
        Its tables.
    """
    comparisons = tables.rows("comparison")
    order = analysis.outcome.study.settings.order
    return {
        "lead": _lead(analysis.outcome),
        "design": _design(analysis.outcome),
        "comparisons": comparisons_told(comparisons),
        "comparison_figures": _comparison_figures(comparisons),
        "comparison_table": table_of(
            "Comparisons of treatments", _zones_named(comparisons[:MOST_LINES]), _COMPARISON
        ),
        "treatment_figures": _fade_figures(tables, order),
        "tables": [_evenness_table(tables, order), _left_table(tables, order), _fit_table(tables)],
        "fade_table": _fade_table(tables, order),
        "noise": _noise(tables),
        "noise_figures": _noise_figures(tables),
    }


def _lead(outcome: StudyResult) -> list[str]:
    settings = outcome.study.settings
    pairing = f"Hairs are paired by “{settings.pairing}”." if settings.pairing else (
        "Hairs are not paired."
    )  # fmt: skip
    blocks = f" Blocks: {', '.join(settings.blocks)}." if settings.blocks else ""
    return [
        f"The unit of comparison is the tress, not the photograph or the pixel. {pairing}{blocks} "
        f"“As even as” means within ± {settings.margin:g} ΔE₀₀, set before measuring."
    ]


def _design(outcome: StudyResult) -> Grid:
    """Tresses, photos, washes, repeats and refusals of each treatment."""
    by: dict[str, list[Any]] = defaultdict(list)
    for row in outcome.rows:
        by[row.treatment or "none"].append(row)
    rows = []
    for name, found in by.items():
        washes = {r.row.wash for r in found if r.row.wash is not None}
        rows.append(
            (
                name,
                len({r.row.hair for r in found}),
                len(found),
                f"{min(washes)} to {max(washes)}" if washes else "–",
                max(r.row.replicate for r in found),
                sum(r.status == "flagged" for r in found),
                sum(r.status == "refused" for r in found),
            )
        )
    head = ("treatment", "tresses", "rows", "washes", "repeats", "flagged", "refused")
    return grid("Design as photographed", head, rows)


def comparisons_told(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Comparisons in words: those that can be judged, just coloured and at the last wash.

    Parameters
    ----------
    rows : sequence of dict
        Rows of comparison.csv.
    """
    if not rows:
        return ["No treatments were compared: the study has one, or the sheet names none."]
    judged = [row for row in rows if row.get("low") is not None]
    if not judged:
        reasons = dict.fromkeys(str(row["verdict"]) for row in rows)
        return [f"Nothing can be said about treatments yet. {_sentence(r)}" for r in reasons]
    last = max((int(r["wash"]) for r in judged if str(r["wash"]).isdigit()), default=0)
    key = [row for row in judged if str(row["wash"]) in ("", "0", str(last))]
    open_ones = dict.fromkeys(str(row["verdict"]) for row in rows if row.get("low") is None)
    return [
        *[sentences.comparison_sentence(row) for row in key[:MOST_COMPARISONS]],
        *[f"The other comparisons: {verdict.rstrip('.')}." for verdict in list(open_ones)[:3]],
    ]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _comparison_figures(rows: Sequence[dict[str, Any]]) -> list[Shown]:
    """One figure for each measure, so that units are not mixed; only what has an interval."""
    by: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        if row.get("low") is not None and row.get("high") is not None:
            by[str(row["measure"])].append(row)
    return [
        shown(
            figure_comparison_table([comparison_label(r) for r in found], found),
            caption=f"Treatments compared: {measure.replace('_', ' ')}.",
            alt=" ".join(sentences.comparison_sentence(row) for row in found),
        )
        for measure, found in ((m, f[:MOST_COMPARISONS]) for m, f in by.items())
    ]


def _fade_figures(tables: Tables, order: Sequence[str]) -> list[Shown]:
    pictures = []
    for zone in ZONES:
        rows = [
            row
            for row in tables.rows("fade")
            if row["zone"] == zone and row.get("colour_left") is not None
        ]
        series = {name: _by_wash(found) for name, found in _grouped(rows, order).items()}
        if not series:
            continue
        pictures.append(
            shown(
                figure_treatments_fade(series, zone=zone),
                caption=f"Colour left at the {ZONE_WORDS[zone]}: mean over tresses; the band is "
                f"the 95 % interval of the mean, with one tress that of its reading.",
                alt=_series_alt(series, zone),
            )
        )
    return pictures


def _series_alt(series: dict[str, list[dict[str, Any]]], zone: str) -> str:
    parts = [
        f"{name}: {rows[-1]['value']:.0f} % after wash {rows[-1]['wash']}"
        for name, rows in series.items()
    ]
    return f"Colour left at the {ZONE_WORDS[zone]} over washes. {'. '.join(parts)}."


def _grouped(rows: Sequence[dict[str, Any]], order: Sequence[str]) -> dict[str, list[Any]]:
    """Rows by treatment, in the order of study.toml, the rest after."""
    names = [*order, *(str(row["treatment"] or "none") for row in rows)]
    grouped: dict[str, list[Any]] = {name: [] for name in dict.fromkeys(names)}
    for row in rows:
        grouped[str(row["treatment"] or "none")].append(row)
    return {name: found for name, found in grouped.items() if found}


def _by_wash(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    by: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        by[int(row["wash"])].append(row)
    return [{"wash": wash, **_mean_of(found)} for wash, found in sorted(by.items())]


def _mean_of(rows: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Mean over tresses with its t interval; of one tress its own interval."""
    from scipy.stats import t

    values = np.array([row["colour_left"] for row in rows], dtype=float)
    mean = float(values.mean())
    if len(values) == 1:
        low, high = rows[0].get("colour_left_low"), rows[0].get("colour_left_high")
        return {
            "value": mean,
            "low": mean if low is None else float(low),
            "high": mean if high is None else float(high),
        }
    reach = float(t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    return {"value": mean, "low": mean - reach, "high": mean + reach}


def _summary(rows: Sequence[dict[str, Any]], name: str, *, digits: int) -> str:
    """A number over its uncertainty: of several hairs mean, SD and count; of one its interval."""
    values = [float(row[name]) for row in rows]
    mean = number(float(np.mean(values)), digits)
    if len(values) > 1:
        return f"{mean}\nSD {number(float(np.std(values, ddof=1)), digits)}, n {len(values)}"
    start = "" if name == "value" else f"{name}_"
    low, high = (rows[0].get(f"{start}{end}") for end in ("low", "high"))
    if low is None or high is None or low == high:
        return f"{mean}\n"  # 100 % just coloured, by definition
    return f"{mean}\n{number(low, digits)}–{number(high, digits)}"


def _evenness_table(tables: Tables, order: Sequence[str]) -> Grid:
    """Treatment and measure down, washes across."""
    found = tables.rows("evenness")
    washes = sorted({str(row["wash"]) for row in found}, key=wash_order)
    rows: list[Sequence[Any]] = []
    for name, group in _grouped(found, order).items():
        values = _collect(group, lambda r: (str(r["measure"]), str(r["wash"])), "value")
        for measure in dict.fromkeys(measure for measure, _ in values):
            cells = [values.get((measure, wash)) for wash in washes]
            words = [_summary(cell, "value", digits=1) if cell else None for cell in cells]
            rows.append((name, MEASURE_WORDS.get(measure, measure), *words))
    caption = f"Evenness by treatment and wash, ΔE₀₀: {_UNDER}"
    return grid(caption, ("treatment", "measure", *washes), rows)


def _left_table(tables: Tables, order: Sequence[str]) -> Grid:
    """Colour left: treatment and zone down, washes across."""
    found = tables.rows("fade")
    washes = sorted({int(row["wash"]) for row in found})
    rows: list[Sequence[Any]] = []
    for name, group in _grouped(found, order).items():
        values = _collect(group, lambda r: (str(r["zone"]), int(r["wash"])), "colour_left")
        for zone in ZONES:
            cells = [values.get((zone, wash)) for wash in washes]
            words = [_summary(cell, "colour_left", digits=0) if cell else None for cell in cells]
            rows.append((name, ZONE_WORDS[zone], *words))
    caption = f"Colour left, %: {_UNDER}"
    return grid(caption, ("treatment", "zone", *map(str, washes)), rows)


def _collect(
    rows: Sequence[dict[str, Any]], key: Callable[[dict[str, Any]], Any], value: str
) -> dict[Any, list[dict[str, Any]]]:
    found: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        if row.get(value) is not None:
            found[key(row)].append(row)
    return found


def _fade_table(tables: Tables, order: Sequence[str]) -> Grid:
    rows: list[Sequence[Any]] = []
    for name, found in _grouped(tables.rows("fade"), order).items():
        by: dict[tuple[str, int], list[dict[str, Any]]] = defaultdict(list)
        for row in found:
            by[str(row["zone"]), int(row["wash"])].append(row)
        for (zone, wash), group in sorted(
            by.items(), key=lambda i: (ZONES.index(i[0][0]), i[0][1])
        ):
            means = [_mean(group, key) for key in ("delta_e", "delta_e_ab", "dL", "dC", "dH")]
            left = [r["colour_left"] for r in group if r.get("colour_left") is not None]
            mean_left = float(np.mean(left)) if left else None
            rows.append((name, ZONE_WORDS[zone], wash, *means, mean_left, len(group)))
    head = ("treatment", "zone", "wash", "ΔE₀₀", "ΔE*ab", "ΔL*", "ΔC*", "ΔH*", "colour left %", "n")
    return grid("Fade by treatment, zone and wash: means over hairs", head, rows)


def _mean(rows: Sequence[dict[str, Any]], key: str) -> float | None:
    known = [float(row[key]) for row in rows if row.get(key) is not None]
    return float(np.mean(known)) if known else None


def _fit_table(tables: Tables) -> Grid:
    columns = {
        "subject": "subject", "section": "section", "zone": "zone", "model": "model",
        "washes_to_refresh": "to refresh", "washes_to_refresh_low": "low",
        "washes_to_refresh_high": "high", "misfit": "misfit",
    }  # fmt: skip
    rows = _zones_named(tables.rows("fade_fit")[:200])
    return table_of("Fade curves, hair by hair (washes)", rows, columns)


def _zones_named(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows with their zone in words."""
    return [{**row, "zone": ZONE_WORDS.get(str(row["zone"]), row["zone"])} for row in rows]


def _noise(tables: Tables) -> list[str]:
    if tables.rows("repeats"):
        return ["How far a reading moves when the same hair is re-combed and photographed again:"]
    return [
        "There are no repeats in this study, so how far re-laying the hair moves a reading is "
        "borrowed from published work (SD 0.31 in L*, J. Cosmet. Sci. 51 (2000) 293–299). "
        "Photograph each hair at least three times, re-combed, to measure it."
    ]


def _noise_figures(tables: Tables) -> list[Shown]:
    found = []
    repeats = tables.rows("repeats")
    if repeats:
        alt = " ".join(
            f"{r['measure']} {r['zone'] or ''} {r['factor']}: SD {sentences.number(r['sd'], 2)}."
            for r in repeats
        )
        found.append(shown(figure_repeats_table(repeats), caption="Repeats.", alt=alt))
    agreement = tables.rows("agreement")
    if agreement:
        alt = " ".join(
            f"{r['zone']} {r['axis']}: bias {sentences.number(r['bias'], 2)}, limits "
            f"{sentences.span(r['limit_low'], r['limit_high'], 2)}."
            for r in agreement
        )
        found.append(
            shown(
                figure_agreement_table(agreement),
                caption="Photographs against the instrument's readings of the same hair.",
                alt=alt,
            )
        )
    return found

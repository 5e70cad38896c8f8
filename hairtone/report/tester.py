"""The laboratory's page: comparisons, repeats and exclusions, and how the study was measured."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.report import sentences
from hairtone.report.blocks import FigureBlock, Grid, grid, shown
from hairtone.report.figures import (
    figure_agreements,
    figure_comparisons,
    figure_repeats,
    figure_treatments_fade,
)
from hairtone.report.figures_along import MEASURE_WORDS
from hairtone.report.sentences import number
from hairtone.report.types import ZONE_WORDS, ZONES
from hairtone.report.views import HairView, wash_order

if TYPE_CHECKING:
    from hairtone.measures.comparison import Comparison
    from hairtone.measures.evenness import Evenness
    from hairtone.measures.fade import FadeStep
    from hairtone.study.analysis import Analysis
    from hairtone.study.hair_measures import HairMeasures
    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult


MOST_SESSIONS: Final = 6  # drifts on the page; our choice
MOST_HASHES: Final = 500  # lines on the page; our choice: 10 000 would take a second to open
MOST_LINES: Final = 400  # of the table of comparisons; comparison.csv holds all; our choice
MOST_COMPARISONS: Final = 24  # drawn in one figure; the table holds all; our choice
_UNDER: Final = "mean over hairs with SD and number; of a single photo its 95 % interval"
MOST_FITS: Final = 200  # hairs in the table of fade curves; fade_fit.csv holds all; our choice


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
    parts = []
    for pool in outcome.pools:
        worst = sorted(pool.drifts, key=lambda drift: -drift.delta_e)[:MOST_SESSIONS]
        each = "; ".join(f"{d.session or 'no session'} {number(d.delta_e, 2)}" for d in worst)
        more = len(pool.drifts) - len(worst)
        parts.append(
            f"pool {pool.name}, mean ΔE₀₀ from all its photos: {each}"
            + (f"; and {more} less" if more > 0 else "")
        )
    return ". ".join(parts) or "–"


def _versions() -> dict[str, str]:
    from hairtone.study.records import versions

    return versions()


def hashes_of(outcome: StudyResult) -> Grid:
    """Photographs by the SHA-256 of their bytes."""
    seen = list({row.row.photo: row.sha256 for row in outcome.rows if row.sha256}.items())
    more = len(seen) - MOST_HASHES
    caption = "Photographs" if more <= 0 else f"Photographs; {more} more are kept in the store"
    return grid(caption, ("photo", "SHA-256"), seen[:MOST_HASHES], long=(0, 1))


def blocks_of(analysis: Analysis, views: Sequence[HairView]) -> dict[str, Any]:
    """Return the tester's own blocks by the name the template calls them.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    views : sequence of HairView
        Its hairs.
    """
    comparisons = analysis.findings.comparisons
    order = analysis.outcome.study.settings.order
    hairs = [view.measures for view in views if view.measures is not None]
    return {
        "lead": _lead(analysis.outcome),
        "design": _design(analysis.outcome),
        "comparisons": [
            *comparison_sentences(comparisons),
            *([comparisons.sentence] if comparisons else []),
        ],
        "comparison_figures": _comparison_figures(comparisons),
        "comparison_table": _comparison_table(comparisons),
        "treatment_figures": _fade_figures(hairs, order),
        "tables": [_evenness_table(hairs, order), _left_table(hairs, order), _fit_table(hairs)],
        "fade_table": _fade_table(hairs, order),
        "noise": _noise(analysis),
        "noise_figures": _noise_figures(analysis),
    }


def _lead(outcome: StudyResult) -> list[str]:
    settings = outcome.study.settings
    pairing = f"Hairs are paired by “{settings.pairing}”." if settings.pairing else (
        "Hairs are not paired."
    )  # fmt: skip
    blocks = f" Blocks: {', '.join(settings.blocks)}." if settings.blocks else ""
    return [
        f"The unit of comparison is the tress, not the photograph or the pixel. {pairing}{blocks} "
        f"“As even as” means within ± {settings.margin:g} ΔE₀₀, as study.toml states."
    ]


def _design(outcome: StudyResult) -> Grid:
    """Tresses, photos, washes, repeats and refusals of each treatment."""
    by: dict[str, list[RowResult]] = defaultdict(list)
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


def comparison_sentences(comparisons: Sequence[Comparison]) -> list[str]:
    """Return comparisons in words: those that have an answer, just coloured and at the last wash.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Of a study.
    """
    if not comparisons:
        return ["No treatments were compared: the study has one, or the sheet names none."]
    judged = [found for found in comparisons if found.low is not None]
    reasons = dict.fromkeys(found.verdict for found in comparisons if found.low is None)
    if not judged:
        return [f"Nothing can be said about treatments yet. {_sentence(r)}" for r in reasons]
    last = max((int(c.wash) for c in judged if c.wash.isdigit()), default=0)
    key = [found for found in judged if found.wash in ("", "0", str(last))]
    return [
        *[sentences.comparison_sentence(found) for found in key[:MOST_COMPARISONS]],
        *[f"The other comparisons: {reason.rstrip('.')}." for reason in list(reasons)[:3]],
    ]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _comparison_figures(comparisons: Sequence[Comparison]) -> list[FigureBlock]:
    """One figure for each measure, so that units are not mixed; only what has an interval."""
    by: dict[str, list[Comparison]] = defaultdict(list)
    for found in comparisons:
        if found.low is not None and found.high is not None:
            by[found.measure].append(found)
    return [
        shown(
            figure_comparisons(found[:MOST_COMPARISONS]),
            caption=f"Treatments compared: {measure.replace('_', ' ')}.",
            alt=" ".join(sentences.comparison_sentence(one) for one in found[:MOST_COMPARISONS]),
        )
        for measure, found in by.items()
    ]


def _comparison_table(comparisons: Sequence[Comparison]) -> Grid:
    head = ("measure", "zone", "wash", "a", "b", "a less b", "low", "high", "p (adjusted)",
            "margin", "verdict", "n a", "n b")  # fmt: skip
    rows = [
        (
            c.measure, ZONE_WORDS.get(c.zone, c.zone), c.wash, c.treatment_a, c.treatment_b,
            c.difference, c.low, c.high, c.p_adjusted, c.margin, c.verdict, c.n_a, c.n_b,
        )
        for c in comparisons[:MOST_LINES]
    ]  # fmt: skip
    return grid("Comparisons of treatments", head, rows)


def _fade_figures(hairs: Sequence[HairMeasures], order: Sequence[str]) -> list[FigureBlock]:
    pictures = []
    for zone in ZONES:
        series = {
            name: means
            for name, group in grouped(hairs, order).items()
            if (means := _means_by_wash(group, zone))
        }
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
        f"{name}: {sentences.percent(rows[-1]['value'])} {sentences.after_washes(rows[-1]['wash'])}"
        for name, rows in series.items()
    ]
    return f"Colour left at the {ZONE_WORDS[zone]} over washes. {'. '.join(parts)}."


def grouped(hairs: Sequence[HairMeasures], order: Sequence[str]) -> dict[str, list[HairMeasures]]:
    """Return hairs by treatment, in the order of study.toml, the rest after."""
    names = dict.fromkeys([*order, *(hair.treatment or "none" for hair in hairs)])
    found: dict[str, list[HairMeasures]] = {name: [] for name in names}
    for hair in hairs:
        found[hair.treatment or "none"].append(hair)
    return {name: group for name, group in found.items() if group}


def _means_by_wash(hairs: Sequence[HairMeasures], zone: str) -> list[dict[str, Any]]:
    by: dict[int, list[FadeStep]] = defaultdict(list)
    for hair in hairs:
        for step in hair.fades[zone].steps if zone in hair.fades else ():
            if step.colour_left is not None:
                by[step.wash].append(step)
    return [{"wash": wash, **_mean_of(steps)} for wash, steps in sorted(by.items())]


def _mean_of(steps: Sequence[FadeStep]) -> dict[str, float]:
    """Mean over tresses with its t interval; of one tress its own interval."""
    from scipy.stats import t

    values = np.array([step.colour_left for step in steps], dtype=float)
    mean = float(values.mean())
    if len(values) == 1:
        low, high = steps[0].colour_left_low, steps[0].colour_left_high
        return {
            "value": mean,
            "low": mean if low is None else low,
            "high": mean if high is None else high,
        }
    reach = float(t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    return {"value": mean, "low": mean - reach, "high": mean + reach}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """A number with its 95 % interval, for a cell of a table."""

    value: float
    low: float | None = None
    high: float | None = None


def _summary(readings: Sequence[_Reading], *, digits: int) -> str | None:
    """A number over its uncertainty: of several hairs mean, SD and count; of one its interval."""
    if not readings:
        return None
    values = [reading.value for reading in readings]
    mean = number(float(np.mean(values)), digits)
    if len(values) > 1:
        return f"{mean}\nSD {number(float(np.std(values, ddof=1)), digits)}, n {len(values)}"
    low, high = readings[0].low, readings[0].high
    if low is None or high is None or low == high:
        return f"{mean}\n"  # 100 % just coloured, by definition
    return f"{mean}\n{number(low, digits)}–{number(high, digits)}"


def _evenness_table(hairs: Sequence[HairMeasures], order: Sequence[str]) -> Grid:
    """Treatment and measure down, washes across."""
    every = {photo.row.row.wash_text for hair in hairs for photo in hair.photos}
    washes = sorted(every, key=wash_order)
    rows: list[Sequence[Any]] = []
    for name, group in grouped(hairs, order).items():
        cells: dict[tuple[str, str], list[_Reading]] = defaultdict(list)
        for photo in (photo for hair in group for photo in hair.photos):
            for measure, reading in _evenness_readings(photo.evenness):
                cells[measure, photo.row.row.wash_text].append(reading)
        for measure in dict.fromkeys(measure for measure, _ in cells):
            words = [_summary(cells.get((measure, wash), ()), digits=1) for wash in washes]
            rows.append((name, MEASURE_WORDS.get(measure, measure), *words))
    return grid(
        f"Evenness by treatment and wash, ΔE₀₀: {_UNDER}", ("treatment", "measure", *washes), rows
    )


def _evenness_readings(found: Evenness) -> Iterator[tuple[str, _Reading]]:
    for measure in ("root_to_ends", "root_to_ends_net", "mean_difference", "largest_difference"):
        one = getattr(found, measure)
        if one is not None:
            yield measure, _Reading(value=one.delta_e, low=one.low, high=one.high)
    patchy = found.patchiness
    yield "patchiness", _Reading(value=patchy.value, low=patchy.low, high=patchy.high)
    yield "grade", _Reading(value=found.grade.gsc)


def _left_table(hairs: Sequence[HairMeasures], order: Sequence[str]) -> Grid:
    """Colour left: treatment and zone down, washes across."""
    washes = sorted({s.wash for hair in hairs for fade in hair.fades.values() for s in fade.steps})
    rows: list[Sequence[Any]] = []
    for name, group in grouped(hairs, order).items():
        for zone in ZONES:
            cells: dict[int, list[_Reading]] = defaultdict(list)
            for step in _steps(group, zone):
                if step.colour_left is not None:
                    low, high = step.colour_left_low, step.colour_left_high
                    cells[step.wash].append(_Reading(value=step.colour_left, low=low, high=high))
            words = [_summary(cells.get(wash, ()), digits=0) for wash in washes]
            rows.append((name, ZONE_WORDS[zone], *words))
    return grid(f"Colour left, %: {_UNDER}", ("treatment", "zone", *map(str, washes)), rows)


def _steps(hairs: Sequence[HairMeasures], zone: str) -> Iterator[FadeStep]:
    for hair in hairs:
        if zone in hair.fades:
            yield from hair.fades[zone].steps


def _fade_table(hairs: Sequence[HairMeasures], order: Sequence[str]) -> Grid:
    rows: list[Sequence[Any]] = []
    for name, group in grouped(hairs, order).items():
        for zone in ZONES:
            by: dict[int, list[FadeStep]] = defaultdict(list)
            for step in _steps(group, zone):
                by[step.wash].append(step)
            for wash, steps in sorted(by.items()):
                left = [step.colour_left for step in steps if step.colour_left is not None]
                rows.append(
                    (
                        name,
                        ZONE_WORDS[zone],
                        wash,
                        _mean([s.difference.delta_e for s in steps]),
                        _mean([s.difference_ab.delta_e for s in steps]),
                        _mean([s.dL for s in steps]),
                        _mean([s.dC for s in steps]),
                        _mean([s.dH for s in steps]),
                        _mean([s.grade.gsc for s in steps]),
                        _mean(left),
                        len(steps),
                    )
                )
    head = ("treatment", "zone", "wash", "ΔE₀₀", "ΔE*ab", "ΔL*", "ΔC*", "ΔH*",
            "grade (ISO 105-A05)", "colour left %", "n")  # fmt: skip
    return grid("Fade by treatment, zone and wash: means over hairs", head, rows)


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if len(values) else None


def _fit_table(hairs: Sequence[HairMeasures]) -> Grid:
    """Half-lives and washes to refresh, hair by hair, or why there is none."""
    rows = [
        (
            hair.subject,
            hair.section,
            ZONE_WORDS[zone],
            str(curve.half_life),
            str(curve.washes_to_refresh),
            str(curve.washes_to_gone),
            curve.misfit,
            curve.reason,
        )
        for hair in hairs[:MOST_FITS]
        for zone, curve in hair.curves.items()
    ]
    head = ("subject", "section", "zone", "half-life", "to refresh", "to gone", "misfit", "remark")
    return grid("Fade curves, hair by hair (washes, 95 % range)", head, rows, long=(7,))


def _noise(analysis: Analysis) -> list[str]:
    if analysis.findings.repeats:
        return ["How far a reading moves when the same hair is re-combed and photographed again:"]
    return [
        "There are no repeats in this study, so how far re-laying the hair moves a reading is "
        "borrowed from published work (SD 0.31 in L*, J. Cosmet. Sci. 51 (2000) 293–299). "
        "Photograph each hair at least three times, re-combed, to measure it."
    ]


def _noise_figures(analysis: Analysis) -> list[FigureBlock]:
    found = []
    repeats = analysis.findings.repeats
    if repeats:
        alt = " ".join(
            f"{r.measure} {r.zone} {r.scatter.factor}: SD {number(r.scatter.sd, 2)}."
            for r in repeats
        )
        found.append(shown(figure_repeats(repeats), caption="Repeats.", alt=alt))
    agreement = analysis.findings.agreement
    if agreement:
        found.append(
            shown(
                figure_agreements(agreement),
                caption="Photographs against the instrument's readings of the same hair.",
                alt=f"Bias and limits of agreement for {sentences.listed(list(agreement))}.",
            )
        )
    return found

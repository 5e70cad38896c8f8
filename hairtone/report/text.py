"""Results as plain lines for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hairtone.measures.zones import zone_estimates
from hairtone.report.sentences import counted
from hairtone.result import PhotoResult, TressResult

if TYPE_CHECKING:
    from hairtone.study.run import StudyResult

VERDICTS: Final = {
    "measured": "good enough",
    "flagged": "usable with care",
    "refused": "not usable",
}
ZONE_WORDS: Final = {"roots": "roots", "mid_lengths": "mid-lengths", "ends": "ends"}


def describe_check(result: PhotoResult) -> str:
    """Verdict on one photo, then each finding with its remedy, worst first."""
    lines = [f"{result.photo}: {VERDICTS[result.status]}"]
    if result.error is not None:
        lines.append(f"  refused  {result.error.says} {result.error.remedy}")
    for tress in result.tresses:
        if tress.error is not None:
            lines.append(f"  refused  hair {tress.name}: {tress.error.says} {tress.error.remedy}")
    lines += [f"  {_kind(flag.is_note)}  {flag}" for flag in result.flags]
    for tress in result.tresses:
        lines += [f"  {_kind(flag.is_note)}  hair {tress.name}: {flag}" for flag in tress.flags]
    if len(lines) == 1:
        lines.append("  nothing found against it")
    return "\n".join(lines)


def _kind(is_note: bool) -> str:
    return "note   " if is_note else "flagged"


def describe_measurement(result: PhotoResult) -> str:
    """Colour and evenness of every hair of one photo."""
    lines = [f"{result.photo}: {result.status}, {result.viewing}"]
    if result.chart is not None:
        chart = result.chart.to_dict()
        lines.append(
            f"  chart {chart['reference']}: patches fit to {_number(chart['residual'])}, left out "
            f"{_number(chart['held_out'])} ΔE₀₀ on average ({chart['method']})"
        )
    for tress in result.tresses:
        lines += _describe_tress(tress)
    lines += [f"  {_kind(flag.is_note)}  {flag}" for flag in result.flags]
    return "\n".join(lines)


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def _describe_tress(tress: TressResult) -> list[str]:
    if tress.error is not None:
        return [f"  hair {tress.name}: refused: {tress.error.says} {tress.error.remedy}"]
    if tress.profile is None or tress.evenness is None:
        return [f"  hair {tress.name}: not measured"]
    lines = [f"  hair {tress.name}: {tress.status}"]
    for zone, estimate in zone_estimates(tress.profile, zones=tress.zones).items():
        lightness, a, b = estimate.lab
        lines.append(
            f"    {ZONE_WORDS[zone]:<12} L* {lightness:5.1f}  a* {a:5.1f}  b* {b:5.1f}"
            f"   ± {estimate.u95:.1f} ΔE₀₀"
        )
    ends = tress.evenness.root_to_ends
    word = "" if ends.is_resolved else ", not resolved"
    lines.append(
        f"    roots to ends ΔE₀₀ {ends.delta_e:.1f} ({ends.low:.1f} to {ends.high:.1f}{word}): "
        f"{tress.evenness.words}"
    )
    lines += [f"    {_kind(flag.is_note)}  {flag}" for flag in tress.flags]
    return lines


def describe_study(outcome: StudyResult) -> str:
    """What was understood of the study, then how many rows were measured, flagged and refused."""
    counts = outcome.counts
    total = sum(counts.values())
    told = ", ".join(f"{counts[status]} {status}" for status in ("measured", "flagged", "refused"))
    lines = [f"  {note}" for note in outcome.notes]
    return "\n".join(
        [*lines, f"{outcome.study.settings.title}: {counted(total, 'hair')} in the sheet: {told}."]
    )

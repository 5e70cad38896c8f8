"""The sentences of reports and terminal, with the texts that every report carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from hairtone.measures.words import CANNOT_TELL
from hairtone.measures.zones import zone_estimates
from hairtone.report.types import ZONE_WORDS
from hairtone.report.views import hair_words, wash_words
from hairtone.result import PhotoResult, TressResult

if TYPE_CHECKING:
    from hairtone.study.run import StudyResult


Row = Mapping[str, Any]
_LEAST_STEP: Final = 1.0  # L*, C* or H* units a direction is named from; our choice
VERDICTS: Final = {
    "measured": "good enough",
    "flagged": "usable with care",
    "refused": "not usable",
}
TITLES: Final = {
    "educator": "Report for teaching and assessment",
    "stylist": "Colour over the washes",
    "tester": "Test report",
}
CAUTIONS: Final = (
    "This report measures photographs only. It tests no allergy, diagnoses nothing and "
    "recommends no product and no time.",
    "It does not replace the maker's instructions, training, local law or licensed practice.",
    "Hair colourants can cause severe reactions. The allergy alert test is done exactly as the "
    "maker directs, each time.",
    "With itching, swelling or trouble breathing: stop, rinse and seek medical help.",
    "Gloves and apron while colour is on the hair or in the rinse water.",
    "No client service record for anyone under 16.",
    "Photographs need consent for each use, and consent can be withdrawn. No faces, no places; "
    "codes in place of names. Notes of an allergy test are health data in many places.",
)
VALIDITY: Final = (
    "What is measured is hair lying flat in the plane of the chart, dry and combed, mirror "
    "highlights left out; the mean over its fibres. Another geometry, such as an instrument "
    "pressed onto a thick tress, is another quantity.",
    "“95 % interval” means the true differences that would not make this reading rare. A "
    "difference below its critical value is called not resolved: noise alone shows as much. It "
    "does not prove that two colours are the same.",
    "Light and camera are corrected from the chart in the same frame. A chart that is worn, in "
    "glare, of another edition or out of the hair's plane moves every colour of that photo "
    "alike.",
    "ΔE₀₀ is made for small differences. Over a whole fade the share of colour left and the "
    "steps in L*, C* and hue say more.",
    "Words for differences (even, slight shift, …) are this project's own bands, anchored on "
    "the steps of the ISO 105-A02 grey scale; a study may set its own.",
    "Chips on a screen or on paper show a likeness. Compare hair with hair, and numbers with "
    "numbers.",
)
MARKS: Final = {"measured": "●", "flagged": "▲", "refused": "✕"}
STATUS_WORDS: Final = {
    "measured": "good enough: measured",
    "flagged": "usable with care: measured, with a doubt",
    "refused": "not usable: refused, nothing guessed",
}


def number(value: float | None, digits: int = 1) -> str:
    """A number with a point and a true minus sign; a dash where there is none."""
    if value is None:
        return "–"
    return f"{value:.{digits}f}".replace("-", "−")


def counted(count: int, name: str) -> str:
    """A count with its word, one or several."""
    return f"{count} {name}" if count == 1 else f"{count} {name}s"


def span(low: float | None, high: float | None, digits: int = 1) -> str:
    """An interval in words, open where a limit is missing."""
    if low is None and high is None:
        return "limits unknown"
    if high is None:
        return f"{number(low, digits)} or more"
    if low is None:
        return f"up to {number(high, digits)}"
    return f"{number(low, digits)} to {number(high, digits)}"


def counts_sentence(counts: Mapping[str, int]) -> str:
    """How many rows of the sheet were measured, flagged and refused."""
    total = sum(counts.values())
    return (
        f"Rows of the sheet (one for each hair in a photograph): {total}. Measured without doubt: "
        f"{counts['measured']}. Measured, with a doubt named below: {counts['flagged']}. Refused: "
        f"{counts['refused']}."
    )


def evenness_sentence(row: Row, *, net: Row | None = None, direction: str = "") -> str:
    """Roots to ends of one hair in one photo, in words.

    Parameters
    ----------
    row : mapping
        Row of evenness.csv for root_to_ends.
    net : mapping, optional
        Row of the same photo for root_to_ends_net: the hair's own gradient taken off.
    direction : str, optional
        Which way the ends differ.
    """
    return f"{_as_read(row, direction)} {_net_of_gradient(net)}".strip()


def _as_read(row: Row, direction: str) -> str:
    value, critical = row["value"], row["critical"]
    when = wash_words(str(row["wash"])).capitalize()
    if not row["resolved"]:
        return (
            f"{when}: no difference between roots and ends can be told from this photo "
            f"(ΔE₀₀ {number(value)}; an even hair stays under {number(critical)})."
        )
    which_way = f" The ends are {direction}." if direction else ""
    return (
        f"{when}: roots and ends differ by ΔE₀₀ {number(value)} "
        f"({span(row['low'], row['high'])}){_in_words(row)}.{which_way}"
    )


def _in_words(row: Row) -> str:
    """The band's words behind a resolved difference; where the interval leaves them open, so."""
    words = str(row.get("words") or "")
    if words == CANNOT_TELL:
        return "; how visible that is cannot be told from these photos"
    return f": {words}" if words else ""


def _net_of_gradient(row: Row | None) -> str:
    if row is None or row["value"] is None:
        return ""
    start = "With the gradient the hair had before colouring taken off"
    if not row["resolved"]:
        return (
            f"{start}, no difference can be told (ΔE₀₀ {number(row['value'])}; an even hair stays "
            f"under {number(row['critical'])})."
        )
    reach = span(row["low"], row["high"])
    return f"{start} it is ΔE₀₀ {number(row['value'])} ({reach}){_in_words(row)}."


def direction_words(reference: Sequence[float], sample: Sequence[float]) -> str:
    """Which way a colour differs: lighter or darker, more or less colourful, redder or yellower.

    Parameters
    ----------
    reference, sample : sequence of float
        L*, a*, b*. Steps under 1 unit go unnamed.
    """
    from hairtone.colorimetry import lch_difference

    lightness, chroma, hue = (float(v) for v in lch_difference(reference, sample))
    words = []
    if abs(lightness) >= _LEAST_STEP:
        words.append("lighter" if lightness > 0 else "darker")
    if abs(chroma) >= _LEAST_STEP:
        words.append("more colourful" if chroma > 0 else "less colourful")
    if abs(hue) >= _LEAST_STEP:
        words.append(_hue_word(sample, hue))
    return _listed(words)


def _hue_word(sample: Sequence[float], hue: float) -> str:
    """Between red (0°) and yellow (90°) hair turns redder or yellower; elsewhere say the way."""
    from hairtone.colorimetry import hue_angle

    angle = float(hue_angle(sample))
    if angle < 100 or angle > 345:
        return "yellower" if hue > 0 else "redder"
    return "of another hue"


def _listed(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def uptake_sentence(rows: Sequence[Row]) -> str:
    """How unevenly one hair took the colour up, from its rows of uptake.csv."""
    by_zone = {row["zone"]: row for row in rows}
    parts = [
        f"{ZONE_WORDS[zone]} ΔE₀₀ {number(by_zone[zone]['delta_e'])} "
        f"({span(by_zone[zone]['low'], by_zone[zone]['high'])})"
        for zone in ZONE_WORDS
        if zone in by_zone
    ]
    text = f"Colour taken up: {', '.join(parts)}."
    ratio = next((row for row in rows if row.get("ratio_ends_to_roots") is not None), None)
    return f"{text} {_ratio_sentence(ratio)}" if ratio else text


def _ratio_sentence(row: Row) -> str:
    value, low, high = (row.get(k) for k in ("ratio_ends_to_roots", "ratio_low", "ratio_high"))
    if low is not None and low > 1:
        verdict = "The ends took up more than the roots"
    elif high is not None and high < 1:
        verdict = "The ends took up less than the roots"
    else:
        verdict = "Whether the ends took up more than the roots cannot be told from these photos"
    return f"{verdict} (ends against roots {number(value, 2)}; {span(low, high, 2)})."


def porous_sentence(row: Row) -> str:
    """From where on a hair took up more than its roots, from a row of porous.csv."""
    onset, low, high = (_percent(row.get(key)) for key in ("onset", "low", "high"))
    reach = f" ({low} to {high})" if low and high else ""
    excess = row.get("excess")
    if excess is not None and excess < 0:
        return (
            f"From about {onset} of the length{reach} the hair took up less than at the roots, by "
            f"ΔE₀₀ {number(-excess)}: a shadow, or lengths that were treated before?"
        )
    return (
        f"From about {onset} of the length{reach} the hair took up more than at the roots, by "
        f"ΔE₀₀ {number(excess)}: these lengths behave as porous ones do."
    )


def _percent(value: float | None) -> str:
    return "" if value is None else f"{100 * value:.0f} %"


def patch_sentence(row: Row) -> str:
    """One missed or grabbed place, from a row of patches.csv."""
    kind = "took up less than its surroundings" if row["kind"] == "missed" else (
        "took up more than its surroundings"
    )  # fmt: skip
    return (
        f"Between {_percent(row['from'])} and {_percent(row['to'])} of the length the hair {kind} "
        f"(ΔE₀₀ {number(row['delta_e'])}, {row['kind']})."
    )


def colour_left_sentence(rows: Sequence[Row], *, has_before: bool = True) -> str:
    """What is left in each zone at the last wash, or why that cannot be told.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of fade.csv of one hair.
    has_before : bool, optional
        Whether a photo before colouring was measured.
    """
    washed = [row for row in rows if int(row["wash"]) > 0]
    told = [row for row in washed if row.get("colour_left") is not None]
    if not told:
        return f"What is left of the colour cannot be told: {_why_not(washed, has_before)}."
    last = max(int(row["wash"]) for row in told)
    parts = [
        f"{ZONE_WORDS[row['zone']]} {number(row['colour_left'], 0)} % "
        f"({span(row.get('colour_left_low'), row.get('colour_left_high'), 0)})"
        for row in told
        if int(row["wash"]) == last
    ]
    return f"Colour left after {_washes(last)}: {', '.join(parts)}."


def _why_not(washed: Sequence[Row], has_before: bool) -> str:
    if not washed:
        return "no photo after a wash was measured"
    if not has_before:
        return "no photo before colouring was measured"
    return "the hair took up too little colour against what the photos can tell apart"


def _washes(count: float) -> str:
    return "1 wash" if count == 1 else f"{count:g} washes"


def refresh_sentence(rows: Sequence[Row]) -> str:
    """Washes until a refresh is due, a range for each zone, from fade_fit.csv."""
    parts = []
    for row in rows:
        zone = ZONE_WORDS[row["zone"]]
        low, high = row.get("washes_to_refresh_low"), row.get("washes_to_refresh_high")
        if low is None and high is None:
            parts.append(f"{zone} not known yet")
        else:
            parts.append(f"{zone} {span(low, high)}")
    limit = next((row["refresh_percent"] for row in rows if row.get("refresh_percent")), 50.0)
    left = "half the colour" if limit == 50 else f"{limit:g} % of the colour"
    if not parts:
        return ""
    reasons = [
        str(row["reason"])
        for row in rows
        if row.get("reason") and row.get("washes_to_refresh_low") is None
    ]
    ends = [f"The photos end at wash {row['last_wash']:g}." for row in rows if row.get("last_wash")]
    told = [f"Washes until {left} is left: {', '.join(parts)}.", *ends[:1]]
    return " ".join([*told, *dict.fromkeys(reasons)])


def tone_sentence(rows: Sequence[Row]) -> str:
    """Which way the tone went by the last wash, zone by zone, from fade.csv."""
    told = [row for row in rows if row.get("tone_words")]
    if not told:
        return ""
    last = max(int(row["wash"]) for row in told)
    at_last = {r["zone"]: str(r["tone_words"]) for r in told if int(r["wash"]) == last}
    if len(set(at_last.values())) == 1 and len(at_last) > 1:
        return f"Tone after {_washes(last)}, from roots to ends: {next(iter(at_last.values()))}."
    parts = [f"{ZONE_WORDS[zone]} {words}" for zone, words in at_last.items()]
    return f"Tone after {_washes(last)}: {'. '.join(parts)}."


def crossing_sentence(row: Row) -> str:
    """The wash at which roots and ends cross, from a row of crossing.csv."""
    hair = hair_words(str(row["subject"]), str(row.get("section") or ""))
    if row.get("wash") is None:
        return f"{hair}: roots and ends do not come to hold equally much colour within sight."
    if is_open_crossing(row):
        return (
            f"{hair}: roots and ends stay too close to say at which wash they hold equally much "
            f"colour."
        )
    reach = span(row.get("low"), row.get("high"))
    return (
        f"{hair}: roots and ends hold equally much colour at about wash {number(row['wash'])} "
        f"(wash {reach})."
    )


def regrowth_sentence(marks: Sequence[tuple[str, Row]]) -> tuple[str, ...]:
    """How much new growth was marked, wash by wash; nothing where none was.

    Parameters
    ----------
    marks : sequence of (str, mapping)
        Wash as the sheet writes it, and the growth in ``px`` and, where the scale is known, ``mm``.
    """
    if not marks:
        return ()
    parts = []
    for wash, mark in marks:
        size = f"{number(mark['px'], 0)} pixels" if mark["mm"] is None else f"{mark['mm']:.0f} mm"
        parts.append(f"{wash_words(wash)} {size}")
    return (f"New growth, as marked on the photos and left out of every figure: "
            f"{', '.join(parts)}.",)  # fmt: skip


def is_open_crossing(row: Row) -> bool:
    """Whether a row of crossing.csv leaves all washes open."""
    return row.get("high") is None and (row.get("low") is None or row["low"] < 1)


def comparison_sentence(row: Row) -> str:
    """One comparison of two treatments, from a row of comparison.csv."""
    from hairtone.report.figures_over_washes import comparison_label

    what = comparison_label(dict(row)).replace("\n", ": ")
    tresses = f"{row['n_a']} and {row['n_b']} tresses"
    if row["difference"] is None or row.get("low") is None:
        return f"{what}: {row['verdict']} ({tresses})."
    p = row.get("p_holm")
    chance = "" if p is None else f"; p {'< 0.001' if p < 0.001 else number(p, 3)} after Holm"
    return (
        f"{what}: {row['verdict']} (difference {number(row['difference'], 2)}, "
        f"{span(row['low'], row['high'], 2)}{chance}; {tresses})."
    )


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

"""The sentences of reports and terminal, with the texts that every report carries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.measures.evenness import Evenness, Patch
from hairtone.measures.fade import FadeStep
from hairtone.measures.fade_curve import Crossing, FadeCurve, WashRange
from hairtone.measures.uptake import PorousOnset, Uptake
from hairtone.measures.words import CANNOT_TELL
from hairtone.measures.zones import zone_estimates
from hairtone.report.types import ZONE_WORDS
from hairtone.report.views import wash_words
from hairtone.result import PhotoResult, TressResult
from hairtone.uncertainty import ColourDifference

if TYPE_CHECKING:
    from hairtone.measures.comparison import Comparison
    from hairtone.study.hair_measures import HairMeasures, PhotoMeasures
    from hairtone.study.outcome import StudyResult

MIN_STEP: Final = 1.0  # L*, C* or H* units from which a direction is named; our choice
VERDICTS: Final = {
    "measured": "fine",
    "flagged": "usable with care",
    "refused": "not usable",
}
TITLES: Final = {
    "educator": "Report for teaching and assessment",
    "stylist": "Your colour, wash by wash",
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
CLIENT_CAUTION: Final = (
    "Before the next colour a new skin test, as the maker directs, comes first. With itching, "
    "swelling or trouble breathing: rinse and seek medical help."
)
VALIDITY: Final = (
    "What is measured is hair lying flat in the plane of the chart, dry and combed, glare left "
    "out; the mean over its fibres. An instrument pressed onto a thick tress measures something "
    "else.",
    "“95 % interval” means the true differences that would not make this reading rare. Under its "
    "critical value a difference is not resolved: noise alone shows as much. That does not prove "
    "that two colours are the same.",
    "Light and camera are corrected by the chart in the same photo. A chart that is worn, in "
    "glare, of another edition or out of the hair's plane moves every colour of that photo alike.",
    "ΔE₀₀ is made for small differences. Over a whole fade the share of colour left and the "
    "steps in L*, C* and hue say more.",
    "Words for differences (even, slight shift, …) are this project's own, anchored on the steps "
    "of the ISO 105-A02 grey scale; a study may set its own.",
    "Chips on a screen or on paper show a likeness. Compare hair with hair, and numbers with "
    "numbers.",
)
MARKS: Final = {"measured": "●", "flagged": "▲", "refused": "✕"}
STATUS_WORDS: Final = {
    "measured": "fine",
    "flagged": "usable with care",
    "refused": "rejected; nothing was guessed",
}


# numbers, as a person writes them --------------------------------------------------------------


def number(value: float | None, digits: int = 1) -> str:
    """Return a number with a point and a true minus sign; a dash where there is none."""
    if value is None:
        return "–"
    return f"{value:.{digits}f}".replace("-", "−")


def percent(value: float | None) -> str:
    """Return a whole per cent, with its space."""
    return f"{number(value, 0)} %"


def counted(count: int, name: str) -> str:
    """Return a count with its word, one or several."""
    return f"{count} {name}" if count == 1 else f"{count} {name}s"


def span(low: float | None, high: float | None, digits: int = 1) -> str:
    """Return an interval in words, open where a limit is missing."""
    if low is None and high is None:
        return "limits unknown"
    if high is None:
        return f"{number(low, digits)} or more"
    if low is None:
        return f"up to {number(high, digits)}"
    return f"{number(low, digits)} to {number(high, digits)}"


def listed(words: Sequence[str]) -> str:
    """Return words as a list in a sentence: one, two and three."""
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def after_washes(wash: float) -> str:
    """Return a number of washes as people say it."""
    if wash == 0:
        return "just coloured"
    return "after 1 wash" if wash == 1 else f"after {wash:g} washes"


def counts_sentence(counts: Mapping[str, int]) -> str:
    """Return how many photos are fine, usable with care and rejected."""
    total = sum(counts.values())
    return (
        f"{counted(total, 'photo')}: {counts['measured']} fine, {counts['flagged']} usable with "
        f"care, {counts['refused'] or 'none'} rejected. (A photo of several hairs counts once for "
        f"each.)"
    )


# one hair --------------------------------------------------------------------------------------


def evenness_sentence(photo: PhotoMeasures) -> str:
    """Return roots against ends of one hair in one photo, the answer first."""
    found = photo.evenness
    when = wash_words(photo.row.row.wash_text).capitalize()
    return f"{when}: {_ends_against_roots(photo)} {_net_of_gradient(found)}".strip()


def _ends_against_roots(photo: PhotoMeasures) -> str:
    difference = photo.evenness.root_to_ends
    value = number(difference.delta_e)
    if not difference.is_resolved:
        return (
            f"roots and ends look the same (ΔE₀₀ {value}; a difference above "
            f"{number(difference.critical)} would have shown)."
        )
    way = direction_of(photo)
    said = f"the ends are {way}" if way else "roots and ends differ"
    words = _band_words(photo.evenness)
    reach = span(difference.low, difference.high)
    return f"{said} (ΔE₀₀ {value}, {reach}{'; ' + words if words else ''})."


def _band_words(found: Evenness) -> str:
    """The study's word for roots to ends; nothing where its interval leaves the word open."""
    if found.root_to_ends_net is not None or found.words == CANNOT_TELL:
        return ""
    return found.words


def _net_of_gradient(found: Evenness) -> str:
    net = found.root_to_ends_net
    if net is None:
        return ""
    if not net.is_resolved:
        return (
            f"Allowing for the difference that was there before, roots and ends took the same "
            f"(ΔE₀₀ {number(net.delta_e)}; {number(net.critical)} would have shown)."
        )
    words = "" if found.words == CANNOT_TELL else f"; {found.words}"
    return (
        f"Allowing for the difference that was there before, it is ΔE₀₀ {number(net.delta_e)} "
        f"({span(net.low, net.high)}{words})."
    )


def even_answer(photo: PhotoMeasures) -> str:
    """Return in one plain sentence, without figures, whether roots and ends look alike."""
    if not photo.evenness.root_to_ends.is_resolved:
        return "Roots and ends look the same."
    way = direction_of(photo)
    return f"The ends are {way} than the roots." if way else "Roots and ends differ."


def direction_of(photo: PhotoMeasures) -> str:
    """Return which way the ends differ from the roots, such as ``darker and redder``."""
    return direction_words(photo.colours["roots"].lab, photo.colours["ends"].lab)


def direction_words(reference: ArrayLike, sample: ArrayLike) -> str:
    """Return which way a colour differs: lighter, more colourful, redder, yellower.

    Parameters
    ----------
    reference, sample : array_like, shape (3,)
        L*a*b*. Steps under 1 unit go unnamed.
    """
    from hairtone.colorimetry import lch_difference

    lightness, chroma, hue = (float(v) for v in lch_difference(reference, sample))
    words = []
    if abs(lightness) >= MIN_STEP:
        words.append("lighter" if lightness > 0 else "darker")
    if abs(chroma) >= MIN_STEP:
        words.append("more colourful" if chroma > 0 else "less colourful")
    if abs(hue) >= MIN_STEP:
        words.append(_hue_word(sample, hue))
    return listed(words)


def _hue_word(sample: ArrayLike, hue: float) -> str:
    """Between red (0°) and yellow (90°) hair turns redder or yellower; else the hue is other."""
    from hairtone.colorimetry import hue_angle

    angle = float(hue_angle(sample))
    if angle < 100 or angle > 345:
        return "yellower" if hue > 0 else "redder"
    return "of another hue"


def uptake_sentences(uptake: Uptake | None, porous: PorousOnset | None) -> tuple[str, ...]:
    """Return how much colour each zone took up, and where porous lengths begin."""
    if uptake is None:
        return ()
    parts = [
        f"{ZONE_WORDS[zone]} {number(found.difference.delta_e)} "
        f"({span(found.difference.low, found.difference.high)})"
        for zone, found in uptake.zones.items()
    ]
    first = f"{_ratio_words(uptake)} Colour taken up, ΔE₀₀: {', '.join(parts)}."
    if porous is None or porous.onset is None:
        return (first,)
    return first, _porous_words(porous)


def _ratio_words(uptake: Uptake) -> str:
    low, high = uptake.ratio_low, uptake.ratio_high
    if low is not None and low > 1:
        return (
            f"The ends took {number(uptake.ratio)} times as much as the roots ({_times(uptake)})."
        )
    if high is not None and high < 1:
        share = number(uptake.ratio, 2)
        return f"The ends took less than the roots, {share} of it ({_times(uptake)})."
    return "These photos do not show whether the ends took more than the roots."


def _times(uptake: Uptake) -> str:
    return span(uptake.ratio_low, uptake.ratio_high, 2)


def _porous_words(porous: PorousOnset) -> str:
    where = percent(100 * (porous.onset or 0.0))
    if porous.low is not None and porous.high is not None:
        where += f" ({number(100 * porous.low, 0)} to {percent(100 * porous.high)})"
    if porous.excess < 0:
        return (
            f"From about {where} of the length on, the hair took less than at the roots. Is there "
            f"a shadow, or were the lengths treated before?"
        )
    return (
        f"From about {where} of the length on, the hair took more than at the roots, as porous "
        f"lengths do."
    )


def patch_sentence(patch: Patch) -> str:
    """Return one missed or grabbed place in words."""
    did = "missed: it took less" if patch.kind == "missed" else "grabbed: it took more"
    where = f"{number(100 * patch.start, 0)} to {percent(100 * patch.stop)} of the length"
    return (
        f"One place {did} than the hair around it, at {where} "
        f"(ΔE₀₀ {number(patch.difference.delta_e)})."
    )


def colour_left_sentence(hair: HairMeasures) -> str:
    """Return what is left in each zone after the last wash, or why no figure is given."""
    steps = last_steps(hair)
    known = {zone: step for zone, step in steps.items() if step.colour_left is not None}
    if not known:
        return f"No figure is given for the colour left: {_why_no_figure(hair)}."
    wash = max(step.wash for step in known.values())
    parts = [
        f"{ZONE_WORDS[zone]} {percent(step.colour_left)} "
        f"({span(step.colour_left_low, step.colour_left_high, 0)} %)"
        for zone, step in known.items()
        if step.wash == wash
    ]
    return f"Colour left {after_washes(wash)}: {listed(parts)}."


def last_steps(hair: HairMeasures) -> dict[str, FadeStep]:
    """Return the last washed state of each zone."""
    return {
        zone: [step for step in fade.steps if step.wash][-1]
        for zone, fade in hair.fades.items()
        if any(step.wash for step in fade.steps)
    }


def left_answer(hair: HairMeasures) -> str:
    """Return in one plain sentence how much of the colour is left; empty where it is not known."""
    known = [step for step in last_steps(hair).values() if step.colour_left is not None]
    if not known:
        return ""
    wash = max(step.wash for step in known)
    left = [float(step.colour_left or 0.0) for step in known if step.wash == wash]
    low = min(float(step.colour_left_low or 0.0) for step in known if step.wash == wash)
    high = max(float(step.colour_left_high or 0.0) for step in known if step.wash == wash)
    amount = _amount_words(float(np.mean(left)))
    reach = f"{number(max(low, 0.0), 0)} to {percent(high)}"
    return f"{after_washes(wash).capitalize()} {amount} of the colour is left ({reach})."


def _amount_words(left: float) -> str:
    """A share as a person says it."""
    steps = ((92, "nearly all"), (80, "most"), (70, "about three quarters"),
             (60, "about two thirds"), (43, "about half"), (29, "about a third"),
             (20, "about a quarter"), (8, "only a tint"))  # fmt: skip
    return next((word for limit, word in steps if left >= limit), "next to nothing")


def _why_no_figure(hair: HairMeasures) -> str:
    if not any(photo.row.row.wash for photo in hair.photos):
        return "no photo after a wash was measured"
    if all(photo.row.row.wash is not None for photo in hair.photos):
        return "no photo before colouring was measured"
    return "the hair took up too little colour for these photos to follow"


def limit_words(left: float) -> str:
    """Return a share of the colour as a limit is called: half the colour, 30 % of the colour."""
    return "half the colour" if left == 50 else f"{left:g} % of the colour"


def refresh_sentence(hair: HairMeasures) -> str:
    """Return after how many washes the refresh limit is reached, a range for each zone."""
    curves = hair.curves
    if not curves:
        return ""
    first = next(iter(curves.values()))
    parts = [f"{ZONE_WORDS[zone]} {_range_words(curve)}" for zone, curve in curves.items()]
    tail = _beyond(curves.values())
    return f"Washes until {limit_words(first.refresh_percent)} is left: {'; '.join(parts)}.{tail}"


def _range_words(curve: FadeCurve) -> str:
    found: WashRange = curve.washes_to_refresh
    if found.low is None and found.high is None:
        return f"no figure ({_lower(curve.reason or found.reason)})"
    return span(found.low, found.high)


def _lower(text: str) -> str:
    return (text[:1].lower() + text[1:]).rstrip(".") or "these photos do not show it"


def _beyond(curves: Iterable[FadeCurve]) -> str:
    """A remark where a range reaches past the last photo."""
    for curve in curves:
        high = curve.washes_to_refresh.high
        if high is not None and high > curve.last_wash:
            return f" The last photo was taken {after_washes(curve.last_wash)}; later is estimated."
    return ""


def refresh_answer(hair: HairMeasures) -> str:
    """Return in one plain sentence when a refresh is due; empty where the photos do not show it."""
    found = [c.washes_to_refresh for c in hair.curves.values() if not c.reason]
    lows = [r.low for r in found if r.low is not None]
    highs = [r.high for r in found if r.high is not None]
    if not lows or len(highs) < len(found):
        return ""
    low, high = max(1, round(min(lows))), max(1, round(max(highs)))
    when = f"about {low}" if low == high else f"{low} to {high}"
    curve = next(iter(hair.curves.values()))
    if curve.last_wash > high:
        return f"It was down to {limit_words(curve.refresh_percent)} after {when} washes."
    return f"Time for a refresh: after {when} washes.{_refresh_days(hair, low, high)}"


def _refresh_days(hair: HairMeasures, low: int, high: int) -> str:
    """The same as dates, at the pace of the washes that have a date; empty with too few."""
    days = sorted(
        {
            (photo.row.row.wash, photo.row.row.date)
            for photo in hair.photos
            if photo.row.row.wash is not None and photo.row.row.date is not None
        }
    )
    if len(days) < 2 or days[-1][0] == days[0][0] or days[-1][1] <= days[0][1]:
        return ""
    pace = (days[-1][1] - days[0][1]).days / (days[-1][0] - days[0][0])
    first, last = (days[0][1] + dt.timedelta(days=pace * wash) for wash in (low, high))
    return f" At this pace that is {day_words(first)} to {day_words(last)}."


def day_words(day: dt.date) -> str:
    """Return a date as people write it: 4 March 2026."""
    return f"{day.day} {day:%B %Y}"


def tone_sentence(hair: HairMeasures) -> str:
    """Return which way the tone went by the last wash; empty where that is not known."""
    words = {zone: step.tone_words for zone, step in last_steps(hair).items() if step.tone_words}
    if not words:
        return ""
    wash = max(step.wash for step in last_steps(hair).values())
    start = f"Tone {after_washes(wash)}"
    if len(set(words.values())) == 1 and len(words) > 1:
        return f"{start}, from roots to ends: {next(iter(words.values()))}."
    return f"{start}: {'; '.join(f'{ZONE_WORDS[zone]} {said}' for zone, said in words.items())}."


def crossing_sentence(crossing: Crossing | None) -> str:
    """Return the wash at which roots and ends look alike, in the measure's own words."""
    if crossing is None or not crossing.words:
        return ""
    return f"{crossing.words[:1].upper()}{crossing.words[1:].rstrip('.')}."


def blend_sentences(hair: HairMeasures) -> tuple[str, ...]:
    """Return how far white hair was blended, or why that is not known; nothing without white hair.

    The contrast between strands needs a scale of 0.1 mm a pixel, which few phones give.
    """
    white = [photo.row.row.white_percent for photo in hair.photos]
    if not any(white) and not hair.blends:
        return ()
    if not hair.blends:
        return (
            "How far the white hair was blended is not known: single hairs have to show. Take one "
            "photo closer, before and after, with the chart's size written down.",
        )
    wash, blend = hair.blends[0]
    when = wash_words(str(wash))
    return (
        f"White hair, {when}: blended by {percent(blend.blend)} ({span(blend.low, blend.high, 0)} "
        f"%).",
    )


def regrowth_sentence(marks: Sequence[tuple[str, Mapping[str, float | None]]]) -> tuple[str, ...]:
    """Return how much new growth was marked, wash by wash; nothing where none was.

    Parameters
    ----------
    marks : sequence of (str, mapping)
        Wash as the sheet writes it, and the growth in ``px`` and, where the scale is known, ``mm``.
    """
    if not marks:
        return ()
    parts = []
    for wash, mark in marks:
        mm = mark["mm"]
        size = f"{number(mark['px'], 0)} pixels" if mm is None else f"{mm:.0f} mm"
        parts.append(f"{wash_words(wash)} {size}")
    return (
        f"New growth, as marked on the photos and left out of every figure: {', '.join(parts)}.",
    )


# treatments ------------------------------------------------------------------------------------


def comparison_label(found: Comparison) -> str:
    """Return what a comparison compares, on two lines."""
    from hairtone.report.figures_along import MEASURE_WORDS

    words = [MEASURE_WORDS.get(found.measure, found.measure.replace("_", " "))]
    if found.zone:
        words.append(ZONE_WORDS.get(found.zone, found.zone))
    if found.wash:
        words.append(wash_words(found.wash))
    return f"{found.treatment_a} against {found.treatment_b}\n{', '.join(words)}"


def comparison_sentence(found: Comparison) -> str:
    """Return one comparison of two treatments: what is the case, then how sure."""
    what = comparison_label(found).replace("\n", ": ")
    tresses = f"{found.n_a} and {found.n_b} tresses"
    if found.low is None:
        return f"{what}: {found.verdict} ({tresses})."
    p = found.p_adjusted
    chance = ""
    if p is not None:
        shared = f" over {found.tests} tests" if found.tests > 1 else ""
        chance = f"; p {'< 0.001' if p < 0.001 else number(p, 3)}{shared}"
    return (
        f"{what}: {found.verdict} (difference {number(found.difference, 2)}, "
        f"{span(found.low, found.high, 2)}{chance}; {tresses})."
    )


# terminal --------------------------------------------------------------------------------------


def describe_check(result: PhotoResult) -> str:
    """Return the verdict on one photo, then each finding with its remedy, worst first."""
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
    """Return colour and evenness of every hair of one photo as lines for a terminal."""
    lines = [f"{result.photo}: {result.status}, {result.viewing}"]
    if result.chart is not None:
        chart = result.chart.to_dict()
        lines.append(
            f"  chart {chart['reference']}: patches fit to {number(chart['residual'])}, left out "
            f"{number(chart['held_out'])} ΔE₀₀ on average ({chart['method']})"
        )
    for tress in result.tresses:
        lines += _describe_tress(tress)
    lines += [f"  {_kind(flag.is_note)}  {flag}" for flag in result.flags]
    return "\n".join(lines)


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
    lines.append(
        f"    roots to ends: {_terminal_words(tress.evenness.root_to_ends, tress.evenness)}"
    )
    lines += [f"    {_kind(flag.is_note)}  {flag}" for flag in tress.flags]
    return lines


def _terminal_words(ends: ColourDifference, evenness: Evenness) -> str:
    value = f"ΔE₀₀ {number(ends.delta_e)}"
    if not ends.is_resolved:
        return f"the same ({value}; a difference above {number(ends.critical)} would have shown)"
    return f"{value} ({span(ends.low, ends.high)}): {evenness.words}"


def describe_study(outcome: StudyResult) -> str:
    """Return what was understood of a study, and how many photos were measured, for a terminal."""
    lines = [f"  {note}" for note in outcome.notes]
    title = outcome.study.settings.title
    return "\n".join([*lines, f"{title}: {counts_sentence(outcome.counts)}"])

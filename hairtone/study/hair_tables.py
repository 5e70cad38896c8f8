"""Rows of the tables that one hair fills by itself: measurements, evenness, uptake, fade."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.crossing import find_crossing
from hairtone.measures.evenness import measure_evenness
from hairtone.measures.fade import LEAST_WASHES, Fade, measure_fade
from hairtone.measures.fade_curve import FadeCurve, fit_fade
from hairtone.measures.uptake import measure_uptake
from hairtone.measures.words import Bands
from hairtone.measures.zones import ZONES
from hairtone.study.observations import Hair, State
from hairtone.study.outcome import RowResult

Row = dict[str, Any]


def row_keys(row: RowResult) -> Row:
    """What a table calls a row of the sheet by."""
    sheet = row.row
    return {
        "photo": sheet.photo,
        "place": sheet.place,
        "subject": sheet.subject,
        "section": sheet.section,
        "treatment": row.treatment,
        "wash": sheet.wash_text,
        "replicate": sheet.replicate,
        "operator": sheet.operator,
        "day": sheet.day,
    }


def measurement_rows(hair: Hair) -> Iterator[Row]:
    """One row per photo and zone, from the record of the photo: nothing is pooled here."""
    for state in hair.states.values():
        for row in state.rows:
            for zone in ZONES:
                told = row.hair["tress"]["zones"][zone]
                lightness, a, b = told["lab"]
                yield row_keys(row) | {
                    "zone": zone,
                    "L": lightness,
                    "a": a,
                    "b": b,
                    "u95": told["u95"],
                    "status": row.status,
                    "flags": " ".join(sorted({flag.code for flag in row.flags})),
                }


def evenness_rows(hair: Hair, *, zones: tuple[float, float], bands: Bands) -> Iterator[Row]:
    """One row per photo and measure; net of the natural gradient where the hair has a before."""
    natural = hair.before.profile if hair.before else None
    for state in hair.states.values():
        for row, profile in zip(state.rows, state.profiles, strict=True):
            yield from _evenness_of(
                row, profile, natural if state.wash is not None else None, zones, bands
            )


def _evenness_of(
    row: RowResult,
    profile: Profile,
    natural: Profile | None,
    zones: tuple[float, float],
    bands: Bands,
) -> Iterator[Row]:
    found = measure_evenness(profile, zones=zones, natural=natural, bands=bands)
    for told in found.to_frame().to_dict("records"):
        yield row_keys(row) | {str(key): value for key, value in told.items()}


def uptake_rows(hair: Hair, *, zones: tuple[float, float], relaying: Floats) -> Iterator[Row]:
    """One row per zone; none without a photo before and one at wash 0."""
    if hair.before is None or hair.coloured is None:
        return
    found = measure_uptake(
        hair.before.profile, hair.coloured.profile, zones=zones, relaying=relaying
    )
    for told in found.to_frame().to_dict("records"):
        yield hair.keys | {str(key): value for key, value in told.items()}


def measure_fades(
    hair: Hair, *, relaying: Floats, bands: Bands, missing: list[str]
) -> dict[str, Fade]:
    """Fade of each zone; what cannot be told goes to `missing` as sentences."""
    states: dict[int, State] = {
        wash: state for wash, state in hair.states.items() if wash is not None
    }
    if not hair.washed:
        return {}
    lays = min(state.replicates for state in hair.states.values())
    found = {}
    for zone in ZONES:
        try:
            found[zone] = measure_fade(
                hair.before.pooled[zone] if hair.before else None,
                {wash: state.pooled[zone] for wash, state in states.items()},
                zone=zone,
                relaying=relaying / lays,  # of the state laid least often: never too small
                bands=bands,
            )
        except MeasureError as error:
            missing.append(sentence(hair, str(error)))
            return {}
        missing.extend(sentence(hair, told) for told in found[zone].missing)
    return found


def fade_rows(hair: Hair, fades: dict[str, Fade]) -> Iterator[Row]:
    """One row per zone and wash."""
    for fade in fades.values():
        for told in fade.to_frame().to_dict("records"):
            yield hair.keys | {str(key): value for key, value in told.items()}


def fit_curves(
    hair: Hair, fades: dict[str, Fade], *, bands: Bands, missing: list[str]
) -> dict[str, FadeCurve]:
    """Fade curve of each zone that has colour left at enough washes."""
    found = {}
    for zone, fade in fades.items():
        if not fade.has_colour_left or len(fade.steps) <= LEAST_WASHES:
            continue  # told by the fade itself
        try:
            found[zone] = fit_fade(fade, bands=bands)
        except MeasureError as error:
            missing.append(sentence(hair, str(error)))
    return found


def curve_rows(hair: Hair, curves: dict[str, FadeCurve]) -> Iterator[Row]:
    """One row per zone."""
    for curve in curves.values():
        for told in curve.to_frame().to_dict("records"):
            yield hair.keys | {str(key): value for key, value in told.items()}


def crossing_rows(
    hair: Hair, fades: dict[str, Fade], curves: dict[str, FadeCurve]
) -> Iterator[Row]:
    """One row: where the curves of roots and ends meet; blank where they do not."""
    if not {"roots", "ends"} <= set(curves):
        return
    found = find_crossing((fades["roots"], curves["roots"]), (fades["ends"], curves["ends"]))
    yield hair.keys | {"wash": found.wash, "low": found.low, "high": found.high}


def sentence(hair: Hair, told: str) -> str:
    """What is missing, with the hair it is about."""
    return f"{f'{hair.subject} {hair.section}'.strip()}: {told}"

"""Rows of the tables that one hair fills by itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from hairtone.hair.types import Profile
from hairtone.measures.evenness import measure_evenness
from hairtone.measures.words import Bands
from hairtone.measures.zones import ZONES
from hairtone.study.hair_measures import HairMeasures
from hairtone.study.observations import Hair
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


def own_rows(found: HairMeasures) -> dict[str, list[Row]]:
    """Rows of every table that a hair's measures fill, by table."""
    keys = found.hair.keys
    pooled = keys | {"pool": found.hair.pool}
    curves = [curve.to_frame() for curve in found.curves.values()]
    return {
        "uptake": _told(keys, [found.uptake.to_frame()] if found.uptake else []),
        "fade": _told(pooled, [fade.to_frame() for fade in found.fades.values()]),
        "fade_fit": _told(pooled, curves),
        "crossing": _told(pooled, [found.crossing.to_frame()] if found.crossing else []),
        "porous": _told(keys, [found.porous.to_frame()] if found.porous else []),
        "patches": [
            row | told
            for photo, patches in found.patches
            for patch in patches
            for row in (row_keys(photo),)
            for told in _told({}, [patch.to_frame()])
        ],
        "blend": [
            told | {"wash": wash}
            for wash, blend in found.blends
            for told in _told(keys, [blend.to_frame()])
        ],
    }


def _told(keys: Row, frames: list[Any]) -> list[Row]:
    """Rows of frames, each with the hair it is about."""
    return [
        keys | {str(name): value for name, value in told.items()}
        for frame in frames
        for told in frame.to_dict("records")
    ]

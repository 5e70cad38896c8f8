"""Doubts of the trade about a hair's figures; they never change a number."""

from __future__ import annotations

from collections.abc import Iterator

from hairtone.errors import Flag
from hairtone.measures.plausibility import (
    check_blend,
    check_fade,
    check_growth,
    check_lightening,
    check_marked_growth,
    check_porosity,
    check_sections,
)
from hairtone.study.hair_measures import HairMeasures, felt_porosity
from hairtone.study.settings import Settings


def doubts_about(found: HairMeasures, settings: Settings) -> Iterator[Flag]:
    """What looks implausible about one hair.

    Parameters
    ----------
    found : HairMeasures
        The hair, measured.
    settings : Settings
        Of the study.
    """
    hair = found.hair
    if hair.before is not None and hair.coloured is not None:
        yield from check_lightening(hair.before.pooled, hair.coloured.pooled, hair=hair.name)
    if found.uptake is not None:
        yield from check_porosity(found.uptake, felt=felt_porosity(hair), hair=hair.name)
    for fade in found.fades.values():
        yield from check_fade(fade, hair=hair.name)
    treatment = settings.treatments.get(hair.treatment)
    for _, patches in found.patches:
        yield from check_sections(
            patches, section_mm=treatment.section_mm if treatment else None, hair=hair.name
        )
    for _, blend in found.blends:
        yield from check_blend(blend, hair=hair.name)
    for growth in list(found.growth.values())[-1:]:
        yield from check_growth(
            grown_mm=growth.grown_mm,
            trimmed_mm=growth.trimmed_mm,
            length_mm=growth.length_mm,
            root_zone=settings.zones[0],
            hair=hair.name,
        )
        if growth.marked_mm is not None and growth.expected_mm is not None:
            yield from check_marked_growth(
                marked_mm=growth.marked_mm, expected_mm=growth.expected_mm, hair=hair.name
            )

"""Rows of the tables about places along one hair: patches, porous lengths."""

from __future__ import annotations

from collections.abc import Iterator

from hairtone.measures.patches import find_patches
from hairtone.measures.porous import find_porous_onset
from hairtone.measures.zones import ZONES
from hairtone.study.hair_tables import Row, row_keys
from hairtone.study.observations import Hair


def patch_rows(hair: Hair) -> Iterator[Row]:
    """One row per missed or grabbed place of each photo just coloured."""
    if hair.coloured is None:
        return
    natural = hair.before.profile if hair.before else None
    for row, profile in zip(hair.coloured.rows, hair.coloured.profiles, strict=True):
        for patch in find_patches(profile, natural=natural):
            yield row_keys(row) | {
                "from": patch.start,
                "to": patch.stop,
                "delta_e": patch.difference.delta_e,
                "kind": patch.kind,
            }


def porous_rows(hair: Hair) -> Iterator[Row]:
    """One row: where uptake leaves the roots' level; none without a photo before."""
    if hair.before is None or hair.coloured is None:
        return
    found = find_porous_onset(hair.before.profile, hair.coloured.profile, felt=felt_porosity(hair))
    yield hair.keys | {
        "onset": found.onset,
        "low": found.low,
        "high": found.high,
        "excess": found.excess,
    }


def felt_porosity(hair: Hair) -> dict[str, str]:
    """Porosity felt and logged, zone by zone: the first row that logs it counts."""
    felt: dict[str, str] = {}
    for state in hair.states.values():
        for row in state.rows:
            for zone in ZONES:
                word = str(getattr(row.row, f"porosity_{zone}"))
                if word:
                    felt.setdefault(zone, word)
    return felt

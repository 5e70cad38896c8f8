"""Swatches of known colour in a photo's frame: what they read, against what they are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from hairtone.colorimetry import delta_e
from hairtone.errors import Flag
from hairtone.measures.zones import ZONES
from hairtone.study.settings import KnownSwatch


def swatch_flags(hairs: dict[int, dict[str, Any]], known: Sequence[KnownSwatch]) -> Iterator[Flag]:
    """What the swatches of one photo say: a note where they agree, a doubt where not.

    Parameters
    ----------
    hairs : dict of int to dict
        Stored entries of the photo's hairs by place.
    known : sequence of KnownSwatch
        Of this photo.
    """
    for swatch in known:
        hair = hairs.get(swatch.place, {})
        zones = (hair.get("tress") or {}).get("zones")
        if hair.get("error") or not zones:
            yield _unread(swatch, hair)
            continue
        lab = np.mean([zones[zone]["lab"] for zone in ZONES], axis=0)
        u95 = float(np.mean([zones[zone]["u95"] for zone in ZONES]))
        gap = float(delta_e(np.asarray(swatch.lab), lab))
        limit = float(np.hypot(u95, swatch.u95))
        agrees = gap <= limit
        yield Flag(
            code="known-swatch" if agrees else "known-swatch-off",
            says=f"The known swatch (place {swatch.place}) reads {gap:.1f} ΔE₀₀ from its stated "
            f"colour; {limit:.1f} is what both are known to.",
            remedy=""
            if agrees
            else "Look at the light, the chart's edition and the swatch itself.",
            is_note=agrees,
        )


def _unread(swatch: KnownSwatch, hair: dict[str, Any]) -> Flag:
    error = hair.get("error") or {}
    return Flag(
        code="known-swatch-unread",
        says=f"The known swatch (place {swatch.place}) could not be measured. "
        f"{error.get('says', '')}".strip(),
        remedy="Check its place, counted from left to right.",
        is_note=True,
    )

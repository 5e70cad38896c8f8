"""Whom a report is for, and the words that all of them share."""

from __future__ import annotations

from typing import Final, Literal

Audience = Literal["educator", "stylist", "tester"]
AUDIENCES: Final[tuple[Audience, ...]] = ("educator", "stylist", "tester")
ZONES: Final = ("roots", "mid_lengths", "ends")
ZONE_WORDS: Final = {"roots": "roots", "mid_lengths": "mid-lengths", "ends": "ends"}
TABLES: Final = (
    "measurements",
    "evenness",
    "uptake",
    "fade",
    "fade_fit",
    "crossing",
    "comparison",
    "patches",
    "porous",
    "repeats",
    "agreement",
    "blend",
    "drift",
    "refused",
)

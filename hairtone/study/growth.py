"""Zones that stay on the same hair while it grows and is trimmed, where that is logged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hairtone.errors import MeasureError
from hairtone.measures.zones import ZONES, anchored_span, regrowth_mm, span_estimate
from hairtone.study.observations import Hair, State
from hairtone.study.outcome import RowResult
from hairtone.study.settings import Settings
from hairtone.uncertainty import LabEstimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Hair grown and cut off since colouring, and its length now; None where unknown. [mm]

    Where new growth is marked on the photo, `grown_mm` is 0: the line begins behind it already.
    `marked_mm` is then its length, `expected_mm` what is logged.
    """

    grown_mm: float
    trimmed_mm: float
    length_mm: float | None
    marked_mm: float | None = None
    expected_mm: float | None = None


def growth_of(hair: Hair, settings: Settings) -> dict[int, Growth]:
    """Growth of a hair by wash, where study.toml logs regrowth or trims of its subject.

    Parameters
    ----------
    hair : Hair
        The hair over its washes.
    settings : Settings
        Of the study.
    """
    subject = settings.subjects.get(hair.subject)
    if subject is None or hair.coloured is None:
        return {}
    if subject.regrowth_mm_per_month is None and not subject.trims:
        return {}
    started = hair.coloured.rows[0].row.date
    found = {}
    for wash, state in hair.washed.items():
        day, mark = state.rows[0].row.date, marked_regrowth(state.rows[0])
        expected = None
        if subject.regrowth_mm_per_month is not None and started and day:
            expected = regrowth_mm(
                days=float((day - started).days), mm_per_month=subject.regrowth_mm_per_month
            )
        found[wash] = Growth(
            grown_mm=0.0 if mark else expected or 0.0,
            trimmed_mm=sum(trim.mm for trim in subject.trims if trim.wash <= wash),
            length_mm=length_mm(state),
            marked_mm=mark["mm"] if mark else None,
            expected_mm=expected,
        )
    return found


def marked_regrowth(row: RowResult) -> dict[str, float | None] | None:
    """New growth that was marked by hand in a photo, ``px`` and ``mm``; None without a mark."""
    return (row.hair.get("tress") or {}).get("regrowth")


def length_mm(state: State) -> float | None:
    """Length of the hair in the first photo of a state; None where the scale is unknown. [mm]"""
    row = state.rows[0]
    line = (row.hair.get("tress") or {}).get("line")
    if row.mm_per_px is None or not line:
        return None
    steps = np.diff(np.asarray(line, np.float64), axis=0)
    return float(np.linalg.norm(steps, axis=1).sum() * row.mm_per_px)


def anchored_zones(
    state: State, growth: Growth | None, zones: tuple[float, float]
) -> dict[str, LabEstimate]:
    """Zones of a state on the hair that was coloured; a zone that was cut off is left out.

    Parameters
    ----------
    state : State
        One wash.
    growth : Growth or None
        None, or of unknown length: the zones lie where they lie.
    zones : tuple of float
        Where roots end and ends begin on the hair just coloured, 0..1.
    """
    if growth is None or growth.length_mm is None or not (growth.grown_mm or growth.trimmed_mm):
        return state.pooled
    found = {}
    for zone, start, stop in zip(ZONES, (0.0, *zones), (*zones, 1.0), strict=True):
        try:
            span = anchored_span(
                start,
                stop,
                length_mm=growth.length_mm,
                grown_mm=growth.grown_mm,
                trimmed_mm=growth.trimmed_mm,
            )
            found[zone] = span_estimate(state.profile, *span)
        except MeasureError:
            continue  # check_growth tells of the trim
    return found

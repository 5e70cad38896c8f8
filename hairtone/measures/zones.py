"""Mean colour of zones and tenths of a hair."""

from __future__ import annotations

from typing import Final

from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.spans import Spans, measure_spans
from hairtone.uncertainty import LabEstimate

ZONES: Final = ("roots", "mid_lengths", "ends")
THIRDS: Final = (1 / 3, 2 / 3)


def span_estimate(profile: Profile, start: float, stop: float) -> LabEstimate:
    """Mean colour of the hair between two positions, averaged in linear light.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    start, stop : float
        0 roots .. 1 ends, start below stop.

    Raises
    ------
    MeasureError
        ``span-empty``: the span holds no part of the hair.
    """
    return measure_spans(profile, [(start, stop)]).estimate(0)


def zone_spans(profile: Profile, *, zones: tuple[float, float] = THIRDS) -> Spans:
    """Roots, mid-lengths and ends with their errors kept together.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.

    Raises
    ------
    MeasureError
        ``zones-out-of-order``: the limits do not leave three zones.
    """
    first, second = zones
    if not 0 < first < second < 1:
        raise MeasureError(
            "zones-out-of-order",
            f"Zones at {first:.3f} and {second:.3f} do not leave roots, mid-lengths and ends.",
            remedy="Give two positions between 0 and 1, the smaller one first.",
        )
    return measure_spans(profile, [(0.0, first), (first, second), (second, 1.0)])


def zone_estimates(
    profile: Profile, *, zones: tuple[float, float] = THIRDS
) -> dict[str, LabEstimate]:
    """Mean colour of roots, mid_lengths and ends, keyed by those words.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.

    Raises
    ------
    MeasureError
        ``zones-out-of-order``: the limits do not leave three zones.
    """
    spans = zone_spans(profile, zones=zones)
    return {zone: spans.estimate(at) for at, zone in enumerate(ZONES)}


def tenth_spans(profile: Profile) -> Spans:
    """The ten tenths of the length, errors kept together."""
    return measure_spans(profile, [(k / 10, (k + 1) / 10) for k in range(10)])


def tenth_estimates(profile: Profile) -> tuple[LabEstimate, ...]:
    """Mean colour of each tenth of the length, roots first."""
    spans = tenth_spans(profile)
    return tuple(spans.estimate(at) for at in range(10))

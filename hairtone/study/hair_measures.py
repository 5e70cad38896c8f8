"""What is measured of one hair over its washes: uptake, fade, curves, patches, blending."""

from __future__ import annotations

from dataclasses import dataclass, field

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.blend import Blend, measure_blend
from hairtone.measures.evenness import Patch, find_patches
from hairtone.measures.fade import LEAST_WASHES, Fade, measure_fade
from hairtone.measures.fade_curve import Crossing, FadeCurve, find_crossing, fit_zone_fade
from hairtone.measures.missing import Missing
from hairtone.measures.uptake import PorousOnset, Uptake, find_porous_onset, measure_uptake
from hairtone.measures.words import Bands
from hairtone.measures.zones import ZONES
from hairtone.study.growth import Growth, anchored_zones, growth_of
from hairtone.study.observations import Hair
from hairtone.study.outcome import RowResult
from hairtone.study.pack import contrast_from
from hairtone.study.settings import Settings


@dataclass(slots=True, kw_only=True, eq=False)
class HairMeasures:
    """One hair, measured over its washes.

    Attributes
    ----------
    hair : Hair
        The hair.
    uptake : Uptake or None
        None without a photo before and one just coloured.
    porous : PorousOnset or None
        Likewise.
    patches : list of (RowResult, tuple of Patch)
        Of each photo just coloured.
    growth : dict of int to Growth
        Hair grown and cut off since colouring, by wash, where any is logged.
    fades, curves : dict of str to Fade, FadeCurve
        By zone.
    crossing : Crossing or None
        Of the curves of roots and ends.
    blends : list of (int, Blend)
        By wash, where the scale allows it.
    missing : list of Missing
        What cannot be told, and why.
    """

    hair: Hair
    uptake: Uptake | None = None
    porous: PorousOnset | None = None
    patches: list[tuple[RowResult, tuple[Patch, ...]]] = field(default_factory=list)
    growth: dict[int, Growth] = field(default_factory=dict)
    fades: dict[str, Fade] = field(default_factory=dict)
    curves: dict[str, FadeCurve] = field(default_factory=dict)
    crossing: Crossing | None = None
    blends: list[tuple[int, Blend]] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)

    def say(self, told: str, *, zone: str = "") -> None:
        """Note what is missing, with the hair it is about."""
        self.missing.append(Missing(says=told, zone=zone, hair=self.hair.name))


def measure_hair(hair: Hair, settings: Settings, *, relaying: Floats, bands: Bands) -> HairMeasures:
    """Everything that one hair tells by itself.

    Parameters
    ----------
    hair : Hair
        The hair over its washes.
    settings : Settings
        Of the study.
    relaying : ndarray, shape (3, 3)
        Covariance of re-laying the hair once. [Lab units squared]
    bands : Bands
        The study's words and limits.
    """
    found = HairMeasures(hair=hair, growth=growth_of(hair, settings))
    if hair.coloured is None:
        found.say("no photo just coloured (wash 0) was measured; uptake and fade need one.")
    if hair.before is not None and hair.coloured is not None:
        pair = hair.before.profile, hair.coloured.profile
        # not paired: over so long a way the intervals of pooled photos held in 93 % only
        found.uptake = measure_uptake(*pair, zones=settings.zones, relaying=relaying)
        found.porous = find_porous_onset(*pair, felt=felt_porosity(hair))
    _find_patches(found)
    _measure_fades(found, settings, relaying, bands)
    _fit_curves(found, bands)
    _measure_blends(found)
    return found


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


def _find_patches(found: HairMeasures) -> None:
    hair = found.hair
    if hair.coloured is not None:
        natural = hair.before.profile if hair.before else None
        for row, profile in zip(hair.coloured.rows, hair.coloured.profiles, strict=True):
            found.patches.append((row, find_patches(profile, natural=natural)))


def _measure_fades(found: HairMeasures, settings: Settings, relaying: Floats, bands: Bands) -> None:
    hair = found.hair
    if not hair.washed or hair.coloured is None:
        return
    lays = min(state.replicates for state in hair.states.values())
    colours = {
        wash: anchored_zones(state.joined, found.growth.get(wash), settings.zones)
        for wash, state in hair.states.items()
        if wash is not None
    }
    for zone in ZONES:
        fade = measure_fade(
            hair.before.joined.pooled[zone] if hair.before else None,
            {wash: zones[zone] for wash, zones in colours.items() if zone in zones},
            zone=zone,
            paired=hair.is_pooled,
            relaying=relaying / lays,  # of the state laid least often: never too small
            bands=bands,
        )
        found.fades[zone] = fade
        found.missing.extend(told.of(hair.name) for told in fade.missing)


def _fit_curves(found: HairMeasures, bands: Bands) -> None:
    for zone, fade in found.fades.items():
        if not fade.has_colour_left or len(fade.steps) <= LEAST_WASHES:
            continue  # the fade itself says why
        try:
            found.curves[zone] = fit_zone_fade(fade, bands=bands)
        except MeasureError as error:
            found.say(str(error), zone=zone)
    if {"roots", "ends"} <= set(found.curves):
        roots, ends = ((found.fades[zone], found.curves[zone]) for zone in ("roots", "ends"))
        found.crossing = find_crossing(roots, ends)


def _measure_blends(found: HairMeasures) -> None:
    hair = found.hair
    if hair.before is None:
        return
    before = contrast_from(hair.before.rows[0].hair.get("contrast"))
    if before is None:
        return
    for wash, state in hair.states.items():
        after = contrast_from(state.rows[0].hair.get("contrast"))
        if wash is None or after is None:
            continue
        try:
            found.blends.append((wash, measure_blend(before, after)))
        except MeasureError as error:
            found.say(f"blending at wash {wash}: {error}")

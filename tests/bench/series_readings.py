"""Chart and hair of a series as one camera reads them over the washes, without rendering pixels.

Ten photos a series: before, just coloured, eight washes. Camera, chart and hair stay; light,
exposure, flare and how hair and chart lie vary from photo to photo, and the camera's own processing
as the kind of series says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from readings import POSITIONS, reading_of
from scene_readings import CODE_NOISE, HAIR_NOISE, LOCAL_SPREAD, encoded_of, values_of

from hairtone.chart.reference import load_reference
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import VIEWINGS, Floats, xyz_to_lab
from hairtone.scene import Wish, random_scene
from hairtone.scene.chart import chart_projection, chart_reflectances, patch_centres
from hairtone.scene.development import light_at
from hairtone.scene.draw import PROTOCOLS, draw_along, draw_development
from hairtone.scene.layout import tress_hair
from hairtone.scene.render import camera_weights
from hairtone.scene.types import Development, LightShape, Scene
from hairtone.spectra.hair import HairRecipe, draw_dyes, draw_hair
from hairtone.spectra.lights import LIGHT_FAMILIES, Light, draw_light
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

WASHES: Final = (None, 0, 1, 2, 3, 4, 5, 6, 7, 8)
HAIRS: Final = ("dark natural", "red", "fashion", "light", "untouched")  # the last is not coloured
DYES: Final = {
    "dark natural": (("copper", "red", "violet"), 1.3),
    "red": (("copper", "red"), 1.2),
    "fashion": (("yellow", "copper", "red", "pink", "violet", "blue", "teal"), 1.3),
    "light": (("yellow", "copper", "pink", "violet"), 0.5),
}
NATURAL: Final = ("dark natural", "red", "light", "white")  # classes of untouched hair, in turn
OWN: Final = np.sqrt(0.5)  # share of SDs that is a photo's own where hair and chart are laid anew


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What varies between the photos of a series: SDs.

    Attributes
    ----------
    light : float
        Of the exponent of the light's slope over the wavelengths.
    exposure : float
        Of log exposure.
    level : float
        Of log light on the hair against the chart, each photo its own.
    tone : float
        Share of the camera's processing drawn anew for each photo, 0..1.
    lamps : int
        Kinds of light that the photos are taken under in turn.
    """

    light: float = 0.0
    exposure: float = 0.05
    level: float = 0.01
    tone: float = 0.0
    lamps: int = 1


KINDS: Final = {
    "steady": Kind(),
    "varied": Kind(light=0.10, exposure=0.15, level=0.015),
    "other lamps": Kind(light=0.05, exposure=0.1, level=0.015, lamps=3),
    "look drifts": Kind(light=0.05, exposure=0.1, level=0.015, tone=0.25),
    "look anew": Kind(light=0.05, exposure=0.1, level=0.015, tone=1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """A series: one reading a photo.

    Attributes
    ----------
    readings : tuple of ChartReading
        In the order of `WASHES`.
    hair : ndarray, shape (photos, classes, positions, 3)
        Encoded values.
    truth : ndarray, shape (photos, classes, positions, 3)
        L*a*b*.
    family : str
        Of the light.
    """

    readings: tuple[ChartReading, ...]
    hair: Floats
    truth: Floats
    family: str


def shoot_series(
    seed: int, *, kind: Kind, protocol: str = "careful", is_raw: bool = False
) -> Series:
    """One series, drawn from `seed`.

    Parameters
    ----------
    seed : int
        Of everything in it.
    kind : Kind
        What varies between its photos.
    protocol : str, optional
        ``"careful"`` or ``"ordinary"``.
    is_raw : bool, optional
        Linear sensor values.
    """
    family = LIGHT_FAMILIES[seed % len(LIGHT_FAMILIES)]
    scene = random_scene(
        seed, protocol=protocol, encoded=not is_raw, wish=Wish(light_family=family)
    )
    rng = np.random.default_rng([seed, 17])
    surface = chart_reflectances(scene.chart, rng=rng)
    haze = scene.chart.gloss * rng.exponential(1.0, (24, 1))
    veil = rng.normal(0, LOCAL_SPREAD, (24, 1)), rng.normal(0, LOCAL_SPREAD, (len(HAIRS), 1, 1))
    hairs = _washed(seed)
    shots = [
        _photo(varied(scene, kind, protocol, [seed, k, 19]), (surface, haze), hair, veil,
               level=kind.level, rng=np.random.default_rng([seed, k, 23]))
        for k, hair in enumerate(hairs)
    ]  # fmt: skip
    viewing = VIEWINGS["D65/10"]
    xyz = reflectance_to_xyz(hairs, viewing_wavelengths(), viewing=viewing)
    return Series(
        readings=tuple(reading for reading, _ in shots),
        hair=np.stack([hair for _, hair in shots]),
        truth=xyz_to_lab(100 * xyz, white=viewing.white),
        family=family,
    )


def varied(scene: Scene, kind: Kind, protocol: str, seed: list[int]) -> Scene:
    """The scene of one photo of the series."""
    rng = np.random.default_rng(seed)
    tint = (viewing_wavelengths() / 560.0) ** rng.normal(0, kind.light)
    light = scene.light
    if turn := seed[1] % kind.lamps:  # none of the series' own family
        family = LIGHT_FAMILIES[(LIGHT_FAMILIES.index(light.family) + turn) % len(LIGHT_FAMILIES)]
        light = draw_light(family, seed=10 * seed[0] + turn)
    light = Light(name=light.name, family=light.family, spectrum=light.spectrum * tint)
    handling = PROTOCOLS[protocol]
    exposure = scene.sensor.exposure * float(np.exp(rng.normal(0, kind.exposure)))
    cast = np.exp(rng.normal(0, handling.white_balance, 3))
    gradient = OWN * np.array(scene.light_shape.gradient)
    gradient = gradient + OWN * rng.uniform(-handling.gradient, handling.gradient, 2)
    development = scene.development
    if development is not None and kind.tone:
        other = draw_development(handling, seed=int(rng.integers(2**31)))
        development = _between(development, other, kind.tone)
    return replace(
        scene,
        light=light,
        light_shape=LightShape(gradient=tuple(gradient), vignetting=scene.light_shape.vignetting),
        lens=replace(scene.lens, flare=scene.lens.flare * float(np.exp(rng.normal(0, 0.2)))),
        sensor=replace(
            scene.sensor,
            exposure=min(exposure, handling.exposure[1] * 1.05),
            white_balance=tuple(np.array(scene.sensor.white_balance) * cast),
        ),
        development=development,
    )


def _between(one: Development, other: Development, share: float) -> Development:
    """Processing that lies between two, all numbers mixed."""

    def mixed(first: object, second: object) -> object:
        if isinstance(first, tuple):
            return tuple(mixed(a, b) for a, b in zip(first, second, strict=True))
        return first + share * (second - first)

    names = Development.__dataclass_fields__
    return Development(**{n: mixed(getattr(one, n), getattr(other, n)) for n in names})


def _photo(
    scene: Scene,
    chart: tuple[Floats, Floats],
    hair: Floats,
    veils: tuple[Floats, Floats],
    *,
    level: float,
    rng: np.random.Generator,
) -> tuple[ChartReading, Floats]:
    """Chart reading and encoded hair of one photo."""
    weights = camera_weights(scene.camera, scene.light)
    surface, haze = chart
    centres = patch_centres(chart_projection(scene.chart, frame_width=scene.size[0]))
    here = light_at(scene.light_shape, *centres.T, size=scene.size)
    seen = (surface @ weights + haze) * (here / here.mean())[:, None]
    mean_light = 0.8 * (scene.board @ weights) + 0.2 * (surface @ weights).mean(axis=0)
    veil = scene.lens.flare * np.array(scene.lens.flare_tint) * mean_light
    local = [OWN * own + OWN * rng.normal(0, LOCAL_SPREAD, own.shape) for own in veils]
    seen = seen + veil * np.exp(local[0])
    strands = (hair @ weights) * float(np.exp(rng.normal(0, level))) + veil * np.exp(local[1])
    patches = values_of(scene, seen, rng, pixels=900)
    values = values_of(scene, strands, rng, pixels=20_000)
    noise = 1e-4
    if scene.development is not None:
        noise = CODE_NOISE
        patches = encoded_of(patches, scene.development, weights)
        patches = patches + rng.normal(0, CODE_NOISE, patches.shape)
        dark = np.log(strands.mean(axis=(1, 2)) / mean_light.mean())[:, None, None]
        gain = np.exp(-0.5 * scene.development.local_tone * dark)
        values = encoded_of(values * gain, scene.development, weights)
        values = values + rng.normal(0, HAIR_NOISE, values.shape)
    reference = load_reference(scene.chart.reference)
    return reading_of(patches, reference, noise=noise), values


def _washed(seed: int) -> Floats:
    """Mean reflectances by photo, class and position, shape (10, 5, 3, 81)."""
    rng = np.random.default_rng([seed, 29])
    hairs = []
    for number, hair_class in enumerate(HAIRS):
        recipe = dyed(hair_class, rng, seed=3_000_000 + 10 * seed + number)
        along = draw_along(recipe, seed=4_000_000 + 10 * seed + number)
        stays, washes = rng.uniform(0.05, 0.5), rng.uniform(2.0, 12.0)
        course = []
        for wash in WASHES:
            dye = 0.0 if wash is None else stays + (1 - stays) * np.exp(-wash / washes)
            tress = tress_hair(recipe, along, dye=dye, fibre_spread=0.15).mean(axis=1)
            course.append(tress[np.round(POSITIONS * (len(tress) - 1)).astype(int)])
        hairs.append(course)
    return np.swapaxes(np.array(hairs), 0, 1)


def dyed(hair_class: str, rng: np.random.Generator, *, seed: int) -> HairRecipe:
    """Hair of that class with at least one dye in it; untouched hair as it grew."""
    if hair_class == "untouched":
        return replace(draw_hair(NATURAL[seed % len(NATURAL)], seed=seed), dyes=())
    recipe = draw_hair(hair_class, seed=seed)
    if recipe.dyes:
        return recipe
    colours, high = DYES[hair_class]
    return replace(recipe, dyes=draw_dyes(colours, rng, count=1, high=high))

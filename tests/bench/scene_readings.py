"""The chart and hair of random scenes as their camera reads them, without rendering pixels.

The second world the calibration is scored in: hair, lights, cameras, flare and processing are
those of `hairtone.scene`, worked out for 24 patches and a few hairs only.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from readings import POSITIONS, Shot, reading_of

from hairtone.chart.reference import load_reference
from hairtone.chart.types import GREYS
from hairtone.colorimetry import VIEWINGS, Floats, xyz_to_lab
from hairtone.scene import Wish, random_scene
from hairtone.scene.chart import chart_projection, chart_reflectances, patch_centres
from hairtone.scene.development import colour_matrix, light_at, tone_curve, twist
from hairtone.scene.draw import draw_along
from hairtone.scene.layout import tress_hair
from hairtone.scene.render import camera_weights
from hairtone.scene.types import Development, Scene
from hairtone.spectra.hair import HAIR_CLASSES, HairRecipe, draw_hair
from hairtone.spectra.lights import LIGHT_FAMILIES, reference_light
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

WHITE = GREYS[0]
CODE_NOISE = 0.35 / 255  # what compression leaves in a flat patch's mean; measured on scenes
HAIR_NOISE = 0.07 / 255  # in hair's mean, which its texture dithers
KINDS = ("undyed", "brown", "broad", "narrow", "fluorescent")
LOCAL_SPREAD = 0.2  # SD of the log veil from place to place; what scenes show around a chart


def shoot_scene(
    seed: int,
    *,
    protocol: str = "careful",
    is_raw: bool = False,
    viewing: str = "D65/10",
    kinds: tuple[str, ...] = HAIR_CLASSES,
    brighter: float = 1.0,
) -> Shot:
    """One scene's chart and hair of every class, drawn from `seed`.

    Parameters
    ----------
    seed : int
        Of the scene.
    protocol : str, optional
        ``"careful"`` or ``"ordinary"``.
    is_raw : bool, optional
        Linear sensor values instead of encoded ones.
    viewing : str, optional
        Of the truth.
    kinds : tuple of str, optional
        Of hair: classes of `draw_hair`, or `KINDS`.
    brighter : float, optional
        Factor on the exposure, to burn out the white patches.
    """
    family = LIGHT_FAMILIES[seed % len(LIGHT_FAMILIES)]
    scene = random_scene(
        seed, protocol=protocol, encoded=not is_raw, wish=Wish(light_family=family)
    )
    rng = np.random.default_rng([seed, 13])
    reference = load_reference(scene.chart.reference)
    weights = camera_weights(scene.camera, scene.light)
    surface = chart_reflectances(scene.chart, rng=rng)
    haze = scene.chart.gloss * rng.exponential(1.0, (24, 1))
    centres = patch_centres(chart_projection(scene.chart, frame_width=scene.size[0]))
    x, y = centres.T
    here = light_at(scene.light_shape, x, y, size=scene.size)
    chart = (surface @ weights + haze) * (here / here.mean())[:, None]
    hair = hairs_of(seed, kinds, light=scene.light.spectrum)

    mean_light = 0.8 * (scene.board @ weights) + 0.2 * (surface @ weights).mean(axis=0)
    veil = scene.lens.flare * np.array(scene.lens.flare_tint) * mean_light
    chart = chart + veil * np.exp(rng.normal(0, LOCAL_SPREAD, (24, 1)))
    seen = hair @ weights + veil * np.exp(rng.normal(0, LOCAL_SPREAD, (len(kinds), 1, 1)))
    patches = values_of(scene, chart * brighter, rng, pixels=900)
    strands = values_of(scene, seen * brighter, rng, pixels=20_000)
    if scene.development is not None:
        patches = encoded_of(patches, scene.development, weights)
        patches = patches + rng.normal(0, CODE_NOISE, patches.shape)
        dark = np.log(seen.mean(axis=(1, 2)) / mean_light.mean())[:, None, None]
        gain = np.exp(-0.5 * scene.development.local_tone * dark)
        strands = encoded_of(strands * gain, scene.development, weights)
        strands = strands + rng.normal(0, HAIR_NOISE, strands.shape)
    known = VIEWINGS[viewing]
    daylight = reference_light(f"CIE {viewing[:3]}").spectrum
    true = hairs_of(seed, kinds, light=daylight)
    xyz = reflectance_to_xyz(true, viewing_wavelengths(), viewing=known)
    return Shot(
        reading=reading_of(patches, reference, noise=1e-4 if is_raw else CODE_NOISE),
        hair=strands,
        truth=xyz_to_lab(100 * xyz, white=known.white),
        family=family,
        response=weights.T / (weights.T @ reference.reflectance[WHITE])[:, None],
        veil=veil / (weights.T @ reference.reflectance[WHITE]),
    )


def hairs_of(seed: int, kinds: tuple[str, ...], *, light: Floats) -> Floats:
    """Mean radiance factors by kind and position under that light, shape (kinds, 3, 81)."""
    hairs = []
    for kind in kinds:
        number = (*HAIR_CLASSES, *KINDS).index(kind)
        recipe = _recipe(kind, seed=1_000_000 + 10 * seed + number)
        along = draw_along(recipe, seed=2_000_000 + 10 * seed + number)
        tress = tress_hair(recipe, along, fibre_spread=0.15, light=light).mean(axis=1)
        hairs.append(tress[np.round(POSITIONS * (len(tress) - 1)).astype(int)])
    return np.stack(hairs)


def _recipe(kind: str, *, seed: int) -> HairRecipe:
    """A draw of a class, or of undyed hair of any depth, of brown shades, of broad vivid dyes."""
    if kind == "undyed":
        natural = ("dark natural", "light", "white")[seed % 3]
        return replace(draw_hair(natural, seed=seed), dyes=())
    if kind == "brown":  # hair of middle depth under what colours it brown
        drawn = draw_hair("red", seed=seed)
        depth = 10 ** np.random.default_rng([seed, 5]).uniform(0.5, 1.3)
        dyes = tuple(replace(dye, amount=min(dye.amount, 0.3 * depth)) for dye in drawn.dyes)
        return replace(drawn, melanin=depth, dyes=dyes)
    return draw_hair("fashion" if kind == "broad" else kind, seed=seed)


def values_of(scene: Scene, light: Floats, rng: np.random.Generator, *, pixels: int) -> Floats:
    """White-balanced sensor values of means over so many pixels."""
    sensor = scene.sensor
    values = light * sensor.exposure
    spread = np.sqrt(np.maximum(values, 0) / sensor.full_well / pixels)
    values = values + spread * rng.standard_normal(values.shape)
    return np.clip(values * np.array(sensor.white_balance), 0, 1)


def encoded_of(values: Floats, development: Development, weights: Floats) -> Floats:
    matrix = development.gain * colour_matrix(weights, development)
    return twist(tone_curve(values @ matrix.T, development), development)

"""Scenes drawn at random: lamps, cameras, hair and handling as they vary in practice.

Every range is our choice, made to be at least as wide as what calibration assumes; none is
measured. ``"careful"`` follows the photo protocol, ``"ordinary"`` is a good-willed snapshot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypedDict

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.scene.layout import AlongHair, Layout, TintedPatch, draw_layout, tress_hair
from hairtone.scene.types import (
    ChartPlacement,
    Development,
    Jpeg,
    Lens,
    LightShape,
    Scene,
    Sensor,
    Shine,
    Tress,
)
from hairtone.spectra.cameras import draw_scene_camera
from hairtone.spectra.hair import HAIR_CLASSES, HairRecipe, draw_hair
from hairtone.spectra.lights import LIGHT_FAMILIES, Light, draw_light, reference_light
from hairtone.spectra.viewing import viewing_wavelengths


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """How much goes wrong when photographing.

    Attributes
    ----------
    turn_deg, tilt_deg : float
        Largest turn and tilt of the chart.
    gradient, vignetting : float
        Largest log light across the frame, and share lost in the corners.
    flare : tuple of float
        Lowest and highest veil, share of the mean light.
    exposure : tuple of float
        Lowest and highest value of a perfect white on the sensor.
    chart_variation, gloss : float
        See `ChartPlacement`.
    shine, curvature : float
        Largest strength of highlights, and light lost at the sides of a tress.
    white_balance, look, local_tone : float
        SDs of the cast left, of the look's waves and of local tone mapping.
    quality : tuple of int
        Lowest and highest JPEG quality.
    """

    turn_deg: float
    tilt_deg: float
    gradient: float
    vignetting: float
    flare: tuple[float, float]
    exposure: tuple[float, float]
    chart_variation: float
    gloss: float
    shine: float
    curvature: float
    white_balance: float
    look: float
    local_tone: float
    quality: tuple[int, int]


PROTOCOLS: Final = {
    "careful": Handling(
        turn_deg=6.0,
        tilt_deg=5.0,
        gradient=0.08,
        vignetting=0.05,
        flare=(0.003, 0.012),
        exposure=(0.45, 0.7),
        chart_variation=0.008,
        gloss=0.0015,
        shine=0.04,
        curvature=0.15,
        white_balance=0.012,
        look=0.03,
        local_tone=0.006,
        quality=(90, 97),
    ),
    "ordinary": Handling(
        turn_deg=30.0,
        tilt_deg=20.0,
        gradient=0.22,
        vignetting=0.15,
        flare=(0.008, 0.035),
        exposure=(0.4, 0.85),
        chart_variation=0.012,
        gloss=0.004,
        shine=0.12,
        curvature=0.35,
        white_balance=0.025,
        look=0.05,
        local_tone=0.02,
        quality=(82, 96),
    ),
}


class Exposed(TypedDict):
    """The parts of a scene between the board and the sensor's values."""

    light_shape: LightShape
    lens: Lens
    sensor: Sensor


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a drawn scene shall hold; None leaves it to the draw.

    Attributes
    ----------
    hair_class : str or None
        One of `HAIR_CLASSES`, which the draw is from, or of `VIVID_CLASSES`.
    light_family : str or None
        One of `LIGHT_FAMILIES`.
    """

    hair_class: str | None = None
    light_family: str | None = None


def random_scene(
    seed: int,
    *,
    protocol: str = "careful",
    encoded: bool = True,
    size: tuple[int, int] = (1632, 1224),
    tresses: int = 1,
    wish: Wish = Wish(),
) -> Scene:
    """A scene drawn at random.

    Parameters
    ----------
    seed : int
        Of everything in it.
    protocol : str, optional
        ``"careful"`` or ``"ordinary"``.
    encoded : bool, optional
        An encoded photo with the camera's own processing, or raw values.
    size : tuple of int, optional
        Width and height. [pixels]
    tresses : int, optional
        How many, side by side.
    wish : Wish, optional
        Class of hair and family of light, drawn when not given.
    """
    if protocol not in PROTOCOLS:
        raise ValueError(f"Protocol {protocol!r} is not known. Choose from {list(PROTOCOLS)}.")
    handling = PROTOCOLS[protocol]
    rng = np.random.default_rng([seed, 7])
    own = [int(n) for n in rng.integers(0, 2**31, 4 + tresses)]
    hair_class = wish.hair_class or HAIR_CLASSES[int(rng.integers(len(HAIR_CLASSES)))]
    light_family = wish.light_family or LIGHT_FAMILIES[int(rng.integers(len(LIGHT_FAMILIES)))]
    layout = draw_layout(
        seed=own[0],
        size=size,
        tresses=tresses,
        turn_deg=handling.turn_deg,
        any_way=protocol == "ordinary",
    )
    light = draw_light(light_family, seed=own[1])
    return Scene(
        light=light,
        camera=draw_scene_camera(seed=own[2]),
        size=size,
        chart=_draw_chart(layout, handling, rng),
        tresses=tuple(
            _draw_tress(layout, number, hair_class, handling, seed=own[4 + number], light=light)
            for number in range(tresses)
        ),
        board=_draw_board(rng),
        board_texture=rng.uniform(0.004, 0.02),
        **_draw_exposure(handling, rng),
        development=draw_development(handling, seed=own[3]) if encoded else None,
        jpeg=Jpeg(
            quality=int(rng.integers(handling.quality[0], handling.quality[1] + 1)),
            subsampling=("4:2:0", "4:4:4", "4:2:2")[int(rng.integers(3))],
        ),
        seed=seed,
    )


def _draw_exposure(handling: Handling, rng: np.random.Generator) -> Exposed:
    """How light falls, and what lens and sensor do to it."""
    return {
        "light_shape": LightShape(
            gradient=tuple(rng.uniform(-handling.gradient, handling.gradient, 2)),
            vignetting=rng.uniform(0, handling.vignetting),
        ),
        "lens": Lens(
            flare=rng.uniform(*handling.flare),
            flare_tint=tuple(np.exp(rng.normal(0, 0.1, 3))),
            blur_px=rng.uniform(0.4, 0.8),
        ),
        "sensor": Sensor(
            exposure=rng.uniform(*handling.exposure),
            full_well=rng.uniform(6_000, 30_000),
            white_balance=tuple(np.exp(rng.normal(0, handling.white_balance, 3)) * 0.95),
        ),
    }


def draw_development(handling: Handling, *, seed: int) -> Development:
    """A camera's own processing, drawn at random."""
    rng = np.random.default_rng(seed)

    def waves(sd: float) -> tuple[tuple[float, float], ...]:
        return tuple((rng.normal(0, sd), rng.uniform(0, 2 * np.pi)) for _ in range(3))

    return Development(
        gain=rng.uniform(0.95, 1.25),
        saturation=rng.uniform(1.0, 1.25),
        matrix_error=tuple(rng.normal(0, 0.02, 9)),
        black=rng.uniform(0, 0.006),
        shoulder=rng.uniform(0.7, 0.9),
        contrast=rng.uniform(0.1, 0.7),
        pivot=rng.uniform(0.35, 0.5),
        look_chroma=waves(handling.look),
        look_hue=waves(0.6 * handling.look),
        local_tone=abs(rng.normal(0, handling.local_tone)),
        sharpening=rng.uniform(0, 0.4),
    )


def _draw_board(rng: np.random.Generator) -> Floats:
    """Matt mid-grey, nearly neutral."""
    slope = (viewing_wavelengths() / 560.0) ** rng.normal(0, 0.06)
    return np.asarray(rng.uniform(0.16, 0.3) * slope)


def _draw_chart(layout: Layout, handling: Handling, rng: np.random.Generator) -> ChartPlacement:
    return ChartPlacement(
        centre=layout.chart_centre,
        width_px=layout.chart_width_px,
        turn_deg=layout.chart_turn_deg,
        tilt_deg=rng.uniform(0, handling.tilt_deg),
        tilt_axis_deg=rng.uniform(0, 360),
        variation=handling.chart_variation,
        gloss=handling.gloss,
    )


def _draw_tress(
    layout: Layout, number: int, hair_class: str, handling: Handling, *, seed: int, light: Light
) -> Tress:
    rng = np.random.default_rng(seed)
    recipe = draw_hair(hair_class, seed=int(rng.integers(2**31)))
    shines = tuple(
        Shine(
            position=rng.uniform(0.1, 0.9),
            width=rng.uniform(0.03, 0.12),
            strength=handling.shine * rng.uniform(0.1, 1.0),
            back_face=rng.uniform(0.1, 0.6),
        )
        for _ in range(int(rng.integers(0, 3)))
    )
    width = layout.tress_widths_px[number]
    along = draw_along(recipe, seed=int(rng.integers(2**31)))
    spread = rng.uniform(0.05, 0.3)
    daylight = reference_light("CIE D65")
    hair, seen = (
        tress_hair(recipe, along, fibre_spread=spread, light=lamp.spectrum)
        for lamp in (daylight, light)
    )
    return Tress(
        roots=layout.roots[number],
        ends=layout.ends[number],
        width_px=width,
        hair=hair,
        seen=seen if any(dye.glow for dye in recipe.dyes) else None,
        bow_px=rng.normal(0, 0.08) * width,
        taper=rng.uniform(0, 0.3),
        raggedness=rng.uniform(0.004, 0.02),
        fibre_px=max(1.0, rng.uniform(0.07, 0.3) / layout.mm_per_px),
        strand_shading=rng.uniform(0.04, 0.16),
        lock_shading=rng.uniform(0.005, 0.03),
        curvature=rng.uniform(0, handling.curvature),
        shines=shines,
        clamp=float(rng.choice([0.04, 0.06, 0.5, 0.75])),
        cast_shadow=rng.uniform(0, 0.3) if rng.random() < 0.5 else 0.0,
    )


def draw_along(recipe: HairRecipe, *, seed: int) -> AlongHair:
    """How hair changes from roots to ends: porous, sun-bleached or even ends, missed patches."""
    rng = np.random.default_rng(seed)
    porous = rng.uniform(0, 0.8) if rng.random() < 0.7 else 0.0
    patches: tuple[TintedPatch, ...] = ()
    if recipe.dyes and rng.random() < 0.3:
        patches = (
            TintedPatch(
                position=rng.uniform(0.15, 0.85),
                width=rng.uniform(0.03, 0.08),
                factor=float(np.exp(rng.normal(0, 0.4))),
            ),
        )
    return AlongHair(
        dye_at_ends=(1 + 0.8 * porous) * float(np.exp(rng.normal(0, 0.1))),
        melanin_at_ends=float(np.exp(-0.35 * porous + rng.normal(0, 0.03))),
        keratin_at_ends=1 + porous,
        onset=rng.uniform(0, 0.5),
        patches=patches,
    )

"""Reflectance of hair from what is in it: the family that scenes are rendered with.

The calibration learns from another family (`hairtone.spectra.broad_hair`): a method is not
judged on the hair model it was made with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.spectra.pigments import (
    EUMELANIN_POWER,
    PHEOMELANIN_POWER,
    dye_absorption,
    keratin_absorption,
    melanin_absorption,
    thick_layer,
)
from hairtone.spectra.viewing import viewing_wavelengths

HAIR_CLASSES: Final = ("dark natural", "red", "fashion", "light", "white")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dye:
    """A direct dye in the hair.

    Attributes
    ----------
    amount : float
        K/S at the highest point of its band.
    peak_nm, width_nm, skew, shoulder, shoulder_offset_nm : float
        Its band; see `pigments.dye_absorption`.
    """

    amount: float
    peak_nm: float
    width_nm: float
    skew: float = 0.0
    shoulder: float = 0.0
    shoulder_offset_nm: float = 40.0

    def absorption(self) -> Floats:
        """K/S on the viewing's wavelengths, shape (81,)."""
        return self.amount * dye_absorption(
            peak_nm=self.peak_nm,
            width_nm=self.width_nm,
            skew=self.skew,
            shoulder=self.shoulder,
            shoulder_offset_nm=self.shoulder_offset_nm,
        )


# Absorption peak and width of dyes by the colour they give; our choice within the visible bands
# of nitro, azo and anthraquinone dyes. [nm]
DYE_BANDS: Final = {
    "yellow": (425.0, 38.0),
    "copper": (468.0, 42.0),
    "red": (506.0, 40.0),
    "pink": (537.0, 31.0),
    "violet": (562.0, 46.0),
    "blue": (612.0, 46.0),
    "teal": (648.0, 42.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HairRecipe:
    """What is in a bundle of hair, and how it scatters.

    Attributes
    ----------
    melanin : float
        K/S of all melanin at 550 nm: about 0.2 very light blond, 100 black.
    pheo_share : float
        Share of it that is pheomelanin, 0..1.
    eu_power, pheo_power : float
        Fall of the melanins with the wavelength.
    keratin : float
        K/S of keratin's yellow at 420 nm.
    dyes : tuple of Dye
        Direct dyes on top.
    surface : float
        Diffuse reflection of the fibres' surface, 0..1; lamp-coloured, in every direction.
    scatter_power : float
        Fall of scattering with the wavelength.
    top : float
        What a bundle without any pigment gives back, 0..1; gaps between fibres swallow some.
    """

    melanin: float
    pheo_share: float = 0.2
    eu_power: float = EUMELANIN_POWER
    pheo_power: float = PHEOMELANIN_POWER
    keratin: float = 0.02
    dyes: tuple[Dye, ...] = ()
    surface: float = 0.012
    scatter_power: float = 0.3
    top: float = 0.8


def hair_reflectance(
    recipe: HairRecipe,
    *,
    melanin: ArrayLike = 1.0,
    keratin: ArrayLike = 1.0,
    dye: ArrayLike = 1.0,
) -> Floats:
    """Diffuse reflectance of hair laid flat, the surface floor in it, 0..1.

    Parameters
    ----------
    recipe : HairRecipe
        What is in it.
    melanin, keratin, dye : array_like, optional
        Factors on the recipe's amounts; shapes broadcast to the result's.

    Returns
    -------
    ndarray, shape (..., 81), float64
        On `viewing_wavelengths()`.

    Notes
    -----
    A thick Kubelka-Munk layer under a surface that sends `surface` straight back.
    """
    pheo = recipe.pheo_share
    brown = (1 - pheo) * melanin_absorption(power=recipe.eu_power)
    brown = recipe.melanin * (brown + pheo * melanin_absorption(power=recipe.pheo_power))
    yellow = recipe.keratin * keratin_absorption()
    colour = sum((d.absorption() for d in recipe.dyes), np.zeros(len(yellow)))
    factors = [np.asarray(v, np.float64)[..., None] for v in (melanin, keratin, dye)]
    absorbing = factors[0] * brown + factors[1] * yellow + factors[2] * colour
    scattering = (viewing_wavelengths() / 550.0) ** -recipe.scatter_power
    inside = recipe.top * thick_layer(absorbing, scattering)
    return np.asarray(recipe.surface + (1 - recipe.surface) * inside)


def draw_hair(hair_class: str, *, seed: int) -> HairRecipe:
    """A bundle of hair of that class, drawn at random.

    Parameters
    ----------
    hair_class : str
        One of `HAIR_CLASSES`.
    seed : int
        Of the draw.

    Raises
    ------
    ValueError
        No such class.
    """
    draws = {
        "dark natural": _dark_natural,
        "red": _red,
        "fashion": _fashion,
        "light": _light,
        "white": _white,
    }
    if hair_class not in draws:
        raise ValueError(f"Hair class {hair_class!r} is not known. Choose from {HAIR_CLASSES}.")
    rng = np.random.default_rng(seed)
    base = HairRecipe(
        melanin=1.0,
        pheo_share=rng.beta(1.2, 4.0),
        eu_power=EUMELANIN_POWER + rng.normal(0, 0.25),
        pheo_power=PHEOMELANIN_POWER + rng.normal(0, 0.3),
        keratin=10 ** rng.uniform(-2.2, -1.1),
        surface=rng.uniform(0.006, 0.022),
        scatter_power=rng.uniform(0.0, 0.6),
        top=rng.uniform(0.6, 0.92),
    )
    return draws[hair_class](base, rng)


def _dark_natural(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    return replace(base, melanin=10 ** rng.uniform(0.8, 2.0))


def _light(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    dyes = draw_dyes(("yellow", "violet", "blue"), rng, count=int(rng.integers(0, 2)), high=-0.2)
    return replace(base, melanin=10 ** rng.uniform(-0.7, 0.5), dyes=dyes)


def _white(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    return replace(base, melanin=10 ** rng.uniform(-1.9, -0.9), pheo_share=0.05)


def _red(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    if rng.random() < 0.3:  # born red: much pheomelanin, no dye
        return replace(base, melanin=10 ** rng.uniform(0.2, 1.0), pheo_share=rng.uniform(0.6, 0.95))
    dyes = draw_dyes(("copper", "red"), rng, count=int(rng.integers(1, 3)), high=1.2)
    return replace(base, melanin=10 ** rng.uniform(-0.2, 1.1), dyes=dyes)


def _fashion(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    dyes = draw_dyes(tuple(DYE_BANDS), rng, count=int(rng.integers(1, 3)), high=1.3)
    return replace(base, melanin=10 ** rng.uniform(-0.9, 0.3), dyes=dyes)


def draw_dyes(
    colours: tuple[str, ...], rng: np.random.Generator, *, count: int, high: float
) -> tuple[Dye, ...]:
    """Dyes of these colours, `count` of them, each band varied and its amount up to 10**high."""
    chosen = rng.choice(len(colours), size=count, replace=False)
    return tuple(
        Dye(
            amount=10 ** rng.uniform(-0.6, high),
            peak_nm=DYE_BANDS[colours[k]][0] + rng.normal(0, 10),
            width_nm=DYE_BANDS[colours[k]][1] * rng.uniform(0.8, 1.25),
            skew=rng.uniform(-0.25, 0.25),
            shoulder=rng.uniform(0, 0.5),
            shoulder_offset_nm=rng.uniform(25, 55),
        )
        for k in chosen
    )

"""Reflectances of hair: one family to render scenes with, another one to calibrate by.

A method is not judged on the hair model that it was made with. The scenes' family lets pigments
absorb along the wavelength and light pass through a thick layer by two fluxes [3]_. The broad
family, for the prior, was made of other laws on purpose: light takes paths of many lengths (a gamma
mixture, or those of diffusing light), dye bands are plain bells, and powers, floors and slopes vary
more widely.

References
----------
.. [1] S. L. Jacques, Extinction coefficient of melanin (1998): melanosomes absorb as the
   wavelength to the power of -3.33 (fit to one data set) or -3.48 (fit to another).
.. [2] C. Donner, H. W. Jensen, A spectral BSSRDF for shading human skin (2006): eumelanin to the
   power of -3.33, pheomelanin to the power of -4.75. From memory.
.. [3] P. Kubelka, F. Munk, Z. techn. Phys. 12 (1931) 593-601.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.spectra.viewing import viewing_wavelengths

ANCHOR_NM: Final = 550.0  # where the melanins' strength is stated; our choice, mid-spectrum
KERATIN_ANCHOR_NM: Final = 420.0  # where keratin's yellow is stated; our choice
EUMELANIN_POWER: Final = 3.33  # [1], [2]
PHEOMELANIN_POWER: Final = 4.75  # [2]
KERATIN_DECAY_NM: Final = 55.0  # our choice: gone by mid-green, as undyed white hair looks
HAIR_CLASSES: Final = ("dark natural", "red", "fashion", "light", "white")
# dyes that ask for more than broad bands: drawn when named, in no random mix
VIVID_CLASSES: Final = ("narrow", "fluorescent")
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
# emission lies beyond absorption by this many widths of the band; our choice, common practice
STOKES_SHIFT: Final = 1.0
LEAST_POWER: Final = 0.02  # of a light's mean: a factor on darkness would mean nothing; our choice
_DYE_SLOTS = 2  # bands a draw may have at most; our choice
DYE_CHANCE = 0.5  # that a slot is filled; our choice
DIFFUSING = 0.3  # share of hair dense enough for light to diffuse; our choice
# what hair without pigment gives back: thin or loose bundles let much of it pass; our choice
TOP = (0.4, 1.0)


def melanin_absorption(*, power: float) -> Floats:
    """Absorption of a melanin on the viewing's wavelengths, 1 at 550 nm [1]_ [2]_.

    Parameters
    ----------
    power : float
        Fall with the wavelength: about 3.3 for eumelanin, 4.8 for pheomelanin.
    """
    return np.asarray((viewing_wavelengths() / ANCHOR_NM) ** -power)


def keratin_absorption(*, decay_nm: float = KERATIN_DECAY_NM) -> Floats:
    """Yellow of keratin without melanin, 1 at 420 nm; exponential in the wavelength, our choice."""
    return np.asarray(np.exp(-(viewing_wavelengths() - KERATIN_ANCHOR_NM) / decay_nm))


def dye_absorption(
    *,
    peak_nm: float,
    width_nm: float,
    skew: float = 0.0,
    shoulder: float = 0.0,
    shoulder_offset_nm: float = 40.0,
) -> Floats:
    """Absorption band of a direct dye, 1 at its highest.

    Parameters
    ----------
    peak_nm, width_nm : float
        Main peak and its standard deviation. [nm]
    skew : float, optional
        -1..1; positive: the long-wave side is the broader one.
    shoulder : float, optional
        Height of a second, narrower peak relative to the first.
    shoulder_offset_nm : float, optional
        Where it lies, from the main peak. [nm]
    """
    wavelengths = viewing_wavelengths()
    distance = (wavelengths - peak_nm) / width_nm
    band = np.exp(-0.5 * (distance / (1 + skew * np.tanh(distance))) ** 2)
    second = (wavelengths - peak_nm - shoulder_offset_nm) / (0.7 * width_nm)
    band = band + shoulder * np.exp(-0.5 * second**2)
    return np.asarray(band / band.max())


def thick_layer(absorption: ArrayLike, scattering: ArrayLike) -> Floats:
    """Reflectance of a layer too thick to see through, 0..1 [3]_.

    Parameters
    ----------
    absorption, scattering : array_like
        K and S of Kubelka and Munk, in one unit; the shapes broadcast, S above 0.
    """
    ratio = np.asarray(absorption, np.float64) / np.asarray(scattering, np.float64)
    # the textbook form 1 + q - sqrt(q² + 2q) cancels for dark hair; this one does not
    return np.asarray(1 / (1 + ratio + np.sqrt(ratio * (ratio + 2))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Dye:
    """A direct dye in the hair.

    Attributes
    ----------
    amount : float
        K/S at the highest point of its band.
    peak_nm, width_nm, skew, shoulder, shoulder_offset_nm : float
        Its band; see `dye_absorption`.
    glow : float
        Photons given back as fluorescence for each that the dye takes, 0..1.
    """

    amount: float
    peak_nm: float
    width_nm: float
    skew: float = 0.0
    shoulder: float = 0.0
    shoulder_offset_nm: float = 40.0
    glow: float = 0.0

    def absorption(self) -> Floats:
        """K/S on the viewing's wavelengths, shape (81,)."""
        return self.amount * dye_absorption(
            peak_nm=self.peak_nm,
            width_nm=self.width_nm,
            skew=self.skew,
            shoulder=self.shoulder,
            shoulder_offset_nm=self.shoulder_offset_nm,
        )

    def emission(self) -> Floats:
        """Spectrum of its fluorescence, shape (81,), sum 1: the band mirrored beyond its peak."""
        band = dye_absorption(
            peak_nm=self.peak_nm + STOKES_SHIFT * self.width_nm,
            width_nm=self.width_nm,
            skew=0.4,
            shoulder=self.shoulder,
            shoulder_offset_nm=abs(self.shoulder_offset_nm),
        )
        return np.asarray(band / band.sum())


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
    light: Floats | None = None,
) -> Floats:
    """Diffuse reflectance of hair laid flat, the surface floor in it, 0..1.

    Parameters
    ----------
    recipe : HairRecipe
        What is in it.
    melanin, keratin, dye : array_like, optional
        Factors on the recipe's amounts; shapes broadcast to the result's.
    light : ndarray, shape (81,), optional
        Relative power of the light. With it, dyes that glow add their fluorescence: what comes
        back is then the radiance factor under this very light, which may pass 1.

    Returns
    -------
    ndarray, shape (..., 81), float64
        On `viewing_wavelengths()`.

    Notes
    -----
    A thick Kubelka-Munk layer under a surface that sends `surface` straight back. Of the photons
    that go in and are not sent back, a dye takes its share of the absorption; what it gives back
    of them is weakened on its way out by the root of what the layer reflects [ours].
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
    plain = np.asarray(recipe.surface + (1 - recipe.surface) * inside)
    if light is None or not any(d.glow for d in recipe.dyes):
        return plain
    wavelengths = viewing_wavelengths()
    taken = (recipe.top - inside) / np.maximum(absorbing, 1e-12) * light * wavelengths
    for each in recipe.dyes:
        share = factors[2] * each.absorption()
        photons = each.glow * (taken * share).sum(axis=-1, keepdims=True)
        given = photons * each.emission() / wavelengths * np.sqrt(inside)
        plain = plain + given / np.maximum(light, LEAST_POWER * light.mean())
    return plain


def draw_hair(hair_class: str, *, seed: int) -> HairRecipe:
    """A bundle of hair of that class, drawn at random.

    Parameters
    ----------
    hair_class : str
        One of `HAIR_CLASSES` or `VIVID_CLASSES`.
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
        "narrow": _narrow,
        "fluorescent": _fluorescent,
    }
    if hair_class not in draws:
        raise ValueError(f"Hair class {hair_class!r} is not known. Choose from {tuple(draws)}.")
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


def _narrow(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    """Dyes of narrow bands with a step on their short-wave side, as cyanines have them."""
    dyes = tuple(
        Dye(
            amount=10 ** rng.uniform(-0.6, 1.3),
            peak_nm=rng.uniform(430.0, 650.0),
            width_nm=rng.uniform(12.0, 25.0),
            skew=rng.uniform(-0.25, 0.25),
            shoulder=rng.uniform(0.1, 0.6),
            shoulder_offset_nm=-rng.uniform(22.0, 42.0),
        )
        for _ in range(int(rng.integers(1, 3)))
    )
    return replace(base, melanin=10 ** rng.uniform(-0.9, 0.3), dyes=dyes)


def _fluorescent(base: HairRecipe, rng: np.random.Generator) -> HairRecipe:
    """One dye that glows a little, alone or with a broad one that does not."""
    glowing = Dye(
        amount=10 ** rng.uniform(-0.6, 1.0),
        peak_nm=rng.uniform(430.0, 570.0),
        width_nm=rng.uniform(18.0, 36.0),
        skew=rng.uniform(-0.25, 0.0),
        shoulder=rng.uniform(0.1, 0.5),
        shoulder_offset_nm=-rng.uniform(22.0, 42.0),
        glow=rng.uniform(0.05, 0.15),
    )
    others = draw_dyes(tuple(DYE_BANDS), rng, count=int(rng.integers(0, 2)), high=0.5)
    return replace(base, melanin=10 ** rng.uniform(-0.9, 0.3), dyes=(glowing, *others))


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Breadth:
    """How far a family of broad hair reaches.

    Attributes
    ----------
    dye_chance : float
        That each of two dye bands is there; 0 for hair without dye.
    width_nm : tuple of float
        Least and largest SD of a band. [nm]
    darkest : float
        Power of ten that melanin's absorption reaches.
    """

    dye_chance: float = DYE_CHANCE
    width_nm: tuple[float, float] = (26.0, 60.0)
    darkest: float = 2.0


def draw_broad_hair(
    count: int, *, seed: int, breadth: Breadth = Breadth()
) -> tuple[Floats, Floats]:
    """Reflectances of hair of every kind, and the share of the light that its dyes take.

    Parameters
    ----------
    count : int
        How many.
    seed : int
        Of the draw.
    breadth : Breadth, optional
        What the family may hold.

    Returns
    -------
    reflectance, taken : ndarray, shape (count, 81)
        On `viewing_wavelengths()`, 0..1.

    Notes
    -----
    With absorption μ and path lengths of a gamma law of shape g, R = (1 + k·μ/g)^(-g) (the
    Laplace transform of the gamma density); where light diffuses, R = exp(-sqrt(2·k·μ)), that of
    first-passage lengths. Both under a surface floor, times a slight slope.
    All ranges are our choice, wider than hair is known to be.
    """
    rng = np.random.default_rng(seed)
    wavelengths = viewing_wavelengths()

    def uniform(low: float, high: float) -> Floats:
        return rng.uniform(low, high, (count, 1))

    relative = wavelengths / 550.0
    pheo = rng.beta(1.0, 3.0, (count, 1))
    brown = (1 - pheo) * relative ** -uniform(2.6, 4.2) + pheo * relative ** -uniform(4.0, 5.6)
    absorbing = 10 ** uniform(-1.8, breadth.darkest) * brown
    absorbing += 10 ** uniform(-2.5, -0.9) * np.exp(-(wavelengths - 420.0) / uniform(40.0, 80.0))
    dye = np.zeros((count, len(wavelengths)))
    for _ in range(_DYE_SLOTS):
        present = rng.random((count, 1)) < breadth.dye_chance
        distance = (wavelengths - uniform(405.0, 670.0)) / uniform(*breadth.width_nm)
        dye += present * 10 ** uniform(-1.0, 1.3) * np.exp(-0.5 * distance**2)
    absorbing = absorbing + dye

    shape = uniform(0.5, 1.1)
    strength = uniform(1.0, 3.0)
    inside = np.where(
        rng.random((count, 1)) < DIFFUSING,
        np.exp(-np.sqrt(2 * strength * absorbing)),
        (1 + strength * absorbing / shape) ** -shape,
    )
    floor, top = uniform(0.003, 0.025), uniform(*TOP)
    slope = relative ** rng.normal(0, 0.12, (count, 1))
    reflectance = np.clip(floor + (1 - floor) * top * inside * slope, 0.003, 1.0)
    return reflectance, (1 - inside) * dye / absorbing

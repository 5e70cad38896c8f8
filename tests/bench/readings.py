"""Chart and hair as a camera reads them, without pixels: known truth for the calibration alone.

Hair, cameras and lights are those that scenes are rendered with, none of which the calibration's
prior has seen. The in-camera rendering (matrix, saturation, tone, look, local tone) is our own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hairtone.chart.reference import load_reference
from hairtone.chart.types import GREYS, ChartReading, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, decode_srgb, encode_srgb, xyz_to_lab
from hairtone.spectra.cameras import draw_scene_camera
from hairtone.spectra.hair import HAIR_CLASSES, draw_hair, hair_reflectance
from hairtone.spectra.lights import LIGHT_FAMILIES, draw_light
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

FULL_WELL = 12_000.0  # electrons of a small sensor's pixel; common practice
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
POSITIONS = np.array([0.0, 0.5, 1.0])  # roots, mid-lengths, ends


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How carefully a photo is taken: SDs and ranges, relative to white.

    Attributes
    ----------
    flare : tuple of float
        Lowest and highest veil of stray light.
    flare_spread : float
        SD of its log from patch to patch.
    gain : float
        SD of the log light on the hair against the chart.
    slope : float
        SD of the light's slope over the chart.
    print_spread : float
        SD of the log reflectance of this chart against its reference.
    gloss : float
        Mean gloss on a patch.
    local_tone : float
        SD of the log gain that local tone mapping puts on hair.
    """

    flare: tuple[float, float]
    flare_spread: float
    gain: float
    slope: float
    print_spread: float
    gloss: float
    local_tone: float


CAREFUL = Care(
    flare=(0.003, 0.010), flare_spread=0.15, gain=0.010, slope=0.02,
    print_spread=0.008, gloss=0.0015, local_tone=0.01,
)  # fmt: skip
ORDINARY = Care(
    flare=(0.008, 0.030), flare_spread=0.25, gain=0.030, slope=0.06,
    print_spread=0.012, gloss=0.004, local_tone=0.03,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A chart reading and hair beside it, as encoded values and as known truth.

    Attributes
    ----------
    reading : ChartReading
        What chart finding would hand over.
    hair : ndarray, shape (classes, positions, 3)
        Encoded values of hair, in the order of `HAIR_CLASSES` and `POSITIONS`.
    truth : ndarray, shape (classes, positions, 3)
        L*a*b* for `viewing`.
    family : str
        Of the light.
    response : ndarray, shape (3, 81)
        True sensitivity x light; the white patch reads 1.
    veil : ndarray, shape (3,)
        True mean flare on that scale.
    """

    reading: ChartReading
    hair: Floats
    truth: Floats
    family: str
    response: Floats
    veil: Floats


def shoot(
    seed: int, *, care: Care = CAREFUL, is_raw: bool = False, look: float = 1.0,
    reference: ChartReference | None = None, viewing: str = "D65/10",
) -> Shot:  # fmt: skip
    """One photo's chart and hair, drawn from `seed`.

    Parameters
    ----------
    seed : int
        Camera, light, hair and everything else.
    care : Care, optional
        How carefully the photo was taken.
    is_raw : bool, optional
        Linear sensor values instead of an encoded picture.
    look : float, optional
        Strength of the camera's look (hue and chroma twists), 0 for none.
    """
    rng = np.random.default_rng([seed, 11])
    reference = reference or load_reference("chart24-average30")
    family = LIGHT_FAMILIES[seed % len(LIGHT_FAMILIES)]
    light = draw_light(family, seed=seed + 100_000).spectrum
    camera = draw_scene_camera(seed=seed + 200_000).sensitivities
    camera = camera * np.exp(_smooth_noise(rng, 3, 0.015))  # lens and unit
    print_ = reference.reflectance * np.exp(_smooth_noise(rng, 24, care.print_spread))
    response = camera * light
    response = response / (response @ reference.reflectance[GREYS[0]])[:, None]
    signal = (camera * light).sum(axis=1)
    signal = signal / signal.max() * rng.uniform(0.45, 0.8)  # share of full well at white

    hair = _draw_hairs(seed)
    chart_light, hair_light = _draw_light_on(rng, care, hair.shape[:2])
    veil = rng.uniform(*care.flare) * np.exp(rng.normal(0, 0.1, 3))
    gloss = rng.exponential(care.gloss, (24, 1))
    seen_chart = (print_ @ response.T + gloss) * chart_light + veil * np.exp(
        rng.normal(0, care.flare_spread, (24, 1))
    )
    shared = rng.normal(0, 0.6 * care.flare_spread)
    apart = rng.normal(0, 0.3 * care.flare_spread, (*hair.shape[:2], 1))
    seen_hair = (hair @ response.T) * hair_light + veil * np.exp(shared + apart)

    seen_chart = _sensor_noise(rng, seen_chart, signal, pixels=900)
    seen_hair = _sensor_noise(rng, seen_hair, signal, pixels=20_000)
    if is_raw:
        gain = signal * rng.uniform(0.9, 1.0)
        encoded, hair_encoded, noise = seen_chart * gain, seen_hair * gain, 0.0002
    else:
        rendering = Rendering(rng, reference.reflectance @ response.T, reference, look)
        encoded = rendering(seen_chart)
        hair_encoded = rendering(seen_hair * np.exp(rng.normal(0, care.local_tone)))
        encoded = np.round(encoded * 255) / 255 + rng.normal(0, 0.35 / 255, (24, 3))
        hair_encoded = hair_encoded + rng.normal(0, 0.07 / 255, hair_encoded.shape)
        noise = 0.35 / 255
    colours = VIEWINGS[viewing]
    truth = reflectance_to_xyz(hair, viewing_wavelengths(), viewing=colours)
    return Shot(
        reading=reading_of(encoded, reference, noise=noise),
        hair=hair_encoded,
        truth=xyz_to_lab(100 * truth, white=colours.white),
        family=family,
        response=response,
        veil=veil,
    )


def reading_of(encoded: Floats, reference: ChartReference, *, noise: float = 1e-4) -> ChartReading:
    """A chart reading of those encoded values, upright, 60 px a patch."""
    column, row = np.meshgrid(np.arange(6), np.arange(4))
    centres = np.stack([column.ravel(), row.ravel()], axis=1) * 60.0 + 100.0
    clipped = (encoded > 0.985).any(axis=1).astype(float)
    return ChartReading(
        reference=reference,
        corners=np.array([[70.0, 70.0], [430.0, 70.0], [430.0, 310.0], [70.0, 310.0]]),
        centres=centres,
        patch_px=50.0,
        encoded=encoded,
        covariance=np.broadcast_to(noise**2 * np.eye(3), (24, 3, 3)),
        clipped=clipped,
        usable=clipped < 0.02,
    )


class Rendering:
    """What a camera does to linear light before it writes an encoded picture."""

    def __init__(
        self, rng: np.random.Generator, raw: Floats, reference: ChartReference, look: float
    ) -> None:
        wanted = decode_srgb(_srgb_of(reference))
        matrix = np.linalg.lstsq(raw, wanted, rcond=None)[0].T
        saturation = rng.uniform(1.0, 1.25)
        matrix = (saturation * np.eye(3) + (1 - saturation) * LUMINANCE) @ matrix
        matrix = matrix + rng.normal(0, 0.02, (3, 3))
        grey = GREYS[3]
        matrix = matrix / (matrix @ raw[grey])[:, None] * wanted[grey].mean()
        self.matrix = matrix * np.exp(rng.normal(0, 0.03, (3, 1)))  # white balance a little off
        self.contrast, self.pivot = rng.uniform(0.1, 0.7), rng.uniform(0.35, 0.5)
        self.black, self.exposure = rng.uniform(0, 0.008), rng.uniform(0.75, 1.1)
        self.chroma = look * rng.normal(0, 0.05, 3), rng.uniform(0, 2 * np.pi, 3)
        self.hue = look * rng.normal(0, 0.03, 3), rng.uniform(0, 2 * np.pi, 3)

    def __call__(self, linear: Floats) -> Floats:
        """Encoded values of white-balanced sensor light."""
        return self._look(self._tone(linear @ self.matrix.T * self.exposure))

    def _tone(self, linear: Floats) -> Floats:
        light = np.maximum((linear - self.black) / (1 - self.black), 0.0)
        shoulder = 0.75 + 0.245 * np.tanh((light - 0.75) / 0.25)
        plain = encode_srgb(np.where(light > 0.75, shoulder, light))
        steep = 4 + 2 * self.contrast
        ends = [1 / (1 + np.exp(-steep * (v - self.pivot))) for v in (plain, 0.0, 1.0)]
        curve = (ends[0] - ends[1]) / (ends[2] - ends[1])
        return np.clip((1 - self.contrast) * plain + self.contrast * curve, 0.0, 1.0)

    def _look(self, encoded: Floats) -> Floats:
        """Smooth twists of hue and chroma, as an in-camera look-up table makes them."""
        grey = encoded @ np.array([0.3, 0.59, 0.11])
        r, g, b = np.moveaxis(encoded, -1, 0)
        across, along = (r - g) / np.sqrt(2), (r + g - 2 * b) / np.sqrt(6)
        radius, angle = np.hypot(across, along), np.arctan2(along, across)
        order = np.arange(1, 4)
        waves = [
            (size * np.cos(order * angle[..., None] + phase)).sum(axis=-1)
            for size, phase in (self.chroma, self.hue)
        ]
        radius, angle = radius * (1 + waves[0]), angle + waves[1]
        across, along = radius * np.cos(angle), radius * np.sin(angle)
        b = -2 * along / np.sqrt(6)
        r, g = along / np.sqrt(6) + across / np.sqrt(2), along / np.sqrt(6) - across / np.sqrt(2)
        turned = np.stack([r, g, b], axis=-1)
        turned = turned + (grey - turned @ np.array([0.3, 0.59, 0.11]))[..., None]
        return np.clip(turned, 0.0, 1.0)


def _srgb_of(reference: ChartReference) -> Floats:
    from hairtone.colorimetry import _SRGB_FROM_XYZ

    linear = reference.xyz(VIEWINGS["D65/2"]) @ _SRGB_FROM_XYZ.T
    return encode_srgb(np.maximum(linear, 0.0))


def _draw_hairs(seed: int) -> Floats:
    """Hair of every class, roots to ends, shape (classes, positions, 81)."""
    hairs = []
    for number, hair_class in enumerate(HAIR_CLASSES):
        recipe = draw_hair(hair_class, seed=seed * 10 + number)
        rng = np.random.default_rng([seed, number, 12])
        porous = rng.uniform(0, 0.8) * POSITIONS
        hairs.append(hair_reflectance(recipe, melanin=np.exp(-0.35 * porous), dye=1 + 0.8 * porous))
    return np.stack(hairs)


def _draw_light_on(
    rng: np.random.Generator, care: Care, shape: tuple[int, ...]
) -> tuple[Floats, Floats]:
    """Light on the patches, shape (24, 1), and on the hair, shape (*shape, 1); about 1."""
    x, y = np.arange(24) % 6 / 5 - 0.5, np.arange(24) // 6 / 3 - 0.5
    slope = rng.normal(0, care.slope, 2)
    chart = 1 + slope[0] * x + slope[1] * y
    level = rng.normal(0, care.gain) + 0.5 * slope[0] * rng.uniform(-1, 1)
    hair = np.exp(level + rng.normal(0, 0.35 * care.gain, (*shape, 1)))
    return chart[:, None], hair


def _sensor_noise(rng: np.random.Generator, seen: Floats, signal: Floats, *, pixels: int) -> Floats:
    electrons = seen * signal * FULL_WELL
    spread = np.sqrt(np.maximum(electrons, 0) + 9.0) / np.sqrt(pixels)
    uneven = 0.003 * electrons / np.sqrt(pixels)
    noise = spread * rng.normal(size=seen.shape) + uneven * rng.normal(size=seen.shape)
    return np.asarray((electrons + noise) / (signal * FULL_WELL))


def _smooth_noise(rng: np.random.Generator, count: int, spread: float) -> Floats:
    """Smooth log changes along the spectrum, shape (count, 81)."""
    x = np.linspace(-1, 1, len(viewing_wavelengths()))
    shapes = np.stack([np.ones_like(x), x, 1.5 * x * x - 0.5]) * np.array([[0.8], [0.5], [0.3]])
    return np.asarray(spread * rng.normal(0, 1, (count, 3)) @ shapes)

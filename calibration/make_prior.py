"""Make ``prior.npz``: what cameras, lights and hair can be like, for calibration level 2.

``python calibration/make_prior.py`` draws cameras from a published basis (and takes the measured
ones that colour-science carries), puts them under the CIE's illuminants, and keeps mean and
covariance of sensitivity x light for RAW and for encoded photos, over all lights at once: priors
by light family, weighted by evidence, changed neither error nor coverage. Everything is kept in
the few spectral shapes that hair and chart patches are made of.

What is in the file (float32):

* ``basis`` (81, q): spectral shapes on the viewing's wavelengths, orthonormal;
* ``raw_mean``, ``encoded_mean`` (3q,), ``raw_covariance``, ``encoded_covariance`` (3q, 3q): of
  balanced sensitivity x light (a perfect white reads 1), red, green, blue one after the other, in
  the basis;
* ``hair``, ``true_hair`` (n, q): virtual hair in the basis as cameras see it under one light or
  another, and in daylight; two for hair that fluoresces, the same for all other;
* ``odds``, ``rare_odds`` (n,): what each counts in the mean, and in the spread about it.

Free material only: the basis, sensitivities and illuminants carried by colour-science.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from hairtone.chart.reference import load_reference
from hairtone.chart.types import GREYS
from hairtone.colorimetry import VIEWINGS, Floats
from hairtone.spectra.cameras import draw_basis_camera, measured_cameras
from hairtone.spectra.hair import Breadth, draw_broad_hair
from hairtone.spectra.lights import reference_light, reference_lights
from hairtone.spectra.viewing import viewing_wavelengths

FILE = Path(__file__).resolve().parent / "prior.npz"
SHAPES = 16  # q; hair and patches are then right to 0.02 ΔE00
CAMERAS = 60
# families of hair, how many of each, the share of photons they may give back, and what one of
# them counts in the mean and in the spread about it. Our choice: most dyes are broad, and what
# looks undyed mostly is, so that the mean is theirs; the spread has to hold the others too.
HAIRS = (
    (Breadth(dye_chance=0.0), 800, 0.0, (5.0, 3.0)),
    (Breadth(), 2800, 0.0, (1.0, 1.0)),
    (Breadth(dye_chance=0.7, width_nm=(11.0, 28.0), darkest=0.5), 900, 0.0, (0.15, 1.0)),
    (Breadth(dye_chance=0.7, width_nm=(16.0, 45.0), darkest=0.5), 700, 0.2, (0.15, 1.0)),
)
GLOW_NM = (15.0, 60.0)  # from where a dye takes light to where it glows; our choice
GLOW_WIDTH_NM = (16.0, 36.0)  # SD of the glow's band; our choice
SMOOTH_LIGHT_NM = 30.0  # the lines of a lamp are levelled so far under a glow; our choice
LEAST_POWER = 0.1  # of a light's mean; our choice, a factor on darkness means nothing
SEED = 20
WIDEN = 1.3  # of the drawn covariance: real cameras vary more than drawn ones; our choice
SMOOTH_NM = 18.0  # reach of free smooth deviations; our choice
SMOOTH_SD = 0.08  # their size against |mean| + 2 % of its peak; our choice
GAIN_SD = 0.03  # of each channel's level; our choice
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
SRGB_FROM_XYZ = np.array(  # IEC 61966-2-1
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def shapes(hair: Floats, charts: Floats) -> Floats:
    """The spectral shapes that hair and patches need, shape (81, q), orthonormal."""
    flat = np.ones((200, hair.shape[1]))  # greys are to be kept as they are
    stack = np.concatenate([hair, np.repeat(charts, 12, axis=0), flat])
    return np.linalg.svd(stack, full_matrices=False)[2][:SHAPES].T


def virtual_hair(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """What cameras see of hair, and what it is in daylight, shapes (n, 81); most hair glows not.

    A glow is a bell beyond the middle of what the dyes take, whose power is a share of theirs
    under the light. Cameras see it in one of the CIE's illuminants, each hair in another.
    """
    seen, true = [], []
    lights = np.stack([light.spectrum for light in reference_lights()])
    lights = gaussian_filter1d(lights, SMOOTH_LIGHT_NM / 5, axis=1, mode="nearest")
    lights = np.maximum(lights, LEAST_POWER)
    for number, (breadth, count, glow, _) in enumerate(HAIRS):
        hair, taken = draw_broad_hair(count, seed=SEED + number, breadth=breadth)
        share = rng.uniform(0, glow, (count, 1))
        lamp = lights[rng.integers(len(lights), size=count)]
        bell = glow_bells(taken, rng)
        daylight = reference_light("CIE D65").spectrum
        seen.append(hair + share * bell * (taken * lamp).sum(axis=1, keepdims=True) / lamp)
        true.append(hair + share * bell * (taken @ daylight)[:, None] / daylight)
    return np.concatenate(seen), np.concatenate(true)


def counted() -> Floats:
    """What each virtual hair counts in the mean and in the spread, shape (n, 2)."""
    return np.concatenate([np.tile(odds, (count, 1)) for _, count, _, odds in HAIRS])


def glow_bells(taken: Floats, rng: np.random.Generator) -> Floats:
    """Bells of sum 1 beyond the middle of what dyes take, shape (n, 81)."""
    wavelengths = viewing_wavelengths()
    middle = (taken @ wavelengths) / np.maximum(taken.sum(axis=1), 1e-9)
    middle = (middle + rng.uniform(*GLOW_NM, len(taken)))[:, None]
    width = rng.uniform(*GLOW_WIDTH_NM, (len(taken), 1))
    bell = np.exp(-0.5 * ((wavelengths - middle) / width) ** 2)
    return np.asarray(bell / bell.sum(axis=1, keepdims=True))


def responses(rng: np.random.Generator, *, encoded: bool) -> Floats:
    """Balanced sensitivity x light of every camera in every light, shape (n, 3, 81)."""
    cameras = [draw_basis_camera(seed=SEED * 1000 + k) for k in range(CAMERAS)]
    cameras += list(measured_cameras())
    found: list[Floats] = []
    for light in reference_lights():
        for camera in cameras:
            response = camera.sensitivities * light.spectrum
            response = response / response.sum(axis=1, keepdims=True)
            found.append(rendered(response, rng) if encoded else response)
    return np.stack(found)


def rendered(response: Floats, rng: np.random.Generator) -> Floats:
    """A response after an in-camera matrix: to sRGB, with more chroma, not quite exact."""
    chart = load_reference("chart24-average30")
    wanted = chart.xyz(VIEWINGS["D65/2"]) @ SRGB_FROM_XYZ.T
    matrix = np.linalg.lstsq(chart.reflectance @ response.T, wanted, rcond=None)[0].T
    saturation = rng.uniform(0.95, 1.35)
    matrix = (saturation * np.eye(3) + (1 - saturation) * LUMINANCE) @ matrix
    mixed = (matrix + rng.normal(0, 0.04, (3, 3))) @ response
    return np.asarray(mixed / (mixed @ chart.reflectance[GREYS[2]])[:, None]) * (
        chart.reflectance[GREYS[2]].mean()
    )


def moments(items: Floats, basis: Floats) -> tuple[Floats, Floats]:
    """Mean and widened covariance of responses in the basis, shapes (3q,) and (3q, 3q)."""
    wavelengths = viewing_wavelengths()
    flat = items.reshape(len(items), -1)
    mean = flat.mean(axis=0)
    size = np.abs(mean) + 0.02 * np.abs(mean).max()
    reach = np.exp(-0.5 * ((wavelengths[:, None] - wavelengths) / SMOOTH_NM) ** 2)
    covariance = WIDEN * np.cov(flat.T)
    covariance += SMOOTH_SD**2 * np.kron(np.eye(3), reach) * np.outer(size, size)
    level = np.kron(np.eye(3), np.ones((len(wavelengths),) * 2))
    covariance += GAIN_SD**2 * level * np.outer(mean, mean)
    project = np.kron(np.eye(3), basis)
    return mean @ project, project.T @ covariance @ project


def main() -> None:
    """Write ``prior.npz``."""
    rng = np.random.default_rng(SEED)
    hair, true_hair = virtual_hair(np.random.default_rng([SEED, 1]))
    names = ("chart24-average30", "chart24-after-2014-11", "chart24-before-2014-11")
    basis = shapes(
        np.concatenate([hair, true_hair]),
        np.concatenate([load_reference(n).reflectance for n in names]),
    )
    kept: dict[str, np.ndarray] = {
        "basis": basis,
        "hair": hair @ basis,
        "true_hair": true_hair @ basis,
        **dict(zip(("odds", "rare_odds"), counted().T, strict=True)),
    }
    for kind in ("raw", "encoded"):
        mean, covariance = moments(responses(rng, encoded=kind == "encoded"), basis)
        kept[f"{kind}_mean"], kept[f"{kind}_covariance"] = mean, covariance
    np.savez_compressed(FILE, **{key: value.astype(np.float32) for key, value in kept.items()})


if __name__ == "__main__":
    main()

"""What general libraries give on the same photo: the figures to beat.

Chart by OpenCV, sRGB decoded, a 3 × 3 by least squares, hair averaged through scikit-image. It is
told which pixels are hair, and the chart's corners where it finds none.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import xyz2lab

from hairtone.chart.types import ChartReference
from hairtone.colorimetry import (
    DEFAULT_VIEWING,
    VIEWINGS,
    Floats,
    decode_srgb,
    delta_e,
    xyz_to_lab,
)
from hairtone.scene.types import ZONES, TressTruth

CCM_GAMMA = 2.2  # OpenCV's default linearisation
CHROMATIC = range(18)  # patches left out one at a time; the greys carry the tone
XYZ_FROM_SRGB = np.array(  # IEC 61966-2-1:1999, four decimals as printed
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)


def baseline_zones(
    picture: NDArray[np.uint8] | NDArray[np.uint16],
    tress: TressTruth,
    corners: Floats,
    *,
    reference: ChartReference,
) -> tuple[dict[str, Floats], bool]:
    """L*a*b* of the zones (D65/10), and whether the chart was found without help.

    Parameters
    ----------
    picture : ndarray, shape (height, width, 3)
        RGB: 8-bit encoded, or 16-bit linear.
    tress : TressTruth
        Which pixels are hair, and where roots and ends are.
    corners : ndarray, shape (4, 2)
        True corners of the chart.
    reference : ChartReference
        What the patches are.
    """
    is_raw = picture.dtype == np.uint16
    patches = None if is_raw else _found_patches(np.asarray(picture, np.uint8))
    found = patches is not None
    if patches is None:
        patches = _patches_at(picture, corners)
    scale = np.iinfo(picture.dtype).max
    linear = patches / scale if is_raw else decode_srgb(patches / scale)
    matrix = np.linalg.lstsq(linear, reference.xyz(DEFAULT_VIEWING), rcond=None)[0]
    x0, y0, x1, y1 = tress.box
    hair = picture[y0:y1, x0:x1][tress.mask] / scale
    light = hair if is_raw else decode_srgb(hair)
    lab = xyz2lab(np.clip(light @ matrix, 0, None), illuminant="D65", observer="10")
    share = _share_along(tress)
    edges = (0.0, 1 / 3, 2 / 3, 1.0)
    return {
        zone: lab[(share >= edges[k]) & (share <= edges[k + 1])].mean(axis=0)
        for k, zone in enumerate(ZONES)
    }, found


def _share_along(tress: TressTruth) -> Floats:
    x0, y0, _, _ = tress.box
    y, x = np.nonzero(tress.mask)
    way = tress.line[-1] - tress.line[0]
    return np.asarray(
        ((x + x0 - tress.line[0, 0]) * way[0] + (y + y0 - tress.line[0, 1]) * way[1]) / (way @ way)
    )


def _found_patches(picture: NDArray[np.uint8]) -> Floats | None:
    """Patch means by OpenCV's chart detector, RGB in codes; None when it finds no chart."""
    detector = cv2.mcc.CCheckerDetector_create()
    detector.setColorChartType(cv2.mcc.MCC24)
    cv2.setRNGSeed(1)
    if not detector.process(np.ascontiguousarray(picture[..., ::-1]), 1):
        return None
    checker = detector.getBestColorChecker()
    quads = np.asarray(checker.getColorCharts(), np.float64).reshape(24, 4, 2)
    return _quad_means(picture, quads)


def _patches_at(picture: NDArray[np.generic], corners: Floats) -> Floats:
    """Patch means on an even grid between known corners."""
    u = (np.arange(24) % 6 + 0.5) / 6
    v = (np.arange(24) // 6 + 0.5) / 4
    a, b, c, d = corners

    def at(u: Floats, v: Floats) -> Floats:
        u, v = u[:, None], v[:, None]
        return np.asarray((1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * d + u * c))

    offsets = ((-0.03, -0.045), (0.03, -0.045), (0.03, 0.045), (-0.03, 0.045))
    quads = np.stack([at(u + du, v + dv) for du, dv in offsets], axis=1)
    return _quad_means(picture, quads)


def _quad_means(picture: NDArray[np.generic], quads: Floats) -> Floats:
    means = []
    for quad in quads:
        middle = quad.mean(axis=0)
        inner = np.round(middle + 0.6 * (quad - middle)).astype(np.int32)
        low, high = inner.min(axis=0), inner.max(axis=0) + 1
        mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        cv2.fillConvexPoly(mask, inner - low, 1)
        means.append(picture[low[1] : high[1], low[0] : high[0]][mask > 0].mean(axis=0))
    return np.asarray(means, np.float64)


def held_out_3x3(encoded: Floats, reference: ChartReference, *, is_raw: bool = False) -> Floats:
    """ΔE00 of each chromatic patch left out of sRGB decoding and a 3 × 3, shape (18,); D65/10."""
    linear = encoded if is_raw else decode_srgb(encoded)
    wanted = reference.xyz(DEFAULT_VIEWING)
    errors = []
    for patch in CHROMATIC:
        kept = np.arange(24) != patch
        matrix = np.linalg.lstsq(linear[kept], wanted[kept], rcond=None)[0]
        found = np.maximum(linear[patch] @ matrix, 1e-6)
        lab = xyz_to_lab(100 * found, white=DEFAULT_VIEWING.white)
        errors.append(float(delta_e(reference.lab(DEFAULT_VIEWING)[patch], lab)))
    return np.array(errors)


def held_out_ccm(encoded: Floats, reference: ChartReference) -> Floats:
    """The same by OpenCV's colour correction with its defaults (gamma 2.2, 3 × 3); D65/2."""
    viewing = VIEWINGS["D65/2"]
    wanted = reference.xyz(viewing)
    errors = []
    for patch in CHROMATIC:
        kept = np.arange(24) != patch
        model = cv2.ccm.ColorCorrectionModel(
            np.ascontiguousarray(encoded[kept][:, None]),
            np.ascontiguousarray(wanted[kept][:, None]),
            cv2.ccm.COLOR_SPACE_XYZ_D65_2,
        )
        model.setRGB(True)
        model.setColorSpace(cv2.ccm.COLOR_SPACE_SRGB)
        model.setCcmType(cv2.ccm.CCM_LINEAR)
        model.setLinearization(cv2.ccm.LINEARIZATION_GAMMA)
        model.compute()
        # by its matrix: correctImage() turns negative light into NaN
        light = np.sign(encoded[patch]) * np.abs(encoded[patch]) ** CCM_GAMMA
        rgb = np.clip(light @ model.getColorCorrectionMatrix(), 0, 1)
        xyz = rgb @ XYZ_FROM_SRGB.T
        lab = xyz_to_lab(100 * xyz, white=viewing.white)
        errors.append(float(delta_e(reference.lab(viewing)[patch], lab)))
    return np.array(errors)

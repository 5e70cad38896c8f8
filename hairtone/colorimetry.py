"""CIELAB and colour differences, in float64, for arrays of any shape with colour last.

References
----------
.. [1] ISO/CIE 11664-4:2019, Colorimetry, Part 4: CIE 1976 L*a*b* colour space.
.. [2] ISO/CIE 11664-6:2014, Colorimetry, Part 6: CIEDE2000 colour-difference formula.
.. [3] G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30 (2005) 21-30, doi:10.1002/col.20070.
.. [4] ISO 105-J03:2009, Textiles, Calculation of colour differences, Table 1 (white points) and
   CMC(l:c).
.. [5] CIE 116-1995, Industrial colour-difference evaluation (CIE94). From memory.
.. [6] IEC 61966-2-1:1999, sRGB.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
DifferenceFormula = Callable[[ArrayLike, ArrayLike], Floats]

EPSILON: Final = 216 / 24389  # (6/29)^3, where cube root and straight line meet; [1], 3.3
KAPPA: Final = 24389 / 27  # (29/3)^3, slope of the straight line; [1], 3.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewing:
    """Illuminant and observer that a colour is stated for.

    Attributes
    ----------
    name : str
        Illuminant and observer as reports write it, such as ``"D65/10"``.
    white : tuple of float
        XYZ of the perfect diffuser, Y = 100.
    """

    name: str
    white: tuple[float, float, float]

    def __str__(self) -> str:
        return self.name


VIEWINGS: Final = {
    "D65/10": Viewing(name="D65/10", white=(94.811, 100.0, 107.304)),  # [4], Table 1
    "D65/2": Viewing(name="D65/2", white=(95.047, 100.0, 108.883)),  # [4], Table 1
    "D50/2": Viewing(name="D50/2", white=(96.422, 100.0, 82.521)),  # CIE 15, from memory
}
DEFAULT_VIEWING: Final = VIEWINGS["D65/10"]

_SRGB_FROM_XYZ: Final = np.array(  # [6], four decimals as the standard prints them
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def viewing_named(name: str) -> Viewing:
    """The viewing of that name.

    Raises
    ------
    ValueError
        No such viewing; the message lists those there are.
    """
    try:
        return VIEWINGS[name]
    except KeyError:
        known = ", ".join(VIEWINGS)
        raise ValueError(f"Viewing {name!r} is not known. Choose one of {known}.") from None


def xyz_to_lab(xyz: ArrayLike, *, white: ArrayLike = DEFAULT_VIEWING.white) -> Floats:
    """Return CIE 1976 L*a*b* of tristimulus values [1]_.

    Parameters
    ----------
    xyz : array_like, shape (..., 3)
        Tristimulus values on the scale of `white`.
    white : array_like, shape (3,), optional
        XYZ of the perfect diffuser under the same light.
    """
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(white, dtype=np.float64)
    root = np.cbrt(ratio)
    if (is_dark := ratio <= EPSILON).any():
        root = np.where(is_dark, (KAPPA * ratio + 16) / 116, root)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike, *, white: ArrayLike = DEFAULT_VIEWING.white) -> Floats:
    """Return tristimulus values of CIE 1976 L*a*b*, on the scale of `white` [1]_."""
    lightness, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    y = (lightness + 16) / 116
    root = np.stack([y + a / 500, y, y - b / 200], axis=-1)
    ratio = root * root * root
    if (is_dark := ratio <= EPSILON).any():
        ratio = np.where(is_dark, (116 * root - 16) / KAPPA, ratio)
    return ratio * np.asarray(white, dtype=np.float64)


def chroma(lab: ArrayLike) -> Floats:
    """C*ab of L*a*b*."""
    lab = np.asarray(lab, dtype=np.float64)
    return np.hypot(lab[..., 1], lab[..., 2])


def hue_angle(lab: ArrayLike) -> Floats:
    """h_ab of L*a*b*. [degrees, 0 to 360]"""
    lab = np.asarray(lab, dtype=np.float64)
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360


def lch_difference(reference: ArrayLike, sample: ArrayLike) -> Floats:
    """Signed ΔL*, ΔC*, ΔH* of `sample` against `reference`, last axis in that order [1]_.

    ΔH* is positive where the hue angle grows. ΔL*² + ΔC*² + ΔH*² = ΔE*ab².
    """
    first, second = (np.asarray(v, dtype=np.float64) for v in (reference, sample))
    c1, c2 = chroma(first), chroma(second)
    cross = first[..., 1] * second[..., 2] - first[..., 2] * second[..., 1]
    dot = first[..., 1] * second[..., 1] + first[..., 2] * second[..., 2]
    dh = np.sqrt(np.maximum(2 * (c1 * c2 - dot), 0.0)) * np.where(cross < 0, -1.0, 1.0)
    return np.stack([second[..., 0] - first[..., 0], c2 - c1, dh], axis=-1)


def delta_e_ab(reference: ArrayLike, sample: ArrayLike) -> Floats:
    """Return the CIE 1976 colour difference, the distance in L*a*b* [1]_."""
    gap = np.asarray(sample, dtype=np.float64) - np.asarray(reference, dtype=np.float64)
    return np.asarray(np.sqrt((gap**2).sum(axis=-1)))


def delta_e(
    reference: ArrayLike, sample: ArrayLike, *, k_l: float = 1.0, k_c: float = 1.0, k_h: float = 1.0
) -> Floats:
    """Return the CIEDE2000 colour difference [2]_, in the form of [3]_.

    Parameters
    ----------
    reference, sample : array_like, shape (..., 3)
        L*a*b* of the two colours; the shapes broadcast.
    k_l, k_c, k_h : float, optional
        Parametric factors. 1 for hair; textiles may choose `k_l` = 2.
    """
    weighted, rotation = _weighted_differences(reference, sample, k_l=k_l, k_c=k_c, k_h=k_h)
    dl, dc, dh = np.moveaxis(weighted, -1, 0)
    return np.sqrt(np.maximum(dl**2 + dc**2 + dh**2 + rotation * dc * dh, 0.0))


def _weighted_differences(
    reference: ArrayLike, sample: ArrayLike, *, k_l: float, k_c: float, k_h: float
) -> tuple[Floats, Floats]:
    """ΔL'/(k_L S_L), ΔC'/(k_C S_C), ΔH'/(k_H S_H) and R_T of CIEDE2000; [3], eqs 2-21."""
    first, second = (np.asarray(v, dtype=np.float64) for v in (reference, sample))
    l1, a1, b1 = np.moveaxis(first, -1, 0)
    l2, a2, b2 = np.moveaxis(second, -1, 0)
    stretch = 1.5 - 0.5 * _chroma_share((_length(a1, b1) + _length(a2, b2)) / 2)
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = _length(a1, b1), _length(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))

    grey = c1 * c2 == 0
    turn = h2 - h1
    turn = turn - 360 * (turn > 180) + 360 * (turn < -180)
    dh = np.where(grey, 0.0, 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2))
    total = h1 + h2
    around = np.where(np.abs(h1 - h2) > 180, np.where(total < 360, 180.0, -180.0), 0.0)
    mean_h = np.where(grey, total, total / 2 + around)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2

    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    spread = (mean_l - 50) ** 2
    s_l = 1 + 0.015 * spread / np.sqrt(20 + spread)
    s_c = 1 + 0.045 * mean_c
    s_h = 1 + 0.015 * mean_c * t
    tilt = 60 * np.exp(-(((mean_h - 275) / 25) ** 2))
    rotation = -2 * _chroma_share(mean_c) * np.sin(np.radians(tilt))
    weighted = np.stack(
        [(l2 - l1) / (k_l * s_l), (c2 - c1) / (k_c * s_c), dh / (k_h * s_h)], axis=-1
    )
    return weighted, rotation


def _length(a: Floats, b: Floats) -> Floats:
    """Of vectors of two parts; without the care for overflow that makes `numpy.hypot` slow."""
    return np.sqrt(a * a + b * b)


def _chroma_share(mean_c: Floats) -> Floats:
    """What grows from 0 to 1 about a chroma of 25: sqrt(C^7 / (C^7 + 25^7))."""
    cube = mean_c * mean_c * mean_c
    seventh = cube * cube * mean_c
    return np.sqrt(seventh / (seventh + 25.0**7))


def delta_e_metric(lab: ArrayLike) -> Floats:
    """Local metric G of CIEDE2000: ΔE00² = dᵀ·G·d for small d around `lab`.

    Parameters
    ----------
    lab : array_like, shape (..., 3)
        L*a*b* the metric is taken at.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Symmetric, positive definite: the weights in [2]_, both colours sharing one a* stretch.
    """
    lab = np.asarray(lab, dtype=np.float64)
    lightness, a, b = np.moveaxis(lab, -1, 0)
    stretch = 1.5 - 0.5 * _chroma_share(_length(a, b))
    a_prime = a * stretch
    c_prime = _length(a_prime, b)
    h = np.where(c_prime > 0, np.arctan2(b, a_prime), 0.0)
    t = (
        1
        - 0.17 * np.cos(h - np.radians(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.radians(6))
        - 0.20 * np.cos(4 * h - np.radians(63))
    )
    spread = (lightness - 50) ** 2
    s_l = 1 + 0.015 * spread / np.sqrt(20 + spread)
    s_c, s_h = 1 + 0.045 * c_prime, 1 + 0.015 * c_prime * t
    tilt = 60 * np.exp(-(((np.degrees(h) % 360 - 275) / 25) ** 2))
    rotation = -2 * _chroma_share(c_prime) * np.sin(np.radians(tilt))

    jacobian = np.zeros((*lab.shape[:-1], 3, 3))  # of (ΔL', ΔC', ΔH') by (L, a, b)
    cos, sin = np.cos(h), np.sin(h)
    jacobian[..., 0, 0] = 1 / s_l
    jacobian[..., 1, 1], jacobian[..., 1, 2] = cos * stretch / s_c, sin / s_c
    jacobian[..., 2, 1], jacobian[..., 2, 2] = -sin * stretch / s_h, cos / s_h
    inner = np.zeros_like(jacobian)
    inner[..., [0, 1, 2], [0, 1, 2]] = 1.0
    inner[..., 1, 2] = inner[..., 2, 1] = rotation / 2
    return np.asarray(np.swapaxes(jacobian, -1, -2) @ inner @ jacobian)


def delta_e_94(
    reference: ArrayLike,
    sample: ArrayLike,
    *,
    k_l: float = 1.0,
    k_1: float = 0.045,
    k_2: float = 0.015,
) -> Floats:
    """Return the CIE94 colour difference [5]_; the weights are those of `reference`.

    Defaults are the graphic-arts constants; textiles take `k_l` = 2, `k_1` = .048, `k_2` = .014.
    """
    dl, dc, dh = np.moveaxis(lch_difference(reference, sample), -1, 0)
    c1 = chroma(reference)
    return np.sqrt((dl / k_l) ** 2 + (dc / (1 + k_1 * c1)) ** 2 + (dh / (1 + k_2 * c1)) ** 2)


def delta_e_cmc(
    reference: ArrayLike, sample: ArrayLike, *, lightness: float = 2.0, chroma_factor: float = 1.0
) -> Floats:
    """Return the CMC(l:c) colour difference [4]_; the weights are those of `reference`.

    Parameters
    ----------
    reference, sample : array_like, shape (..., 3)
        L*a*b* of the standard and of the colour compared with it.
    lightness, chroma_factor : float, optional
        l and c; 2:1 for acceptability, 1:1 for perceptibility.
    """
    reference = np.asarray(reference, dtype=np.float64)
    dl, dc, dh = np.moveaxis(lch_difference(reference, sample), -1, 0)
    l1, c1, h1 = reference[..., 0], chroma(reference), hue_angle(reference)
    s_l = np.where(l1 < 16, 0.511, 0.040975 * l1 / (1 + 0.01765 * l1))
    s_c = 0.0638 * c1 / (1 + 0.0131 * c1) + 0.638
    t = np.where(
        (h1 >= 164) & (h1 <= 345),
        0.56 + np.abs(0.2 * np.cos(np.radians(h1 + 168))),
        0.36 + np.abs(0.4 * np.cos(np.radians(h1 + 35))),
    )
    f = np.sqrt(c1**4 / (c1**4 + 1900))
    s_h = s_c * (f * t + 1 - f)
    return np.sqrt(
        (dl / (lightness * s_l)) ** 2 + (dc / (chroma_factor * s_c)) ** 2 + (dh / s_h) ** 2
    )


def encode_srgb(linear: ArrayLike) -> Floats:
    """Encoded values 0..1 of linear light 0..1, the transfer of sRGB [6]_."""
    linear = np.asarray(linear, dtype=np.float64)
    curve = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, curve)


def decode_srgb(encoded: ArrayLike) -> Floats:
    """Linear light 0..1 of encoded values 0..1, the transfer of sRGB [6]_."""
    encoded = np.asarray(encoded, dtype=np.float64)
    curve = ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, encoded / 12.92, curve)


def screen_colour(lab: ArrayLike) -> NDArray[np.uint8]:
    """8-bit sRGB to show L*a*b* on a screen, clipped to what a screen can show.

    L*a*b* of any viewing is shown relative to the screen's own white, as an adapted eye sees it.
    A screen is no measuring device: for chips and pictures only.
    """
    xyz = lab_to_xyz(lab, white=np.array(VIEWINGS["D65/2"].white) / 100)
    return np.round(255 * np.clip(encode_srgb(xyz @ _SRGB_FROM_XYZ.T), 0, 1)).astype(np.uint8)

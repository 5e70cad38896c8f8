"""How code values stand for light: the encodings that photographs come in.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB: primaries, white, transfer.
.. [2] SMPTE EG 432-1:2010, D65 P3 primaries, with the transfer of [1]_. From memory.
.. [3] Adobe RGB (1998) colour image encoding, version 2005-05: primaries, gamma 563/256.
   From memory; the gamma as profiles carry it.
.. [4] ITU-R BT.2020-2 (2015): primaries. From memory.
.. [5] ICC.1:2022, Annex E: linear Bradford adaptation to D50.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import VIEWINGS, encode_srgb
from hairtone.photo.types import Encoding

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]

D65_WHITE: Final = np.array(VIEWINGS["D65/2"].white) / 100
D50_WHITE: Final = np.array([0.9642, 1.0, 0.8249])  # [5]: the profile connection space, as printed
PRIMARIES: Final = {  # xy of red, green, blue
    "sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),  # [1]
    "Display P3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),  # [2]
    "Adobe RGB": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),  # [3]
    "Rec. 2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),  # [4]
}
ADOBE_GAMMA: Final = 563 / 256  # [3]
SAME_MATRIX: Final = 2e-3  # our choice: published versions of one encoding differ by less
_SAME_TONE: Final = 1e-3  # our choice: a quarter of an 8-bit code; profiles' tables are that coarse
_BRADFORD: Final = np.array(  # [5]
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def srgb_encoding(levels: int) -> Encoding:
    """sRGB; the table is the identity.

    Parameters
    ----------
    levels : int
        Number of codes of a channel, 256 or 65536.
    """
    return _encoding("sRGB", identity_table(levels), primaries_to_xyz(PRIMARIES["sRGB"]))


def display_p3_encoding(levels: int) -> Encoding:
    """Display P3: other primaries, the transfer of sRGB."""
    return _encoding(
        "Display P3", identity_table(levels), primaries_to_xyz(PRIMARIES["Display P3"])
    )


def adobe_rgb_encoding(levels: int) -> Encoding:
    """Adobe RGB (1998)."""
    curve = power_curve(ADOBE_GAMMA)
    matrix = primaries_to_xyz(PRIMARIES["Adobe RGB"])
    return curved_encoding("Adobe RGB", (curve, curve, curve), matrix, levels=levels)


def linear_raw_encoding(levels: int) -> Encoding:
    """Camera RAW: codes are proportional to light, colours are the camera's own."""
    return Encoding(
        name="linear raw", table=_sealed(identity_table(levels)), to_xyz=_sealed(np.eye(3)),
        is_linear=True,
    )  # fmt: skip


def curved_encoding(
    name: str, curves: tuple[Curve, Curve, Curve], to_xyz: Floats, *, levels: int
) -> Encoding:
    """An encoding with its own transfer, undone and replaced by that of sRGB.

    Parameters
    ----------
    name : str
        What the encoding is called.
    curves : tuple of callable
        Code 0..1 -> linear light 0..1, per channel.
    to_xyz : ndarray, shape (3, 3)
        Linear RGB -> XYZ (D65, Y of white = 1).
    levels : int
        Number of codes of a channel.
    """
    plain = identity_table(levels)
    light = np.stack([curve(plain[:, channel]) for channel, curve in enumerate(curves)], axis=-1)
    table = encode_srgb(np.clip(light, 0.0, 1.0))
    if np.abs(table - plain).max() < _SAME_TONE:
        table = plain
    return _encoding(name, table, to_xyz)


def identity_table(levels: int) -> Floats:
    """code / (levels - 1) for three channels."""
    return np.repeat(np.arange(levels)[:, None] / (levels - 1), 3, axis=1)


def power_curve(gamma: float) -> Curve:
    """Transfer of a plain power law."""
    return lambda code: np.asarray(np.power(code, gamma))


def primaries_to_xyz(
    primaries: tuple[tuple[float, float], ...], *, white: Floats = D65_WHITE
) -> Floats:
    """Linear RGB -> XYZ of primaries given by their chromaticities, RGB = 1 giving `white`."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    return np.asarray(columns * np.linalg.solve(columns, white))


def adaptation(source: Floats, target: Floats) -> Floats:
    """Linear Bradford adaptation from one white to another [5]_."""
    gain = (_BRADFORD @ target) / (_BRADFORD @ source)
    return np.asarray(np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD))


def _encoding(name: str, table: Floats, to_xyz: Floats) -> Encoding:
    to_srgb = np.asarray(np.linalg.inv(primaries_to_xyz(PRIMARIES["sRGB"])) @ to_xyz, np.float64)
    is_srgb = bool(np.abs(to_srgb - np.eye(3)).max() < SAME_MATRIX)
    return Encoding(
        name=name,
        table=_sealed(table),
        to_xyz=_sealed(to_xyz),
        to_srgb=None if is_srgb else _sealed(to_srgb),
    )


def _sealed(array: Floats) -> Floats:
    array.flags.writeable = False
    return array

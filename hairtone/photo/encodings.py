"""How code values stand for light: named encodings, and ICC profiles of matrix and curves.

Profiles are read strictly and by ourselves: Pillow's colour engine works with 8 bits only.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB: primaries, white, transfer.
.. [2] SMPTE EG 432-1:2010, D65 P3 primaries, with the transfer of [1]_. From memory.
.. [3] Adobe RGB (1998) colour image encoding, version 2005-05: primaries, gamma 563/256.
   From memory; the gamma as profiles carry it.
.. [4] ITU-R BT.2020-2 (2015): primaries. From memory.
.. [5] ICC.1:2022 (profile version 4.4), 7.2 (header), 7.3 (tags), 8.4 (display profiles), 10.6
   (curves), 10.18 (parametric curves), 10.31 (XYZ), Annex E (linear Bradford adaptation to D50).
   Field offsets from memory, checked in the tests against a second implementation.
"""

from __future__ import annotations

import dataclasses
import struct
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import VIEWINGS, encode_srgb
from hairtone.errors import Flag
from hairtone.photo.limits import bad_profile
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
_MOST_TAGS: Final = 200  # our choice: profiles hold a dozen
_WHITE_REACH: Final = 0.05  # our choice: a sum of the colorants farther from D50 is no such profile
_DIP: Final = 1e-3  # our choice: what rounded constants do where two pieces of a curve meet
_CLASSES: Final = (b"mntr", b"scnr", b"spac", b"prtr")  # [1], 7.2.5: devices and colour spaces
_PARAMETRIC: Final = (1, 3, 4, 5, 7)  # [1], table 68: parameters of function types 0 to 4
_NEEDED: Final = (b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC")


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


def read_profile(profile: bytes, *, levels: int) -> tuple[Encoding, tuple[Flag, ...]]:
    """What an RGB profile with matrix and curves says, and the doubts about it.

    Parameters
    ----------
    profile : bytes
        As embedded in the photograph.
    levels : int
        Number of codes of a channel, 256 or 65536.

    Raises
    ------
    PhotoError
        ``"colour-profile"``: damaged, not for RGB, or one of look-up tables only.
    """
    tags = _read_tags(profile)
    missing = [name for name in _NEEDED if name not in tags]
    if missing:
        kind = "is one of look-up tables" if b"A2B0" in tags else "lacks its matrix or curves"
        raise bad_profile(f"it {kind}")
    colorants = np.stack([_read_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=-1)
    off_white = float(np.abs(colorants.sum(axis=1) - D50_WHITE).max())
    if off_white > _WHITE_REACH or abs(np.linalg.det(colorants)) < 1e-4:
        raise bad_profile(f"its white is {off_white:.2f} away from D50")
    to_xyz = adaptation(colorants.sum(axis=1), D65_WHITE) @ colorants
    red, green, blue = (_read_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC"))
    encoding = curved_encoding(_name_of(to_xyz, tags), (red, green, blue), to_xyz, levels=levels)
    return _without_name_of_another_tone(encoding, tags), _doubts(tags)


def _read_tags(profile: bytes) -> dict[bytes, bytes]:
    """Tag table of a profile whose header is sound and speaks of RGB."""
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise bad_profile("it is damaged (no profile header)")
    size, kind, space, connection = struct.unpack_from(">I8x4s4s4s", profile)
    if size > len(profile):
        raise bad_profile(f"it is damaged ({len(profile)} of {size} bytes are there)")
    if space != b"RGB ":
        raise bad_profile(f"it is for {_printable(space)} colours, the photo is RGB")
    if kind not in _CLASSES or connection not in (b"XYZ ", b"Lab "):
        raise bad_profile(f"it is of class {_printable(kind)}, not that of a photograph")
    (count,) = struct.unpack_from(">I", profile, 128)
    if count > _MOST_TAGS or 132 + 12 * count > size:
        raise bad_profile(f"it is damaged ({count} tags)")
    tags: dict[bytes, bytes] = {}
    for at in range(132, 132 + 12 * count, 12):
        name, offset, length = struct.unpack_from(">4sII", profile, at)
        if offset + length > size or length < 8:
            raise bad_profile(f"it is damaged (tag {_printable(name)} lies outside)")
        tags[name] = profile[offset : offset + length]
    return tags


def _read_xyz(tag: bytes) -> Floats:
    if tag[:4] != b"XYZ " or len(tag) < 20:
        raise bad_profile("it is damaged (a colorant is no XYZ)")
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536


def _read_curve(tag: bytes) -> Curve:
    if tag[:4] == b"curv" and len(tag) >= 12:
        curve = _sampled_curve(tag)
    elif tag[:4] == b"para" and len(tag) >= 12:
        curve = _parametric_curve(tag)
    else:
        raise bad_profile(f"its curve is of type {_printable(tag[:4])}")
    ramp = curve(np.linspace(0.0, 1.0, 256))
    if not np.isfinite(ramp).all() or ramp[-1] < 0.5 or (np.diff(ramp) < -_DIP).any():
        raise bad_profile("its curve does not rise")
    return curve


def _sampled_curve(tag: bytes) -> Curve:
    (count,) = struct.unpack_from(">I", tag, 8)
    if 12 + 2 * count > len(tag):
        raise bad_profile(f"it is damaged (a curve of {count} points is cut off)")
    if count == 0:
        return power_curve(1.0)
    points = np.frombuffer(tag, ">u2", count, 12).astype(np.float64)
    if count == 1:
        return power_curve(points[0] / 256)
    places = np.linspace(0.0, 1.0, count)
    return lambda code: np.interp(code, places, points / 65535)


def _parametric_curve(tag: bytes) -> Curve:
    """Function types of [1]_, table 68; g a b c d e f as printed there."""
    (kind,) = struct.unpack_from(">H", tag, 8)
    if kind >= len(_PARAMETRIC) or len(tag) < 12 + 4 * _PARAMETRIC[kind]:
        raise bad_profile(f"it is damaged (a parametric curve of type {kind})")
    given = np.array(struct.unpack_from(f">{_PARAMETRIC[kind]}i", tag, 12)) / 65536
    g, a, b, c, d, e, f = np.pad(given, (0, 7 - len(given)))
    if kind == 0:
        return power_curve(g)
    if kind in (1, 2):
        if a == 0:
            raise bad_profile("its curve does not rise")
        # type 2 adds its c on both sides of the joint; type 1 has none
        slope, d, e, f = 0.0, -b / a, c, c
    else:
        slope = c
    return lambda code: np.where(
        code >= d, np.maximum(a * code + b, 0.0) ** g + e, slope * code + f
    )


def _name_of(to_xyz: Floats, tags: Mapping[bytes, bytes]) -> str:
    """Name of the encoding with these primaries, or the profile's own name for itself."""
    for name, primaries in PRIMARIES.items():
        if np.abs(primaries_to_xyz(primaries) - to_xyz).max() < SAME_MATRIX:
            return name
    return _own_name(tags)


def _without_name_of_another_tone(encoding: Encoding, tags: Mapping[bytes, bytes]) -> Encoding:
    """Keep the names of sRGB and Display P3 for profiles that have their transfer too."""
    is_plain = bool((encoding.table == identity_table(len(encoding.table))).all())
    if encoding.name in ("sRGB", "Display P3") and not is_plain:
        return dataclasses.replace(encoding, name=_own_name(tags))
    return encoding


def _own_name(tags: Mapping[bytes, bytes]) -> str:
    """Text of the description tag, printable characters only."""
    tag = tags.get(b"desc", b"")
    if tag[:4] == b"mluc" and len(tag) >= 28:
        length, offset = struct.unpack_from(">II", tag, 20)
        text = tag[offset : offset + min(length, 160)].decode("utf-16-be", errors="replace")
    else:
        text = tag[12:92].split(b"\0", 1)[0].decode("latin-1")
    name = "".join(c for c in text if c.isprintable()).strip()[:80]
    return name or "a profile without a name"


def _doubts(tags: Mapping[bytes, bytes]) -> tuple[Flag, ...]:
    if b"A2B0" not in tags:
        return ()
    return (
        Flag(
            code="profile-tables-left-out",
            says="The colour profile holds look-up tables beside its matrix; the matrix is used.",
            remedy="Export as sRGB, or send the camera's original file.",
        ),
    )


def _printable(name: bytes) -> str:
    return repr(name.decode("latin-1").strip())

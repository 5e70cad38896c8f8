"""ICC profiles: against published matrices, and against a second implementation."""

from __future__ import annotations

import io
import struct
import warnings
import zlib

import colour
import numpy as np
import pytest
from faults.make_faults import icc_profile, to_space
from photo.colours import worst_delta_e
from photo.pictures import camera_exif, camera_jpeg, deep_png, encoded, picture
from PIL import Image, ImageCms
from published import shared_folder

from hairtone.colorimetry import decode_srgb, encode_srgb
from hairtone.errors import PhotoError
from hairtone.photo.encodings import (
    adobe_rgb_encoding,
    curved_encoding,
    display_p3_encoding,
    power_curve,
    read_profile,
    srgb_encoding,
)
from hairtone.photo.pixels import encoded_values
from hairtone.photo.reader import read_photo_bytes
from hairtone.photo.types import Photo

SPACES = {"p3": "Display P3", "adobe": "Adobe RGB", "rec2020": "Rec. 2020", "srgb": "sRGB"}
RNG = np.random.default_rng(5)
CODES = RNG.integers(0, 256, (64, 64, 3), dtype=np.uint8)


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        (srgb_encoding(256), "sRGB"),
        (display_p3_encoding(256), "Display P3"),
        (adobe_rgb_encoding(256), "Adobe RGB (1998)"),
    ],
    ids=lambda value: getattr(value, "name", value),
)
def test_linear_rgb_to_xyz_agrees_with_the_published_matrices(encoding, name):
    """IEC 61966-2-1, the Display P3 and Adobe RGB definitions, as colour-science carries them.

    abs=4e-4: they are printed with four decimals and for D65 white rounded at x = .3127, y = .3290.
    """
    published = colour.RGB_COLOURSPACES[name].matrix_RGB_to_XYZ

    assert encoding.to_xyz == pytest.approx(published, abs=4e-4)
    assert encoding.to_xyz.sum(axis=1) == pytest.approx([0.95047, 1.0, 1.08883], abs=1e-12)


@pytest.mark.parametrize("encoding", [srgb_encoding(256), display_p3_encoding(65536)])
def test_the_table_of_srgb_and_display_p3_is_the_identity(encoding):
    levels = len(encoding.table)

    assert (encoding.table == (np.arange(levels) / (levels - 1))[:, None]).all()


@pytest.mark.parametrize("levels", [256, 65536])
def test_the_table_of_adobe_rgb_is_its_gamma_on_the_srgb_scale(levels):
    """Gamma 563/256 of the Adobe RGB (1998) encoding; decoded by colour-science."""
    table = adobe_rgb_encoding(levels).table
    light = colour.RGB_COLOURSPACES["Adobe RGB (1998)"].cctf_decoding(np.linspace(0, 1, levels))

    assert decode_srgb(table[:, 0]) == pytest.approx(light, abs=1e-12)


@pytest.mark.parametrize("space", SPACES)
def test_a_profile_is_known_by_its_primaries_and_curve(space):
    encoding, flags = read_profile(icc_profile(space), levels=256)

    assert encoding.name == SPACES[space]
    assert flags == ()


def profiles() -> dict[str, bytes]:
    made = {space: icc_profile(space) for space in SPACES}
    made["second implementation's sRGB"] = ImageCms.ImageCmsProfile(
        ImageCms.createProfile("sRGB")
    ).tobytes()
    return made


def worst_against_lcms(profile: bytes) -> float:
    """Largest difference from LittleCMS in 8-bit sRGB codes, over colours inside sRGB."""
    encoding, _ = read_profile(profile, levels=256)
    linear = decode_srgb(encoding.table[CODES, [0, 1, 2]]) @ encoding.to_xyz.T
    srgb = linear @ np.linalg.inv(srgb_encoding(256).to_xyz).T
    inside = ((srgb > 0.0) & (srgb < 1.0)).all(axis=-1)
    ours = 255 * encode_srgb(np.clip(srgb, 0, 1))
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    theirs = np.asarray(ImageCms.applyTransform(Image.fromarray(CODES), transform))
    assert inside.sum() > 500
    return float(np.abs(ours - theirs)[inside].max())


@pytest.mark.parametrize(("name", "profile"), profiles().items(), ids=profiles())
def test_colours_agree_with_a_second_implementation(name, profile):
    """LittleCMS in 8 bits: half a code for its rounding, one for its 8-bit curves' steps."""
    assert worst_against_lcms(profile) <= 1.5


def test_profiles_of_real_files_agree_with_a_second_implementation():
    """Profiles as programs and cameras embed them, among them curves as tables and plain gammas."""
    seen = {}
    folder = shared_folder("photos").parent
    for path in sorted([*folder.glob("photos/*/*.*"), *folder.glob("corrupt/*/*.*")]):
        if path.suffix not in (".jpg", ".png", ".tif", ".heic"):
            continue
        try:
            with warnings.catch_warnings(action="ignore"), Image.open(path) as picture:
                profile = picture.info.get("icc_profile")
        except (OSError, SyntaxError, ValueError, TypeError):
            continue
        if profile and profile[16:20] == b"RGB ":
            seen[profile] = path.name

    assert len(seen) >= 4
    for profile, name in seen.items():
        assert worst_against_lcms(profile) <= 1.5, name


@pytest.mark.parametrize("space", ["p3", "adobe", "rec2020"])
@pytest.mark.parametrize("depth", [8, 16])
def test_one_scene_in_another_encoding_gives_one_colour(space, depth):
    """CIEDE2000 0.5 as asked; 16 bits have only the rounding of the good photo's 8 bits left."""
    pixels = picture()
    stored = to_space(pixels, space)
    if depth == 8:
        data = camera_jpeg(np.rint(stored).astype(np.uint8), icc_profile=icc_profile(space))
    else:
        packed = b"p\0\0" + zlib.compress(icc_profile(space))
        data = deep_png(np.rint(stored * 257).astype(np.uint16), (b"iCCP", packed))
    good = read_photo_bytes(encoded(pixels, "PNG"), name="good.png")
    other = read_photo_bytes(data, name="other")

    assert other.encoding.name == SPACES[space]
    assert worst_delta_e(good, other) <= (0.5 if depth == 8 else 0.02)


@pytest.mark.parametrize("space", ["p3", "adobe", "rec2020"])
def test_encoded_values_are_those_of_srgb_in_any_encoding(space):
    """Codes of 16 bits made by the maker's own matrices; a colour is off by their rounding only.

    abs=1e-3: the catalogue's primaries go through D50 and back with four-digit whites.
    """
    scene = CODES.astype(float)
    stored = np.rint(to_space(scene, space) * 257).astype(np.uint16)
    encoding, _ = read_profile(icc_profile(space), levels=65536)
    photo = Photo(name="made", sha256="", pixels=stored, encoding=encoding)

    inside = (scene > 20).all(axis=-1)
    values = encoded_values(photo, stored)

    assert np.abs(values - scene / 255)[inside].max() < 1e-3


def test_colours_outside_srgb_run_on_below_zero():
    """Pure P3 green in linear sRGB, by the published matrices: red and blue are negative."""
    green = np.array([[[0, 255, 0]]], np.uint8)
    photo = Photo(name="made", sha256="", pixels=green, encoding=display_p3_encoding(256))
    published = colour.RGB_COLOURSPACES
    expected = np.linalg.solve(
        published["sRGB"].matrix_RGB_to_XYZ, published["Display P3"].matrix_RGB_to_XYZ[:, 1]
    )

    values = encoded_values(photo, green)[0, 0]

    linear = np.sign(values) * decode_srgb(np.abs(values))
    assert linear == pytest.approx(expected, abs=5e-4)
    assert values[0] < 0


def changed(profile: bytes, at: int, new: bytes) -> bytes:
    return profile[:at] + new + profile[at + len(new) :]


SOUND = icc_profile("p3")
TAG_AT = {SOUND[at : at + 4]: at for at in range(132, 132 + 12 * 9, 12)}
CURVE = struct.unpack_from(">I", SOUND, TAG_AT[b"rTRC"] + 4)[0]
RED = struct.unpack_from(">I", SOUND, TAG_AT[b"rXYZ"] + 4)[0]


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        (SOUND[:200] + b"\xff" * 300, "damaged"),
        (SOUND[:-10], "damaged"),
        (SOUND[:100], "damaged"),
        (changed(SOUND, 16, b"GRAY"), "GRAY"),
        (changed(SOUND, 16, b"CMYK"), "CMYK"),
        (changed(SOUND, 12, b"link"), "class"),
        (changed(SOUND, 36, b"none"), "damaged"),
        (changed(SOUND, 128, b"\xff\xff\xff\xff"), "damaged"),
        (changed(SOUND, TAG_AT[b"rTRC"], b"AToB"), "lacks"),
        (changed(SOUND, TAG_AT[b"rTRC"], b"A2B0"), "look-up tables"),
        (changed(SOUND, CURVE, b"text"), "type"),
        (changed(SOUND, CURVE + 8, b"\0\x09"), "parametric"),
        (changed(SOUND, CURVE + 12, struct.pack(">i", -200000)), "rise"),
        (changed(SOUND, CURVE, b"curv\0\0\0\0\0\xff\xff\xff"), "cut off"),
        (changed(SOUND, RED, b"text"), "XYZ"),
        (changed(SOUND, RED + 8, bytes(12)), "D50"),
        (changed(SOUND, RED + 8, b"\x7f" * 12), "D50"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_profiles_that_cannot_be_used_are_named(profile, words):
    with pytest.raises(PhotoError, match=words) as caught:
        read_photo_bytes(camera_jpeg(icc_profile=profile), name="photo.jpg")

    assert caught.value.code == "colour-profile"
    assert "colour profile" in caught.value.says
    assert "sRGB" in caught.value.remedy


def test_a_profile_with_a_part_missing_is_refused():
    long = SOUND + bytes(70000)
    long = changed(long, 0, struct.pack(">I", len(long)))
    data = camera_jpeg(icc_profile=long)
    assert read_photo_bytes(data, name="a.jpg").encoding.name == "Display P3"
    second = data.index(b"ICC_PROFILE\0\x02")

    with pytest.raises(PhotoError, match="1 of its 2 parts"):
        read_photo_bytes(changed(data, second, b"ICC_profile\0"), name="a.jpg")


def test_tables_beside_a_matrix_are_left_out_and_said():
    both = changed(SOUND, TAG_AT[b"cprt"], b"A2B0")

    encoding, (flag,) = read_profile(both, levels=256)

    assert encoding.name == "Display P3"
    assert flag.code == "profile-tables-left-out"


def curve_profile(curve: bytes) -> bytes:
    """The sound profile with one other curve for all channels, at its end."""
    body = curve + bytes(-len(curve) % 4)
    out = SOUND + body
    for name in (b"rTRC", b"gTRC", b"bTRC"):
        out = changed(out, TAG_AT[name] + 4, struct.pack(">II", len(SOUND), len(curve)))
    return changed(out, 0, struct.pack(">I", len(out)))


def parametric(kind: int, *values: float) -> bytes:
    numbers = b"".join(struct.pack(">i", round(value * 65536)) for value in values)
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + numbers


@pytest.mark.parametrize(
    "curve",
    [
        b"curv\0\0\0\0" + struct.pack(">I", 0),
        b"curv\0\0\0\0" + struct.pack(">IH", 1, 461),
        b"curv\0\0\0\0" + struct.pack(">I5H", 5, 0, 3000, 14000, 33000, 65535),
        parametric(0, 1.8),
        parametric(1, 2.2, 1.0 / 1.1, 0.1 / 1.1),
        parametric(2, 2.2, 1.0 / 1.1, 0.1 / 1.1, 0.001),
        parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
        parametric(4, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.002, 0.002),
    ],
    ids=["linear", "gamma", "table", "para 0", "para 1", "para 2", "para 3", "para 4"],
)
def test_every_kind_of_curve_agrees_with_a_second_implementation(curve):
    """As above; dark codes of a linear profile are steep in sRGB, hence their own tolerance:
    LittleCMS in 8 bits works with 16-bit steps of light, up to 0.1 code at code 1."""
    assert worst_against_lcms(curve_profile(curve)) <= 2.5


def test_a_curve_nearly_that_of_srgb_is_taken_for_it():
    """Version 2 profiles hold the transfer as 1024 points; the snap is a quarter of a code."""
    points = np.rint(65535 * decode_srgb(np.linspace(0, 1, 1024))).astype(">u2").tobytes()
    profile = curve_profile(b"curv\0\0\0\0" + struct.pack(">I", 1024) + points)

    encoding, _ = read_profile(profile, levels=256)

    assert encoding.name == "Display P3"
    assert (encoding.table == srgb_encoding(256).table).all()


def test_another_curve_keeps_no_name_that_promises_the_srgb_curve():
    encoding, _ = read_profile(curve_profile(parametric(0, 1.8)), levels=256)

    assert encoding.name == "p3"  # the profile's own description


def test_a_power_law_meets_its_closed_form():
    """Gamma 2.2 on the sRGB scale: decode(table) is code ** 2.2."""
    encoding = curved_encoding("gamma", (power_curve(2.2),) * 3, np.eye(3), levels=256)

    codes = np.arange(256) / 255
    assert decode_srgb(encoding.table[:, 1]) == pytest.approx(codes**2.2, abs=1e-12)


@pytest.mark.parametrize(
    ("tags", "name", "codes"),
    [
        ({}, "sRGB", {"colour-space-assumed", "no-metadata"}),
        ({40961: 1}, "sRGB", {"no-metadata"}),
        ({40961: 65535}, "Adobe RGB", {"colour-space-from-exif", "no-metadata"}),
        ({40961: 2}, "Adobe RGB", {"colour-space-from-exif", "no-metadata"}),
    ],
)
def test_without_a_profile_exif_tells_the_encoding_or_it_is_assumed(tags, name, codes):
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(tags)

    photo = read_photo_bytes(camera_jpeg(exif=exif), name="a.jpg")

    assert photo.encoding.name == name
    assert {flag.code for flag in photo.flags} == codes


def test_a_profile_counts_more_than_exif():
    exif = camera_exif()

    photo = read_photo_bytes(camera_jpeg(exif=exif, icc_profile=SOUND), name="a.jpg")

    assert photo.encoding.name == "Display P3"

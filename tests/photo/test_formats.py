"""PNG, TIFF, WebP and HEIC: 8 and 16 bits, alpha, palettes, pages, damage."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
import tifffile
from photo.colours import worst_delta_e
from photo.pictures import camera_exif, camera_jpeg, deep_png, encoded, picture, png_of
from PIL import Image

from hairtone.colorimetry import decode_srgb
from hairtone.errors import PhotoError
from hairtone.photo.metadata import turn_upright
from hairtone.photo.reader import read_photo_bytes

PIXELS = picture()
DEEP = PIXELS.astype(np.uint16) * 257
DEEP[..., 0] += np.random.default_rng(0).integers(0, 200, DEEP.shape[:2], dtype=np.uint16)


def tiff_of(pixels: np.ndarray, **options: object) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, pixels, **{"photometric": "rgb", **options})
    return buffer.getvalue()


def heic_of(pixels: np.ndarray, **options: object) -> bytes:
    heif = pytest.importorskip("pillow_heif", reason="the extra 'heic' is not installed")
    buffer = io.BytesIO()
    heif.from_pillow(Image.fromarray(pixels)).save(buffer, quality=90, **options)
    return buffer.getvalue()


def codes_of(data: bytes, name: str = "a") -> set[str]:
    return {flag.code for flag in read_photo_bytes(data, name=name).flags}


def refusal_of(data: bytes) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        read_photo_bytes(data, name="a")
    return caught.value


@pytest.mark.parametrize(
    "data",
    [
        encoded(PIXELS, "PNG"),
        encoded(PIXELS, "TIFF"),
        encoded(PIXELS, "TIFF", compression="tiff_lzw"),
        encoded(PIXELS, "TIFF", compression="tiff_adobe_deflate"),
        encoded(PIXELS, "WEBP", lossless=True),
        tiff_of(PIXELS, tile=(64, 64)),
        tiff_of(PIXELS, byteorder=">"),
        tiff_of(np.moveaxis(PIXELS, -1, 0), planarconfig="separate"),
    ],
    ids=["png", "tiff", "lzw", "deflate", "webp", "tiles", "big-endian", "planes"],
)
def test_lossless_files_give_their_codes_back(data):
    photo = read_photo_bytes(data, name="a")

    assert photo.pixels.dtype == np.uint8
    assert (photo.pixels == PIXELS).all()


@pytest.mark.parametrize(
    "data",
    [
        deep_png(DEEP),
        tiff_of(DEEP),
        tiff_of(DEEP, compression="zlib", predictor=True),
        tiff_of(DEEP, tile=(64, 64)),
        tiff_of(DEEP, byteorder=">"),
        tiff_of(DEEP, rowsperstrip=7),
    ],
    ids=["png", "tiff", "deflate", "tiles", "big-endian", "strips"],
)
def test_sixteen_bits_stay_sixteen(data):
    photo = read_photo_bytes(data, name="a")

    assert photo.pixels.dtype == np.uint16
    assert photo.top_code == 65535
    assert (photo.pixels == DEEP).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_sixteen_bit_tiff_is_turned_by_its_tag(orientation):
    data = tiff_of(DEEP, extratags=[(274, 3, 1, orientation, True)])

    assert (read_photo_bytes(data, name="a").pixels == turn_upright(DEEP, orientation)).all()


def test_sixteen_bit_planes_are_refused_rather_than_mixed_up():
    data = tiff_of(np.moveaxis(DEEP, -1, 0), planarconfig="separate")

    assert "planes" in refusal_of(data).says


def test_every_format_gives_red_first():
    red = np.zeros((300, 300, 3), np.uint8)
    red[..., 0] = 200
    files = [encoded(red, kind) for kind in ("JPEG", "PNG", "TIFF", "WEBP")]
    files += [deep_png(red.astype(np.uint16) * 257), tiff_of(red.astype(np.uint16) * 257)]
    files.append(heic_of(red))

    for data in files:
        photo = read_photo_bytes(data, name="a")
        share = photo.pixels.mean(axis=(0, 1)) / photo.top_code
        assert share == pytest.approx([200 / 255, 0, 0], abs=0.02)


def test_storing_the_scene_otherwise_leaves_its_colours():
    """The catalogue's own limit for turns and re-saves without loss: ΔE00 0.05 and 0."""
    good = read_photo_bytes(camera_jpeg(), name="a.jpg")
    again = read_photo_bytes(encoded(np.array(good.pixels), "PNG"), name="a.png")
    turned = read_photo_bytes(
        encoded(np.rot90(good.pixels), "PNG", exif=camera_exif(tag274=6)), name="a.png"
    )

    assert worst_delta_e(good, again) == 0
    assert worst_delta_e(good, turned) == 0


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_hidden_pixels_refuse_a_photo_and_whole_ones_do_not(kind):
    layered = np.dstack([PIXELS, np.full(PIXELS.shape[:2], 255, np.uint8)])
    options = {"lossless": True, "exact": True} if kind == "WEBP" else {}
    whole = read_photo_bytes(encoded(layered, kind, **options), name="a")
    layered[:, :150, 3] = 0

    assert (whole.pixels == PIXELS).all()
    assert refusal_of(encoded(layered, kind, **options)).code == "transparent"


def test_hidden_pixels_of_sixteen_bits_refuse_a_photo():
    layered = np.dstack([DEEP, np.full(DEEP.shape[:2], 65535, np.uint16)])
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in layered)
    whole = png_of((400, 300, 16, 6), zlib.compress(rows, 1))
    layered[40, 50, 3] = 65534
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in layered)

    assert (read_photo_bytes(whole, name="a").pixels == DEEP).all()
    assert refusal_of(png_of((400, 300, 16, 6), zlib.compress(rows, 1))).code == "transparent"


def test_an_empty_transparent_margin_is_flagged_only():
    framed = np.full((320, 420, 4), (255, 255, 255, 0), np.uint8)
    framed[10:310, 10:410] = np.dstack([PIXELS, np.full(PIXELS.shape[:2], 255, np.uint8)])

    photo = read_photo_bytes(encoded(framed, "PNG"), name="a.png")

    assert "transparent-margin" in {flag.code for flag in photo.flags}
    assert (photo.pixels[10:310, 10:410] == PIXELS).all()


def test_a_wholly_transparent_picture_is_refused():
    empty = np.zeros((300, 300, 4), np.uint8)

    assert refusal_of(encoded(empty, "PNG")).code == "transparent"


def test_a_palette_is_flagged():
    buffer = io.BytesIO()
    Image.fromarray(PIXELS).quantize(64).save(buffer, "PNG")

    assert "reduced-colours" in codes_of(buffer.getvalue())


def test_a_palette_with_transparent_entries_is_refused():
    buffer = io.BytesIO()
    Image.fromarray(PIXELS).quantize(64).save(buffer, "PNG", transparency=bytes(range(64)))

    assert refusal_of(buffer.getvalue()).code == "transparent"


@pytest.mark.parametrize("depth", [8, 16])
def test_grey_png_and_tiff_are_refused(depth):
    grey = PIXELS[..., 1] if depth == 8 else DEEP[..., 1]

    assert refusal_of(tiff_of(grey, photometric="minisblack")).code == "grey"
    assert refusal_of(png_of((400, 300, depth, 0), b"")).code == "grey"


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (tiff_of((PIXELS / 255).astype(np.float32)), "float"),
        (tiff_of(PIXELS.astype(np.int16)), "float"),
        (tiff_of(PIXELS.astype(np.uint32)), "unknown-layout"),
        (encoded(PIXELS[..., [0, 1, 2, 2]], "TIFF"), "transparent"),
    ],
    ids=["float", "signed", "32 bits", "alpha"],
)
def test_tiffs_of_other_numbers_are_refused(data, code):
    assert refusal_of(data).code == code


def test_cmyk_and_lab_tiffs_are_refused():
    for mode, code in (("CMYK", "cmyk"), ("LAB", "unknown-layout")):
        buffer = io.BytesIO()
        Image.fromarray(PIXELS).resize((300, 300)).convert("RGB" if mode == "LAB" else mode)
        picture_of_mode = Image.new(mode, (300, 300))
        picture_of_mode.save(buffer, "TIFF")
        assert refusal_of(buffer.getvalue()).code == code


def test_animated_and_paged_files_are_refused():
    first, second = Image.fromarray(PIXELS), Image.fromarray(PIXELS[::-1])
    expected = {"WEBP": "animated", "PNG": "animated", "TIFF": "pages"}
    for kind, code in expected.items():
        buffer = io.BytesIO()
        first.save(buffer, kind, save_all=True, append_images=[second])
        assert refusal_of(buffer.getvalue()).code == code


def test_a_tiff_with_a_thumbnail_is_one_photo():
    """A reduced-resolution picture (NewSubfileType bit 0, TIFF 6.0) is no second page."""
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as tiff:
        tiff.write(PIXELS, photometric="rgb")
        tiff.write(PIXELS[::8, ::8], photometric="rgb", subfiletype=1)

    assert (read_photo_bytes(buffer.getvalue(), name="a").pixels == PIXELS).all()


@pytest.mark.parametrize(
    "data",
    [
        encoded(PIXELS, "PNG"),
        deep_png(DEEP),
        encoded(PIXELS, "TIFF"),
        encoded(PIXELS, "TIFF", compression="tiff_lzw"),
        tiff_of(DEEP),
        tiff_of(DEEP, compression="zlib"),
        encoded(PIXELS, "WEBP", quality=90),
        encoded(PIXELS, "WEBP", lossless=True),
    ],
    ids=["png", "png16", "tiff", "lzw", "tiff16", "deflate16", "webp", "webp lossless"],
)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_cut_files_are_refused(data, share):
    assert refusal_of(data[: int(len(data) * share)]).code == "damaged"


@pytest.mark.parametrize(
    "data",
    [
        encoded(PIXELS, "PNG"),
        deep_png(DEEP),
        encoded(PIXELS, "TIFF", compression="tiff_lzw"),
        encoded(PIXELS, "TIFF", compression="tiff_adobe_deflate"),
        tiff_of(DEEP, compression="zlib"),
    ],
    ids=["png", "png16", "lzw", "deflate", "deflate16"],
)
def test_lost_blocks_are_refused(data):
    broken = bytearray(data)
    broken[len(data) // 2 : len(data) // 2 + 4096] = bytes(4096)

    assert refusal_of(bytes(broken)).code == "damaged"


@pytest.mark.parametrize(
    "data",
    [
        tiff_of(PIXELS),
        tiff_of(DEEP),
        encoded(PIXELS, "WEBP", quality=90),
        encoded(PIXELS, "WEBP", lossless=True),
    ],
    ids=["8 bits", "16 bits", "webp", "webp lossless"],
)
def test_a_lost_block_of_a_file_without_checksums_is_flagged_or_refused(data):
    broken = bytearray(data)
    broken[len(broken) // 2 : len(broken) // 2 + 4096] = bytes(4096)

    try:
        found = codes_of(bytes(broken))
    except PhotoError as error:
        found = {error.code}
    assert found & {"zero-block", "damaged"}
    assert "zero-block" not in codes_of(data)


@pytest.mark.parametrize("depth", [8, 16])
def test_a_png_with_too_few_rows_is_refused(depth):
    """Checksums and end mark are right; only the unpacked data are short."""
    row = b"\0" + bytes(400 * 3 * depth // 8)

    assert refusal_of(png_of((400, 300, depth, 2), zlib.compress(row * 200))).code == "damaged"


def test_a_png_bomb_is_not_unpacked():
    packed = zlib.compress(bytes(50_000_000))

    assert refusal_of(png_of((60000, 60000, 8, 2), packed)).code == "too-large"
    profile = b"p\0\0" + packed
    small = png_of((400, 300, 16, 2), b"", (b"iCCP", profile))
    assert refusal_of(small).code == "colour-profile"


def gamma_chunk(gamma: float) -> tuple[bytes, bytes]:
    return b"gAMA", struct.pack(">I", round(gamma * 100000))


def primaries_chunk(*xy: float) -> tuple[bytes, bytes]:
    return b"cHRM", struct.pack(">8I", *(round(value * 100000) for value in xy))


SRGB_XY = (0.3127, 0.3290, 0.64, 0.33, 0.30, 0.60, 0.15, 0.06)
P3_XY = (0.3127, 0.3290, 0.680, 0.320, 0.265, 0.690, 0.150, 0.060)


def test_a_png_says_its_encoding_by_chunks():
    stated = {
        "sRGB": [(b"sRGB", b"\0")],
        "Display P3": [(b"cICP", bytes([12, 13, 0, 1]))],
    }
    for name, chunks in stated.items():
        photo = read_photo_bytes(deep_png(DEEP, *chunks), name="a.png")
        assert photo.encoding.name == name
        assert {flag.code for flag in photo.flags} == {"no-metadata"}
    by_gamma = read_photo_bytes(
        deep_png(DEEP, gamma_chunk(1 / 2.2), primaries_chunk(*SRGB_XY)), name="a.png"
    )
    assert by_gamma.encoding.name == "sRGB"


def test_a_png_gamma_and_primaries_are_honoured():
    """gAMA 1 is linear light: the code itself is the light; primaries of Display P3."""
    photo = read_photo_bytes(
        deep_png(DEEP, gamma_chunk(1.0), primaries_chunk(*P3_XY)), name="a.png"
    )

    light = decode_srgb(photo.encoding.table[:, 0])
    assert light == pytest.approx(np.arange(65536) / 65535, abs=1e-9)
    from hairtone.photo.encodings import display_p3_encoding

    assert photo.encoding.to_xyz == pytest.approx(display_p3_encoding(256).to_xyz, abs=2e-4)


@pytest.mark.parametrize(
    "chunk",
    [
        (b"cICP", bytes([9, 16, 0, 1])),
        gamma_chunk(0),
        (b"iCCP", b"p\0\0not packed"),
    ],
    ids=["HDR", "gamma 0", "profile"],
)
def test_an_encoding_that_cannot_be_is_refused(chunk):
    assert refusal_of(deep_png(DEEP, chunk)).code in ("colour-profile", "damaged")


@pytest.mark.parametrize(
    "xy", [(0.3127, 0.329, 0.64, 0, 0.3, 0.6, 0.15, 0.06), (0.3, 0.3) + (0.3, 0.3) * 3]
)
def test_primaries_that_cannot_be_are_refused(xy):
    data = deep_png(DEEP, gamma_chunk(0.5), primaries_chunk(*xy))

    assert refusal_of(data).code == "damaged"


def test_heic_is_read_and_turned_by_its_own_boxes():
    """Quality 90 moves codes; the cells' colours stay within ΔE00 0.5, as for the catalogue."""
    exif = Image.Exif()
    exif[0x0112] = 6
    good = read_photo_bytes(camera_jpeg(), name="a.jpg")

    level = read_photo_bytes(heic_of(PIXELS), name="a.heic")
    turned = read_photo_bytes(heic_of(PIXELS, exif=exif.tobytes()), name="a.heic")

    assert level.format == "HEIC"
    assert worst_delta_e(good, level) < 0.5
    assert turned.size == (300, 400)
    upright = np.rot90(level.pixels, -1).astype(int)
    assert np.abs(turned.pixels - upright).mean() < 3


def test_heic_profiles_and_layouts_are_judged():
    from faults.make_faults import icc_profile

    grey = np.asarray(Image.fromarray(PIXELS).convert("L"))
    layered = np.dstack([PIXELS, np.full(PIXELS.shape[:2], 255, np.uint8)])
    layered[:9, :9, 3] = 0

    p3 = read_photo_bytes(heic_of(PIXELS, icc_profile=icc_profile("p3")), name="a.heic")
    assert p3.encoding.name == "Display P3"
    assert refusal_of(heic_of(grey)).code == "grey"
    assert refusal_of(heic_of(layered)).code == "transparent"


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.99])
def test_cut_heic_is_damaged(share):
    data = heic_of(PIXELS)

    assert refusal_of(data[: int(len(data) * share)]).code == "damaged"


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_lost_blocks_of_heic_are_refused(share):
    """The decoder itself says nothing of them; 512 bytes are one sector of a memory card."""
    data = bytearray(heic_of(PIXELS))
    start = int(share * len(data))
    data[start : start + 512] = bytes(512)

    error = refusal_of(bytes(data))

    assert error.code == "damaged"
    assert "zeros" in error.says


def test_heic_of_more_than_eight_bits_keeps_them():
    heif = pytest.importorskip("pillow_heif")
    buffer = io.BytesIO()
    heif.from_bytes(mode="RGB;16", size=(400, 300), data=DEEP.astype("<u2").tobytes()).save(
        buffer, quality=95
    )

    photo = read_photo_bytes(buffer.getvalue(), name="a.heic")

    assert photo.pixels.dtype == np.uint16
    means = photo.pixels.mean(axis=(0, 1)) / 65535
    assert means == pytest.approx(DEEP.mean(axis=(0, 1)) / 65535, abs=0.005)

"""Guards against what decoders would conceal: each is shown the one thing it stands against."""

from __future__ import annotations

import io
import struct
import sys
import zlib
from types import SimpleNamespace

import numpy as np
import pytest
from photo.pictures import (
    camera_jpeg,
    deep_png,
    dng_of,
    encoded,
    longs,
    picture,
    png_of,
    shorts,
    text,
    tiff_structure,
)
from photo.test_formats import DEEP, PIXELS, tiff_of
from PIL import Image

from hairtone.errors import PhotoError
from hairtone.photo import raster
from hairtone.photo.heic import check_coded_data
from hairtone.photo.jpeg import read_jpeg_header
from hairtone.photo.quality import edge_width
from hairtone.photo.reader import format_of, read_photo_bytes

GOOD = camera_jpeg()
SMALL_ROW = zlib.compress(bytes(300 * 1201))


def refusal_of(data: bytes) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        read_photo_bytes(data, name="a")
    assert caught.value.remedy
    return caught.value


# -- JPEG ----------------------------------------------------------------------------------------


def segment(marker: int, body: bytes) -> bytes:
    return b"\xff" + bytes([marker]) + struct.pack(">H", len(body) + 2) + body


FRAME = struct.pack(">BHHB", 8, 300, 400, 3) + bytes(9)
SCAN = segment(0xDA, bytes(10))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xff\xd8" + segment(0xC0, FRAME) + segment(0xC0, FRAME) + SCAN, "twice"),
        (b"\xff\xd8" + segment(0xC0, b"\x08\0") + SCAN, "frame header of 2 bytes"),
        (b"\xff\xd8" + segment(0xDB, bytes(20)) + SCAN, "table is cut off"),
        (b"\xff\xd8\xff\xe0\0\1" + bytes(20), "length 1"),
        (b"\xff\xd8\xff\xe0\xff\xff" + bytes(20), "incomplete"),
        (b"\xff\xd8" + SCAN, "before the size"),
        (b"\xff\xd8\xff\xd9\0\0\0\0", "before any picture"),
        (b"\xff\xd8\xff\xc4" + bytes(40), "length 0"),
        (b"\xff\xd8\xff\xff", "incomplete"),
    ],
)
def test_jpeg_segments_out_of_order_are_damage(data, words):
    assert words in refusal_of(data).says


def test_fill_bytes_and_bare_markers_between_segments_are_allowed():
    """ITU-T T.81, B.1.1.2: any number of 0xFF may stand before a marker."""
    filled = GOOD[:2] + b"\xff\xff\xff" + GOOD[2:]

    assert read_jpeg_header(filled).width == 400
    assert read_jpeg_header(GOOD[:2] + b"\xff\x01" + GOOD[2:]).width == 400


def test_a_jpeg_without_luminance_steps_has_no_told_quality():
    data = b"\xff\xd8" + segment(0xDB, b"\x01" + bytes(64)) + segment(0xC0, FRAME) + SCAN

    assert read_jpeg_header(data).quality == 100


def test_sixteen_bit_steps_are_read():
    steps = struct.pack(">64H", *[100] * 64)
    data = b"\xff\xd8" + segment(0xDB, b"\x10" + steps) + segment(0xC0, FRAME) + SCAN

    assert read_jpeg_header(data).luma_steps == (100,) * 64


@pytest.mark.parametrize("channels", [2, 5])
def test_a_jpeg_of_other_channels_is_refused(channels):
    frame = FRAME[:5] + bytes([channels]) + FRAME[6:]

    assert f"{channels} colour" in refusal_of(b"\xff\xd8" + segment(0xC0, frame) + SCAN).says


def test_a_decoder_that_gives_another_size_is_not_believed(monkeypatch):
    import simplejpeg

    monkeypatch.setattr(
        simplejpeg, "decode_jpeg", lambda *_, **__: np.zeros((150, 200, 4), np.uint8)
    )

    assert "differ" in refusal_of(GOOD).says


# -- PNG, TIFF, WebP -----------------------------------------------------------------------------


def test_png_chunks_out_of_order_are_damage():
    chunk = png_of((400, 300, 8, 2), SMALL_ROW)
    end = chunk[-12:]

    assert "no picture" in refusal_of(chunk[:33] + end).says
    assert refusal_of(chunk[:8] + end).says
    assert "colour type" in refusal_of(png_of((400, 300, 8, 5), SMALL_ROW)).says
    assert "header of 0" in refusal_of(short_header_png()).says
    other = png_of((300, 400, 8, 2), SMALL_ROW)[8:33]
    assert "second" in refusal_of(chunk[:33] + other + chunk[33:]).says


def short_header_png() -> bytes:
    """A whole PNG but for its header chunk, which is empty."""
    whole = png_of((400, 300, 8, 2), SMALL_ROW)
    body = b"IHDR"
    return whole[:8] + bytes(4) + body + struct.pack(">I", zlib.crc32(body)) + whole[33:]


def test_an_interlaced_png_is_read_and_measured_in_length():
    """Made by the second implementation's own filter: none writes Adam7, so pass by pass here."""
    passes = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
              (0, 1, 1, 2))  # fmt: skip
    rows = b"".join(
        b"\0" + line.tobytes()
        for left, top, across, down in passes
        for line in PIXELS[top::down, left::across]
    )

    def interlaced(packed: bytes) -> bytes:
        data = bytearray(png_of((400, 300, 8, 2), packed))
        data[28] = 1
        data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
        return bytes(data)

    photo = read_photo_bytes(interlaced(zlib.compress(rows)), name="a.png")
    short = interlaced(zlib.compress(rows[:-1000]))

    assert (photo.pixels == PIXELS).all()
    assert "incomplete" in refusal_of(short).says


def test_a_png_with_a_wrong_checksum_of_its_packed_data_is_refused():
    packed = bytearray(zlib.compress(b"".join(b"\0" + row.tobytes() for row in PIXELS)))
    packed[-1] ^= 1

    assert "packed data" in refusal_of(png_of((400, 300, 8, 2), bytes(packed))).says


def test_a_decoder_that_answers_in_another_mode_is_not_believed(monkeypatch):
    monkeypatch.setattr(raster, "_opened", lambda *_: Image.new("HSV", (400, 300)))

    assert "HSV" in refusal_of(encoded(PIXELS, "PNG")).says


def test_a_decoder_that_finds_a_bomb_is_heard(monkeypatch):
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 10_000)

    assert refusal_of(encoded(PIXELS, "PNG")).code == "too-large"


@pytest.mark.parametrize(
    ("answer", "code"),
    [
        (lambda *_: None, "damaged"),
        (lambda *_: np.zeros((300, 400), np.uint16), "unknown-layout"),
        (lambda *_: np.zeros((300, 400, 3), np.uint8), "unknown-layout"),
    ],
    ids=["nothing", "grey", "8 bits"],
)
def test_a_16_bit_decoder_that_answers_otherwise_is_not_believed(monkeypatch, answer, code):
    import cv2

    monkeypatch.setattr(cv2, "imdecode", answer)

    assert refusal_of(deep_png(DEEP)).code == code


def test_a_16_bit_decoder_that_throws_refuses_the_photo(monkeypatch):
    import cv2

    def throw(*_):
        raise cv2.error("internal check")

    loudness = cv2.utils.logging.getLogLevel()
    monkeypatch.setattr(cv2, "imdecode", throw)

    assert "internal check" in refusal_of(deep_png(DEEP)).says
    assert cv2.utils.logging.getLogLevel() == loudness


def test_pieces_missing_from_a_tiff_are_refused():
    """Half the strips taken out of the directory, or each said to be shorter: black otherwise."""
    data = bytearray(tiff_of(PIXELS, rowsperstrip=100))
    counts = struct.pack("<3L", *[100 * 400 * 3] * 3)
    at = data.find(counts)
    assert at > 0

    shorter = data.replace(counts, struct.pack("<3L", *[99 * 400 * 3] * 3))
    assert "shorter" in refusal_of(bytes(shorter)).says
    entry = struct.pack("<HHL", 278, 4, 1) + struct.pack("<L", 100)
    short_entry = struct.pack("<HHL", 278, 3, 1) + struct.pack("<HH", 100, 0)
    more = data.replace(entry, entry[:8] + struct.pack("<L", 50))
    more = more.replace(short_entry, short_entry[:8] + struct.pack("<HH", 50, 0))
    assert more != data
    assert "3 of 6 pieces" in refusal_of(bytes(more)).says


def test_a_deflated_piece_that_is_cut_short_is_refused():
    packed = zlib.compress(PIXELS.tobytes())[:-20]
    tags = {
        256: longs(400), 257: longs(300), 258: shorts(8, 8, 8), 259: shorts(8), 262: shorts(2),
        277: shorts(3), 278: longs(300), 279: longs(len(packed)),
    }  # fmt: skip

    assert "cut off" in refusal_of(tiff_structure(tags, packed)).says


def test_zeros_in_an_lzw_coded_picture_are_damage():
    data = bytearray(encoded(PIXELS, "TIFF", compression="tiff_lzw"))
    data[len(data) // 2 : len(data) // 2 + 600] = bytes(600)

    assert "run of zeros" in refusal_of(bytes(data)).says


def test_a_tiff_that_does_not_say_its_size_is_damaged():
    assert "size" in refusal_of(tiff_structure({262: shorts(2)})).says


def test_a_webp_shorter_than_it_says_is_incomplete():
    assert "incomplete" in refusal_of(encoded(PIXELS, "WEBP")[:-3]).says


# -- RAW -----------------------------------------------------------------------------------------

SENSOR = np.random.default_rng(0).integers(300, 4000, (520, 640)).astype(np.uint16)


def test_raw_files_are_told_from_plain_tiff_by_the_data_they_hold():
    """The first directory of many cameras' files is a preview; the sensor's lies below it."""
    larger, sensor = (tiff_structure({262: shorts(kind)})[8:] for kind in (2, 32803))
    preview = {271: text("Test Works"), 262: shorts(2)}
    at = len(tiff_structure({**preview, 330: longs(0, 0)}))
    structure = tiff_structure({**preview, 330: longs(at, at + len(larger))}) + larger + sensor
    elsewhere = tiff_structure({**preview, 330: longs(5)})

    assert format_of(structure) == "RAW"
    assert format_of(elsewhere) == "TIFF"
    assert format_of(tiff_structure(preview)) == "TIFF"
    assert format_of(b"II*\0\x10\0\0\0CR\2\0") == "RAW"
    assert format_of(b"\0\0\0\x18ftypcrx " + bytes(16)) == "RAW"
    assert format_of(dng_of(SENSOR)) == "RAW"


def test_an_av1_picture_in_the_box_of_heic_is_named():
    with pytest.raises(PhotoError, match="AVIF"):
        format_of(b"\0\0\0\x1cftypmif1\0\0\0\0mif1avif" + bytes(40))


def test_raw_that_is_no_mosaic_is_flagged():
    colours = np.dstack([SENSOR, SENSOR, SENSOR])

    photo = read_photo_bytes(dng_of(colours), name="a.dng")

    assert photo.size == (640, 520)
    assert [flag.code for flag in photo.flags] == ["raw-interpolated"]
    ratio = (SENSOR.astype(float) - 256).mean() / photo.pixels[..., 1].mean()
    assert (SENSOR[5, 5] - 256) / photo.pixels[5, 5, 1] == pytest.approx(ratio, rel=1e-3)


def test_raw_of_one_colour_is_refused():
    assert refusal_of(dng_of(SENSOR[..., None])).code == "grey"


def test_raw_not_built_like_tiff_has_no_exif(monkeypatch):
    """Such files are other makers'; the sensor is stood in for by a sound one."""
    import rawpy

    data = b"FUJIFILMCCD-RAW" + bytes(500)
    real = rawpy.RawPy

    class StandIn(real):
        def open_buffer(self, _):
            super().open_buffer(io.BytesIO(dng_of(SENSOR)))

    monkeypatch.setattr(rawpy, "RawPy", StandIn)
    photo = read_photo_bytes(data, name="a.raf")

    assert photo.format == "RAW"
    assert [flag.code for flag in photo.flags] == ["no-metadata"]


# -- HEIC ----------------------------------------------------------------------------------------


def box(name: bytes, body: bytes, *, wide: bool = False) -> bytes:
    if wide:
        return struct.pack(">I4sQ", 1, name, 16 + len(body)) + body
    return struct.pack(">I4s", 8 + len(body), name) + body


def heif(
    coded: bytes, *, version: int = 0, wide: bool = False, kind: bytes = b"hvc1", old: bytes = b""
) -> bytes:
    """Boxes of a HEIF file with one coded picture, in the versions that its layout has."""
    item = 1
    if version < 2:
        entry = box(b"infe", struct.pack(">BBBBHH4s", 2, 0, 0, 0, item, 0, kind) + b"\0")
        count = struct.pack(">IH", 0, 1)
    else:
        entry = box(b"infe", struct.pack(">BBBBIH4s", 3, 0, 0, 0, item, 0, kind) + b"\0")
        count = struct.pack(">II", 1 << 24, 1)
    iinf = box(b"iinf", count + old + entry)

    def iloc(offset: int) -> bytes:
        head = struct.pack(">BBBB", version, 0, 0, 0) + (b"\x44\x04" if version else b"\x44\x00")
        if version:
            head = head[:4] + b"\x44\x44"
        number = ">I" if version == 2 else ">H"
        row = struct.pack(number, item)
        if version:
            row += struct.pack(">H", 0)
        row += struct.pack(">H", 0)
        row += bytes(4) if version else b""
        row += struct.pack(">H", 1) + (bytes(4) if version else b"")
        row += struct.pack(">II", offset, len(coded))
        return box(b"iloc", head + struct.pack(number, 1) + row)

    def whole(offset: int) -> bytes:
        meta = box(b"meta", bytes(4) + iinf + iloc(offset), wide=wide)
        return box(b"ftyp", b"heic" + bytes(4) + b"mif1heic") + meta

    start = len(whole(0)) + 8
    return whole(start) + struct.pack(">I4s", 0, b"mdat") + coded


@pytest.mark.parametrize("version", [0, 1, 2])
@pytest.mark.parametrize("wide", [False, True])
def test_zeros_in_coded_pictures_are_found_in_every_version_of_the_boxes(version, wide):
    """Version 0 to 2 of the item locations, boxes of 32 and of 64 bit length; ISO 14496-12."""
    sound, lost = bytes(range(1, 200)), bytes(range(1, 99)) + bytes(20) + bytes(range(1, 99))

    check_coded_data(heif(sound, version=version, wide=wide))
    with pytest.raises(PhotoError, match="zeros"):
        check_coded_data(heif(lost, version=version, wide=wide))


def test_zeros_in_other_items_are_nobodys_damage():
    old_entry = box(b"infe", bytes(12))

    check_coded_data(heif(bytes(99), kind=b"Exif"))
    check_coded_data(heif(bytes(range(1, 99)), old=old_entry))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (box(b"ftyp", b"heic"), "no directory"),
        (box(b"ftyp", b"heic") + box(b"meta", bytes(4)), "not whole"),
        (box(b"ftyp", b"heic") + struct.pack(">I4s", 4, b"meta"), "past the end"),
        (heif(b"x" * 9).replace(b"infe", b"xnfe"), ""),
        (b"\0\0\0\1meta\0\0\0", "cut off"),
    ],
)
def test_boxes_that_are_not_whole_are_damage(data, words):
    if words:
        with pytest.raises(PhotoError, match=words):
            check_coded_data(data)
    else:
        check_coded_data(data)


def test_item_locations_that_are_cut_off_are_damage():
    iinf = box(b"iinf", struct.pack(">IH", 0, 0))
    iloc = box(b"iloc", bytes(4) + b"\x44\x00" + struct.pack(">H", 99))
    data = box(b"ftyp", b"heic") + box(b"meta", bytes(4) + iinf + iloc)

    with pytest.raises(PhotoError, match="cut off"):
        check_coded_data(data)


class FakePicture:
    """A decoder's answer, to show what is made of the facts beside the pixels."""

    def __init__(self, **info: object) -> None:
        self.info, self.mode, self.size = info, "RGB", (400, 300)
        self.__array_interface__ = PIXELS.__array_interface__


def read_with(monkeypatch, **info: object):
    library = SimpleNamespace(open_heif=lambda *_, **__: FakeFile(FakePicture(**info)))
    monkeypatch.setitem(sys.modules, "pillow_heif", library)
    return read_photo_bytes(heif(b"coded picture"), name="a.heic")


class FakeFile:
    primary_index = 0

    def __init__(self, picture: FakePicture) -> None:
        self.picture = picture

    def __getitem__(self, _: int) -> FakePicture:
        return self.picture


def nclx(primaries: int, transfer: int) -> dict[str, int]:
    return {"color_primaries": primaries, "transfer_characteristics": transfer}


@pytest.mark.parametrize(
    ("numbers", "name", "is_assumed"),
    [((1, 13), "sRGB", False), ((12, 13), "Display P3", False), ((2, 2), "sRGB", True)],
)
def test_the_encoding_of_heic_is_told_by_its_numbers(monkeypatch, numbers, name, is_assumed):
    """ITU-T H.273: primaries 1 and 12 are those of sRGB and P3, transfer 13 that of sRGB."""
    photo = read_with(monkeypatch, nclx_profile=nclx(*numbers))

    assert photo.encoding.name == name
    assert ("colour-space-assumed" in {flag.code for flag in photo.flags}) == is_assumed


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_hdr_encodings_of_heic_are_refused(monkeypatch, transfer, name):
    with pytest.raises(PhotoError, match=name):
        read_with(monkeypatch, nclx_profile=nclx(9, transfer))


def test_a_gain_map_beside_a_heic_picture_is_flagged(monkeypatch):
    photo = read_with(monkeypatch, aux={"urn:com:maker:photo:2020:aux:hdrgainmap": [3]})

    assert "gain-map" in {flag.code for flag in photo.flags}


def test_an_opaque_heic_with_a_layer_of_alpha_is_read():
    heif_library = pytest.importorskip("pillow_heif", reason="the extra 'heic' is not installed")
    layered = np.dstack([PIXELS, np.full(PIXELS.shape[:2], 255, np.uint8)])
    buffer = io.BytesIO()
    heif_library.from_pillow(Image.fromarray(layered)).save(buffer, quality=90)

    assert read_photo_bytes(buffer.getvalue(), name="a.heic").size == (400, 300)


# -- the rest ------------------------------------------------------------------------------------


def test_a_profile_whose_curve_has_no_slope_is_refused():
    from photo.test_icc import curve_profile, parametric

    with pytest.raises(PhotoError, match="rise"):
        read_photo_bytes(
            camera_jpeg(icc_profile=curve_profile(parametric(1, 2.2, 0.0, 0.1))), name="a"
        )


def test_a_region_too_narrow_for_an_edge_has_none():
    photo = read_photo_bytes(camera_jpeg(picture(300, 300)), name="a.jpg")

    assert np.isnan(edge_width(photo, region=(0, 0, 3, 3)))

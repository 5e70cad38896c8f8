"""The strict reader: what is refused, what it says, and that nothing else ever comes out."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import pickle
import subprocess
import sys
import warnings

import numpy as np
import pytest
from photo.pictures import HEIGHT, WIDTH, camera_exif, camera_jpeg, encoded, picture, png_of
from published import shared_folder

from hairtone.errors import PhotoError
from hairtone.photo import reader
from hairtone.photo.limits import PhotoLimits, photo_limits
from hairtone.photo.reader import read_photo, read_photo_bytes

GOOD = camera_jpeg()


def refusal_of(data: bytes, name: str = "photo.jpg", **options: str) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        read_photo_bytes(data, name=name, **options)
    error = caught.value
    assert error.where == name
    assert error.says.endswith((".", "?"))
    assert error.remedy.endswith(".")
    return error


def test_a_camera_photo_is_read_without_a_doubt():
    photo = read_photo_bytes(GOOD, name="photo.jpg")

    assert photo.flags == ()
    assert photo.format == "JPEG"
    assert photo.size == (WIDTH, HEIGHT)
    assert photo.encoding.name == "sRGB"
    assert photo.sha256 == hashlib.sha256(GOOD).hexdigest()
    assert not photo.pixels.flags.writeable


def test_decoded_pixels_agree_with_a_second_decoder():
    """Two decoders of one library family may round an upsampled value apart by one code."""
    from PIL import Image

    photo = read_photo_bytes(GOOD, name="photo.jpg")
    other = np.asarray(Image.open(io.BytesIO(GOOD)))

    assert np.abs(photo.pixels.astype(int) - other).max() <= 1


@pytest.mark.parametrize("share", [0.02, 0.2, 0.5, 0.9, 0.99])
def test_a_cut_off_jpeg_is_incomplete(share):
    error = refusal_of(GOOD[: int(len(GOOD) * share)])

    assert error.code == "damaged"
    assert "incomplete" in error.says


def test_a_jpeg_without_its_end_mark_is_incomplete():
    assert "incomplete" in refusal_of(GOOD[:-2]).says


def test_a_cut_progressive_jpeg_is_damaged():
    whole = camera_jpeg(progressive=True)

    assert read_photo_bytes(whole, name="photo.jpg").flags == ()
    assert refusal_of(whole[: len(whole) * 6 // 10]).code == "damaged"


def test_zeros_inside_a_jpeg_are_damage():
    broken = bytearray(GOOD)
    broken[len(broken) // 2 : len(broken) // 2 + 4096] = bytes(4096)

    assert refusal_of(bytes(broken)).code == "damaged"


def test_bytes_behind_the_end_change_nothing():
    photo = read_photo_bytes(GOOD, name="photo.jpg")
    longer = read_photo_bytes(GOOD + b"trailer" * 999, name="photo.jpg")

    assert (photo.pixels == longer.pixels).all()
    assert longer.flags == ()


@pytest.mark.parametrize(
    ("pixels_mode", "code"), [("L", "grey"), ("CMYK", "cmyk")], ids=["grey", "CMYK"]
)
def test_jpegs_that_are_not_rgb_are_refused(pixels_mode, code):
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(picture()).convert(pixels_mode).save(buffer, "JPEG")

    assert refusal_of(buffer.getvalue()).code == code


@pytest.mark.parametrize(
    ("marker", "precision", "words"),
    [(0xC1, 12, "12 bits"), (0xC3, 8, "lossless"), (0xC0, 16, "16 bits")],
)
def test_jpegs_of_other_processes_are_named(marker, precision, words):
    at = GOOD.index(b"\xff\xc0")
    changed = GOOD[: at + 1] + bytes([marker]) + GOOD[at + 2 : at + 4] + bytes([precision])
    changed += GOOD[at + 5 :]

    assert words in refusal_of(changed).says


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b"<!doctype html><title>Log in</title>", "not-a-photo"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n", "format-not-read"),
        (b"GIF89a" + bytes(20), "format-not-read"),
        (b"BM" + bytes(60), "format-not-read"),
        (b"PK\3\4" + bytes(60), "format-not-read"),
        (bytes(5000), "damaged"),
        (b"\xff\xd8\xff", "damaged"),
        (b"\xff\xd8\xff\xd9", "damaged"),
        (b"II*\0", "damaged"),
        (b"II*\0" + bytes(40), "damaged"),
        (b"\0\0\0\x18ftypavif" + bytes(40), "format-not-read"),
        (b"\0\0\0\x18ftypisom" + bytes(40), "format-not-read"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "damaged"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "damaged"),
        (b"\x89PNG\r\n\x1a\n", "damaged"),
        (b"FUJIFILMCCD-RAW" + bytes(200), "damaged"),
    ],
    ids=lambda value: repr(value)[:24],
)
def test_what_is_no_photo_is_refused_by_name(data, code):
    assert refusal_of(data).code == code


def test_the_name_of_a_file_decides_nothing():
    photo = read_photo_bytes(encoded(picture(), "PNG"), name="photo.jpg")

    (note,) = [flag for flag in photo.flags if flag.code == "name-misleads"]
    assert photo.format == "PNG"
    assert note.is_note


def test_a_file_that_changed_since_it_was_registered_is_refused():
    flipped = bytearray(GOOD)
    flipped[len(GOOD) * 2 // 5] ^= 8
    registered = hashlib.sha256(GOOD).hexdigest()

    read_photo_bytes(GOOD, name="photo.jpg", expected_sha256=registered.upper())
    error = refusal_of(bytes(flipped), expected_sha256=registered)

    assert error.code == "changed"
    assert "changed since" in error.says


@pytest.mark.parametrize(("width", "height"), [(60000, 60000), (10961, 10949), (0, 5)])
def test_size_is_judged_from_the_header(width, height):
    """The data are five bytes: nothing could have been decoded. 10961 x 10949 is 120.01 million."""
    code = "too-small" if min(width, height) < 240 else "too-large"

    assert refusal_of(png_of((width, height, 8, 2), b"-----")).code == code


@pytest.mark.parametrize(("width", "height"), [(1, 1), (160, 120), (239, 4000)])
def test_too_few_pixels_are_refused(width, height):
    error = refusal_of(encoded(picture(width, height), "PNG"), name="photo.png")

    assert error.code == "too-small"
    assert "too few pixels" in error.says


def test_a_file_of_too_many_bytes_is_not_read(tmp_path, monkeypatch):
    limits = photo_limits()
    small = PhotoLimits(
        **{**{f: getattr(limits, f) for f in limits.__slots__}, "most_file_mb": 0.01}
    )
    monkeypatch.setattr("hairtone.photo.limits.photo_limits", lambda: small)
    path = tmp_path / "photo.jpg"
    path.write_bytes(GOOD)

    with pytest.raises(PhotoError, match="too large: 0 MB") as caught:
        read_photo(path)

    assert caught.value.code == "too-large"


def test_a_folder_a_gap_and_a_pipe_are_refused(tmp_path):
    (tmp_path / "folder.jpg").mkdir()
    os.mkfifo(tmp_path / "pipe.jpg")
    expected = {"folder.jpg": "folder", "nothing.jpg": "not-found", "pipe.jpg": "not-a-photo"}

    for name, code in expected.items():
        with pytest.raises(PhotoError) as caught:
            read_photo(tmp_path / name)
        assert caught.value.code == code
        assert caught.value.where == name


@pytest.mark.parametrize("name", ["a" * 300 + ".jpg", "nul\0byte.jpg", "good.jpg/photo.jpg"])
def test_names_that_no_file_can_have_are_refused(tmp_path, name):
    (tmp_path / "good.jpg").write_bytes(GOOD)

    with pytest.raises(PhotoError) as caught:
        read_photo(f"{tmp_path}/{name}")

    assert caught.value.code in ("not-found", "file-name")


def test_a_name_that_is_no_text_is_refused_and_shown_escaped(tmp_path):
    path = os.fsencode(tmp_path) + b"/bad\xff.jpg"
    with open(path, "wb") as file:
        file.write(GOOD)

    with pytest.raises(PhotoError) as caught:
        read_photo(os.fsdecode(path))

    assert caught.value.code == "file-name"
    assert caught.value.where == "bad\\udcff.jpg"
    str(caught.value).encode("utf-8")


@pytest.mark.parametrize("name", ["-rf.jpg", "a 'b’ 100% #1 \U0001f487.jpg", "~.jpg", "$HOME.jpg"])
def test_odd_file_names_are_only_names(tmp_path, monkeypatch, name):
    (tmp_path / name).write_bytes(GOOD)
    monkeypatch.chdir(tmp_path)

    assert read_photo(name).name == name


def test_the_bytes_hashed_are_the_bytes_decoded(tmp_path, monkeypatch):
    """The file is opened once: swapping it afterwards changes neither hash nor pixels."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(GOOD)
    opened = []
    real_open = open

    def open_and_swap(*args, **options):
        file = real_open(*args, **options)
        opened.append(args[0])
        os.unlink(path)
        return file

    monkeypatch.setattr("builtins.open", open_and_swap)
    photo = read_photo(path)
    monkeypatch.undo()

    assert opened == [path]
    assert photo.sha256 == hashlib.sha256(GOOD).hexdigest()


def test_pickles_and_arrays_are_never_loaded(tmp_path):
    class Trap:
        def __reduce__(self):
            return (os.mkdir, (str(tmp_path / "sprung"),))

    array = io.BytesIO()
    np.save(array, np.array([Trap()], dtype=object), allow_pickle=True)
    for data in (pickle.dumps(Trap()), array.getvalue()):
        assert refusal_of(data).code in ("not-a-photo", "format-not-read")

    assert not (tmp_path / "sprung").exists()


def test_a_read_error_refuses_the_photo(tmp_path, monkeypatch):
    path = tmp_path / "photo.jpg"
    path.write_bytes(GOOD)

    def broken(*_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(reader, "check_file_size", broken)
    with pytest.raises(PhotoError, match="Input/output error") as caught:
        read_photo(path)

    assert caught.value.code == "not-readable"


def test_a_file_that_may_not_be_read_is_said(tmp_path, monkeypatch):
    def refused(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("builtins.open", refused)
    with pytest.raises(PhotoError) as caught:
        read_photo(tmp_path / "photo.jpg")

    assert caught.value.code == "not-readable"


def test_lack_of_memory_refuses_the_photo(monkeypatch):
    def greedy(*_):
        raise MemoryError

    monkeypatch.setattr(reader, "turn_upright", greedy)

    assert refusal_of(GOOD).code == "out-of-memory"


@pytest.mark.parametrize(
    ("library", "data"),
    [
        ("pillow_heif", b"\0\0\0\x18ftypheic" + bytes(40)),
        ("rawpy", b"FUJIFILMCCD-RAW" + bytes(200)),
    ],
)
def test_a_missing_extra_is_named_with_its_remedy(monkeypatch, library, data):
    monkeypatch.setitem(sys.modules, library, None)

    error = refusal_of(data)

    assert error.code == "extra-missing"
    assert "pip install '.[" in error.remedy


def test_reading_a_jpeg_loads_no_heavy_library(tmp_path):
    """In a fresh interpreter, with EXIF and an ICC profile in the file."""
    from faults.make_faults import icc_profile

    path = tmp_path / "photo.jpg"
    path.write_bytes(camera_jpeg(icc_profile=icc_profile("p3")))
    code = (
        "import sys; from hairtone.photo.reader import read_photo; read_photo(sys.argv[1]); "
        "print(sorted({m.split('.')[0] for m in sys.modules} & "
        "{'PIL', 'cv2', 'scipy', 'pandas', 'colour', 'skimage', 'matplotlib'}))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )

    assert told.stdout.strip() == "[]"


def test_every_sound_photo_at_hand_is_read():
    """False refusals over real photos; three are thumbnails under the size limit."""
    too_small = {"hopper.jpg", "hopper.png", "macbeth.tif"}
    refused = set()
    paths = [
        path
        for path in sorted(shared_folder("photos").glob("*/*"))
        if path.suffix.lower() in (".jpg", ".png", ".tif")
    ]
    for path in paths:
        try:
            read_photo(path)
        except PhotoError as error:
            refused.add((path.name, error.code))

    assert len(paths) > 150
    assert refused == {(name, "too-small") for name in too_small}


@pytest.mark.parametrize("least_side_px", [240, 8])
def test_every_broken_file_at_hand_is_refused_or_right(monkeypatch, least_side_px):
    """Right: as a second decoder reads it, where that reads it without complaint.

    Most of these files are tiny: once with the size limit lowered, so that they get past it.
    """
    limits = {name: getattr(photo_limits(), name) for name in PhotoLimits.__slots__}
    lower = PhotoLimits(**{**limits, "least_side_px": least_side_px})
    monkeypatch.setattr("hairtone.photo.limits.photo_limits", lambda: lower)
    codes, count = set(), 0
    for path in sorted(shared_folder("corrupt").rglob("*.*")):
        if path.suffix == ".txt":
            continue
        count += 1
        try:
            assert_read_alike(path, read_photo(path))
        except PhotoError as error:
            codes.add(error.code if error.remedy and error.where == path.name else "unsaid")

    assert count > 100
    assert "unsaid" not in codes
    assert {"damaged", "format-not-read", "empty"} <= codes


def assert_read_alike(path, photo):
    from PIL import Image, ImageOps, UnidentifiedImageError

    if photo.pixels.dtype != np.uint8 or photo.format in ("RAW", "HEIC"):
        return  # the second decoder gives 8 bits only
    if "xmp" in path.name:
        return  # it turns by XMP too, which no camera relies on
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow's own remarks about the file
        try:
            with Image.open(path) as picture:
                other = np.asarray(ImageOps.exif_transpose(picture).convert("RGB")).astype(int)
        except (OSError, SyntaxError, TypeError, ZeroDivisionError, UnidentifiedImageError):
            return
    assert other.shape == photo.pixels.shape
    assert np.abs(photo.pixels - other).max() <= 2, path.name


def test_a_gain_map_is_flagged_and_a_plain_second_picture_is_not():
    base = camera_jpeg()
    marked = camera_jpeg(xmp=b'<x xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/"/>')

    assert read_photo_bytes(base + base, name="a.jpg").flags == ()
    (flag,) = read_photo_bytes(marked + base, name="a.jpg").flags
    assert flag.code == "gain-map"


@pytest.mark.parametrize(("quality", "is_flagged"), [(30, True), (62, True), (68, False)])
def test_quality_is_told_from_the_quantisation_tables(quality, is_flagged):
    """Tables scaled by the encoder's own rule give its quality back within 1 (rounding)."""
    from hairtone.photo.jpeg import read_jpeg_header

    data = camera_jpeg(quality=quality)
    codes = {flag.code for flag in read_photo_bytes(data, name="a.jpg").flags}

    assert read_jpeg_header(data).quality == pytest.approx(quality, abs=1)
    assert ("heavily-compressed" in codes) == is_flagged


@pytest.mark.parametrize("quality", [20, 50, 75, 92, 100])
def test_told_quality_is_that_of_the_encoder(quality):
    """abs=2: steps are rounded, and clipped to 1..255; under 20 the clipping hides the scale."""
    from hairtone.photo.jpeg import read_jpeg_header

    told = read_jpeg_header(camera_jpeg(quality=quality)).quality

    assert told == pytest.approx(quality, abs=2)


@pytest.mark.parametrize(
    ("software", "is_edited"),
    [
        ("", False),
        ("17.1", False),
        ("Ver.1.10", False),
        ("Test Works T-1 v2.0", False),
        ("G1B2XXU4", False),
        ("HDR+ 1.0.1", False),
        ("Firmware Version 1.0.2", False),
        ("Some Photo Editor 12", True),
        ("GardenPaint", True),
    ],
)
def test_a_program_that_saved_the_photo_is_told_from_firmware(software, is_edited):
    exif = camera_exif(**{"tag305": software}) if software else camera_exif()

    codes = {flag.code for flag in read_photo_bytes(camera_jpeg(exif=exif), name="a.jpg").flags}

    assert codes == ({"edited"} if is_edited else set())


def test_a_screenshot_is_flagged_and_a_plain_png_is_not():
    plain = picture()
    barred = plain.copy()
    barred[:20] = 240

    codes = [
        {flag.code for flag in read_photo_bytes(encoded(pixels, "PNG"), name="a.png").flags}
        for pixels in (plain, barred)
    ]

    assert "screenshot" not in codes[0]
    assert "screenshot" in codes[1]

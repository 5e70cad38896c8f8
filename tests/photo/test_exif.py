"""EXIF: facts against a second implementation, turns, and nothing personal."""

from __future__ import annotations

import dataclasses
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo.pictures import camera_exif, camera_jpeg, encoded, picture
from PIL import Image, ImageOps

from hairtone.photo.metadata import read_exif, turn_upright
from hairtone.photo.reader import read_photo_bytes
from hairtone.photo.tiff import read_chain, read_directory

BLOCK = camera_exif().tobytes().removeprefix(b"Exif\0\0")


def test_exposure_facts_are_those_a_second_implementation_wrote():
    exposure = read_exif(BLOCK).exposure

    assert (exposure.make, exposure.model) == ("Test Works", "Test Works T-1")
    assert exposure.time_s == pytest.approx(1 / 125, rel=1e-6)
    assert (exposure.f_number, exposure.iso, exposure.focal_length_mm) == (5.6, 200, 60)
    assert exposure.taken == "2026-03-04T10:20:30"


def test_both_byte_orders_are_read():
    exif = Image.Exif()
    exif.endian = "<"
    exif[0x010F], exif[0x0112] = "Test Works", 6
    little = exif.tobytes().removeprefix(b"Exif\0\0")
    exif.endian = ">"
    big = exif.tobytes().removeprefix(b"Exif\0\0")

    assert {little[:2], big[:2]} == {b"II", b"MM"}
    assert read_exif(little) == read_exif(big)
    assert read_exif(big).orientation == 6


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_every_turn_agrees_with_a_second_implementation(orientation, kind):
    stored = picture(300, 260)
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"WEBP": {"lossless": True}, "TIFF": {}, "PNG": {}, "JPEG": {}}[kind]
    data = encoded(stored, kind, exif=exif, **options)

    photo = read_photo_bytes(data, name="photo")
    plain = Image.fromarray(
        turn_upright(photo.pixels, inverse_of(orientation)) if kind == "JPEG" else stored
    )
    plain.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(plain))

    assert photo.size == (expected.shape[1], expected.shape[0])
    assert (photo.pixels == expected).all()


def inverse_of(orientation: int) -> int:
    return {6: 8, 8: 6}.get(orientation, orientation)


def test_a_turned_jpeg_is_the_upright_one():
    """Stored turned by 90 degrees and tagged so, it decodes to the same picture: the corners of
    the upright scene are where they were. abs=12: two JPEG compressions of other blocks."""
    upright = picture(304, 256)
    turned = np.rot90(upright, 1)
    data = camera_jpeg(turned, exif=camera_exif(tag274=6), quality=100)

    photo = read_photo_bytes(data, name="photo.jpg")

    assert photo.size == (304, 256)
    assert np.abs(photo.pixels.astype(int) - upright).max() <= 12


@pytest.mark.parametrize("orientation", [0, 9, 4660])
def test_an_orientation_that_is_none_is_flagged_and_not_obeyed(orientation):
    data = camera_jpeg(exif=camera_exif(tag274=orientation))

    (flag,) = read_photo_bytes(data, name="photo.jpg").flags

    assert flag.code == "metadata-unreadable"
    assert str(orientation) in flag.says


@pytest.mark.parametrize(
    "block",
    [
        b"?? no TIFF",
        b"II*\0\xff\xff\xff\xff" + bytes(20),
        b"II*\0\x08\0\0\0\xff\xff" + bytes(20),
        BLOCK[:40],
    ],
)
def test_a_block_that_cannot_be_read_is_flagged(block):
    data = camera_jpeg(exif=b"Exif\0\0" + block)

    codes = {flag.code for flag in read_photo_bytes(data, name="photo.jpg").flags}

    assert "metadata-unreadable" in codes


@pytest.mark.parametrize("written", ["0000:00:00 00:00:00", "2026:13:41 10:00:00", "yesterday"])
def test_a_date_that_is_none_is_said(written):
    exif = camera_exif()
    exif.get_ifd(0x8769)[0x9003] = written

    photo = read_photo_bytes(camera_jpeg(exif=exif), name="photo.jpg")

    assert photo.exposure.taken == ""
    assert [flag.code for flag in photo.flags] == ["date-unknown"]


@pytest.mark.parametrize(
    ("saved", "is_edited"),
    [
        ("2026:03:04 10:20:30", False),
        ("2026:03:04 10:21:30", False),
        ("2026:03:04 10:10:00", False),
        ("2026:03:06 09:00:00", True),
        ("never", False),
    ],
)
def test_a_file_changed_long_after_the_photo_is_flagged(saved, is_edited):
    """Taken at 10:20:30; a program that keeps the camera's own Software tag is told by the date."""
    data = camera_jpeg(exif=camera_exif(tag306=saved))

    codes = [flag.code for flag in read_photo_bytes(data, name="photo.jpg").flags]

    assert codes == (["edited"] if is_edited else [])


def test_a_comment_that_says_screenshot_is_believed():
    exif = camera_exif()
    exif.get_ifd(0x8769)[0x9286] = b"ASCII\0\0\0Screenshot"

    (flag,) = read_photo_bytes(camera_jpeg(exif=exif), name="photo.jpg").flags

    assert flag.code == "screenshot"


def test_nothing_personal_is_kept():
    """Owner, serial number, place and comment: not in the exposure facts, nor in any flag."""
    exif = camera_exif(tag315="SECRET-OWNER", tag33432="SECRET-OWNER", tag270="SECRET-TEXT")
    inner = exif.get_ifd(0x8769)
    inner[0xA430], inner[0xA431], inner[0x9286] = "SECRET-OWNER", "SECRET-SERIAL", b"SECRET"
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", (52.0, 22.0, 12.0)
    data = camera_jpeg(exif=exif, comment=b"SECRET-COMMENT", xmp=b"<x>SECRET-PLACE</x>")

    photo = read_photo_bytes(data, name="photo.jpg")
    facts = dataclasses.asdict(photo.exposure)

    assert b"SECRET" in data
    assert "SECRET" not in repr((facts, photo.flags, photo.encoding.name, photo.name))
    assert set(facts) == {
        "make", "model", "software", "iso", "time_s", "f_number", "focal_length_mm", "taken",
    }  # fmt: skip


def test_text_of_the_camera_is_cleaned_but_not_interpreted():
    exif = camera_exif(tag272="<script>\x07alert(1)</script>\n" + "x" * 200)

    model = read_photo_bytes(camera_jpeg(exif=exif), name="a.jpg").exposure.model

    assert model.isprintable()
    assert model.startswith("<script>alert(1)</script>")
    assert len(model) == 80


def test_a_ring_of_directories_is_not_walked_for_ever():
    ring = b"II*\0" + struct.pack("<L", 8) + struct.pack("<HHHLLL", 1, 256, 4, 1, 5, 8)

    with pytest.raises(ValueError, match="returns"):
        read_chain(ring)


def test_a_fraction_over_nothing_is_no_fact():
    exif = camera_exif()
    block = bytearray(exif.tobytes().removeprefix(b"Exif\0\0"))
    main = read_chain(bytes(block))[0]
    camera, _ = read_directory(bytes(block), int(main.number(0x8769)), order=main.order)
    place = camera.entries[0x829D][2]
    block[place + 4 : place + 8] = bytes(4)

    assert read_exif(bytes(block)).exposure.f_number is None


@given(st.binary(max_size=400))
def test_any_bytes_give_facts_or_the_fact_that_there_are_none(block):
    facts = read_exif(block)

    assert facts.orientation in range(1, 9)


@given(st.lists(st.tuples(st.integers(0, len(BLOCK) - 1), st.integers(0, 255)), max_size=6))
def test_a_damaged_block_gives_facts_or_the_fact_that_there_are_none(changes):
    block = bytearray(BLOCK)
    for at, value in changes:
        block[at] = value

    exposure = read_exif(bytes(block)).exposure

    for value in (exposure.iso, exposure.time_s, exposure.f_number, exposure.focal_length_mm):
        assert value is None or 0 < value < float("inf")
    assert (exposure.make + exposure.model + exposure.taken).isprintable()

"""Codes as numbers: the table, packed keys, clipping."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo.pictures import camera_exif, camera_jpeg, deep_png, encoded, picture

from hairtone.photo.encodings import linear_raw_encoding, srgb_encoding
from hairtone.photo.pixels import (
    KEY_MASK,
    clipped_share,
    encoded_values,
    packed_pixels,
    unpack_keys,
)
from hairtone.photo.reader import read_photo_bytes
from hairtone.photo.types import Photo


def photo_of(pixels: np.ndarray, *, linear: bool = False) -> Photo:
    levels = int(np.iinfo(pixels.dtype).max) + 1
    encoding = linear_raw_encoding(levels) if linear else srgb_encoding(levels)
    return Photo(name="made", sha256="", pixels=pixels, encoding=encoding)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("orientation", [1, 6])
def test_packed_keys_hold_the_colour_of_each_pixel_without_a_copy(kind, orientation):
    photo = read_photo_bytes(
        encoded(picture(), kind, exif=camera_exif(tag274=orientation)), name="a"
    )

    packed = packed_pixels(photo)
    keys = packed & KEY_MASK

    assert (unpack_keys(keys) == photo.pixels).all()
    assert np.shares_memory(packed, photo.pixels)
    assert not packed.flags.writeable


@pytest.mark.parametrize("make", [np.ascontiguousarray, lambda a: a[::2], lambda a: a[:, ::-1]])
def test_packed_keys_of_other_arrays_are_a_right_copy(make):
    pixels = make(picture(60, 40))

    keys = packed_pixels(photo_of(pixels)) & KEY_MASK

    assert (unpack_keys(keys) == pixels).all()


def test_a_view_of_the_wrong_three_channels_is_not_mistaken_for_the_buffer():
    buffer = np.random.default_rng(1).integers(0, 256, (20, 30, 4), dtype=np.uint8)
    pixels = buffer[..., 1:]

    assert (unpack_keys(packed_pixels(photo_of(pixels)) & KEY_MASK) == pixels).all()


def test_sixteen_bit_codes_have_no_24_bit_key():
    with pytest.raises(ValueError, match="uint16"):
        packed_pixels(photo_of(np.zeros((2, 2, 3), np.uint16)))


@given(st.integers(0, KEY_MASK))
def test_a_key_is_red_and_256_green_and_65536_blue(key):
    red, green, blue = (int(code) for code in unpack_keys(key))

    assert red + 256 * green + 65536 * blue == key


def test_values_come_from_the_table_of_each_channel():
    photo = read_photo_bytes(deep_png(picture().astype(np.uint16) * 257), name="a.png")
    codes = photo.pixels[:5, :7]

    values = encoded_values(photo, codes)

    assert values.dtype == np.float64
    assert values.shape == (5, 7, 3)
    assert (values == codes / 65535).all()


@pytest.mark.parametrize(
    "codes",
    [
        np.zeros((4, 3)),
        np.zeros((4, 2), int),
        np.array([[0, 0, 256]]),
        np.array([[0, -1, 0]]),
        np.array([[1e4, 0, 0]]),
    ],
    ids=["float", "two channels", "too large", "negative", "float 0..255"],
)
def test_codes_that_are_no_codes_are_a_slip(codes):
    """Floats, BGRA and foreign ranges are caught, not converted: a table has no such row."""
    with pytest.raises(ValueError, match="codes"):
        encoded_values(photo_of(picture(4, 4)), codes)


def test_clipped_shares_count_pixels_with_any_channel_at_an_end():
    codes = np.full((10, 3), 128, np.uint8)
    codes[:3, 1] = 255
    codes[3, 0] = 252  # 252 > 0.985 * 255 = 251.2
    codes[4, 0] = 251
    codes[5:7, 2] = 5  # 5 <= 0.02 * 255 = 5.1
    codes[7, 2] = 6

    share = clipped_share(photo_of(codes[None]), codes)

    assert (share.high, share.low) == (0.4, 0.2)


def test_raw_is_clipped_below_only_at_the_black_level():
    codes = np.array([[0, 500, 500], [1, 500, 500], [65535, 1, 1]], np.uint16)

    share = clipped_share(photo_of(codes[None], linear=True), codes)

    assert share.low == pytest.approx(1 / 3)
    assert share.high == pytest.approx(1 / 3)


def test_an_empty_region_has_no_clipped_share():
    with pytest.raises(ValueError, match="no pixels"):
        clipped_share(photo_of(picture(4, 4)), np.zeros((0, 3), np.uint8))


def test_reading_twice_gives_the_same_bits():
    data = camera_jpeg()
    first, second = (read_photo_bytes(data, name="a.jpg") for _ in range(2))

    assert (first.pixels == second.pixels).all()
    assert (first.encoding.table == second.encoding.table).all()

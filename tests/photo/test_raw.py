"""Camera RAW: linear light in true ratio, from files of our own making with known samples."""

from __future__ import annotations

import numpy as np
import pytest
from photo.pictures import dng_of
from published import shared_folder

from hairtone.errors import PhotoError
from hairtone.photo.limits import PhotoLimits, photo_limits
from hairtone.photo.metadata import turn_upright
from hairtone.photo.reader import read_photo, read_photo_bytes

pytest.importorskip("rawpy", reason="the extra 'raw' is not installed")

BLACK, WHITE = 256, 4095
RNG = np.random.default_rng(3)
MOSAIC = RNG.integers(BLACK, WHITE + 1, (520, 640)).astype(np.uint16)


def expected_codes(mosaic: np.ndarray) -> np.ndarray:
    """One pixel per cell: red, the mean of two greens, blue; black is 0 and white 65535."""
    light = (mosaic.astype(float) - BLACK) / (WHITE - BLACK)
    green = (light[0::2, 1::2] + light[1::2, 0::2]) / 2
    return 65535 * np.stack([light[0::2, 0::2], green, light[1::2, 1::2]], axis=-1)


def test_codes_are_the_sensors_samples_scaled_from_black_to_white():
    """abs=2: the decoder scales in whole numbers, and green is the mean of two of them."""
    photo = read_photo_bytes(dng_of(MOSAIC, black=BLACK, white=WHITE), name="a.dng")

    assert photo.format == "RAW"
    assert photo.size == (320, 260)
    assert np.abs(photo.pixels - expected_codes(MOSAIC)).max() <= 2


def test_raw_says_that_it_is_linear():
    photo = read_photo_bytes(dng_of(MOSAIC), name="a.dng")

    assert photo.encoding.is_linear
    assert photo.encoding.name == "linear raw"
    assert (photo.encoding.table[:, 1] == np.arange(65536) / 65535).all()
    assert (photo.encoding.to_xyz == np.eye(3)).all()
    assert photo.flags == ()
    assert photo.exposure.model == "Test Works T-1"


def test_exposures_keep_their_true_ratio():
    """A quarter of the light reads as a quarter: nothing is brightened by content.

    rel=0.5 %: the quarter's samples are rounded to whole numbers of at least 200.
    """
    full = np.full((520, 640), BLACK + 3200, np.uint16)
    full[::3] = BLACK + 800
    quarter = (BLACK + (full - BLACK) // 4).astype(np.uint16)

    means = [
        read_photo_bytes(dng_of(mosaic), name="a.dng").pixels.mean(axis=(0, 1))
        for mosaic in (full, quarter)
    ]

    assert means[1] / means[0] == pytest.approx(0.25, rel=0.005)


def test_the_brightest_pixel_does_not_set_the_scale():
    dim = np.full((520, 640), BLACK + 500, np.uint16)
    spot = dim.copy()
    spot[:2, :2] = WHITE

    plain, spotted = (
        read_photo_bytes(dng_of(mosaic), name="a.dng").pixels for mosaic in (dim, spot)
    )

    assert (plain[5:] == spotted[5:]).all()
    assert (spotted[0, 0] == 65535).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_raw_is_turned_upright(orientation):
    level = read_photo_bytes(dng_of(MOSAIC), name="a.dng").pixels

    turned = read_photo_bytes(dng_of(MOSAIC, orientation=orientation), name="a.dng").pixels

    assert (turned == turn_upright(level, orientation)).all()


def test_a_cut_or_blanked_raw_is_refused():
    data = dng_of(MOSAIC)
    blanked = bytearray(data)
    middle = len(data) // 2
    blanked[middle : middle + 4096] = bytes(4096)

    for broken in (data[: len(data) // 2], data[:-100], bytes(blanked)):
        with pytest.raises(PhotoError) as caught:
            read_photo_bytes(broken, name="a.dng")
        assert caught.value.code == "damaged"


def test_a_black_frame_of_a_camera_without_black_level_is_no_damage():
    """With the black level at 0 a run of zeros can be darkness."""
    photo = read_photo_bytes(dng_of(np.zeros((520, 640), np.uint16), black=0), name="a.dng")

    assert photo.pixels.max() == 0


def test_a_file_of_a_second_maker_is_read(monkeypatch):
    """The samples of the file at hand, by the decoder's own view of the sensor."""
    import rawpy

    limits = {name: getattr(photo_limits(), name) for name in PhotoLimits.__slots__}
    lower = PhotoLimits(**{**limits, "least_side_px": 8})
    monkeypatch.setattr("hairtone.photo.limits.photo_limits", lambda: lower)
    path = shared_folder("corrupt", "raw") / "synthetic_rggb_64x48.dng"

    with rawpy.imread(str(path)) as raw:
        red = raw.raw_image[0::2, 0::2].astype(float) / raw.white_level
    assert read_photo(path).pixels[..., 0] / 65535 == pytest.approx(red, abs=2 / 65535)

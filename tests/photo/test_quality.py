"""Light, focus and screens: against closed forms, the catalogue's faults and real photos."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from photo.pictures import camera_jpeg, picture
from published import shared_folder
from scipy import ndimage, special

from hairtone.colorimetry import decode_srgb, encode_srgb, xyz_to_lab
from hairtone.errors import PhotoError
from hairtone.photo.encodings import linear_raw_encoding, srgb_encoding
from hairtone.photo.quality import (
    blur_flags,
    brightest_light,
    clipped_flags,
    edge_width,
    exposure_flags,
    frame_doubts,
    judge_photo,
    judge_screen,
    screen_flags,
    screen_peak,
)
from hairtone.photo.reader import read_photo, read_photo_bytes
from hairtone.photo.types import Photo

SCENE = picture(1200, 900)


def photo_of(pixels: np.ndarray) -> Photo:
    pixels = np.clip(np.rint(pixels), 0, 255).astype(np.uint8)
    return Photo(name="made", sha256="", pixels=pixels, encoding=srgb_encoding(256))


def saved(pixels: np.ndarray) -> Photo:
    """As the catalogue's scene faults are saved: JPEG of quality 92."""
    codes = np.clip(np.rint(pixels), 0, 255).astype(np.uint8)
    return read_photo_bytes(camera_jpeg(codes, quality=92, subsampling=2), name="bad.jpg")


def linear(pixels: np.ndarray) -> np.ndarray:
    return decode_srgb(pixels / 255)


def steps(width: int, *, size: int = 600, period: int = 60) -> np.ndarray:
    """Vertical bars of codes 60 and 200 whose edges are straight ramps of so many pixels."""
    bars = np.where(np.arange(size) // period % 2, 200.0, 60.0)
    ramps = np.convolve(np.pad(bars, width, mode="edge"), np.full(width, 1 / width), "same")
    row = ramps[width : width + size]
    return np.repeat(np.tile(row, (size, 1))[..., None], 3, axis=2)


def test_a_sound_photo_raises_no_doubt():
    assert judge_photo(saved(SCENE)) == ()


@pytest.mark.parametrize("width", [4, 8, 16, 24])
def test_the_width_of_a_ramp_is_its_length(width):
    """Closed form: height over steepest slope of a straight ramp. Codes are rounded, so a slope of
    140 / width may read half a code steeper; the smoothing adds up to half a pixel."""
    found = edge_width(photo_of(steps(width)))

    assert 140 / (140 / width + 0.5) <= found <= width + 0.5


@pytest.mark.parametrize("sigma", [2.0, 4.0, 8.0])
def test_the_width_of_a_gaussian_edge_is_its_closed_form(sigma):
    """Height over steepest slope is sigma * sqrt(2 pi), of which the part steeper than two codes a
    pixel is seen. The smoothing over 3 pixels adds half a pixel squared to the variance. rel=6 %:
    of 7 codes a pixel, the least of these slopes, rounding is half a code."""
    bars = np.where(np.arange(1200) // 150 % 2, 200.0, 60.0)
    row = ndimage.gaussian_filter1d(bars, sigma, mode="nearest")
    flat = np.repeat(np.tile(row, (300, 1))[..., None], 3, axis=2)

    width = edge_width(photo_of(flat))

    spread = np.sqrt(sigma**2 + 0.5)
    steepest = 140 / (spread * np.sqrt(2 * np.pi))
    seen = special.erf(np.sqrt(np.log(steepest / 2)))
    assert width == pytest.approx(seen * spread * np.sqrt(2 * np.pi), rel=0.06)


def test_a_frame_without_edges_is_not_called_blurred():
    plain = photo_of(np.full((300, 300, 3), 128.0))

    assert np.isnan(edge_width(plain))
    assert blur_flags(edge_width(plain)) == ()


@pytest.mark.parametrize(
    "blurred",
    [
        ndimage.uniform_filter1d(SCENE.astype(float), 41, axis=1),
        ndimage.uniform_filter1d(SCENE.astype(float), 41, axis=0),
        ndimage.gaussian_filter(SCENE.astype(float), (9, 9, 0)),
    ],
    ids=["motion across", "motion down", "out of focus"],
)
def test_a_blurred_frame_is_flagged(blurred):
    """The catalogue's own blurs: 41 pixels of motion, a Gaussian of 9."""
    (flag,) = judge_photo(saved(blurred))

    assert flag.code == "blur"
    assert "blur" in flag.says
    assert flag.remedy


def test_blur_is_judged_against_the_size_of_patches_where_it_is_known():
    """Edges of 9 pixels: fine for large patches, too wide for those of 20 (0.4 * 20 = 8)."""
    assert blur_flags(9.0) == ()
    assert blur_flags(9.0, patch_px=100) == ()
    assert [flag.code for flag in blur_flags(9.0, patch_px=20)] == ["blur"]


def test_focus_of_a_region_is_its_own():
    half = SCENE.astype(float).copy()
    half[:, 600:] = ndimage.gaussian_filter(half[:, 600:], (9, 9, 0))
    photo = photo_of(half)

    assert edge_width(photo, region=(0, 0, 600, 900)) < 4
    assert edge_width(photo, region=(640, 0, 1200, 900)) > 15


def test_a_frame_far_too_dark_is_refused():
    """The catalogue's own darkness: light times 0.044, 4.5 stops."""
    dark = saved(255 * encode_srgb(linear(SCENE) * 0.044))

    with pytest.raises(PhotoError, match="under-exposed") as caught:
        judge_photo(dark)

    assert caught.value.code == "under-exposed"
    assert "stops more" in caught.value.remedy


def test_the_limit_of_darkness_is_one_unit_of_lightness_a_code():
    """Closed form in the docstring: at white 0.11, one code of dark hair (Y = 0.03) is 1 L*."""
    white = 0.11
    code_step = 0.9 / white / (255 * 12.92)
    neutral = np.array([[0.03], [0.03 + code_step]]) * np.ones(3)

    lightness = xyz_to_lab(neutral, white=np.ones(3))[:, 0]

    assert lightness[1] - lightness[0] == pytest.approx(1.0, abs=0.05)
    assert [flag.code for flag in exposure_flags(0.12)] == ["under-exposed"]
    assert exposure_flags(0.3) == ()
    with pytest.raises(PhotoError):
        exposure_flags(0.10)


def test_darkness_of_sixteen_bits_is_only_a_doubt():
    assert [flag.code for flag in exposure_flags(0.05, levels=65536)] == ["under-exposed"]


@pytest.mark.parametrize("share", [0.2, 0.7])
def test_brightest_light_is_the_light_of_the_brightest_patch(share):
    """abs: one 8-bit code of light near it."""
    grey = np.full((400, 400, 3), 40.0)
    code = round(255 * float(encode_srgb(share)))
    grey[:60, :60] = code

    assert brightest_light(photo_of(grey)) == pytest.approx(float(decode_srgb(code / 255)))
    assert brightest_light(photo_of(grey), region=(100, 100, 300, 300)) == pytest.approx(
        float(decode_srgb(40 / 255))
    )


def test_brightest_light_of_raw_is_its_code():
    pixels = np.full((300, 300, 3), 13107, np.uint16)
    raw = Photo(name="a", sha256="", pixels=pixels, encoding=linear_raw_encoding(65536))

    assert brightest_light(raw) == pytest.approx(0.2, abs=1e-5)


def on_a_screen(pixels: np.ndarray) -> np.ndarray:
    """A display's stripes of red, green and blue, its rows, its raised black."""
    height, width = pixels.shape[:2]
    y, x = np.mgrid[:height, :width]
    stripes = np.stack([0.78 + 0.22 * np.cos(2 * np.pi * (x / 3.07 + i / 3)) for i in range(3)], -1)
    rows = 0.9 + 0.1 * np.cos(2 * np.pi * y / 3.11)
    return 255 * (
        0.05 + 0.95 * encode_srgb(np.clip(linear(pixels) * stripes * rows[..., None], 0, 1))
    )


def test_a_photo_of_a_screen_is_refused():
    with pytest.raises(PhotoError, match="screen") as caught:
        judge_screen(saved(on_a_screen(SCENE)))

    assert caught.value.code == "screen"
    assert caught.value.where == "bad.jpg"
    assert caught.value.remedy


@pytest.mark.parametrize("period", [2.3, 3.07, 4.6, 7.3, 11.0])
def test_a_fine_grid_of_any_period_is_found(period):
    x = np.arange(1200)
    grid = SCENE * (1 + 0.15 * np.cos(2 * np.pi * x / period))[None, :, None]

    assert screen_peak(photo_of(grid)) > 50
    assert screen_peak(photo_of(np.rot90(grid))) > 50


@pytest.mark.parametrize("period", [2.3, 3.07, 4.6, 7.3, 11.0])
def test_cloth_in_a_third_of_the_frame_is_no_screen(period):
    woven = SCENE.astype(float)
    woven[:, :400] *= (1 + 0.15 * np.cos(2 * np.pi * np.arange(400) / period))[:, None]

    assert judge_screen(photo_of(woven)) == ()


def test_jpeg_blocks_are_no_screen():
    crushed = read_photo_bytes(camera_jpeg(SCENE, quality=10, subsampling=2), name="a.jpg")

    assert judge_screen(crushed) == ()


def test_a_weak_grid_is_a_doubt_only():
    assert screen_flags(10) == ()
    assert [flag.code for flag in screen_flags(30)] == ["screen-like"]


def test_a_region_smaller_than_a_window_says_nothing_of_screens():
    assert screen_peak(photo_of(SCENE), region=(0, 0, 200, 200)) == 1.0
    assert screen_peak(photo_of(SCENE), region=(0, 0, 900, 3)) == 1.0


def test_why_nothing_was_found_is_told_in_flags():
    dark = saved(255 * encode_srgb(linear(SCENE) * 0.044))
    blurred = saved(ndimage.gaussian_filter(SCENE.astype(float), (9, 9, 0)))

    assert [flag.code for flag in frame_doubts(dark)] == ["under-exposed"]
    assert [flag.code for flag in frame_doubts(blurred)] == ["blur"]
    assert frame_doubts(saved(SCENE)) == ()


def test_clipping_beyond_specks_is_flagged():
    assert clipped_flags(0.005) == ()
    (flag,) = clipped_flags(0.05)
    assert flag.code == "over-exposed"
    assert "over-exposed" in flag.says


def test_a_region_outside_the_photo_is_a_slip():
    with pytest.raises(ValueError, match="outside"):
        edge_width(photo_of(SCENE), region=(5000, 0, 6000, 10))


def test_judging_reads_only_what_is_there():
    photo = saved(SCENE)
    again = dataclasses.replace(photo, pixels=photo.pixels.copy())

    assert judge_photo(photo) == judge_photo(again)


def test_real_photos_are_neither_refused_nor_doubted():
    """False alarms over the photos with a chart at hand: none of 59."""
    folders = ("arcu", "colour_science", "lights_chart", "plantcv_binder", "misc_pedrodiamel")
    paths = [
        path
        for folder in folders
        for path in sorted(shared_folder("photos", folder).glob("*.*"))
        if path.suffix in (".jpg", ".png")
    ]

    doubts = {path.name: judge_photo(read_photo(path)) for path in paths}

    assert len(paths) > 45
    assert not any(doubts.values()), {name: flags for name, flags in doubts.items() if flags}

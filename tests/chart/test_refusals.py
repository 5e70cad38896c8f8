"""What is no chart, or not the whole of one, is refused with the reason and the remedy."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from chart.drawn import (
    PATCH_LIGHT,
    REFERENCE,
    SRGB_FROM_XYZ,
    Look,
    Pose,
    board,
    cover,
    develop,
    draw_light,
    draw_photo,
    place_of_corners,
)
from published import shared_folder

from hairtone.chart.finder import find_chart
from hairtone.colorimetry import VIEWINGS, decode_srgb, encode_srgb
from hairtone.errors import ChartError, HairtoneError
from hairtone.spectra.viewing import reflectance_to_xyz

SKIN = (0.58, 0.35, 0.24)
DARK_HAIR = (0.03, 0.02, 0.015)


def refusal(photo, **given) -> HairtoneError:
    """The refusal of a photo; names file and remedy."""
    with pytest.raises(HairtoneError) as caught:
        find_chart(photo, reference=REFERENCE, **given)
    assert caught.value.where == photo.name
    assert caught.value.remedy
    return caught.value


def find(light):
    return find_chart(develop(light), reference=REFERENCE)


def flags(reading) -> set[str]:
    return {flag.code for flag in reading.flags}


def test_a_bare_board_has_no_chart():
    error = refusal(develop(board((900, 675))))

    assert error.code == "chart-not-found"
    assert "corners by hand" in error.remedy


@pytest.mark.parametrize("seed", range(8))
def test_a_grid_of_random_colours_is_no_chart(seed):
    colours = np.random.default_rng(seed).uniform(0.02, 0.9, (4, 6, 3))

    error = refusal(draw_photo(Pose(turn=11 * seed, tilt=seed), patches=colours)[0])

    assert error.code in {"chart-not-found", "chart-false"}


@pytest.mark.parametrize("seed", range(8))
def test_the_right_colours_in_another_order_are_no_chart(seed):
    order = np.random.default_rng(seed).permutation(24)
    colours = PATCH_LIGHT.reshape(24, 3)[order].reshape(4, 6, 3)

    error = refusal(draw_photo(Pose(turn=17 * seed), patches=colours)[0])

    assert error.code in {"chart-not-found", "chart-false"}


def test_a_negative_of_the_chart_is_no_chart():
    assert refusal(draw_photo(patches=0.95 - PATCH_LIGHT)[0]).code in {
        "chart-not-found",
        "chart-false",
    }


@pytest.mark.parametrize("turn", [0, 30])
def test_plaid_is_no_chart(turn):
    y, x = np.mgrid[:675, :900]
    angle = np.radians(turn)
    along, across = (
        x * np.cos(angle) + y * np.sin(angle),
        y * np.cos(angle) - x * np.sin(angle),
    )
    bands = [((line // 40) % 3)[..., None] == np.arange(3) for line in (along, across)]

    assert refusal(develop(0.08 + 0.4 * sum(bands))).code in {"chart-not-found", "chart-false"}


@pytest.mark.parametrize("width", [0.4, 0.75])
def test_a_140_patch_chart_is_refused_though_it_holds_the_24(width):
    """Reflectances of the chart itself (fourteen columns of ten), from the data beside us."""
    tables = sorted(shared_folder("spectra").glob("*.csv"))
    wide = next(t for t in tables if t.read_text("utf-8").partition("\n")[0].count(",") == 140)
    table = np.genfromtxt(wide, delimiter=",", skip_header=1)
    xyz = reflectance_to_xyz(table[:, 1:].T, table[:, 0], viewing=VIEWINGS["D65/2"])
    patches = np.clip(xyz @ SRGB_FROM_XYZ.T, 0.002, 1).reshape(14, 10, 3).swapaxes(0, 1)

    error = refusal(draw_photo(Pose(width=width), patches=patches, size=(1200, 900))[0])

    assert error.code == "chart-false"
    assert "more than 24" in error.says


def test_a_chart_inside_a_larger_grid_is_refused():
    patches = np.random.default_rng(3).uniform(0.05, 0.9, (6, 8, 3))
    patches[1:5, 1:7] = PATCH_LIGHT

    assert refusal(draw_photo(Pose(width=0.5), patches=patches)[0]).code == "chart-false"


@pytest.mark.parametrize(
    "middle", [(0.1, 0.5), (0.92, 0.5), (0.5, 0.05), (0.5, 0.96), (0.93, 0.93)]
)
def test_a_chart_cut_by_the_frame_is_refused(middle):
    error = refusal(draw_photo(Pose(width=0.35, middle=middle))[0])

    # Cut in two directions, fewer than 14 patches may be left to know it by.
    assert error.code == "chart-cut" or (error.code == "chart-not-found" and middle == (0.93, 0.93))


def test_a_chart_cut_through_its_outer_patches_is_refused():
    """All 24 middles are in the frame, half of four patches is not."""
    error = refusal(draw_photo(Pose(width=0.4, middle=(0.185, 0.5)))[0])

    assert error.code == "chart-cut"
    assert "dark skin" in error.says


@pytest.mark.parametrize("share", [0.5, 0.35, 0.25])
def test_a_second_smaller_chart_is_refused(share):
    second = Pose(width=0.35 * share, middle=(0.85, 0.12))

    error = refusal(draw_photo(Pose(middle=(0.4, 0.55)), also=(second,))[0])

    assert error.code == "chart-twice"
    assert "two charts" in error.says


def test_another_printing_of_the_chart_is_refused():
    """Every patch off by 14 codes (SD), as in the catalogue of faults; five draws."""
    for seed in range(5):
        shift = np.random.default_rng(seed).normal(0, 14 / 255, (4, 6, 3))
        patches = decode_srgb(np.clip(encode_srgb(PATCH_LIGHT) + shift, 0.01, 0.98))

        error = refusal(draw_photo(patches=patches)[0])

        assert error.code == "chart-version"
        assert "version" in error.says


def test_a_third_covered_is_refused_with_what_is_left():
    light, (to_frame,) = draw_light((Pose(width=0.5),), Look())

    error = refusal(develop(cover(light, to_frame, (-0.8, -0.8, 1.6, 3.8), SKIN)))

    assert error.code == "chart-covered"
    assert "4 greys are left" in error.says


def test_one_covered_grey_is_refused():
    light, (to_frame,) = draw_light((Pose(width=0.5),), Look())

    error = refusal(develop(cover(light, to_frame, (1.6, 2.6, 2.4, 3.4), SKIN)))

    assert error.code == "chart-covered"
    assert "neutral 6.5" in error.says


@pytest.mark.parametrize(
    ("box", "colour", "hidden"),
    [
        ((1.5, 0.5, 2.5, 1.5), SKIN, {8}),
        ((2.05, -0.8, 2.3, 1.4), DARK_HAIR, {2, 8}),
        ((3.6, -0.8, 5.8, 1.4), SKIN, {4, 5, 10, 11}),
    ],
    ids=["a patch", "a strand across two", "a corner"],
)
def test_covered_patches_are_left_out_and_the_rest_reads_the_same(box, colour, hidden):
    pose = Pose(width=0.5, turn=15)
    light, (to_frame,) = draw_light((pose,), Look())

    whole, partly = find(light), find(cover(light, to_frame, box, colour))

    assert hidden <= set(np.flatnonzero(~partly.usable))
    assert (~partly.usable).sum() <= len(hidden) + 1
    assert flags(partly) & {"glare", "patches-covered"}
    kept = partly.usable
    # Two readings of one patch differ by noise alone: 0.004 / 30 pixels, five times over.
    assert np.abs(whole.encoded - partly.encoded)[kept].max() < 0.002


@pytest.mark.parametrize("spread_px", [8, 25])
def test_patches_in_glare_are_left_out(spread_px):
    light, (to_frame,) = draw_light((Pose(width=0.5),), Look())
    x0, y0 = to_frame[:2] @ [1, 1, 1] / (to_frame[2] @ [1, 1, 1])
    y, x = np.mgrid[:675, :900]
    spot = 0.5 * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * spread_px**2))

    reading = find(light + spot[..., None])

    assert not reading.usable[7]
    assert reading.usable.sum() >= 20
    assert any("glare" in flag.says for flag in reading.flags)


def test_clipped_greys_are_over_exposed():
    light, _ = draw_light((Pose(),), Look())

    error = refusal(develop(2.5 * light))

    assert error.code == "over-exposed"
    assert "white" in error.says


def test_four_stops_and_a_half_under_is_under_exposed():
    light, _ = draw_light((Pose(),), Look())

    assert refusal(develop(0.044 * light)).code == "under-exposed"


def test_motion_blur_of_half_a_patch_is_flagged():
    light, _ = draw_light((Pose(width=0.5),), Look(), size=(1600, 1200))

    reading = find(cv2.blur(light, (41, 1)))

    assert "blur" in flags(reading)


def test_a_chart_of_too_few_pixels_is_refused():
    """Seven pixels a patch; eight are needed."""
    error = refusal(draw_photo(Pose(width=0.14), size=(320, 240))[0])

    assert error.code == "too-few-pixels"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda corners: corners[:3], "chart-corners"),
        (lambda corners: corners[[0, 2, 1, 3]], "chart-corners"),
        (lambda corners: corners + 5000, "chart-corners"),
        (lambda corners: np.full((4, 2), np.nan), "chart-corners"),
        (lambda corners: corners * 0.6, "chart-false"),
    ],
    ids=["three", "crossed", "outside", "not a number", "beside the chart"],
)
def test_corners_by_hand_that_are_no_chart_are_refused(change, code):
    photo, to_frame = draw_photo(Pose(width=0.3))

    assert refusal(photo, corners=change(place_of_corners(to_frame, Look()))).code == code


def test_a_refusal_keeps_its_words_across_processes():
    error = refusal(develop(board((900, 675))))
    rebuilt = error.__reduce__()

    assert isinstance(error, ChartError)
    assert str(rebuilt[0](*rebuilt[1])) == str(error)

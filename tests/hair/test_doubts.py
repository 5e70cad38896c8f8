"""Flags of measured hair: each cause raises its own, sound hair raises none."""

import dataclasses
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from hair.tress import Tress, calibration, draw, light_field, photo_of, reading_of

from hairtone.colorimetry import decode_srgb, delta_e, encode_srgb
from hairtone.hair.profile import measure_profile
from hairtone.hair.strands import find_strands, strand_along
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene import Wish, random_scene, render_scene
from hairtone.scene.layout import tress_hair
from hairtone.spectra.hair import draw_hair

LINE = [(700, 130), (690, 800)]
AROUND = (630, 120, 760, 810)  # box of the tress and some board


def codes_of(photo, strand=None):
    if strand is None:
        (strand,) = find_strands(photo, reading_of(), calibration(), light_field())
    profile = measure_profile(photo, calibration(), light_field(), strand)
    return {flag.code: flag for flag in strand.flags + profile.flags}


@pytest.mark.parametrize("lab", [(30.0, 22.0, 12.0), (18.0, 3.0, 4.0), (62.0, 0.5, 4.0)])
def test_sound_hair_raises_no_flag(lab):
    photo, _, _ = draw([Tress(line=LINE, labs=[lab, (lab[0] + 6, lab[1], lab[2])], shadow=0.3)])

    assert not codes_of(photo)


def test_strong_highlights_are_said_with_their_share():
    red = codes_of(draw([Tress(line=LINE, shine=0.1)])[0])
    grey = codes_of(draw([Tress(line=LINE, labs=[(45.0, 0.0, 1.0)], shine=0.15)])[0])

    for told in (red, grey):
        assert re.search(r"up to \d+ % of the light", told["shine"].says)


def test_a_hard_shadow_over_half_of_the_hair_is_flagged_as_shadow():
    """Light under a factor 0.45 in the upper half of the hair's box, board beside it included."""
    photo, _, _ = draw([Tress(line=LINE)])
    x0, y0, x1, y1 = AROUND
    light = decode_srgb(photo.pixels / 255)
    light[y0 : (y0 + y1) // 2, x0:x1] *= 0.45
    shaded = photo_of(np.round(255 * encode_srgb(light)).astype(np.uint8))

    flags = codes_of(shaded, strand_along(shaded, LINE, width=60))

    assert "55 %" in flags["shadow"].says or "54 %" in flags["shadow"].says
    assert flags["shadow"].remedy


def test_ends_of_another_colour_are_no_shadow():
    photo, _, _ = draw([Tress(line=LINE, labs=[(30.0, 22.0, 12.0)] * 8 + [(50.0, 15.0, 25.0)] * 8)])

    assert "shadow" not in codes_of(photo)


def test_hair_that_was_smoothed_is_flagged_as_retouched():
    """Blur of 6 pixels and a lift over the hair's box, then JPEG at quality 92."""
    photo, _, _ = draw([Tress(line=LINE)], noise=0.01)
    x0, y0, x1, y1 = AROUND
    smooth = cv2.GaussianBlur(np.array(photo.pixels), (0, 0), 6)
    codes = np.array(photo.pixels)
    codes[y0:y1, x0:x1] = np.clip(smooth[y0:y1, x0:x1] * 1.06 + 6, 0, 255)
    data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    retouched = photo_of(np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]))
    strand = strand_along(retouched, LINE, width=60)

    assert "retouched" in codes_of(retouched, strand)
    assert "retouched" not in codes_of(photo, strand_along(photo, LINE, width=60))


def test_narrow_hair_is_flagged_with_its_width():
    photo, _, _ = draw([Tress(line=LINE, width=24)])

    assert "24 pixels" in codes_of(photo, strand_along(photo, LINE, width=24))["hair-narrow"].says


def test_hair_that_leaves_the_frame_is_flagged():
    photo, _, _ = draw([Tress(line=[(700, 130), (690, 960)])])

    assert "hair-cut-off" in codes_of(photo)


@pytest.mark.parametrize("other", [(62.0, 5.0, 24.0), (30.0, 4.0, 8.0)], ids=["light", "dark"])
def test_two_colours_side_by_side_taken_for_one_hair_are_flagged(other):
    """Two tresses that touch, red beside light or dark: one outline, no mean of them is a hair."""
    pair = [
        Tress(line=[(655, 130), (655, 800)], labs=[(34.0, 24.0, 16.0)]),
        Tress(line=[(744, 130), (744, 800)], labs=[other]),
    ]

    flags = codes_of(draw(pair)[0])

    assert "two-colours" in flags


def test_one_hair_with_a_round_side_and_uneven_light_has_one_colour():
    tress = Tress(line=[(655, 130), (655, 800)], roundness=0.5, shade_sd=0.3)

    assert "two-colours" not in codes_of(draw([tress], slope=(0.3, 0.2))[0])


@pytest.mark.parametrize("seed", [61, 62, 63, 64])
def test_white_hair_among_dark_is_neither_a_shadow_nor_two_hairs(seed):
    """Rendered, a quarter to a half of the fibres white; stated in the sheet, sheen is a remark."""
    scene = random_scene(seed, wish=Wish(hair_class="dark natural"))
    recipe = draw_hair("dark natural", seed=seed)
    hair = tress_hair(recipe, white_share=(0.25, 0.375, 0.5)[seed % 3])
    tress = dataclasses.replace(scene.tresses[0], hair=hair)
    rendered = render_scene(dataclasses.replace(scene, tresses=(tress,)))
    photo = read_photo_bytes(rendered.jpeg, name="white.jpg")

    plain, stated = (
        measure_pixels(
            photo,
            PhotoRequest(path=Path("white.jpg"), hairs=(HairRequest(place=1, white_percent=w),)),
        ).tresses[0]
        for w in (None, 30.0)
    )

    assert not {"shadow", "two-colours"} & {flag.code for flag in plain.flags}
    assert [f.is_note for f in plain.flags if f.code == "sheen"] == [False]
    assert [f.is_note for f in stated.flags if f.code == "sheen"] == [True]
    assert (plain.profile.lab == stated.profile.lab).all()


def test_places_without_any_hair_stand_as_their_neighbours_and_are_told():
    """An outline with a gap of four sixtieths, as a tie of the board's own colour leaves it."""
    photo, _, _ = draw([Tress(line=LINE)])
    (strand,) = find_strands(photo, reading_of(), calibration(), light_field())
    mask = np.array(strand.mask)
    middle = len(mask) // 2
    mask[middle - 25 : middle + 25] = False
    whole, gaping = (
        measure_profile(photo, calibration(), light_field(), one)
        for one in (strand, dataclasses.replace(strand, mask=mask))
    )

    assert [flag.code for flag in gaping.flags] == ["places-empty"]
    assert np.isfinite(gaping.lab).all()
    assert delta_e(whole.lab, gaping.lab).max() < 3  # fibres drift along the gap

"""Patterns of strands: the same picture known again, contrast in L*, the map."""

import cv2
import numpy as np
import pytest
from hair.tress import (
    PlainModel,
    Tress,
    calibration,
    draw,
    lab_of,
    light_field,
    photo_of,
    reading_of,
)

from hairtone.colorimetry import decode_srgb, delta_e
from hairtone.hair.map import (
    SAME_PICTURE,
    lightness_strip,
    map_hair,
    texture_correlation,
    texture_signature,
)
from hairtone.hair.strands import find_strands, strand_along
from hairtone.measures.blend import strand_contrast

LINE = [(700, 130), (690, 800)]


def signature(photo, chart=(60, 60, 360, 260)):
    (strand,) = find_strands(photo, reading_of(chart), calibration(), light_field(photo.size))
    return texture_signature(photo, strand)


def saved_again(photo, *, cut, quality):
    codes = np.ascontiguousarray(photo.pixels[cut:-cut, cut:-cut])
    data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return photo_of(np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]))


def test_one_picture_saved_twice_is_known_again_and_a_new_one_is_not():
    first, _, _ = draw([Tress(line=LINE)], seed=1)
    again = saved_again(first, cut=20, quality=80)
    anew, _, _ = draw([Tress(line=LINE)], seed=2)

    same = texture_correlation(signature(first), signature(again, (40, 40, 340, 240)))
    other = texture_correlation(signature(first), signature(anew))

    assert same > SAME_PICTURE + 0.1
    assert other < SAME_PICTURE


def test_recolouring_does_not_hide_the_picture():
    first, _, _ = draw([Tress(line=LINE)], seed=1)
    lifted = photo_of(np.clip(0.85 * np.array(photo_pixels := first.pixels) + 25, 0, 255)
                      .astype(np.uint8))  # fmt: skip
    strand = strand_along(first, LINE, width=80)

    same = texture_correlation(texture_signature(first, strand), texture_signature(lifted, strand))

    assert photo_pixels.shape == lifted.pixels.shape
    assert same > 0.95


def test_signatures_of_different_shape_are_a_slip_of_the_programmer():
    with pytest.raises(ValueError, match="shapes"):
        texture_correlation(np.zeros((4, 4), np.int8), np.zeros((4, 5), np.int8))


def contrast(photo, strand):
    strip = lightness_strip(photo, calibration(), light_field(), strand, start=0.0, stop=1.0)
    return strand_contrast(strip, mm_per_px=strand.mm_per_px)


def test_contrast_is_the_spread_of_the_strands_and_free_of_noise():
    """Strands 0.4 mm wide, 5 SD settings: L* spreads by 116/3 (Y)^(1/3) times the light's SD.

    Tolerance 25 %: averaging over 0.3 mm and 2 mm takes some of it, and 36 strands are few.
    """
    found = []
    for sd in (0.05, 0.15):
        tress = Tress(line=LINE, shade_sd=sd, colour_sd=0.0, fibre_px=5.0, width=180)
        photo, _, _ = draw([tress], noise=0.01)
        strand = strand_along(photo, LINE, width=170)
        strand = with_scale(strand, 0.08)
        found.append(contrast(photo, strand).value)

    wanted = [116 / 3 * ((30 + 16) / 116) * sd for sd in (0.05, 0.15)]
    assert found == pytest.approx(wanted, rel=0.25)


def test_plain_hair_has_no_contrast_however_noisy_the_photo():
    tress = Tress(line=LINE, shade_sd=0.0, colour_sd=0.0, width=180)
    photo, _, _ = draw([tress], noise=0.02)
    strand = with_scale(strand_along(photo, LINE, width=170), 0.08)

    found = contrast(photo, strand)

    assert found.noise > 0.05
    assert found.value < 0.15


def test_a_map_agrees_with_every_pixel_converted_on_its_own():
    """Tolerance 0.3 ΔE: a cubic stands in for the model, and light is even within a twelfth."""
    slope = (0.1, -0.1)
    photo, _, _ = draw([Tress(line=LINE)], slope=slope)
    light = light_field(slope=slope)
    strand = strand_along(photo, LINE, width=60)

    found = map_hair(photo, calibration(), light, strand)

    ys, xs = (n[::97] for n in np.nonzero(found.mask))
    places = np.stack([xs + found.box[0], ys + found.box[1]], axis=1)
    linear = decode_srgb(photo.pixels[places[:, 1], places[:, 0]] / 255)
    plain = delta_e(found.reference, lab_of(linear / light.at(places)[:, None]))
    assert np.abs(found.delta_e[ys, xs] - plain).max() < 0.3
    assert (found.delta_e[~found.mask] == 0).all()


def test_a_map_against_a_given_colour_shows_the_distance_to_it():
    photo, _, _ = draw([Tress(line=LINE, shade_sd=0.02, colour_sd=0.0)])
    strand = strand_along(photo, LINE, width=60)

    own = map_hair(photo, calibration(), light_field(), strand)
    far = map_hair(photo, calibration(), light_field(), strand, reference=(60.0, 0.0, 0.0))

    assert own.delta_e[own.mask].mean() < 2
    assert far.delta_e[far.mask].mean() > 20


def with_scale(strand, mm_per_px):
    import dataclasses

    return dataclasses.replace(strand, mm_per_px=mm_per_px)


def test_plain_model_is_its_own_inverse():
    """The small world of these tests: L* 50 grey is linear 0.1842 (CIE 15)."""
    assert PlainModel().lab(np.array([[0.184187] * 3]))[0, 0] == pytest.approx(50, abs=0.01)

"""Hair and chart in different light: refused, or told with an interval that holds the truth."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from bench.readings import shoot
from calibration.frames import CENTRES, CORNERS, HAIR, SIZE, PlainModel, make_frame

from hairtone.calibration.light import fit_light_field
from hairtone.colorimetry import decode_srgb, encode_srgb
from hairtone.errors import HairError
from hairtone.hair.doubts import light_of_strand
from hairtone.hair.types import Strand
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene import random_scene, render_scene

LINE = np.stack([np.full(33, 559.5), np.linspace(HAIR[0].start, HAIR[0].stop, 33)], axis=1)
STRAND = Strand(name="1", line=LINE, width=160.0)
GIVEN = dataclasses.replace(STRAND, is_given=True)
CHART = (20.0, 0.0, 350.0, 290.0)  # x0, y0, x1, y1 of what a shadow covers, edges 8 pixels soft
HAIR_ALL = (400.0, -50.0, 740.0, 700.0)
BOTH = (-50.0, -50.0, 740.0, 700.0)
NOWHERE = (-400.0, -400.0, -300.0, -300.0)


def inside(place, soft=4.0):
    """How far within a rectangle, 0..1, as a function of x and y."""
    x0, y0, x1, y1 = place

    def share(x, y):
        deep = np.minimum(np.minimum(x - x0, x1 - x), np.minimum(y - y0, y1 - y))
        return 1 / (1 + np.exp(-np.clip(deep / soft, -30, 30)))

    return share


def shadow(place, depth):
    """Light that falls by a tenth over the frame, and by `depth` in a place."""
    share = inside(place)
    return lambda x, y: (1 - 0.1 * x / SIZE[0]) * (1 - depth * share(x, y))


@pytest.fixture(scope="module")
def reading():
    return dataclasses.replace(shoot(3, look=0).reading, corners=CORNERS, centres=CENTRES)


def light_on(strand, reading, place, depth, **more):
    field = fit_light_field(
        make_frame(shadow(place, depth), reading, **more), reading, PlainModel()
    )
    return light_of_strand(field, strand, LINE)


@pytest.mark.parametrize("strand", [STRAND, GIVEN], ids=["found", "given"])
@pytest.mark.parametrize(("place", "depth"), [(NOWHERE, 0.0), (BOTH, 0.5), (BOTH, 0.2)])
def test_hair_and_chart_in_one_light_leave_no_doubt(strand, place, depth, reading):
    light, flags = light_on(strand, reading, place, depth)

    assert light.step < 0.02
    assert flags == ()


@pytest.mark.parametrize("strand", [STRAND, GIVEN], ids=["found", "given"])
@pytest.mark.parametrize("place", [CHART, HAIR_ALL], ids=["chart", "hair"])
@pytest.mark.parametrize("depth", [0.4, 0.65])
def test_a_shadow_on_one_of_them_is_refused(strand, place, depth, reading):
    with pytest.raises(HairError) as refusal:
        light_on(strand, reading, place, depth)

    assert refusal.value.code == "shadow-between"
    assert "shadow" in refusal.value.remedy


@pytest.mark.parametrize("place", [CHART, HAIR_ALL], ids=["chart", "hair"])
def test_a_weak_shadow_on_one_of_them_is_told_with_an_interval_that_holds_it(place, reading):
    """A fifth of the light gone: two SDs reach the 0.22 of log light that it may be off by."""
    light, flags = light_on(STRAND, reading, place, 0.2)

    assert [flag.code for flag in flags] == ["shadow-between"]
    assert 2 * light.doubt_at(LINE).min() > -np.log(1 - 0.2)


def test_a_shadow_over_a_third_of_the_hair_is_told_and_not_refused(reading):
    third = (400.0, -50.0, 740.0, 280.0)

    light, flags = light_on(STRAND, reading, third, 0.5)

    assert [flag.code for flag in flags] == ["shadow-between"]
    assert 2 * light.doubt_at(LINE).min() > np.log(2)


@pytest.mark.parametrize("lift", [1.08, 1.2])
def test_a_filter_that_lightened_the_picture_around_the_hair_is_told(lift, reading):
    """A soft patch over the middle of the hair and some board, as apps brush on."""
    frame = make_frame(shadow(NOWHERE, 0.0), reading)
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    patch = np.exp(-((((x - 560) ** 2 + (y - 360) ** 2) / (2 * 110.0**2)) ** 2))[..., None]
    pixels = np.clip(frame.pixels * (1 + (lift - 1) * patch) + 0.5, 0, 255).astype(np.uint8)
    field = fit_light_field(dataclasses.replace(frame, pixels=pixels), reading, PlainModel())

    _, flags = light_of_strand(field, STRAND, LINE)

    assert [flag.code for flag in flags] == ["shadow-between"]
    assert "app" in flags[0].says


@pytest.mark.parametrize("place", [CHART, HAIR_ALL], ids=["chart", "hair"])
def test_a_shadow_that_other_light_fills_is_refused_for_its_colour(place, reading):
    """A tenth of the light gone, sky light in the shadow: red down and blue up by an eighth."""
    share = inside(place)

    with pytest.raises(HairError, match="differs in colour") as refusal:
        light_on(STRAND, reading, place, 0.1, tint=lambda x, y: 1 - 0.125 * share(x, y))

    assert refusal.value.code == "shadow-between"


def test_a_given_line_where_no_board_lies_beside_it_is_told_and_not_refused(reading):
    """Hair on brown cloth as on a head: its light is told from the board, and is less sure."""
    frame = make_frame(shadow(NOWHERE, 0.0), reading)
    light = decode_srgb(frame.pixels / 255)
    around = light[:, 400:740].copy()
    light[:, 400:740] *= np.array([1.3, 0.9, 0.6])
    light[HAIR] = around[HAIR[0], HAIR[1].start - 400 : HAIR[1].stop - 400]
    pixels = np.round(255 * encode_srgb(light)).astype(np.uint8)
    field = fit_light_field(dataclasses.replace(frame, pixels=pixels), reading, PlainModel())

    _, flags = light_of_strand(field, GIVEN, LINE)

    assert [flag.code for flag in flags] == ["light-unseen"]
    assert "differs in colour" in flags[0].says


def edge_between(rendered, size):
    """A shadow's edge half way between chart and hair: its place and the way to the chart."""
    (truth,) = rendered.truth.tresses
    corners = rendered.truth.corners
    gaps = np.linalg.norm(corners[:, None] - truth.line[None], axis=2)
    corner, place = np.unravel_index(gaps.argmin(), gaps.shape)
    near = np.array([corners[corner], truth.line[place]])
    towards = corners.mean(axis=0) - truth.line.mean(axis=0)
    towards = np.array([np.sign(towards[0]), 0.0])  # tresses hang down beside the chart
    away = (near.mean(axis=0) - np.array(size) / 2) / np.hypot(*size)
    return float(away @ towards), float(np.degrees(np.arctan2(towards[1], towards[0])))


@pytest.mark.parametrize("seed", [2, 5, 11])
@pytest.mark.parametrize("on_chart", [True, False], ids=["chart", "hair"])
def test_a_rendered_shadow_between_is_refused(seed, on_chart):
    """Half the light gone behind an edge between chart and hair; without it the photo is sound."""
    scene = random_scene(seed, size=(1200, 900))
    plain = render_scene(scene)
    at, angle = edge_between(plain, scene.size)
    shape = dataclasses.replace(
        scene.light_shape,
        shadow_depth=0.5,
        shadow_at=at if on_chart else -at,
        shadow_deg=angle if on_chart else angle + 180,
        shadow_soft=0.004,
    )
    gain = 0.5 if on_chart else 1.0  # the scene's light is that on the chart
    sensor = dataclasses.replace(scene.sensor, exposure=gain * scene.sensor.exposure)
    shaded = render_scene(dataclasses.replace(scene, light_shape=shape, sensor=sensor))

    sound, refused = (measured(photo) for photo in (plain, shaded))

    assert sound.error is None
    assert "shadow-between" not in {flag.code for flag in sound.tresses[0].flags}
    assert refused.status == "refused"
    assert refused.tresses[0].error.code == "shadow-between"


def measured(rendered):
    photo = read_photo_bytes(rendered.jpeg, name="shadow.jpg")
    hair = HairRequest(place=1, line=rendered.truth.tresses[0].line)
    return measure_pixels(photo, PhotoRequest(path=Path("shadow.jpg"), hairs=(hair,)))

"""Tone and light solved together; what is refused and flagged."""

import dataclasses
import io
import itertools
from pathlib import Path

import numpy as np
import pytest
from bench.readings import shoot
from calibration.frames import CENTRES, CORNERS, make_frame
from calibration.shots import REFERENCE, VIEWING, ideal_light
from PIL import Image
from published import shared_folder

from hairtone.calibration.solve import calibrate
from hairtone.chart.types import GREYS
from hairtone.colorimetry import decode_srgb, delta_e, encode_srgb
from hairtone.errors import CalibrationError
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene.types import ZONES

MIDDLE = CENTRES.mean(axis=0)


def slope(x, y):
    return 1 - 0.25 * (x - MIDDLE[0]) / 960


@pytest.fixture(scope="module")
def plain():
    return dataclasses.replace(shoot(3, look=0).reading, corners=CORNERS, centres=CENTRES)


def under(reading, law):
    """The reading as the patches look under an uneven light."""
    light = law(*reading.centres.T)[:, None]
    return dataclasses.replace(reading, encoded=encode_srgb(decode_srgb(reading.encoded) * light))


def test_light_and_tone_are_solved_together(plain):
    """25 % over the frame: the chart fits as well as in even light, the field is right to 1 %."""
    plain_tone = encode_srgb(0.9 * ideal_light(REFERENCE.xyz(VIEWING)))
    reading = dataclasses.replace(plain, encoded=plain_tone)
    photo = make_frame(slope, reading)

    calibration, light = calibrate(photo, under(reading, slope), viewing=VIEWING)
    even, _ = calibrate(photo, reading, viewing=VIEWING)

    points = np.array([[100.0, 300.0], [500.0, 500.0], [900.0, 100.0]])
    assert light.at(points) == pytest.approx(slope(*points.T) / slope(*MIDDLE), rel=0.01)
    assert np.nanmean(calibration.held_out) < np.nanmean(even.held_out) + 0.1


def test_a_board_in_another_light_than_the_chart_is_not_used(plain):
    def steep(x, y):
        return np.exp(-1.2 * (x - MIDDLE[0]) / 240)

    def on_board(x, y):
        return np.clip(steep(x, y), 0.3, 1.6)

    calibration, light = calibrate(make_frame(on_board, plain), plain, viewing=VIEWING)

    assert light.source == "none"
    assert "light-disagrees" in {flag.code for flag in light.flags}
    assert calibration.viewing == VIEWING


def test_a_grossly_wrong_reference_is_refused(plain):
    """Every patch off by a few units at random, greys and all: no light or camera does that."""
    rng = np.random.default_rng(2)
    encoded = np.clip(plain.encoded + rng.normal(0, 14 / 255, (24, 3)), 0.03, 0.97)

    with pytest.raises(CalibrationError, match="version") as raised:
        calibrate(
            make_frame(slope, plain),
            dataclasses.replace(plain, encoded=encoded),
            viewing=VIEWING,
        )
    assert raised.value.code == "chart-version"
    assert "grey row" in raised.value.says


@pytest.mark.parametrize("tint", [(1.5, 1.0, 0.5), (0.7, 1.0, 1.3)])
def test_a_strongly_coloured_light_is_no_wrong_reference(tint, plain):
    photo = make_frame(np.vectorize(lambda x, y: 1.0), plain)
    tinted = encode_srgb(decode_srgb(plain.encoded) * np.array(tint) * 0.6)

    calibration, _ = calibrate(photo, dataclasses.replace(plain, encoded=tinted), viewing=VIEWING)

    assert np.nanmean(calibration.residual) < 4


def test_facts_are_ready_for_json(plain):
    import json

    calibration, _ = calibrate(make_frame(slope, plain), under(plain, slope), viewing=VIEWING)

    facts = json.loads(json.dumps(calibration.facts))
    assert len(facts["tone"]) == 4
    assert facts["held_out_level1"] > 0
    assert calibration.method in {"level 1", "level 2", "average"}


def test_greys_that_cannot_be_believed_are_left_out(plain):
    usable = plain.usable.copy()
    usable[GREYS[0]] = False

    calibration, _ = calibrate(
        make_frame(slope, plain), dataclasses.replace(under(plain, slope), usable=usable),
        viewing=VIEWING,
    )  # fmt: skip

    assert np.isnan(calibration.residual[GREYS[0]])
    assert np.nanmean(calibration.residual) < 4


def filtered(encoded):
    """An app's colour filter: cross-talk, an S-curve and faded blacks, in encoded values."""
    mix = np.array([[0.90, 0.08, 0.02], [0.05, 0.90, 0.05], [0.02, 0.12, 0.86]])
    mixed = encoded @ mix.T
    return 0.06 + 0.9 * (mixed - 0.06 * np.sin(2 * np.pi * mixed))


def test_a_colour_filter_is_flagged_and_its_absence_is_not(plain):
    photo = make_frame(slope, plain)
    pixels = np.round(255 * filtered(photo.pixels / 255)).astype(np.uint8)
    reading = under(plain, slope)

    clean, _ = calibrate(photo, reading, viewing=VIEWING)
    tampered, _ = calibrate(
        dataclasses.replace(photo, pixels=pixels),
        dataclasses.replace(reading, encoded=filtered(reading.encoded)),
        viewing=VIEWING,
    )

    assert "colour-filter" not in {flag.code for flag in clean.flags}
    assert "colour-filter" in {flag.code for flag in tampered.flags}


def test_a_doubt_between_board_and_chart_turns_no_light_over(plain):
    """A board that leaves the chart's light little by little: no step outgrows what is stated."""
    points = np.array([[500.0, 500.0], [900.0, 300.0], [900.0, 600.0]])
    fields = []
    for steep in np.arange(0.5, 1.5, 0.1):

        def on_board(x, y, steep=steep):
            return np.clip(np.exp(-steep * (x - MIDDLE[0]) / 480), 0.2, 1.8)

        fields.append(calibrate(make_frame(on_board, plain), plain, viewing=VIEWING)[1])

    assert {"board", "none"} == {field.source for field in fields}
    for one, other in itertools.pairwise(fields):
        step = np.abs(np.log(one.at(points) / other.at(points)))
        stated = 1.96 * np.hypot(one.doubt_at(points), other.doubt_at(points))
        assert (step < stated).all()


@pytest.mark.parametrize("line", [[(60, 300), (60, 1500)], [(300, 2020), (1000, 2020)]])
def test_copies_of_a_photo_agree_on_hair_that_lies_off_the_board(line):
    """A real chart on a sheet of paper, hair on the carpet beside: the light there is unseen."""
    path = shared_folder("photos", "arcu", "color_checker (2).jpg")
    with Image.open(path) as picture:
        shown = picture.convert("RGB")
    labs, reach = [], []
    for quality, crop in ((95, 0), (70, 0), (95, 3)):
        copy = io.BytesIO()
        shown.crop((crop, crop, *shown.size)).save(copy, "JPEG", quality=quality)
        photo = read_photo_bytes(copy.getvalue(), name="copy.jpg")
        hair = HairRequest(place=1, line=np.array(line, float) - crop, width=60.0)
        result = measure_pixels(photo, PhotoRequest(path=Path("copy.jpg"), hairs=(hair,)))
        told = result.tresses[0].to_dict()
        assert told["status"] in ("flagged", "refused")
        if told["status"] == "flagged":
            labs.append([told["zones"][zone]["lab"] for zone in ZONES])
            reach.append([told["zones"][zone]["u95"] for zone in ZONES])

    for a, b in itertools.combinations(range(len(labs)), 2):
        assert (delta_e(labs[a], labs[b]) < np.hypot(reach[a], reach[b])).all()

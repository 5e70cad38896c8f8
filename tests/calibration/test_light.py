"""The light field: right to 1 % on the hair, shadows found, doubts told, mixed light refused."""

import dataclasses

import numpy as np
import pytest
from bench.readings import shoot
from calibration.frames import CENTRES, CORNERS, HAIR, SIZE, PlainModel, make_frame, pixel_grid

from hairtone.calibration.light import fit_light_field
from hairtone.calibration.types import LightField
from hairtone.colorimetry import decode_srgb, encode_srgb
from hairtone.errors import LightError

MIDDLE = CENTRES.mean(axis=0)
ON_HAIR = np.stack(
    np.meshgrid(
        np.arange(HAIR[1].start, HAIR[1].stop, 20.0), np.arange(HAIR[0].start, HAIR[0].stop, 20.0)
    ),
    axis=-1,
).reshape(-1, 2)


@pytest.fixture(scope="module")
def reading():
    return dataclasses.replace(shoot(3, look=0).reading, corners=CORNERS, centres=CENTRES)


def even(x, y):
    return np.ones_like(x)


def gradient(x, y):
    return 1 - 0.2 * (x - MIDDLE[0]) / SIZE[0]


def vignetting(x, y):
    """cos^4 law of a lens whose corners lie 25 degrees off the axis."""
    tangent = np.hypot(x - SIZE[0] / 2, y - SIZE[1] / 2) / (np.hypot(*SIZE) / 2) * np.tan(0.436)
    return np.cos(np.arctan(tangent)) ** 4


def both(x, y):
    return gradient(x, y) * vignetting(x, y)


def error_on_hair(field, law):
    true = law(*ON_HAIR.T) / law(*MIDDLE)
    return np.abs(field.at(ON_HAIR) / true - 1)


@pytest.mark.parametrize("law", [even, gradient, vignetting, both])
@pytest.mark.parametrize("hair", [(0.12, 0.06, 0.03), (0.22, 0.21, 0.19), (0.02, 0.018, 0.016)])
def test_the_light_on_the_hair_is_right_to_one_per_cent(law, hair, reading):
    field = fit_light_field(make_frame(law, reading, hair=hair), reading, PlainModel())

    assert field.source == "board"
    assert error_on_hair(field, law).max() < 0.01


def test_flare_is_taken_off_before_light_is_divided(reading):
    """Flare of 2 % left on would show a 20 % fall as 18 %."""

    class FlareOff(PlainModel):
        def linear(self, encoded):
            return super().linear(encoded) - 0.02

    photo = make_frame(gradient, reading, flare=0.02)

    assert error_on_hair(fit_light_field(photo, reading, FlareOff()), gradient).max() < 0.01


def test_a_fall_to_a_third_is_corrected_and_flagged(reading):
    def fall(x, y):
        return 1 - 0.65 * x / SIZE[0]

    field = fit_light_field(make_frame(fall, reading), reading, PlainModel())

    assert error_on_hair(field, fall).max() < 0.01
    assert field.fall == pytest.approx(0.65, abs=0.03)
    assert "uneven-light" in {flag.code for flag in field.flags}


@pytest.mark.parametrize("width_px", [1.0, 12.0])
def test_a_shadow_is_left_out_and_told(width_px, reading):
    def shadow(x, y):
        edge = np.clip((x + 0.3 * y - 850) / width_px, -50, 50)
        return gradient(x, y) * (1 - 0.5 / (1 + np.exp(-edge)))

    field = fit_light_field(make_frame(shadow, reading), reading, PlainModel())

    lit = ON_HAIR[:, 0] + 0.3 * ON_HAIR[:, 1] < 780
    assert error_on_hair(field, gradient)[lit].max() < 0.01
    assert "shadow" in {flag.code for flag in field.flags}


def test_mixed_light_is_refused(reading):
    """Warm to cool over the frame as a lamp against a window: blue over red changes by 0.9."""

    def tint(x, y):
        return np.exp(0.25 - 0.5 * x / SIZE[0])

    photo = make_frame(even, reading, tint=tint)

    with pytest.raises(LightError, match="mixed light") as raised:
        fit_light_field(photo, reading, PlainModel())
    assert raised.value.code == "mixed-light"
    assert raised.value.where == photo.name


def test_too_little_board_is_told_and_widens_the_uncertainty(reading):
    photo = make_frame(even, reading)
    rng = np.random.default_rng(4)
    pixels = rng.integers(0, 255, photo.pixels.shape, dtype=np.uint8)
    pixels[40:240, 40:320] = photo.pixels[40:240, 40:320]

    field = fit_light_field(dataclasses.replace(photo, pixels=pixels), reading, PlainModel())

    assert field.source == "none"
    assert {flag.code for flag in field.flags} == {"little-board"}
    assert field.at(ON_HAIR) == pytest.approx(np.ones(len(ON_HAIR)))
    assert field.draws_at(ON_HAIR, draws=256, seed=1).std(axis=0).min() > 0.01


def test_a_plain_card_gives_the_light_of_a_busy_scene(reading):
    busy = make_frame(both, reading)
    codes = np.round(255 * encode_srgb(0.3 * both(*pixel_grid()))).astype(np.uint8)
    card = dataclasses.replace(busy, pixels=np.repeat(codes[..., None], 3, axis=2))

    field = fit_light_field(busy, reading, PlainModel(), card=card)

    assert field.source == "card"
    assert error_on_hair(field, both).max() < 0.01


def test_the_chart_stands_at_one(reading):
    field = fit_light_field(make_frame(both, reading), reading, PlainModel())

    assert field.at([MIDDLE]) == pytest.approx([1.0])


def test_four_turns_of_a_photo_give_one_light(reading):
    """Turned pictures sample other pixels of each cell: half of the 1 % that is promised."""
    photo = make_frame(both, reading)
    straight = fit_light_field(photo, reading, PlainModel())
    points, corners, centres = ON_HAIR, CORNERS, CENTRES
    pixels = photo.pixels
    for _ in range(3):
        pixels = np.rot90(pixels)  # x, y -> y, width - 1 - x
        width = pixels.shape[0]
        points, corners, centres = (
            np.stack([p[:, 1], width - 1 - p[:, 0]], axis=1) for p in (points, corners, centres)
        )
        turned = fit_light_field(
            dataclasses.replace(photo, pixels=np.ascontiguousarray(pixels)),
            dataclasses.replace(reading, corners=corners, centres=centres),
            PlainModel(),
        )

        assert turned.at(points) == pytest.approx(straight.at(ON_HAIR), rel=0.005)


def test_a_photo_of_wider_primaries_has_the_same_light(reading):
    """The frame stored with primaries turned into each other: codes differ, the light does not."""
    plain = make_frame(both, reading, hair=(0.12, 0.1, 0.09), noise=0.0)
    to_srgb = np.array([[1.2, -0.2, 0.0], [-0.05, 1.05, 0.0], [0.0, -0.1, 1.1]])
    linear = decode_srgb(plain.pixels / 255) @ np.linalg.inv(to_srgb).T
    codes = np.round(255 * encode_srgb(np.clip(linear, 0, 1))).astype(np.uint8)
    wide = dataclasses.replace(
        plain, pixels=codes, encoding=dataclasses.replace(plain.encoding, to_srgb=to_srgb)
    )

    field = fit_light_field(wide, reading, PlainModel())

    assert error_on_hair(field, both).max() < 0.01


def little(frame, *, reach, seed=3):
    """The frame with carpet, which is no board, from x = `reach` on."""
    pixels = np.array(frame.pixels)
    rng = np.random.default_rng(seed)
    pixels[:, reach:] = rng.integers(20, 200, pixels[:, reach:].shape, dtype=np.uint8)
    return dataclasses.replace(frame, pixels=pixels)


@pytest.mark.parametrize("law", [even, gradient, vignetting, both])
def test_light_that_no_board_shows_is_as_unsure_as_it_is_wrong(law, reading):
    """Board on the left four tenths only: three SDs hold the truth at every place beyond."""
    frame = little(make_frame(law, reading), reach=400)
    points = np.stack([np.linspace(60, 940, 12), np.full(12, 500.0)], axis=1)

    field = fit_light_field(frame, reading, PlainModel())

    doubt = field.doubt_at(points)
    off = np.abs(np.log(field.at(points) / (law(*points.T) / law(*MIDDLE))))
    assert field.source == "board"
    assert (off < 3 * doubt).all()
    assert doubt[-1] > 10 * doubt[4]  # 880 and 300 pixels from the left


def test_the_doubt_is_the_spread_of_the_draws(reading):
    """256 draws of a normal law know an SD to 4.4 %; four of those."""
    field = fit_light_field(make_frame(both, reading), reading, PlainModel())

    spread = np.log(field.draws_at(ON_HAIR[::9], draws=256, seed=1)).std(axis=0)

    assert field.doubt_at(ON_HAIR[::9]) == pytest.approx(spread, rel=4 / np.sqrt(2 * 256))


def test_draws_of_a_light_scatter_as_its_doubt_says():
    """4000 draws: the SD of log light is known to 1.1 %, four of which are 4.5 %."""
    root = np.array([[0.05, 0.0], [0.02, 0.08]])
    field = LightField(
        coefficients=np.array([0.2, -0.1]), covariance=root @ root.T, origin=np.zeros(2),
        scale=100.0, source="board", fall=0.1, residual_slope=0.0, residual_sd=0.0, step=0.03,
    )  # fmt: skip
    points = np.array([[0.0, 0.0], [60.0, 20.0], [-90.0, 150.0]])

    logs = np.log(field.draws_at(points, draws=4000, seed=1))

    doubt = field.doubt_at(points)
    assert logs.std(axis=0) == pytest.approx(doubt, rel=0.045)
    assert doubt[0] == pytest.approx(0.03)  # at the chart itself: the step alone
    assert logs.mean(axis=0) == pytest.approx(np.log(field.at(points)), abs=4 * doubt.max() / 63)
    assert np.log(field.at(points)) == pytest.approx([0.0, 0.12 - 0.02, -0.18 - 0.15])

"""The camera's own processing, against closed forms and a second implementation."""

import numpy as np
import pytest

from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, encode_srgb
from hairtone.scene.development import coarse, colour_matrix, develop, spread, tone_curve, twist
from hairtone.scene.render import camera_weights
from hairtone.scene.types import Development
from hairtone.spectra.cameras import draw_scene_camera
from hairtone.spectra.lights import reference_light

STRONG = Development(
    gain=1.1,
    saturation=1.2,
    black=0.004,
    shoulder=0.75,
    contrast=0.6,
    pivot=0.4,
    look_chroma=((0.06, 1.0), (0.04, 2.0), (0.03, 3.0)),
    look_hue=((0.03, 0.5), (0.02, 1.5), (0.02, 2.5)),
)


def weights(seed=1, light="CIE D65"):
    return camera_weights(draw_scene_camera(seed=seed), reference_light(light))


def test_a_neutral_development_is_the_srgb_transfer():
    light = np.linspace(0, 1, 1001)

    assert tone_curve(light, Development()) == pytest.approx(encode_srgb(light), abs=1e-12)


def test_tone_rises_from_black_to_white():
    curve = tone_curve(np.linspace(0, 1.5, 4000), STRONG)

    assert (np.diff(curve) >= 0).all()
    assert curve[0] == 0.0
    assert 0.9 < curve[-1] <= 1.0


def test_white_stays_neutral_through_the_matrix_in_any_light():
    for name in ("CIE A", "CIE FL11", "CIE D65", "CIE LED-B1"):
        matrix = colour_matrix(weights(3, name), STRONG)
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3))


def test_the_matrix_renders_the_chart_near_its_srgb_values():
    """A maker's matrix under D65 brings the chart to about 3 ΔE*ab on average, as is common."""
    from hairtone.colorimetry import decode_srgb, delta_e_ab, xyz_to_lab

    reference = load_reference("chart24-average30")
    linear = reference.reflectance @ weights() @ colour_matrix(weights(), Development()).T
    to_xyz = np.linalg.inv(
        [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
    )
    seen = decode_srgb(encode_srgb(np.clip(linear, 0, 1))) @ to_xyz.T
    found = xyz_to_lab(100 * seen, white=VIEWINGS["D65/2"].white)

    assert delta_e_ab(reference.lab(VIEWINGS["D65/2"]), found).mean() < 6.0


def test_a_look_leaves_greys_and_luma_alone():
    values = np.random.default_rng(1).uniform(0.2, 0.8, (500, 3))
    grey = np.linspace(0, 1, 50)[:, None] * np.ones(3)
    luma = np.array([0.299, 0.587, 0.114])

    assert twist(grey, STRONG) == pytest.approx(grey)
    assert twist(values, STRONG) @ luma == pytest.approx(values @ luma, abs=0.02)  # clipping


def test_developing_by_tables_agrees_with_the_functions_to_half_a_code():
    """Tables of tone and look against the same curves in float64, dither averaged out.

    Tolerance: a quarter code for the look's steps and five standard errors of 4000 dithered codes.
    """
    rng = np.random.default_rng(2)
    colours = rng.uniform(0.01, 0.9, (6, 3))
    picture = np.repeat(colours[:, None], 4000, axis=1).astype(np.float32)
    matrix = STRONG.gain * colour_matrix(weights(), STRONG)

    found = develop(picture, STRONG, weights(), rng=rng).mean(axis=1)

    expected = 255 * twist(tone_curve(colours @ matrix.T, STRONG), STRONG)
    assert found == pytest.approx(expected, abs=0.25 + 5 * 0.5 / np.sqrt(4000))


def test_squares_keep_a_linear_slope():
    """Means over squares and back: a plane stays a plane between the outer squares' middles.

    Tolerance: the thinned rows of a square lie 1.5 pixels off its middle at most.
    """
    y, x = np.mgrid[0:192, 0:256].astype(np.float32)
    plane = x + 2 * y

    back = spread(coarse(plane), size=(256, 192))

    inside = (slice(20, -20), slice(20, -20))
    assert np.abs(back[inside] - plane[inside]).max() < 3 * 1.6

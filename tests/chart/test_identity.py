"""Colours alone say what is a chart: chance comes nowhere near."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from chart.drawn import (
    PATCH_LIGHT,
    REFERENCE,
    Look,
    Pose,
    chart_to_frame,
    develop,
    flat_chart,
    place,
)

from hairtone.chart.finder import find_chart
from hairtone.chart.identity import PROVEN, covered_parts, rate_readings
from hairtone.chart.lattice import map_points
from hairtone.chart.refine import CENTRES
from hairtone.colorimetry import encode_srgb
from hairtone.errors import ChartError

ENCODED = encode_srgb(PATCH_LIGHT.reshape(24, 3))


def test_the_chart_itself_agrees_in_every_patch():
    agreeing, residual = rate_readings(ENCODED[None], REFERENCE)

    assert agreeing[0] == 24
    assert residual[0] < 0.01


def test_chance_agrees_in_far_fewer_patches_than_are_asked_for():
    """5000 grids of random colours, and as many of the chart's own colours shuffled.

    Three patches and more lie between the luckiest of them and what is taken for a chart: each
    further patch agrees by chance about once in thirty.
    """
    rng = np.random.default_rng(2)
    shuffled = np.stack([ENCODED[rng.permutation(24)] for _ in range(5_000)])

    luckiest = [
        rate_readings(grids, REFERENCE)[0].max() for grids in (rng.random((5_000, 24, 3)), shuffled)
    ]

    assert max(luckiest) <= PROVEN - 4


def test_a_wrong_turn_of_the_chart_does_not_pass():
    grid = ENCODED.reshape(4, 6, 3)
    turns = [grid[::-1, ::-1], grid[::-1], grid[:, ::-1]]

    agreeing, _ = rate_readings(np.stack([turn.reshape(24, 3) for turn in turns]), REFERENCE)

    assert agreeing.max() <= PROVEN - 4


BACKGROUNDS = {
    "tiles": lambda x, y: np.where(((x % 47 < 3) | (y % 47 < 3))[..., None], 0.1, 0.35),
    "ruled mat": lambda x, y: np.where(((x % 20 < 1) | (y % 20 < 1))[..., None], 0.5, 0.08),
    "hair": lambda x, y: 0.4 * np.random.default_rng(1).random((1, 900, 1)) ** 2 + 0 * x[..., None],
    "check": lambda x, y: np.where(((x // 40 + y // 40) % 2 == 1)[..., None], 0.5, 0.1),
}


@pytest.mark.parametrize("turn", [8, 45])
@pytest.mark.parametrize("background", BACKGROUNDS.values(), ids=BACKGROUNDS)
def test_a_chart_is_found_on_any_background_of_a_saved_jpeg(background, turn):
    size = (900, 675)
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    to_frame = chart_to_frame(Pose(turn=turn, tilt=10), size)
    light = place(background(x, y) * np.ones(3), flat_chart(PATCH_LIGHT, Look()), to_frame)
    codes = develop(light).pixels
    ok, file = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])
    decoded = np.ascontiguousarray(cv2.imdecode(file, cv2.IMREAD_COLOR)[..., ::-1])
    photo = dataclasses.replace(develop(light), pixels=decoded)

    reading = find_chart(photo, reference=REFERENCE)

    true = map_points(to_frame, CENTRES.astype(float))
    assert ok
    assert np.linalg.norm(reading.centres - true, axis=1).max() < 0.02 * reading.patch_px


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("is_linear", [False, True])
@pytest.mark.parametrize(
    "light",
    [
        np.zeros((1, 1, 3)),
        np.zeros((240, 320, 3)),
        np.ones((240, 320, 3)),
        np.random.default_rng(0).random((240, 320, 3)),
        np.random.default_rng(0).random((3, 900, 3)),
    ],
    ids=["one pixel", "black", "white", "noise", "strip"],
)
def test_whatever_the_picture_a_miss_is_a_refusal(light, bits, is_linear):
    photo = develop(light, Look(bits=bits, is_linear=is_linear, blur=0.0))

    with pytest.raises(ChartError, match="not found"):
        find_chart(photo, reference=REFERENCE)


def test_what_may_hide_a_part_of_the_chart_leaves_at_least_half_of_it():
    """Bands and corners, every patch hidden by some of them and seen beside others."""
    parts = covered_parts()

    assert not parts[0].any()
    hidden = parts[1:].sum(axis=1)
    assert (hidden >= 6).all()
    assert (hidden <= 12).all()
    assert parts[1:].any(axis=0).all()
    assert not parts[1:].all(axis=0).any()
    for part in parts[1:].reshape(-1, 4, 6):
        rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        assert part[np.ix_(rows, columns)].all()
        assert np.ptp(rows) == len(rows) - 1
        assert np.ptp(columns) == len(columns) - 1

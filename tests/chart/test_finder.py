"""The chart is found where it was drawn, whichever way it lies, and its patches read true."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from chart.drawn import REFERENCE, Look, Pose, draw_photo, place_of_corners

from hairtone.chart.finder import find_chart
from hairtone.chart.lattice import map_points
from hairtone.chart.refine import CENTRES
from hairtone.errors import ChartError

# Patch centres within 2 % of a patch's side: the inner 60 % that is read then stays clear of its
# edge by nine tenths of the margin.
NEAR = 0.02

POSES = {
    "straight": Pose(),
    "quarter turn": Pose(turn=90),
    "upside down": Pose(turn=180),
    "turned 200": Pose(turn=200, tilt=10, tilt_axis=40),
    "turned 33": Pose(turn=33),
    "turned 45": Pose(turn=45, tilt=15, tilt_axis=90),
    "tilted 30 away": Pose(tilt=30, tilt_axis=0),
    "tilted 30 aside": Pose(tilt=30, tilt_axis=90),
    "tilted 30 askew": Pose(turn=300, tilt=30, tilt_axis=60),
    "12 % of the frame": Pose(width=0.12, middle=(0.7, 0.3)),
    "12 %, turned and tilted": Pose(width=0.12, turn=70, tilt=25, tilt_axis=120),
    "70 % of the frame": Pose(width=0.7),
    "mirrored": Pose(is_mirrored=True),
    "mirrored, turned, tilted": Pose(is_mirrored=True, turn=130, tilt=25, tilt_axis=30),
}
LOOKS = {
    "plain": Look(),
    "warm light": Look(light=(0.92, 0.62, 0.35)),
    "cool light": Look(light=(0.5, 0.7, 0.92)),
    "a stop and a half under": Look(light=(0.32, 0.32, 0.32)),
    "small patches in a wide frame": Look(patch=0.78),
    "no gaps": Look(patch=1.0, frame=0.25),
    "white frame": Look(frame=0.8),
    "white board": Look(board=(0.85, 0.85, 0.85)),
    "black board": Look(board=(0.02, 0.02, 0.02)),
    "soft": Look(blur=2.5),
    "out of focus": Look(blur=5.0),
    "noisy": Look(noise=0.03),
    "16 bit": Look(bits=16),
    "raw": Look(bits=16, is_linear=True, noise=0.001),
    "dim raw": Look(bits=16, is_linear=True, noise=0.0005, light=(0.14, 0.2, 0.12)),
}


def distance(reading, to_frame):
    """Largest distance of a patch centre from the truth. [patch sides]"""
    true = map_points(to_frame, CENTRES.astype(np.float64))
    return np.linalg.norm(reading.centres - true, axis=1).max() / reading.patch_px


@pytest.mark.parametrize("pose", POSES.values(), ids=POSES)
def test_patches_are_found_where_they_lie(pose):
    photo, to_frame = draw_photo(pose)

    reading = find_chart(photo, reference=REFERENCE)

    assert distance(reading, to_frame) < NEAR
    assert reading.is_mirrored == pose.is_mirrored
    assert ("mirrored" in [flag.code for flag in reading.flags]) == pose.is_mirrored


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
def test_light_camera_and_make_of_chart_do_not_matter(look):
    photo, to_frame = draw_photo(Pose(turn=20, tilt=12, tilt_axis=70), look)

    reading = find_chart(photo, reference=REFERENCE)

    assert distance(reading, to_frame) < NEAR
    assert reading.usable.all()


@pytest.mark.parametrize("seed", range(12))
def test_any_turn_tilt_size_and_light(seed):
    rng = np.random.default_rng(seed)
    pose = Pose(
        turn=rng.uniform(0, 360),
        tilt=rng.uniform(0, 30),
        tilt_axis=rng.uniform(0, 360),
        width=rng.uniform(0.12, 0.45),
        is_mirrored=rng.random() < 0.3,
    )
    light = rng.uniform(0.4, 0.9) * np.exp(rng.normal(0, 0.2, 3))
    look = Look(
        light=tuple(light * min(1, 0.92 / light.max())),
        blur=rng.uniform(0.4, 2),
        noise=rng.uniform(0.002, 0.01),
        patch=rng.choice([0.8, 0.88, 0.94, 0.96]),
    )
    photo, to_frame = draw_photo(pose, look, seed=seed)

    reading = find_chart(photo, reference=REFERENCE)

    assert distance(reading, to_frame) < NEAR
    assert reading.is_mirrored == pose.is_mirrored


def test_corners_are_the_outer_corners_of_the_patch_field():
    """Within 3 % of a patch: twice NEAR for half a cell more, less what a patch's size tells."""
    pose, look = Pose(turn=25, tilt=15), Look(patch=0.88)
    photo, to_frame = draw_photo(pose, look)

    reading = find_chart(photo, reference=REFERENCE)

    gap = np.linalg.norm(reading.corners - place_of_corners(to_frame, look), axis=1)
    assert gap.max() / reading.patch_px < 0.03


def test_the_same_photo_gives_the_same_reading():
    photo, _ = draw_photo(Pose(turn=77, tilt=20))

    first, second = (find_chart(photo, reference=REFERENCE) for _ in range(2))

    for field in ("corners", "centres", "encoded", "covariance", "clipped", "usable"):
        np.testing.assert_array_equal(getattr(first, field), getattr(second, field))


def test_a_view_of_four_channels_reads_as_three_do():
    photo, _ = draw_photo()
    four = np.dstack([photo.pixels, np.full(photo.pixels.shape[:2], 7, np.uint8)])
    padded = dataclasses.replace(photo, pixels=four[..., :3])

    plain, seen = (find_chart(p, reference=REFERENCE) for p in (photo, padded))

    np.testing.assert_array_equal(plain.encoded, seen.encoded)
    np.testing.assert_array_equal(plain.corners, seen.corners)


@pytest.mark.parametrize("error", [0, 3, 10])
@pytest.mark.parametrize("start", [0, 1, 2, 3])
def test_corners_by_hand_need_not_be_exact_nor_begin_at_the_right_one(error, start):
    photo, to_frame = draw_photo(Pose(turn=30, tilt=20))
    rng = np.random.default_rng(start)
    corners = place_of_corners(to_frame, Look()) + rng.uniform(-error, error, (4, 2))

    reading = find_chart(photo, reference=REFERENCE, corners=np.roll(corners, start, axis=0))

    assert distance(reading, to_frame) < NEAR


def test_corners_by_hand_choose_between_two_charts():
    first, second = Pose(middle=(0.3, 0.5)), Pose(middle=(0.75, 0.5), width=0.3)
    photo, places = draw_photo(first, also=(second,))
    with pytest.raises(ChartError, match="two charts"):
        find_chart(photo, reference=REFERENCE)

    reading = find_chart(photo, reference=REFERENCE, corners=place_of_corners(places[1], Look()))

    assert distance(reading, places[1]) < NEAR

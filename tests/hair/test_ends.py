"""The first and last place of a hair, which board and clamp may have a share in."""

import numpy as np
import pytest

from hairtone.hair.cells import CellSums
from hairtone.hair.places import end_limits, end_step_flags, with_ends_held

PLACES = np.linspace(-1, 1, 60)


def test_an_end_place_is_held_to_what_places_inside_differ_by():
    rng = np.random.default_rng(3)
    sound = np.exp(0.1 * PLACES[:, None] + 0.01 * rng.standard_normal((60, 3)))
    mixed = sound.copy()
    mixed[-1] *= (0.7, 0.8, 1.1)

    held = with_ends_held(mixed, end_limits(mixed))

    behind = mixed[-5:-2].mean(axis=0)
    # two places on, a hundredth of scatter each and the slope of 0.1 over 30: a twentieth holds
    assert held[-1] == pytest.approx(behind, rel=0.05)
    assert np.array_equal(held[1:-1], mixed[1:-1])
    many = with_ends_held(np.stack([mixed, sound]), end_limits(mixed))
    assert many[0] == pytest.approx(held)


def test_even_places_at_the_ends_stay_as_they_are():
    """A straight slope: every place differs from those behind it by the same."""
    slope = np.repeat(1 + 0.2 * PLACES[:, None], 3, axis=1)

    held = with_ends_held(slope, 1.3 * end_limits(slope))  # 1.3: the steeper end, relative

    assert held == pytest.approx(slope)


@pytest.mark.parametrize(("which", "remedy"), [("first", "new growth ends"), ("last", "'roots'")])
def test_a_step_near_an_end_is_told_with_what_can_be_done_at_that_end(which, remedy):
    """New growth has no end to mark at the ends of the hair: there the line may be turned round."""
    light = np.full((60, 1, 1, 3), 50.0)
    light[:4] *= 0.6
    light[4] *= 0.8  # the edge lies within this place
    if which == "last":
        light = light[::-1]
    sums = CellSums(count=np.full((60, 1, 1), 100.0), light=light, clipped=np.zeros(60))

    (flag,) = end_step_flags(sums)

    assert f"The {which} 7 % of the hair" in flag.says  # 4 of 60
    assert "40 % in light" in flag.says  # 1 - 0.6
    assert remedy in flag.remedy

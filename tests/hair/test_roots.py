"""Which end of a line the roots are at: what lies beyond its ends tells."""

from __future__ import annotations

import numpy as np
import pytest

from hairtone.hair.centre import CentreLine
from hairtone.hair.outline import Piece
from hairtone.hair.strands import CLAMPED, held_end, roots_last

SHAPE = (120, 100)  # reduced pixels
LINE = CentreLine(
    points=np.column_stack([np.full(13, 50.0), np.linspace(30.0, 90.0, 13)]),
    breadth=np.full(13, 16.0),
    spread=16.0,
)


def held(rows):
    """How the line is held where something solid lies in these rows, all across the hair."""
    solid = np.zeros(SHAPE, bool)
    solid[rows, 38:63] = True
    return held_end(LINE, Piece(mask=np.zeros(SHAPE, bool), solid=solid))


def test_a_clamp_beyond_an_end_holds_that_end():
    assert held(slice(91, 97)) > 2 * CLAMPED
    assert held(slice(22, 30)) < -2 * CLAMPED


@pytest.mark.parametrize("rows", [slice(40, 80), slice(98, 120), slice(0, 22), slice(0, 0)])
def test_what_lies_on_the_hair_or_far_beyond_it_holds_nothing(rows):
    assert held(rows) == 0


def test_tresses_side_by_side_lend_each_other_their_clamps():
    """One clamp is seen, at the lower end of the first: both have their roots there."""
    assert roots_last([LINE, LINE], [1.0, 0.0]) == [(True, True), (True, True)]
    assert roots_last([LINE, LINE], [-1.0, 0.0]) == [(False, True), (False, True)]


def test_without_a_clamp_the_upper_end_is_the_roots():
    upwards = CentreLine(points=LINE.points[::-1], breadth=LINE.breadth, spread=LINE.spread)

    assert roots_last([LINE], [0.0]) == [(False, True)]
    assert roots_last([upwards], [0.0]) == [(True, True)]

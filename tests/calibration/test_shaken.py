"""What draws of two photos have in common, and that each by itself keeps its law."""

from __future__ import annotations

import numpy as np
import pytest

from hairtone.calibration.field import Shaken, draw_field

MANY = 40_000


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 1.0])
def test_numbers_of_two_photos_go_together_by_their_share(share):
    one, two = (Shaken(own).normal(MANY, share=share, part=1) for own in (1, 2))

    # standard errors of a correlation and of an SD from 40 000 numbers: 0.005 and 0.0035
    assert np.corrcoef(one, two)[0, 1] == pytest.approx(share, abs=0.02)
    assert one.std() == pytest.approx(1.0, abs=0.014)


def test_each_column_may_have_a_share_of_its_own():
    shares = np.array([0.0, 1.0])
    one, two = (Shaken(own).normal(MANY, 2, share=shares, part=1) for own in (1, 2))

    assert abs(np.corrcoef(one[:, 0], two[:, 0])[0, 1]) < 0.02
    assert (one[:, 1] == two[:, 1]).all()


def test_numbers_of_one_photo_are_the_same_every_time_and_parts_are_unrelated():
    one, again, other = (
        Shaken(own).normal(MANY, share=0.9, part=part) for own, part in ((1, 1), (1, 1), (1, 2))
    )

    assert (one == again).all()
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.02


def test_fields_of_two_photos_go_together_by_their_share():
    colours = np.random.default_rng(0).uniform(0, 1, (40, 3))
    one, two = (
        draw_field(Shaken(own), length=0.35, draws=400, share=0.9, part=3).at(colours)
        for own in (1, 2)
    )

    # 400 draws, about 20 of 120 values independent: 4 standard errors of 8000 numbers
    assert np.corrcoef(one.ravel(), two.ravel())[0, 1] == pytest.approx(0.9, abs=0.03)

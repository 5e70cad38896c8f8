"""The outline that is drawn follows what was measured."""

import numpy as np
import pytest
from hair.tress import Tress, calibration, draw, light_field, reading_of
from skimage.draw import polygon2mask

from hairtone.hair.map import strand_outline
from hairtone.hair.strands import find_strands, strand_along

SIZE = (1200, 900)


def overlap(one, other):
    return (one & other).sum() / (one | other).sum()


def test_the_drawn_outline_covers_what_was_found():
    photo, _, _ = draw([Tress(line=[(700, 130), (640, 420), (690, 800)])], size=SIZE)
    (strand,) = find_strands(photo, reading_of(), calibration(), light_field(SIZE))

    drawn = polygon2mask(SIZE[::-1], strand_outline(strand)[:, ::-1])

    found = np.zeros(SIZE[::-1], bool)
    x0, y0, x1, y1 = strand.box
    found[y0:y1, x0:x1] = strand.mask
    assert overlap(drawn, found) > 0.93  # half a pixel all around a tress 60 pixels wide is 3 %


def test_a_strip_is_drawn_by_its_two_sides():
    photo, _, _ = draw([Tress(line=[(700, 130), (690, 800)])], size=SIZE)
    strand = strand_along(photo, [(700, 150), (690, 780)], width=20.0)

    outline = strand_outline(strand)

    x, y = outline.T
    area = abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2  # shoelace formula
    if strand.mask is None:
        assert area == pytest.approx(20 * np.hypot(10, 630), rel=0.01)
    assert area <= 21 * np.hypot(10, 630)

"""Things on the board that stand out as hair does and are none: markers, labels, scales, charts."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.centre import INNER_POINTS, CentreLine, pixels_of, project
from hairtone.hair.features import Features
from hairtone.hair.outline import Mask, axis_of
from hairtone.reference import read_limits

LEAST_AXIS: Final = 2.0  # length over width by second moments; our choice: sound tresses at hand
# have 4 and more, markers up to 1.5; a lock bent into half a circle has 2.3 (closed form)
LEAST_WHOLE: Final = 1.6  # the same before clamps are taken off
LEAST_LEFT: Final = 0.75  # of such a thing that clamps leave; our choice
UNEVEN: Final = 0.17  # SD of the breadth over its mean; our choice: sound hair stays under 0.14
THIN: Final = 3  # of its pixels, one is looked at; our choice, speed
MIDDLE: Final = 0.3  # of the width to either side of the line, that patches fill; our choice
EDGE: Final = 0.12  # step of log light, or half of it of tint, from which on it is one; our choice
LEAST_EDGES: Final = 2  # across a thing; a shadow's edge or the ends' other colour is one
LEAST_RATIO: Final = 8.0  # of the larger steps along a thing to what differs across it; our choice:
# fibres differ across hair, which has 4 at most of 76 tresses at hand; patches have 15 and more
PLAIN: Final = 0.05  # of log light across; our choice: all but pale hair has more
TOUCHING: Final = 2  # reduced pixels from the chart's frame, that lie against it
ALONG_CHART: Final = 0.6  # of a thing's length that does; our choice: hair is to lie clear of it
FEWEST: Final = 12  # places along a thing that are looked at


def is_no_hair(whole: Mask, mask: Mask, line: CentreLine, features: Features) -> bool:
    """Whether a thing on the board is no hair.

    Parameters
    ----------
    whole, mask : ndarray of bool
        The thing, with and without what was taken for clamps.
    line : CentreLine
        Of the latter.
    features : Features
        Of the frame.
    """
    if _is_lump(whole, mask, line):
        return True
    places = _places(mask, line, features)
    return _is_patchy(places) or _is_mount(places, mask, line, features)


def _is_lump(whole: Mask, mask: Mask, line: CentreLine) -> bool:
    """Whether a thing runs nowhere: a printed marker, a label, a lid.

    It is about as broad as long, and either of no one breadth along its line or cut to a strip
    only by what was taken for clamps at both ends.
    """
    inner, usual = line.breadth[INNER_POINTS], float(np.median(line.breadth))
    if inner.max() > read_limits("hair")["refuse_breadth_above"] * usual:
        return False  # hair with something across it
    if inner.std() > UNEVEN * inner.mean() and _slenderness(mask) < LEAST_AXIS:
        return True
    is_cut = np.count_nonzero(mask) < LEAST_LEFT * np.count_nonzero(whole)
    return bool(is_cut and _slenderness(whole) < LEAST_WHOLE)


def _slenderness(mask: Mask) -> float:
    _, _, length, width = axis_of(mask)
    return length / width


def _places(mask: Mask, line: CentreLine, features: Features) -> Floats:
    """Log light and tint of the places along a thing, and how its light differs across, (3, n)."""
    pixels = pixels_of(mask)[::THIN]
    along, across = project(pixels.astype(np.float64), line.points)
    inner = (np.abs(across) < MIDDLE * line.width) & (along >= 0) & (along < line.length)
    _, place = np.unique(along[inner].astype(np.intp), return_inverse=True)
    (xs, ys), count = pixels[inner].T, np.bincount(place)
    light = features.lightness[ys, xs]
    mean = np.bincount(place, light) / count
    spread = np.sqrt(np.bincount(place, (light - mean[place]) ** 2) / count)
    return np.stack([mean, np.bincount(place, features.tint[ys, xs]) / count, spread])


def _is_patchy(places: Floats) -> bool:
    """Whether a thing is made of plain patches side by side: a grey scale, a ruler, a chart's row.

    It changes by edges straight across it, and is plain between its sides, where hair has fibres.
    """
    light, tint, spread = places
    if len(light) < FEWEST:
        return False
    step = np.hypot(_steps(light), 2 * _steps(tint))
    edges = int((np.diff((step > EDGE).astype(int), prepend=0) == 1).sum())
    return edges >= LEAST_EDGES and bool(
        np.quantile(step, 0.9) > LEAST_RATIO * max(float(np.median(spread)), 1e-9)
    )


def _is_mount(places: Floats, mask: Mask, line: CentreLine, features: Features) -> bool:
    """Whether a plain thing lies along the chart's own frame: a mount or a wider edge of it."""
    if not places.size or np.median(places[2]) > PLAIN:
        return False
    reach = np.ones((2 * TOUCHING + 1, 2 * TOUCHING + 1), np.uint8)
    beside = cv2.dilate(features.is_chart.astype(np.uint8), reach) > 0
    pixels = pixels_of(mask & beside)
    if not len(pixels):
        return False
    along, _ = project(pixels.astype(np.float64), line.points)
    touching = len(np.unique(along[(along >= 0) & (along < line.length)].astype(np.intp)))
    return touching > ALONG_CHART * line.length


def _steps(values: Floats) -> Floats:
    """Change from the two places before each place to the two after it."""
    return np.asarray((values[3:-1] + values[4:] - values[:-4] - values[1:-3])[1:-1] / 2)

"""What holds the hair: a clamp, clip or tape at an end of it is no hair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.hair.centre import CentreLine, pixels_of, project
from hairtone.hair.features import Features

# All our choice, on drawn and rendered clamps of plastic and metal
REACH: Final = 1.6  # of the width: how far from an end a clamp is looked for
LIGHT_STEP: Final = 0.25  # of log light between clamp and hair
TINT_STEP: Final = 0.12  # of chromaticity
CLEAR: Final = 1.6  # such steps where the clamp is no broader than the hair
FLAT: Final = 0.25  # of log light over a clamp
PLAIN: Final = 1.6  # of the board's texture
SHADOW: Final = -1.3  # log light down to which a plain grey thing may be board in shadow
UNLIKE_BOARD: Final = 0.3  # of log light
NEUTRAL: Final = 0.16  # off the lamp's colour
DARK: Final = -1.4  # log light under which things count as black
NEUTRAL_DARK: Final = 0.3  # off the lamp's colour: veiling light tints what is black
BROADER: Final = 1.07  # than the hair it holds
MUCH_BROADER: Final = 1.15  # from which on a thing as light as the board is no thin end of hair
NO_MIXTURE: Final = 0.1  # of log light beyond both board and hair: no mixture of the two
CALM: Final = 0.75  # of the hair's own texture at most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stations:
    """Means over the middle of the piece at each reduced pixel along its line."""

    lightness: Floats
    tint: Floats
    greyness: Floats
    texture: Floats
    breadth: Floats


def without_clamps(
    mask: NDArray[np.bool_], line: CentreLine, features: Features
) -> tuple[NDArray[np.bool_], bool, bool]:
    """The piece without what holds it; whether there was something at the line's start and end."""
    pixels = pixels_of(mask)
    along, across = project(pixels.astype(np.float64), line.points)
    first = float(np.floor(along.min()))
    cell = (along - first).astype(int)
    stations = _stations(cell, across, pixels, line, features)
    start = _held_length(stations, line.width)
    end = _held_length(_part_of(stations, slice(None, None, -1)), line.width)
    if start + end == 0:
        return mask, False, False
    kept = (cell >= start) & (cell < len(stations.breadth) - end)
    rest = np.zeros_like(mask)
    rest[pixels[kept, 1], pixels[kept, 0]] = True
    return rest, start > 0, end > 0


def _stations(
    cell: NDArray[np.int64],
    across: Floats,
    pixels: NDArray[np.int32],
    line: CentreLine,
    features: Features,
) -> _Stations:
    size = int(cell.max()) + 1
    middle = np.abs(across) < 0.3 * line.width
    inner = cell[middle]
    count = np.maximum(np.bincount(inner, minlength=size), 1)
    xs, ys = pixels[middle].T

    def mean(values: NDArray[np.float32]) -> Floats:
        return np.asarray(np.bincount(inner, values[ys, xs], minlength=size) / count)

    return _Stations(
        lightness=mean(features.lightness),
        tint=mean(features.tint),
        greyness=mean(features.greyness),
        texture=mean(features.texture),
        breadth=np.bincount(cell, minlength=size).astype(np.float64),
    )


def _part_of(stations: _Stations, part: slice) -> _Stations:
    return _Stations(
        lightness=stations.lightness[part],
        tint=stations.tint[part],
        greyness=stations.greyness[part],
        texture=stations.texture[part],
        breadth=stations.breadth[part],
    )


def _held_length(stations: _Stations, width: float) -> int:
    """Reduced pixels from the start that hold the hair.

    The step from the board to a clamp may be sharper than that from the clamp to the hair, so that
    only the clamp's rim is taken at first: a part that is left and much broader goes too.
    """
    rim = _clamp_length(stations, width)
    if rim == 0:
        return 0
    rest = _part_of(stations, slice(rim, None))
    more = _clamp_length(rest, width)
    beyond = rest.breadth[more : max(4 * more, 1)]
    if more and np.median(rest.breadth[:more]) > MUCH_BROADER * np.median(beyond):
        return rim + more
    return rim


def _clamp_length(stations: _Stations, width: float) -> int:
    """Reduced pixels from the start of the line that belong to a clamp; 0 for none."""
    span = max(3, round(0.1 * width))
    reach = int(min(REACH * width, 0.3 * len(stations.breadth)))
    cuts = np.arange(max(2, span // 2), max(reach, max(2, span // 2)))
    steps = np.hypot(
        _gaps(stations.lightness, cuts, span) / LIGHT_STEP,
        _gaps(stations.tint, cuts, span) / TINT_STEP,
    )
    for k in np.argsort(-steps):
        if steps[k] <= 1:
            break
        if _is_clamp(stations, int(cuts[k]), float(steps[k])):
            return int(cuts[k]) + 1
    return 0


def _is_clamp(stations: _Stations, cut: int, step: float) -> bool:
    """Whether what lies before a cut is grey and plain, unlike the board, and unlike hair."""
    held = slice(cut + 2, cut + 2 + 3 * max(cut, 4))
    inner = slice(int(0.4 * cut), max(cut - 1, 2))  # its far edge fades into its own shadow
    level = float(np.median(stations.lightness[inner]))
    calm = CALM * float(np.median(stations.texture[held]))
    plain = np.median(stations.texture[inner]) < max(calm, PLAIN)
    grey = np.median(stations.greyness[inner]) < (NEUTRAL_DARK if level < DARK else NEUTRAL)
    if not (plain and grey):
        return False
    breadth = np.median(stations.breadth[inner]) / np.median(stations.breadth[held])
    if abs(level) < UNLIKE_BOARD:  # thin ends let the board through, but are no broader
        if breadth > MUCH_BROADER:
            return True
        if level < max(float(np.median(stations.lightness[held])), 0.0) + NO_MIXTURE:
            return False
    elif breadth > BROADER:
        return True
    low, high = np.quantile(stations.lightness[inner], (0.1, 0.9))
    is_shadow = SHADOW < level < 0
    return bool(high - low < FLAT and step > CLEAR and not is_shadow)


def _gaps(values: Floats, cuts: NDArray[np.int64], span: int) -> Floats:
    """Mean of `span` stations after each cut less that before it, a pixel either side left out."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    last = len(values)

    def mean(start: NDArray[np.int64], stop: NDArray[np.int64]) -> Floats:
        start, stop = np.clip(start, 0, last - 1), np.clip(stop, 1, last)
        return np.asarray((total[stop] - total[start]) / np.maximum(stop - start, 1))

    return mean(cuts + 2, cuts + 2 + span) - mean(cuts - 1 - span, cuts - 1)

"""What lies along a line: hair or not, board seen between thin hair, something laid over it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.hair.centre import normals, resampled
from hairtone.photo.pixels import codes_at
from hairtone.photo.types import Photo

FIBRE_PLACES: Final = 48  # along a line, at which fibres are looked for; our choice: 2 % of it each
FIBRE_LAG_PX: Final = 12.0  # a fibre is the same so far on: hair keeps 0.4 there, seeds nothing
FIBRE_ROWS_PX: Final = (-3.0, -1.0, 1.0, 3.0)  # pixels that one look across is the mean of
FIBRE_SLANT_PX: Final = 5  # sideways, over the lag: fibres may cross the line by 22 degrees
FIBRE_WIDTH_PX: Final = 9  # what is broader across is shading or a blotch, no fibre
MOST_ACROSS_PX: Final = 128  # that are looked at; our choice, speed
LEAST_ACROSS_PX: Final = 12  # three fibres and their gaps
INNER_SHARE: Final = 0.7  # of the width, clear of its edges
MOST_OF_LINE: Final = 0.75  # of the places; edges and folds cross a part of a line only
ALIKE_PLACES: Final = 3  # to either side, that share one slant


def see_fibres(photo: Photo, line: Floats, *, width: float) -> float:
    """How well fibres run on along a line: 1 where they do, about 0 on anything else.

    The correlation of what is seen across the line with what is seen `FIBRE_LAG_PX` further on,
    reached at three quarters of the places along it.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    width : float
        Of the hair, or of what may be hair. [pixels]
    """
    first, second = (_fine(look) for look in _looks_across(photo, line, width))
    count = first.shape[1] - 2 * FIBRE_SLANT_PX
    inner = first[:, FIBRE_SLANT_PX : FIBRE_SLANT_PX + count]
    windows = np.lib.stride_tricks.sliding_window_view(second, count, axis=1)
    size = np.sqrt((inner**2).sum(axis=1) + 1e-9)
    sizes = np.sqrt((windows**2).sum(axis=2) + 1e-9)
    alike = np.einsum("pn,psn->ps", inner, windows) / (size[:, None] * sizes)
    near = np.ones(2 * ALIKE_PLACES + 1)
    pooled = np.stack([np.convolve(column, near, "same") for column in alike.T], axis=1)
    run = alike[np.arange(len(alike)), pooled.argmax(axis=1)]
    return float(np.quantile(run, 1 - MOST_OF_LINE))


def _looks_across(photo: Photo, line: Floats, width: float) -> tuple[Floats, Floats]:
    """Log light across the line at places along it and a lag further on, shape (places, n)."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    stations = resampled(np.asarray(line, np.float64), points=FIBRE_PLACES + 2)[1:-1]
    across = normals(stations)
    ahead = np.stack([across[:, 1], -across[:, 0]], axis=1)
    count = int(np.clip(INNER_SHARE * width, LEAST_ACROSS_PX, MOST_ACROSS_PX)) + 2 * FIBRE_SLANT_PX
    offsets = np.arange(count) - (count - 1) / 2
    lag = min(FIBRE_LAG_PX, length / FIBRE_PLACES * 4)
    looks = []
    for start in (-lag / 2, lag / 2):
        total = np.zeros((len(stations), count))
        for row in FIBRE_ROWS_PX:
            places = stations + (start + row) * ahead
            points = places[:, None] + offsets[None, :, None] * across[:, None]
            total += _log_light(photo, points)
        looks.append(total / len(FIBRE_ROWS_PX))
    return looks[0], looks[1]


def _log_light(photo: Photo, points: Floats) -> Floats:
    """About the logarithm of light at points, shape (..., 2) xy; for looking, not measuring."""
    width, height = photo.size
    xs = np.clip(np.round(points[..., 0]).astype(np.intp), 0, width - 1)
    ys = np.clip(np.round(points[..., 1]).astype(np.intp), 0, height - 1)
    codes = codes_at(photo, ys, xs) @ np.array([0.25, 0.5, 0.25]) / photo.top_code
    return np.asarray(np.log(codes + 0.002) if photo.encoding.is_linear else 2.2 * np.log(codes + 0.02))


def _fine(looks: Floats) -> Floats:
    """What is narrower than a fibre may be, edges held down so that one of them is no fibre."""
    reach = FIBRE_WIDTH_PX // 2
    padded = np.pad(looks, ((0, 0), (reach, reach)), mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, FIBRE_WIDTH_PX, axis=1)
    fine = looks - windows.mean(axis=-1)
    most = 2.5 * np.median(np.abs(fine), axis=1, keepdims=True) + 1e-6
    return np.clip(fine, -most, most)


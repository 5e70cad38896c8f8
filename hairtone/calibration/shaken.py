"""Normal numbers behind the draws: in part the same in every photo, in part a photo's own [ours].

Photos of one camera err alike: its sensitivities, its rendering and the chart's print are the same
in all of them, while flare, light on the hair and the noise of a reading are not. So each number
behind row k of the draws is ``sqrt(share) common_k + sqrt(1 - share) own_k``: within a photo the
draws have the law they would have anyway, and rows of two photos go together as far as their errors
do. Whether two photos share a camera is for others to say: whoever pairs their draws row by row
says so, whoever shuffles them says that they do not (`hairtone.study.pools`).
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats

# Shares of the variance that photos of one camera have in common; by coverage of the change
# between photos of simulated series, `tests/bench/series.py`, with no kind of series below 95 %
CAMERA: Final = 0.9  # sensitivities x light: lamps age, daylight turns
TONE: Final = 0.9  # of an encoded photo
LOOK: Final = 0.9  # discrepancy from matrix and tone, level 1 and 2
PRINT: Final = 0.7  # a patch's print and gloss; the rest is noise of its reading
HAIR: Final = 0.9  # what hair of one response may be
VEIL: Final = 0.5  # stray light, and its share on hair
LIGHT: Final = 0.0  # light on the hair against the chart, slope over the chart
OTHERS: Final = 0.8  # what other patches would have given, level 1


class Shaken:
    """Unit normal numbers of one photo.

    Parameters
    ----------
    own : int
        Seed of what the photo has for itself.
    """

    def __init__(self, own: int) -> None:
        self._own = own

    def normal(self, *shape: int, share: ArrayLike, part: int) -> Floats:
        """Unit normal numbers of that shape.

        Parameters
        ----------
        *shape : int
            Of the result.
        share : array_like
            Of the variance that all photos have in common, 0..1; broadcasts to the shape.
        part : int
            Which numbers; others are independent of them.
        """
        rng = np.random.default_rng([self._own, part])
        part_own = rng.standard_normal(shape, dtype=np.float32)  # half the time, and fine enough
        shared = np.asarray(share, np.float64)
        return np.asarray(np.sqrt(shared) * _common(shape, part) + np.sqrt(1 - shared) * part_own)


@cache
def _common(shape: tuple[int, ...], part: int) -> Floats:
    numbers = np.random.default_rng(part).standard_normal(shape)
    numbers.flags.writeable = False
    return numbers

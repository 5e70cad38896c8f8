"""The random numbers behind draws: shared by photos of one camera, and smooth over colour [ours].

Photos of one camera err alike: its sensitivities, its rendering and the chart's print are the same
in all of them, while flare, light on the hair and the noise of a reading are not. So each number
behind row k of the draws is ``sqrt(share) common_k + sqrt(1 - share) own_k``: within a photo the
draws have the law they would have anyway, and rows of two photos go together as far as their errors
do. Whether two photos share a camera is for others to say: whoever pairs their draws row by row
says so, whoever shuffles them says that they do not (`hairtone.study.pools`).

A smooth field over colour, errors that near colours share and far ones do not, is a sum of cosines
of random direction and phase, which over many draws has a Gaussian correlation over distance [1]_:
two colours `length` apart agree to exp(-1/2).

References
----------
.. [1] A. Rahimi, B. Recht, Random features for large-scale kernel machines, NIPS 20 (2007).
   From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
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
COSINES: Final = 96  # our choice: the correlation is then right to about 0.1


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothField:
    """Draws of a smooth field of three components over colour.

    Attributes
    ----------
    frequencies : ndarray, shape (3, m)
        Of the cosines, per unit of colour.
    phases : ndarray, shape (m,)
        Of the cosines.
    amounts : ndarray, shape (m, draws, 3)
        Of each cosine in each draw, scaled to unit variance.
    """

    frequencies: Floats
    phases: Floats
    amounts: Floats

    def at(self, colours: Floats) -> Floats:
        """Every draw at colours: (n, 3) or (draws, n, 3) -> (draws, n, 3), unit variance."""
        waves = np.cos(colours @ self.frequencies + self.phases)
        if colours.ndim == 2:
            flat = self.amounts.reshape(len(self.amounts), -1)
            fields = (waves @ flat).reshape(len(colours), -1, 3)
            return np.asarray(np.moveaxis(fields, 1, 0))
        return np.asarray(waves @ np.moveaxis(self.amounts, 1, 0))


def draw_field(
    shaken: Shaken, *, length: float, draws: int, share: float, part: int
) -> SmoothField:
    """A smooth field of unit variance.

    Parameters
    ----------
    shaken : Shaken
        Where the photo's numbers come from.
    length : float
        Distance over which the field changes, in the units of colour it will be asked at.
    draws : int
        How many fields.
    share : float
        Of the variance that all photos have in common, 0..1.
    part : int
        Which numbers; see `Shaken.normal`.
    """
    rng = np.random.default_rng(part)  # directions and phases are a grid: the same for all
    return SmoothField(
        frequencies=rng.normal(0, 1 / length, (3, COSINES)),
        phases=rng.uniform(0, 2 * np.pi, COSINES),
        amounts=np.sqrt(2 / COSINES)
        * shaken.normal(COSINES, draws, 3, share=share, part=part + 1000),
    )

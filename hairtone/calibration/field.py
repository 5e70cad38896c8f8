"""The random numbers behind draws: the same in every photo, and smooth over colour [ours].

Photos of one camera err alike: its sensitivities, its rendering, the chart's print and stray light
are the same in all of them. So row k of the draws takes the same numbers in every photo; what a
photo has for itself is drawn from its own seed. How far two photos go together is seen in their
charts, and whoever compares them mixes their rows by it (`hairtone.study.outcome`).

A smooth field over colour, errors that near colours share and far ones do not, is a sum of cosines
of random direction and phase, which over many draws has a Gaussian correlation over distance [1]_:
two colours `length` apart agree to exp(-1/2).

What spectrum lies behind a colour of hair is such a field: it belongs to the hair, not to the
photo, and is kept apart (`HairSpread`), so that it can be the same in all photos of one hair.

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

# Shares of the variance that all photos have in common; the rest is drawn for each photo
SHARED: Final = 1.0  # camera, lamp, tone, look, print, stray light, level 1, hair
VEIL: Final = (
    0.5  # stray light on the hair against that on the chart: by where both lie; our choice
)
# light on the hair against the chart: by how the hair lies, and, encoded, by the camera's local
# tone, which is the same wherever hair of one lightness lies; from the SDs of `level2.LEVEL_SD`
LIGHT: Final = {True: 0.0, False: 0.5}
LAW: Final = 2  # of the draws of several photos together; draws of another law stand alone
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
    return field_of(
        shaken.normal(COSINES, draws, 3, share=share, part=part + 1000), length=length, part=part
    )


def field_of(amounts: Floats, *, length: float, part: int) -> SmoothField:
    """The smooth field of unit variance that unit normal numbers make.

    Parameters
    ----------
    amounts : ndarray, shape (m, draws, 3)
        Unit normal numbers.
    length : float
        As in `draw_field`.
    part : int
        Which directions and phases: fields of one part differ by their amounts alone.
    """
    rng = np.random.default_rng(part)  # directions and phases are a grid: the same for all
    count = len(amounts)
    return SmoothField(
        frequencies=rng.normal(0, 1 / length, (3, count)),
        phases=rng.uniform(0, 2 * np.pi, count),
        amounts=np.sqrt(2 / count) * amounts,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairSpread:
    """How far hair of one camera response differs, where it was read.

    Attributes
    ----------
    at : ndarray, shape (n, 3)
        L*a*b* at which the field of the hair is asked.
    root : ndarray, shape (n, 3, 3)
        Symmetric roots of the covariance of L*a*b* among such hair. [Lab units]
    """

    at: Floats
    root: Floats

    def draws(self, field: SmoothField) -> Floats:
        """What the spectrum behind the hair moves L*a*b* by, shape (draws, n, 3)."""
        return np.asarray((self.root @ field.at(self.at)[..., None])[..., 0])

    def along(self, position: Floats, every: Floats) -> HairSpread:
        """The same at other positions along the hair, shape (m,), in straight lines between."""
        flat = np.concatenate([self.at, self.root.reshape(-1, 9)], axis=1)
        read = np.stack([np.interp(every, position, line) for line in flat.T], axis=1)
        return HairSpread(at=read[:, :3], root=read[:, 3:].reshape(-1, 3, 3))

    def times(self, factor: float) -> HairSpread:
        """The same of an average in which this counts so much."""
        return HairSpread(at=self.at, root=factor * self.root)


SCATTER_LENGTH: Final = 12.0  # L*a*b* over which hair of one response stays alike; our choice
SCATTER_PART: Final = 3  # which numbers


@cache
def photo_field(draws: int) -> SmoothField:
    """The field of the hair in the draws of every photo; see `HairSpread`."""
    return draw_field(
        Shaken(0), length=SCATTER_LENGTH, draws=draws, share=SHARED, part=SCATTER_PART
    )

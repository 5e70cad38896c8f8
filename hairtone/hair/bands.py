"""Bands of light along a hair that its colour does not follow: where, how strong, how sure.

Body and light are told apart along the length. Dye and melanin change lightness and chroma
together, so the body's luminance is a smooth function of the differences of its channels; a lamp's
highlights add luminance in smooth bands and leave those differences as they are. Of what the body
does not follow a few bands are made, each of unknown place, width and strength: no band is chosen,
all are averaged by their evidence, "none" among them (a sum of single effects [1]_). So a faint
band is taken out as far as it is likely, and what is not known of it stays as variance.

References
----------
.. [1] G. Wang, A. Sarkar, P. Carbonetto, M. Stephens, J. R. Stat. Soc. B 82 (2020) 1273-1300.
   From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import factorial
from typing import Final

import numpy as np
from scipy.special import log_ndtr

from hairtone.colorimetry import Floats

# All our choice, on 80 rendered photos, seen to hold on others; what each trades is beside it
BANDS: Final = 3  # that are looked for; more are parts of one another
ROUNDS: Final = 4  # of finding the bands and the body's own scatter from each other
WIDTHS: Final = (1.5, 2.5, 4.0, 6.5, 10.0)  # SD of a band, in sixtieths of the length
STRENGTHS: Final = (0.03, 0.1, 0.3, 1.0, 3.0)  # scale of its light, over the hair's median light
ABSENT: Final = 0.5  # odds beforehand that a further band is none
CHANGE: Final = 1.0  # SD of the body's light as a function of the differences of its channels,
BEND: Final = 0.5  # and over what difference that function bends, both over the median light
POWERS: Final = 3  # of those differences that are kept
TREND: Final = 0.03  # SD of a body that grows lighter without any change of chroma, log light
SCATTER: Final = (0.01, 10)  # of the body's light from bin to bin, and bins that stand for it
REACH: Final = 2.5  # bins over which that scatter is alike: fibres run on
ALONE: Final = 0.3  # of its variance that is each bin's own
GRAIN: Final = 0.2  # of a band's light: it is made of fibres, some of which catch the lamp
CALM: Final = 0.03  # share of highlights at which a bin counts half as the body's own
END_DOUBT: Final = 3.0  # times the scatter of the two bins at either end
HUBER: Final = 3.0  # SDs of scatter from which on a bin counts less
FAR: Final = 0.05  # most that one bin adds to the scatter, relative
DARKEST: Final = 0.1  # of the median light: places darker than that scatter like this
LEAST_BODY: Final = 0.1  # of a bin's light that is body, when its scatter is told


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bands:
    """Light above the body, in shares of the hair's median light.

    Attributes
    ----------
    light : ndarray, shape (bands, bins)
        Of each band, averaged over its places, widths and strengths, and over its being none.
    variance : ndarray, shape (bands, bins)
        Of that light.
    absent : ndarray, shape (bands,)
        Chance that the band is none.
    rest : ndarray, shape (bins,)
        What bands and body leave, weighed by how well it is known.
    """

    light: Floats
    variance: Floats
    absent: Floats
    rest: Floats

    def grain(self, light: Floats) -> Floats:
        """What of the rest is grain of bands of this light, shape (bins,)."""
        own = GRAIN * light
        return np.asarray(own * (_alike(len(light)) @ (own * self.rest)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Body:
    """Terms that the body may follow, the SD of each, its scatter, and how each bin is doubted."""

    terms: Floats
    expected: Floats
    scatter: float
    doubt: Floats

    def precision(self, seen: Floats, light: Floats) -> Floats:
        """Inverse covariance of light seen less the bands, shape (bins, bins)."""
        alike = _alike(len(seen))
        own = self.scatter * self.doubt * _body_light(seen, light)
        grain = GRAIN * light
        spread = self.terms * self.expected
        noise = alike * (np.outer(own, own) + np.outer(grain, grain))
        return np.asarray(np.linalg.inv(noise + spread @ spread.T))

    def refitted(self, seen: Floats, light: Floats) -> _Body:
        """The same with the scatter that bins of little highlight show, under this light."""
        body = _body_light(seen, light)
        calm = 1 / (1 + (light / seen / CALM) ** 2)
        weighed = self.terms * calm[:, None]
        hold = np.diag(1e-4 / self.expected**2)
        fitted = np.linalg.solve(weighed.T @ self.terms + hold, weighed.T @ (seen - light))
        rest = np.abs(seen - light - self.terms @ fitted) / body
        ends = _ends(len(seen))
        calm = calm * (ends == 1)
        size, count = SCATTER
        total = (calm * np.minimum(rest, FAR) ** 2).sum() + count * size**2
        scatter = float(np.sqrt(total / (calm.sum() + count)))
        doubt = ends * np.sqrt(np.maximum(rest / (HUBER * scatter), 1.0))
        expected = self.expected.copy()
        expected[1] = TREND * np.quantile(body, 0.3)
        return _Body(terms=self.terms, expected=expected, scatter=scatter, doubt=doubt)


def find_bands(seen: Floats, differences: Floats) -> Bands:
    """Bands of light that the body does not follow.

    Parameters
    ----------
    seen : ndarray, shape (bins,)
        Luminance along the hair, its median 1.
    differences : ndarray, shape (bins, 2)
        Of two channels from that luminance, in the same unit.
    """
    bins = len(seen)
    followed = _followed(differences)
    terms = np.column_stack([np.ones(bins), np.linspace(-1, 1, bins), followed])
    body = _Body(
        terms=terms,
        expected=np.append([10.0, TREND], np.full(followed.shape[1], CHANGE)),
        scatter=SCATTER[0],
        doubt=_ends(bins),
    )
    light, variance = np.zeros((2, BANDS, bins))
    absent = np.ones(BANDS)
    for _ in range(ROUNDS):
        total = light.sum(axis=0)
        precision = body.precision(seen, total)
        atoms = _atoms(bins)
        told = atoms @ precision
        known = np.einsum("aj,aj->a", told, atoms)
        for band in range(BANDS):
            rest = seen - light.sum(axis=0) + light[band]
            light[band], variance[band], absent[band] = _averaged(told @ rest, known, atoms)
        body = body.refitted(seen, light.sum(axis=0))
    rest = precision @ (seen - light.sum(axis=0))
    return Bands(light=light, variance=variance, absent=absent, rest=rest)


def _followed(differences: Floats) -> Floats:
    """What a smooth function of the differences is made of, shape (bins, terms).

    The terms of a Gaussian correlation of length `BEND`, in powers up to `POWERS`.
    """
    x, y = differences.T / BEND
    damped = np.exp(-(x**2 + y**2) / 2)
    return np.stack(
        [
            damped * x**i * y ** (power - i) / np.sqrt(factorial(i) * factorial(power - i))
            for power in range(1, POWERS + 1)
            for i in range(power + 1)
        ],
        axis=1,
    )


def _averaged(right: Floats, known: Floats, atoms: Floats) -> tuple[Floats, Floats, float]:
    """Light of one band and its variance over all it may be, and the chance that it is none.

    A strength is positive with a half-normal expectation of each of a few scales; its evidence and
    moments under normal noise are closed.
    """
    scale = np.array(STRENGTHS)
    sd = 1 / np.sqrt(np.maximum(known, 0.0)[:, None] + scale**-2.0)
    z = right[:, None] * sd
    tail = log_ndtr(z)
    evidence = np.log(2 * sd / scale) + z**2 / 2 + tail - np.log(sd.size / (1 - ABSENT))
    top = max(float(evidence.max()), np.log(ABSENT))
    weight = np.exp(evidence - top)
    none = float(np.exp(np.log(ABSENT) - top))
    total = float(weight.sum()) + none
    weight /= total
    lift = np.exp(-(z**2) / 2 - tail) / np.sqrt(2 * np.pi)
    mean = sd * (z + lift)
    square = sd**2 * (1 + z**2 + z * lift)
    light = (weight * mean).sum(axis=1) @ atoms
    variance = (weight * square).sum(axis=1) @ atoms**2 - light**2
    return light, np.maximum(variance, 0.0), none / total


def _body_light(seen: Floats, light: Floats) -> Floats:
    return np.maximum(seen - light, LEAST_BODY * np.maximum(seen, DARKEST))


@lru_cache(maxsize=2)
def _ends(bins: int) -> Floats:
    """What the ends are doubted: a clamp in the first bin, or board in the last, is no hair."""
    doubt = np.ones(bins)
    doubt[[0, 1, -2, -1]] = END_DOUBT
    return doubt


@lru_cache(maxsize=2)
def _atoms(bins: int) -> Floats:
    """Bands of strength 1 at every second bin, of every width, shape (atoms, bins)."""
    at = np.arange(bins)
    return np.array([np.exp(-(((at - c) / w) ** 2) / 2) for w in WIDTHS for c in at[::2] + 0.5])


@lru_cache(maxsize=2)
def _alike(bins: int) -> Floats:
    """Correlation of scatter from bin to bin, shape (bins, bins)."""
    apart = np.abs(np.subtract.outer(np.arange(bins), np.arange(bins)))
    return (1 - ALONE) * np.exp(-apart / REACH) + ALONE * np.eye(bins)

"""What a porosity leveller did: evenness without it less evenness with it, hair by paired hair.

References
----------
.. [1] G. Y. Zou, A. Donner, Stat. Med. 27 (2008) 1693-1702, doi:10.1002/sim.3095: limits of a
   difference from the limits of its parts. From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from hairtone.errors import MeasureError
from hairtone.measures.words import Shown
from hairtone.uncertainty import COVERAGE, ColourDifference

LEAST_PAIRS: Final = 3  # pairs from which the scatter between them is told; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class LevellerEffect(Shown):
    """Effect of a leveller on the unevenness of a hair, ΔE00.

    Attributes
    ----------
    effect : float
        Unevenness without less with it: above 0 the leveller made the hair more even.
    low, high : float
        95 % interval.
    pairs : int
        Pairs of hairs.
    is_general : bool
        The interval holds the scatter between pairs; otherwise it speaks of these pairs only.
    words : str
        In plain words.
    """

    effect: float
    low: float
    high: float
    pairs: int
    is_general: bool
    words: str

    @property
    def is_resolved(self) -> bool:
        """Whether the effect stands clear of 0."""
        return self.low > 0 or self.high < 0

    def to_frame(self) -> Any:
        """One row: effect, low, high, pairs, words."""
        import pandas as pd

        names = ("effect", "low", "high", "pairs", "words")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def leveller_effect(
    without: Sequence[ColourDifference], levelled: Sequence[ColourDifference]
) -> LevellerEffect:
    """Effect of a leveller from paired hairs (split tress, half head, tress pairs).

    Parameters
    ----------
    without, levelled : sequence of ColourDifference
        Root-to-ends difference (net of the natural gradient where known) of each pair's hairs, in
        the same order.

    Raises
    ------
    MeasureError
        ``no-pairs``: none, or not as many of one as of the other.
    """
    if not without or len(without) != len(levelled):
        raise MeasureError(
            "no-pairs",
            f"{len(without)} hairs without and {len(levelled)} with leveller do not make pairs.",
            remedy="Name the pairs in the sheet; every pair needs one hair of each kind.",
        )
    gaps = np.array([a.delta_e - b.delta_e for a, b in zip(without, levelled, strict=True)])
    effect, pairs = float(gaps.mean()), len(gaps)
    if pairs >= LEAST_PAIRS:
        from scipy.special import stdtrit

        reach = float(stdtrit(pairs - 1, (1 + COVERAGE) / 2) * gaps.std(ddof=1) / np.sqrt(pairs))
        low, high = effect - reach, effect + reach
    else:
        below = [
            (a.delta_e - a.low) ** 2 + (b.high - b.delta_e) ** 2
            for a, b in zip(without, levelled, strict=True)
        ]
        above = [
            (a.high - a.delta_e) ** 2 + (b.delta_e - b.low) ** 2
            for a, b in zip(without, levelled, strict=True)
        ]
        low = effect - float(np.sqrt(np.sum(below))) / pairs
        high = effect + float(np.sqrt(np.sum(above))) / pairs
    return LevellerEffect(
        effect=effect,
        low=low,
        high=high,
        pairs=pairs,
        is_general=pairs >= LEAST_PAIRS,
        words=_words(low, high, pairs),
    )


def _words(low: float, high: float, pairs: int) -> str:
    if low > 0:
        said = "the hair with leveller is more even"
    elif high < 0:
        said = "the hair with leveller is less even"
    else:
        said = "an effect of the leveller is not resolved"
    return said if pairs >= LEAST_PAIRS else f"{said} ({pairs} pair{'s' * (pairs > 1)} only)"

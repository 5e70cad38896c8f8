"""Figures in words, by the bands of ``bands.toml``; the bands are ours and can be edited."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from hairtone.errors import SheetError
from hairtone.reference import reference_path
from hairtone.uncertainty import ColourDifference

CANNOT_TELL: Final = "cannot tell from these photos"
_SCALES: Final = ("evenness", "change", "colour_left")
_LIMITS: Final = ("refresh_percent", "gone_percent", "tone_drift")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Words and the limits between them.

    Attributes
    ----------
    scales : dict
        For ``"evenness"``, ``"change"`` and ``"colour_left"``: upper limits and words, ascending;
        the last limit is infinite.
    limits : dict
        ``refresh_percent`` and ``gone_percent`` of the colour left, ``tone_drift`` in ΔE*ab.
    """

    scales: dict[str, tuple[tuple[float, str], ...]]
    limits: dict[str, float]

    def word(self, scale: str, value: float) -> str:
        """The word for a value; a value on a limit takes the word above it."""
        bands = self.scales[scale]
        return next((word for limit, word in bands if value < limit), bands[-1][1])

    def words(self, scale: str, *, low: float, high: float) -> str:
        """The word for a figure known only to lie between `low` and `high`.

        Inside one band: its word. Across one limit: "between X and Y", of each word only what
        stands before its comma. Across more: "cannot tell from these photos".
        """
        bands = self.scales[scale]
        first, last = (
            next((at for at, (limit, _) in enumerate(bands) if value < limit), len(bands) - 1)
            for value in (low, high)
        )
        if first == last:
            return bands[first][1]
        if last - first == 1:
            return f"between {_head(bands[first][1])} and {_head(bands[last][1])}"
        return CANNOT_TELL

    def difference_words(self, scale: str, difference: ColourDifference) -> str:
        """The words for a difference; one that is not resolved says so."""
        words = self.words(scale, low=difference.low, high=difference.high)
        if difference.is_resolved or words == CANNOT_TELL:
            return words
        return f"{words} (not resolved)"


def _head(word: str) -> str:
    """The word without its explanation: two explanations in one sentence cannot be told apart."""
    return word.split(",")[0].rstrip()


def read_bands(path: Path | None = None) -> Bands:
    """Words and limits from ``bands.toml``, or from a study's own copy.

    Parameters
    ----------
    path : Path, optional
        A study's own file; without it the one that comes with hairtone.

    Raises
    ------
    SheetError
        ``bands-unreadable``: no TOML, a table is missing, or limits do not ascend.
    """
    return _read(reference_path("bands.toml") if path is None else Path(path))


@cache
def _read(path: Path) -> Bands:
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
        scales = {name: _bands(name, found[name]["bands"]) for name in _SCALES}
        limits = {name: float(found["limits"][name]) for name in _LIMITS}
    except KeyError as error:
        raise _unreadable(path, f"The entry {error} is missing.") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TypeError) as error:
        raise _unreadable(path, f"It cannot be read ({error}).") from error
    except ValueError as error:
        raise _unreadable(path, str(error)) from error
    return Bands(scales=scales, limits=limits)


def _bands(name: str, rows: Any) -> tuple[tuple[float, str], ...]:
    bands = []
    for row in rows:
        limit, word = row
        bands.append((float("inf") if limit == "" else float(limit), str(word)))
    if len(bands) < 2 or bands[-1][0] != float("inf"):
        raise ValueError(f'The last band of {name} needs the limit "".')
    if any(one[0] >= two[0] for one, two in pairwise(bands)):
        raise ValueError(f"The limits of {name} do not ascend: {[limit for limit, _ in bands]}.")
    return tuple(bands)


def _unreadable(path: Path, says: str) -> SheetError:
    return SheetError(
        "bands-unreadable",
        says,
        where=path.name,
        remedy="Start from a copy of calibration/bands.toml and change limits or words only.",
    )

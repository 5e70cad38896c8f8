"""Figures -> words, by bands that a study may edit."""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Final

from hairtone.errors import SheetError
from hairtone.reference import reference_path

FILE: Final = "bands.toml"
SUBJECTS: Final = ("evenness", "change", "colour_left")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Words for the spans of a scale.

    Attributes
    ----------
    limits : tuple of float
        Rising; where one word gives way to the next.
    words : tuple of str
        One more than `limits`.
    """

    limits: tuple[float, ...]
    words: tuple[str, ...]

    def word(self, value: float) -> str:
        """The word for a value."""
        return self.words[bisect_right(self.limits, value)]

    def phrase(self, low: float, high: float) -> str:
        """What an interval allows to say: a word, "between X and Y", or that it cannot be told."""
        first, last = (bisect_right(self.limits, value) for value in (low, high))
        if first == last:
            return self.words[first]
        if last == first + 1:
            return f"between {self.words[first]} and {self.words[last]}"
        return "cannot tell from these photos"


def read_bands(folder: Path | None = None) -> dict[str, Bands]:
    """Bands for ``evenness``, ``change`` and ``colour_left``.

    Parameters
    ----------
    folder : Path, optional
        A study's folder; its own ``bands.toml`` overrules the one that comes with hairtone,
        scale by scale.

    Raises
    ------
    SheetError
        A study's bands that do not rise, or are no bands at all.
    """
    bands = dict(_standard())
    own = None if folder is None else folder / FILE
    if own is not None and own.is_file():
        bands.update(_parse(own))
    return bands


@cache
def _standard() -> dict[str, Bands]:
    return _parse(reference_path(FILE))


def _parse(path: Path) -> dict[str, Bands]:
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise _bad(f"is no TOML: {error}") from None
    unknown = sorted(set(document) - set(SUBJECTS))
    if unknown:
        raise _bad(f"names {', '.join(unknown)}, and there are {', '.join(SUBJECTS)}")
    return {subject: _bands(subject, rows) for subject, rows in document.items()}


def _bands(subject: str, rows: object) -> Bands:
    try:
        pairs = [(limit, str(word)) for limit, word in rows]  # type: ignore[attr-defined]
        limits = tuple(float(limit) for limit, _ in pairs[:-1])
    except (TypeError, ValueError):
        raise _bad(f"holds no list of [limit, word] for {subject}") from None
    rising = all(low < high for low, high in pairwise(limits))
    if len(pairs) < 2 or not rising or pairs[-1][0] != "rest":
        raise _bad(f"has limits for {subject} that do not rise to a last ['rest', word]")
    return Bands(limits=limits, words=tuple(word for _, word in pairs))


def _bad(what: str) -> SheetError:
    return SheetError(
        "bands",
        f"The file of words {what}.",
        where=FILE,
        remedy="Write each scale as a list of [limit, word] with rising limits and ['rest', word].",
    )

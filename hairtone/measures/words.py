"""How figures are said: words by bands, grades, and what is missing and why.

The bands of ``bands.toml`` are ours and can be edited. Greys return the ISO 105-A02 scale; for the
chromatic part of the grade no published worked example was found: it is unverified beyond one
public code.

References
----------
.. [1] ISO 105-A05:1996, Textiles, Instrumental assessment of change in colour for determination of
   grey scale rating. From memory.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import chroma, hue_angle
from hairtone.errors import SheetError
from hairtone.locations import reference_path
from hairtone.showing import Shown
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


def _head(word: str) -> str:
    """The word without its explanation: two explanations in one sentence would run together."""
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


# upper limit of the difference and the grade below it; [1], table
_STEPS: Final = (
    (0.40, "5"),
    (1.25, "4-5"),
    (2.10, "4"),
    (2.95, "3-4"),
    (4.10, "3"),
    (5.80, "2-3"),
    (8.20, "2"),
    (11.60, "1-2"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade(Shown):
    """Grade of a change in colour, 5 none .. 1 as much as the scale knows.

    Attributes
    ----------
    difference, low, high : float
        dE_F, the difference the grade is read from, with its 95 % interval. [CIELAB units,
        weighted]
    gsc, gsc_low, gsc_high : float
        Grade by formula, 5 .. 1; `gsc_low` is that of `high`.
    table : str
        Grade by table, ``"5"``, ``"4-5"`` .. ``"1"``. Its steps are not the formula's.
    words : str
        The same difference in words; "" where no scale of words was asked for.
    """

    difference: float
    low: float
    high: float
    gsc: float
    gsc_low: float
    gsc_high: float
    table: str
    words: str = ""

    def to_dict(self) -> dict[str, float | str]:
        """JSON-ready: gsc, table."""
        return {"gsc": round(self.gsc, 2), "table": self.table}

    def to_frame(self) -> Any:
        """One row: difference, gsc, gsc_low, gsc_high, table, words."""
        import pandas as pd

        names = ("difference", "gsc", "gsc_low", "gsc_high", "table", "words")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def judge_change(
    original: ArrayLike,
    treated: ArrayLike,
    difference: ColourDifference,
    *,
    scale: str,
    bands: Bands,
) -> Grade:
    """Grade and words of a measured change, both from the grey-scale difference dE_F [1]_.

    The limits of the bands are steps of the grey scale, so words and grade never part. The interval
    of dE_F is that of ΔE00 in proportion: both are lengths of one vector.

    Parameters
    ----------
    original, treated : array_like, shape (3,)
        L*a*b* for one viewing.
    difference : ColourDifference
        ΔE00 between them with its interval.
    scale : str
        ``"evenness"`` or ``"change"``.
    bands : Bands
        Words and limits.
    """
    found = grade_change(original, treated)
    ratio = found.difference / difference.delta_e if difference.delta_e > 0 else 1.0
    low, high = ratio * difference.low, ratio * difference.high
    words = bands.words(scale, low=low, high=high)
    if not difference.is_resolved and words != CANNOT_TELL:
        words = f"{words} (not resolved)"
    return replace(
        found,
        low=low,
        high=high,
        gsc_low=_formula_grade(high),
        gsc_high=_formula_grade(low),
        words=words,
    )


def grade_change(original: ArrayLike, treated: ArrayLike) -> Grade:
    """Grade of the change from `original` to `treated` [1]_.

    Parameters
    ----------
    original, treated : array_like, shape (3,)
        L*a*b* for one viewing.

    Notes
    -----
    The scale ends at 1: much of a semi-permanent colour's fade on light hair lies beyond it.
    """
    first, second = (np.asarray(v, dtype=np.float64) for v in (original, treated))
    difference = float(grade_difference(first, second))
    word = next((grade for limit, grade in _STEPS if difference < limit), "1")
    gsc = _formula_grade(difference)
    return Grade(
        difference=difference,
        low=difference,
        high=difference,
        gsc=gsc,
        gsc_low=gsc,
        gsc_high=gsc,
        table=word,
    )


def grade_difference(original: ArrayLike, treated: ArrayLike) -> float:
    """dE_F of [1]_: the CIELAB difference with chroma and hue weighted down where chroma is high.

    Parameters
    ----------
    original, treated : array_like, shape (3,)
        L*a*b* for one viewing.
    """
    first, second = (np.asarray(v, dtype=np.float64) for v in (original, treated))
    c_o, c_t = float(chroma(first)), float(chroma(second))
    dl, da, db = (float(v) for v in second - first)
    dc = c_t - c_o
    sign = 1.0 if second[1] * first[2] <= first[1] * second[2] else -1.0
    dh = sign * np.sqrt(max(da**2 + db**2 - dc**2, 0.0))
    mean_c = (c_o + c_t) / 2
    mean_h = _mean_hue(float(hue_angle(first)), float(hue_angle(second)))
    away = abs(mean_h - 280)
    x = ((away if away <= 180 else 360 - away) / 30) ** 2
    d = dc * mean_c * np.exp(-x) / 100
    dc_f = (dc - d) / (1 + (20 * mean_c / 1000) ** 2)
    dh_f = (dh - d) / (1 + (10 * mean_c / 1000) ** 2)
    return float(np.sqrt(dl**2 + dc_f**2 + dh_f**2))


def _mean_hue(first: float, second: float) -> float:
    """Middle of two hue angles, on the shorter way round. [degrees]"""
    middle = (first + second) / 2
    if abs(second - first) <= 180:
        return middle
    return middle + 180 if first + second < 360 else middle - 180


def _formula_grade(difference: float) -> float:
    if difference <= 3.4:
        return 5 - difference / 1.7
    return max(1.0, 5 - float(np.log2(difference / 0.85)))


MOST_HAIRS: Final = 6  # named with one reason; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A question that could not be answered.

    Attributes
    ----------
    says : str
        Which question has no answer and why, no stop at the end; zones and hairs with the same
        reason share
        it word by word.
    detail : str
        Figures of this zone alone; may be empty.
    zone : str
        ``"roots"``, ``"mid_lengths"``, ``"ends"``, or empty for the whole hair.
    hair : str
        Which hair; empty where it is about the study.
    """

    says: str
    detail: str = ""
    zone: str = ""
    hair: str = ""

    def __str__(self) -> str:
        return merged([self])[0]

    def of(self, hair: str) -> Missing:
        """The same, of a named hair."""
        return replace(self, hair=hair)


def merged(found: Iterable[Missing]) -> tuple[str, ...]:
    """Sentences: each reason once, with the hairs and zones it holds for.

    Parameters
    ----------
    found : iterable of Missing
        In the order they are to be told.
    """
    by_reason: dict[tuple[str, str], list[Missing]] = {}
    for one in dict.fromkeys(found):
        by_reason.setdefault((one.hair, one.says), []).append(one)
    hairs: dict[tuple[str, str], list[str]] = {}
    for (hair, says), group in by_reason.items():
        hairs.setdefault((_zones(group), says + _details(group)), []).append(hair)
    return tuple(
        f"{_names_before(names)}{zones}{says.rstrip('.')}."
        for (zones, says), names in hairs.items()
    )


def _zones(group: Sequence[Missing]) -> str:
    zones = [one.zone.replace("_", "-") for one in group if one.zone]
    return f"{_listed(zones)}: " if zones and not any(one.detail for one in group) else ""


def _details(group: Sequence[Missing]) -> str:
    told = [f"{one.zone.replace('_', '-')} {one.detail}".strip() for one in group if one.detail]
    return f" ({'; '.join(told)})" if told else ""


def _names_before(hairs: Sequence[str]) -> str:
    names = [hair for hair in hairs if hair]
    more = len(names) - MOST_HAIRS
    if more > 0:
        return f"{', '.join(names[:MOST_HAIRS])} and {more} more: "
    return f"{_listed(names)}: " if names else ""


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))

"""Grey-scale grade for change in colour.

Greys return the ISO 105-A02 scale. For the chromatic part no published worked example was found:
it is unverified beyond one public code.

References
----------
.. [1] ISO 105-A05:1996, Textiles, Instrumental assessment of change in colour for determination of
   grey scale rating. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import chroma, hue_angle
from hairtone.showing import Shown

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
    difference : float
        dE_F, the difference the grade is read from. [CIELAB units, weighted]
    gsc : float
        Grade by formula, 5 .. 1.
    table : str
        Grade by table, ``"5"``, ``"4-5"`` .. ``"1"``. Its steps are not the formula's.
    """

    difference: float
    gsc: float
    table: str

    def to_dict(self) -> dict[str, float | str]:
        """JSON-ready: gsc, table."""
        return {"gsc": round(self.gsc, 2), "table": self.table}

    def to_frame(self) -> Any:
        """One row: difference, gsc, table."""
        import pandas as pd

        return pd.DataFrame([{"difference": self.difference, "gsc": self.gsc, "table": self.table}])


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
    return Grade(difference=difference, gsc=_formula_grade(difference), table=word)


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

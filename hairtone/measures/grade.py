"""Grey-scale grade for change in colour.

References
----------
.. [1] ISO 105-A05:1996, Textiles, Instrumental assessment of change in colour for determination
   of grey scale rating. From memory: no worked example with chroma was found to check it by; on
   greys it returns the scale of ISO 105-A02:1993.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import chroma, hue_angle

TABLE: Final = (  # ΔE_F below -> grade; [1]
    (0.40, "5"), (1.25, "4-5"), (2.10, "4"), (2.95, "3-4"), (4.10, "3"),
    (5.80, "2-3"), (8.20, "2"), (11.60, "1-2"), (np.inf, "1"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyScaleGrade:
    """Grade of a change in colour.

    Attributes
    ----------
    delta_e_f : float
        Difference of the grey-scale formula.
    gsc : float
        5 (no change) .. 1, continuous.
    table : str
        Grade of the standard's table, ``"5"``, ``"4-5"`` … ``"1"``. Its edges are not GSc's
        quarter points.
    """

    delta_e_f: float
    gsc: float
    table: str


def grey_scale_grade(original: ArrayLike, treated: ArrayLike) -> GreyScaleGrade:
    """Grade of the change from `original` to `treated` [1]_.

    Parameters
    ----------
    original, treated : array_like, shape (3,)
        L*a*b* before and after.
    """
    first, second = np.asarray(original, np.float64), np.asarray(treated, np.float64)
    c_o, c_t = float(chroma(first)), float(chroma(second))
    dl, dc = float(second[0] - first[0]), c_t - c_o
    d_ab = float(((second - first)[1:] ** 2).sum())
    sign = 1.0 if second[1] * first[2] <= first[1] * second[2] else -1.0
    dh = sign * np.sqrt(max(d_ab - dc**2, 0.0))

    mean_c = (c_o + c_t) / 2
    mean_h = _mean_hue(float(hue_angle(first)), float(hue_angle(second)))
    away = abs(mean_h - 280)
    x = ((away if away <= 180 else 360 - away) / 30) ** 2
    d = dc * mean_c * np.exp(-x) / 100
    dc_f = (dc - d) / (1 + (20 * mean_c / 1000) ** 2)
    dh_f = (dh - d) / (1 + (10 * mean_c / 1000) ** 2)
    delta = float(np.sqrt(dl**2 + dc_f**2 + dh_f**2))
    gsc = 5 - delta / 1.7 if delta <= 3.4 else max(5 - np.log2(delta / 0.85), 1.0)
    table = next(grade for limit, grade in TABLE if delta < limit)
    return GreyScaleGrade(delta_e_f=delta, gsc=float(gsc), table=table)


def _mean_hue(first: float, second: float) -> float:
    """Mean of two hue angles the short way round. [degrees]"""
    middle = (first + second) / 2
    if abs(first - second) <= 180:
        return middle
    return middle + 180 if first + second < 360 else middle - 180

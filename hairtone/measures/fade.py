"""How one zone of a hair loses its colour, wash by wash.

References
----------
.. [1] P. Kubelka, F. Munk, Z. tech. Phys. 12 (1931) 593-601.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from hairtone.colorimetry import Floats, delta_e_ab, lch_difference
from hairtone.errors import MeasureError
from hairtone.measures.grade import Grade, grade_change
from hairtone.measures.left import ENOUGH_UPTAKE, Left, colour_left
from hairtone.measures.missing import Missing
from hairtone.measures.pooling import BORROWED_RELAYING, check_viewing, joint_noise
from hairtone.measures.tone import describe_drift
from hairtone.measures.words import Bands, read_bands
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, LabEstimate, difference_from_covariance

TRIALS: Final = 2048
LEAST_WASHES: Final = 3  # washes after 0 that a curve needs; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeStep:
    """One zone after some washes, against its colour just after colouring.

    Attributes
    ----------
    wash : int
        0 = just coloured.
    difference, difference_ab : ColourDifference
        ΔE00 and ΔE*ab from wash 0.
    dL, dC, dH : float
        Signed, against wash 0.
    grade : Grade
        Grey-scale grade of the change from wash 0.
    colour_left, colour_left_low, colour_left_high : float or None
        Per cent of the way from the colour before to wash 0, with its 95 % interval; None where
        the uptake is too little to tell, or no photo before colouring exists.
    dye_left_estimate : float or None
        Per cent of the dye by Kubelka-Munk [1]_: an estimate.
    tone_drift : float or None
        ΔE*ab off the straight way back to the colour before.
    tone_words : str
        Which way it drifted, and "" where it cannot be told.
    words : str
        Colour left (else the change) in words.
    """

    wash: int
    difference: ColourDifference
    difference_ab: ColourDifference
    dL: float
    dC: float
    dH: float
    grade: Grade
    colour_left: float | None = None
    colour_left_low: float | None = None
    colour_left_high: float | None = None
    dye_left_estimate: float | None = None
    tone_drift: float | None = None
    tone_words: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fade(Shown):
    """Fade of one zone.

    Attributes
    ----------
    zone : str
        Which zone.
    steps : tuple of FadeStep
        Wash 0 first.
    uptake : float or None
        ΔE*ab of wash 0 from before; None without a photo before.
    uptake_noise : float or None
        Its noise SD.
    left_draws : ndarray, shape (N, m)
        Errors of the colour left at washes 1 on, drawn together; (N, 0) where none is given.
    uptake_draws : ndarray, shape (N,)
        Errors of `uptake`, drawn with them. [ΔE*ab]
    missing : tuple of Missing
        What cannot be told, and why.
    """

    zone: str
    steps: tuple[FadeStep, ...]
    uptake: float | None
    uptake_noise: float | None
    left_draws: Floats
    uptake_draws: Floats
    missing: tuple[Missing, ...] = ()

    @property
    def washes(self) -> tuple[int, ...]:
        """Washes measured, 0 first."""
        return tuple(step.wash for step in self.steps)

    @property
    def has_colour_left(self) -> bool:
        """Whether the uptake is large enough to tell the colour left."""
        return self.left_draws.shape[1] > 0

    def to_frame(self) -> Any:
        """One row a wash, columns as fade.csv from `zone` on."""
        import pandas as pd

        names = (
            "colour_left",
            "colour_left_low",
            "colour_left_high",
            "dye_left_estimate",
            "tone_drift",
            "tone_words",
        )
        rows = [
            {
                "zone": self.zone,
                "wash": s.wash,
                "delta_e": s.difference.delta_e,
                "delta_e_ab": s.difference_ab.delta_e,
                "dL": s.dL,
                "dC": s.dC,
                "dH": s.dH,
                "gsc": s.grade.gsc,
                "grade": s.grade.table,
                **{name: getattr(s, name) for name in names},
            }
            for s in self.steps
        ]
        return pd.DataFrame(rows)


def measure_fade(
    before: LabEstimate | None,
    washes: Mapping[int, LabEstimate],
    *,
    zone: str = "",
    paired: bool = False,
    relaying: Floats = BORROWED_RELAYING,
    bands: Bands | None = None,
) -> Fade:
    """Fade of one zone over washes.

    Parameters
    ----------
    before : LabEstimate or None
        The zone before colouring; without it no colour left is given.
    washes : mapping of int to LabEstimate
        The zone after each wash, 0 = just coloured, for one viewing; any order.
    zone : str, optional
        What results call it.
    paired : bool, optional
        Whether row k of all draws is the same camera and light (one pool).
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo; a borrowed one without it.
    bands : Bands, optional
        A study's own words.

    Raises
    ------
    MeasureError
        ``no-wash-0``: no photo just after colouring. ``viewings-differ``.
    """
    if 0 not in washes:
        known = ", ".join(str(n) for n in sorted(washes)) or "none"
        raise MeasureError(
            "no-wash-0",
            f"There is no measured photo of wash 0 (washes measured: {known}).",
            remedy="Fade is told against the colour just after colouring: photograph it then.",
        )
    order = sorted(washes)
    colours = [washes[n] for n in order]
    everything = colours if before is None else [before, *colours]
    check_viewing(everything)
    noise = joint_noise(everything, paired=paired, trials=TRIALS, relaying=relaying)
    states = np.array([colour.lab for colour in colours])
    left = None
    if before is not None:
        left = colour_left(before.lab, states, noise, white=before.viewing.white)
    own = noise if before is None else noise[:, 1:]
    gaps = own - own[:, :1]
    steps = [_change_step(n, states[0], states[at], gaps[:, at]) for at, n in enumerate(order)]
    told = bands or read_bands()
    steps = [_with_left(step, at, before, states, left, told) for at, step in enumerate(steps)]
    return Fade(
        zone=zone,
        steps=tuple(steps),
        uptake=None if left is None else left.uptake,
        uptake_noise=None if left is None else left.uptake_noise,
        left_draws=left.errors[:, 1:] if left and left.is_enough else np.empty((TRIALS, 0)),
        uptake_draws=np.zeros(TRIALS) if left is None else left.uptake_errors,
        missing=_missing(zone, left, len(order) - 1),
    )


def _change_step(wash: int, first: Floats, state: Floats, gap: Floats) -> FadeStep:
    """The change from wash 0, which needs no photo before."""
    covariance = gap.T @ gap / len(gap)
    dl, dc, dh = (float(v) for v in lch_difference(first, state))
    return FadeStep(
        wash=wash,
        difference=difference_from_covariance(first, state, covariance),
        difference_ab=difference_from_covariance(first, state, covariance, formula=delta_e_ab),
        dL=dl,
        dC=dc,
        dH=dh,
        grade=grade_change(first, state),
    )


def _with_left(
    step: FadeStep,
    at: int,
    before: LabEstimate | None,
    states: Floats,
    left: Left | None,
    bands: Bands,
) -> FadeStep:
    """The step with colour left and tone where they can be told, and in words."""
    if before is None or left is None or not left.is_enough:
        return replace(step, words=bands.difference_words("change", step.difference))
    low, high = float(left.low[at]), float(left.high[at])
    tone = describe_drift(
        before.lab,
        states[0] - before.lab,
        left.drift[at],
        critical=float(left.drift_critical[at]),
        least=bands.limits["tone_drift"],
    )
    return replace(
        step,
        colour_left=float(left.percent[at]),
        colour_left_low=low,
        colour_left_high=high,
        dye_left_estimate=float(left.dye[at]),
        tone_drift=float(np.linalg.norm(left.drift[at])),
        tone_words=tone if at else "",
        words=bands.words("colour_left", low=low, high=high),
    )


def _missing(zone: str, left: Left | None, washed: int) -> tuple[Missing, ...]:
    """What cannot be told of this zone."""
    told = []
    if left is None:
        told.append(
            Missing(
                says="no photo before colouring was measured, so the colour left cannot be told; "
                "the change from wash 0 is given",
                zone=zone,
            )
        )
    elif not left.is_enough:
        told.append(
            Missing(
                says="too little uptake to tell the colour left, which needs "
                f"{ENOUGH_UPTAKE:.0f} times its noise",
                detail=f"{left.uptake:.1f} ΔE*ab at a noise of {left.uptake_noise:.1f}",
                zone=zone,
            )
        )
    if washed < LEAST_WASHES:
        photos = f"{washed} wash{'es' if washed != 1 else ''} measured after wash 0"
        told.append(Missing(says=f"{photos}; a fade curve needs {LEAST_WASHES}", zone=zone))
    return tuple(told)

"""What a piece of hair and its colour from roots to ends are to the rest of the house."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.field import HairSpread
from hairtone.colorimetry import Floats, Viewing
from hairtone.errors import Flag, HairError
from hairtone.showing import Shown

Side = Literal["top", "bottom", "left", "right"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Strand:
    """A tress or section of hair in a photo.

    Attributes
    ----------
    name : str
        ``"1"``, ``"2"``, … left to right (top to bottom if laid across).
    line : ndarray, shape (n, 2)
        Root-to-ends line, roots first. [pixels, xy]
    width : float
        Width of the strip that is measured, across the line. [pixels]
    mask : ndarray of bool, shape (height, width) of the box, or None
        True = hair, inside `box`; None where the whole strip along the line is taken.
    box : tuple of int
        x0, y0, x1, y1 of the mask in the photo.
    mm_per_px : float or None
        Scale, where the chart gives it.
    is_given : bool
        The line was given by a person rather than found.
    regrowth_px : float or None
        New growth between the roots of the given line and its mark, left out of `line`; None where
        no mark was set. [pixels]
    flags : tuple of Flag
        Doubts about the outline.
    error : HairError or None
        Why it was found and yet cannot be measured.
    """

    name: str
    line: Floats
    width: float
    mask: NDArray[np.bool_] | None = None
    box: tuple[int, int, int, int] = (0, 0, 0, 0)
    mm_per_px: float | None = None
    is_given: bool = False
    regrowth_px: float | None = None
    flags: tuple[Flag, ...] = ()
    error: HairError | None = None

    def flagged(self, flags: tuple[Flag, ...]) -> Strand:
        """Return the same strand with other doubts about its outline."""
        return replace(self, flags=flags)

    def __repr__(self) -> str:
        length = float(np.linalg.norm(np.diff(self.line, axis=0), axis=1).sum())
        return f"Strand({self.name!r}, {length:.0f} x {self.width:.0f} pixels)"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Profile(Shown):
    """Colour along the hair, roots to ends.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Middle of each bin, 0 roots .. 1 ends.
    lab : ndarray, shape (n, 3)
        Body colour of each bin.
    sampling_covariance : ndarray, shape (n, 3, 3)
        From the spread of the hair, block bootstrap. [Lab units squared]
    draws : ndarray, shape (K, n, 3), float32
        Under each of K equally good calibrations and light fields.
    viewing : Viewing
        Illuminant and observer.
    pixels : ndarray of int, shape (n,)
        Pixels behind each bin.
    flags : tuple of Flag
        Doubts about the profile (shine, too narrow, shadow …).
    sampling_draws : ndarray, shape (R, n, 3), float32, or None
        The whole profile under each of R equally good choices of fibres: bins of one row share
        their fibres, so that means over zones and differences of zones carry the right error.
        `sampling_covariance` is their covariance bin by bin.
    spread : HairSpread or None
        What of `draws` is the hair's: how far hair of one camera response differs, bin by bin. It
        is in the draws by the field that all photos share. None where it is not told.
    facts : dict
        What was found on the way (how shine was taken out, its share …), JSON-ready.
    """

    position: Floats
    lab: Floats
    sampling_covariance: Floats
    draws: NDArray[np.float32]
    viewing: Viewing
    pixels: NDArray[np.int64]
    flags: tuple[Flag, ...] = ()
    sampling_draws: NDArray[np.float32] | None = None
    spread: HairSpread | None = None
    facts: dict[str, object] = field(default_factory=dict)

    def to_frame(self) -> Any:
        """Return one row a place: position, L, a, b, pixels."""
        import pandas as pd

        columns = dict(zip(("L", "a", "b"), self.lab.T, strict=True))
        return pd.DataFrame({"position": self.position, **columns, "pixels": self.pixels})

    def __repr__(self) -> str:
        first, last = (tuple(round(float(v), 1) for v in self.lab[k]) for k in (0, -1))
        return (
            f"Profile({len(self.position)} places, roots L*a*b* {first}, ends {last}, "
            f"{self.viewing.name})"
        )

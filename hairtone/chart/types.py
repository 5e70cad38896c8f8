"""What a chart and its reading are to the rest of the house."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats, Viewing
from hairtone.errors import Flag

PATCHES = 24
MOST_CLIPPED = 0.1  # share of a patch's pixels that its trimmed mean leaves out all the same
LEAST_BURNT = 0.985  # encoded value of a channel from which it is at the top of the scale
GREYS = (18, 19, 20, 21, 22, 23)  # white to black; rows run 6 a row from dark skin

PATCH_NAMES = (
    "dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green",
    "orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow",
    "blue", "green", "red", "yellow", "magenta", "cyan",
    "white", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartReference:
    """The colours a chart is known to have.

    Attributes
    ----------
    name : str
        ``"chart24-after-2014-11"`` and the like, or the file a measured chart came from.
    edition, source : str
        Which printing of the chart, and who published the figures.
    kind : str
        ``"reflectance"``, or ``"approximate"`` where only Lab is published.
    wavelengths : ndarray, shape (n,)
        Of `reflectance`. [nm]
    reflectance : ndarray, shape (24, n)
        0..1, in the order of `PATCH_NAMES`. For ``"approximate"`` the smoothest that meet the Lab.
    """

    name: str
    edition: str
    source: str
    kind: str
    wavelengths: Floats
    reflectance: Floats

    def xyz(self, viewing: Viewing) -> Floats:
        """Tristimulus values of the patches, shape (24, 3), white Y = 1. ASTM E308 weighting.

        Read-only.
        """
        return _xyz_of(self, viewing)

    def lab(self, viewing: Viewing) -> Floats:
        """L*a*b* of the patches, shape (24, 3)."""
        from hairtone.colorimetry import xyz_to_lab

        return xyz_to_lab(100 * self.xyz(viewing), white=viewing.white)


@lru_cache(maxsize=8)  # chart search, both levels and the light ask for the same
def _xyz_of(reference: ChartReference, viewing: Viewing) -> Floats:
    from hairtone.spectra.viewing import reflectance_to_xyz

    xyz = reflectance_to_xyz(reference.reflectance, reference.wavelengths, viewing=viewing)
    xyz.flags.writeable = False
    return xyz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartReading:
    """The place of the chart in a photo, and its 24 patches as the photo shows them.

    Attributes
    ----------
    reference : ChartReference
        What the patches are known to be.
    corners : ndarray, shape (4, 2)
        Outer corners of the patch field, clockwise from the one beside the first patch (in a
        mirrored photo anticlockwise). [pixels, xy]
    centres : ndarray, shape (24, 2)
        Patch centres. [pixels, xy]
    patch_px : float
        Side of a patch. [pixels]
    encoded : ndarray, shape (24, 3)
        Trimmed mean of each patch through `Encoding.table` (0..1).
    covariance : ndarray, shape (24, 3, 3)
        Covariance of that mean.
    clipped : ndarray, shape (24,)
        Share of the patch's pixels at the top (or, RAW and very dark, the bottom) of the scale.
    usable : ndarray of bool, shape (24,)
        Patches not covered, clipped or in glare.
    is_mirrored : bool
        The photo shows the chart in a mirror.
    edge_px : float
        Width over which the patches' edges rise from 10 to 90 %; NaN where too few are seen.
        [pixels]
    flags : tuple of Flag
        Doubts about the chart.
    """

    reference: ChartReference
    corners: Floats
    centres: Floats
    patch_px: float
    encoded: Floats
    covariance: Floats
    clipped: Floats
    usable: NDArray[np.bool_]
    is_mirrored: bool = False
    edge_px: float = float("nan")
    flags: tuple[Flag, ...] = ()

    @property
    def burnt(self) -> NDArray[np.bool_]:
        """Patches left out as too bright, shape (24,): they are at least as bright as they read."""
        at_top = np.asarray(self.encoded).max(axis=1) >= LEAST_BURNT
        return np.asarray(~self.usable & (self.clipped > MOST_CLIPPED) & at_top)

"""Hair along a tress: how its colour runs from roots to ends, and how its fibres differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri

from hairtone.colorimetry import Floats
from hairtone.spectra.hair import HairRecipe, hair_reflectance

POSITIONS: Final = 31  # even places the colour is worked out at; linear between
KINDS: Final = 8  # of fibres, equally frequent; white ones come in steps of an eighth
WHITE_MELANIN: Final = 0.002  # of the pigmented fibres' melanin that a white fibre keeps


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A place along the hair with more or less dye than its neighbours.

    Attributes
    ----------
    position, width : float
        Middle and SD, 0 roots .. 1 ends.
    factor : float
        On the dye in its middle: below 1 missed, above 1 grabbed.
    """

    position: float
    width: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlongHair:
    """What changes along the hair.

    Attributes
    ----------
    dye_at_ends, melanin_at_ends, keratin_at_ends : float
        Factor at the ends against the roots.
    onset : float
        Where the change begins, 0 roots .. 1 ends; it runs smoothly from there.
    patches : tuple of Patch
        Missed and grabbed places.
    """

    dye_at_ends: float = 1.0
    melanin_at_ends: float = 1.0
    keratin_at_ends: float = 1.0
    onset: float = 0.0
    patches: tuple[Patch, ...] = ()


def run_along(onset: float) -> Floats:
    """Share of the change that is reached at each of the positions, 0..1, shape (31,)."""
    share = np.clip((np.linspace(0, 1, POSITIONS) - onset) / (1 - onset), 0, 1)
    return np.asarray(share * share * (3 - 2 * share) if onset > 0 else share)


def tress_hair(
    recipe: HairRecipe,
    along: AlongHair = AlongHair(),
    *,
    dye: float = 1.0,
    fibre_spread: float = 0.15,
    white_share: float = 0.0,
    light: Floats | None = None,
) -> Floats:
    """Reflectances of a tress, shape (31 positions, 8 kinds of fibre, 81).

    Parameters
    ----------
    recipe : HairRecipe
        The hair at the roots.
    along : AlongHair, optional
        What changes towards the ends.
    dye : float, optional
        Factor on all dye, such as what washes have left.
    fibre_spread : float, optional
        SD of the logarithm of what pigment single fibres hold.
    white_share : float, optional
        Share of fibres without melanin, in steps of an eighth.
    light : ndarray, shape (81,), optional
        Light that excites what fluoresces; see `hair_reflectance`.
    """
    share = run_along(along.onset)[:, None]
    places = np.linspace(0, 1, POSITIONS)
    patchy = np.ones(POSITIONS)
    for patch in along.patches:
        bell = np.exp(-0.5 * ((places - patch.position) / patch.width) ** 2)
        patchy = patchy * (1 + (patch.factor - 1) * bell)
    kinds = np.exp(fibre_spread * ndtri((np.arange(KINDS) + 0.5) / KINDS))
    white = np.arange(KINDS) % KINDS < round(white_share * KINDS)
    melanin = along.melanin_at_ends**share * np.where(white, WHITE_MELANIN, kinds)
    return hair_reflectance(
        recipe,
        melanin=melanin,
        keratin=along.keratin_at_ends**share * np.ones(KINDS),
        dye=dye * along.dye_at_ends**share * patchy[:, None] * kinds,
        light=light,
    )

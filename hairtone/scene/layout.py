"""Hair along a tress: how its colour runs from roots to ends, and how its fibres differ.

Where chart and tresses lie in the frame, without touching one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri

from hairtone.colorimetry import Floats
from hairtone.scene.chart import COLUMNS, FIELD_WIDTH, FRAME_MARGIN, ROWS
from hairtone.spectra.hair import HairRecipe, hair_reflectance

POSITIONS: Final = 31  # even places the colour is worked out at; linear between
KINDS: Final = 8  # of fibres, equally frequent; white ones come in steps of an eighth
WHITE_MELANIN: Final = 0.002  # of the pigmented fibres' melanin that a white fibre keeps
Point = tuple[float, float]
CHART_MM: Final = 250.0  # long side of the patch field of a full-size chart
TRIES: Final = 4000  # layouts tried before giving up
GAP: Final = 0.02  # least distance of things from one another and the frame, of its diagonal


@dataclass(frozen=True, slots=True, kw_only=True)
class TintedPatch:
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
    patches: tuple[TintedPatch, ...] = ()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where things lie.

    Attributes
    ----------
    chart_centre : tuple of float
        Of the patch field. [pixels, xy]
    chart_width_px, chart_turn_deg : float
        Long side of the patch field, and its turn.
    roots, ends : tuple of points
        Of each tress.
    tress_widths_px : tuple of float
        Of each tress.
    mm_per_px : float
        Scale, taking the chart for a full-size one.
    """

    chart_centre: Point
    chart_width_px: float
    chart_turn_deg: float
    roots: tuple[Point, ...]
    ends: tuple[Point, ...]
    tress_widths_px: tuple[float, ...]
    mm_per_px: float


def draw_layout(
    *, seed: int, size: tuple[int, int], tresses: int, turn_deg: float, any_way: bool
) -> Layout:
    """A layout drawn at random.

    Parameters
    ----------
    seed : int
        Of the draw.
    size : tuple of int
        Width and height of the frame. [pixels]
    tresses : int
        Side by side, roots the same way.
    turn_deg : float
        Largest turn of the chart from upright.
    any_way : bool
        Chart upside down or on its side too, hair in any direction; else roots at the top.
    """
    rng = np.random.default_rng(seed)
    width, height = size
    for attempt in range(TRIES):
        shrink = 1 - 0.5 * attempt / TRIES  # a crowded frame is taken from further away
        chart_width = width * rng.uniform(0.24, 0.46) * shrink
        turn = rng.uniform(-turn_deg, turn_deg) + (90 * rng.integers(4) if any_way else 0)
        chart_half = _reach(chart_width / FIELD_WIDTH, turn)
        room = np.array([width, height]) / 2 - chart_half - GAP * np.hypot(width, height)
        if room.min() < 0:
            continue
        centre = np.array([width, height]) / 2 + rng.uniform(-1, 1, 2) * room
        hairs = _draw_tresses(rng, size, tresses, shrink, any_way=any_way)
        if hairs is None or _touches(centre, chart_half, hairs, size):
            continue
        roots, ends, widths = hairs
        return Layout(
            chart_centre=(float(centre[0]), float(centre[1])),
            chart_width_px=float(chart_width),
            chart_turn_deg=float(turn),
            roots=tuple((float(x), float(y)) for x, y in roots),
            ends=tuple((float(x), float(y)) for x, y in ends),
            tress_widths_px=tuple(float(w) for w in widths),
            mm_per_px=CHART_MM / float(chart_width),
        )
    raise ValueError(f"{tresses} tresses and a chart do not fit into {width} × {height} pixels.")


def _reach(pitch_px: float, turn: float) -> Floats:
    """Half the box around the turned chart, with room for tilt, shape (2,). [pixels]"""
    half = np.array([COLUMNS / 2 + FRAME_MARGIN, ROWS / 2 + FRAME_MARGIN]) * pitch_px
    c, s = abs(np.cos(np.radians(turn))), abs(np.sin(np.radians(turn)))
    return np.array([c * half[0] + s * half[1], s * half[0] + c * half[1]]) * 1.06


def _draw_tresses(
    rng: np.random.Generator,
    size: tuple[int, int],
    count: int,
    shrink: float,
    *,
    any_way: bool,
) -> tuple[Floats, Floats, Floats] | None:
    """Roots, ends (count, 2) and widths of parallel tresses; None where they leave the frame."""
    frame = np.array(size)
    short = min(size)
    widths = np.full(count, short * rng.uniform(0.07, 0.15) * shrink)
    length = short * rng.uniform(0.5, 0.85) * shrink
    angle = np.radians(rng.uniform(0, 360) if any_way else rng.normal(90, 4))
    along = np.array([np.cos(angle), np.sin(angle)])
    aside = np.array([along[1], -along[0]])
    spacing = (np.arange(count) - (count - 1) / 2) * widths[0] * rng.uniform(1.8, 2.6)
    middle = rng.uniform(0.08, 0.92, 2) * frame
    middles = middle + spacing[:, None] * aside
    roots, ends = middles - length / 2 * along, middles + length / 2 * along
    margin = 0.65 * widths[0] + GAP * np.hypot(*size)
    corners = np.concatenate([roots - 0.4 * widths[0] * along, ends])
    if corners.min() < margin or (corners > frame - margin).any():
        return None
    if not any_way and roots[0, 0] > roots[-1, 0]:
        roots, ends = roots[::-1], ends[::-1]
    return roots, ends, widths


def _touches(
    centre: Floats, chart_half: Floats, hairs: tuple[Floats, Floats, Floats], size: tuple[int, int]
) -> bool:
    roots, ends, widths = hairs
    share = np.linspace(-0.1, 1.03, 60)[:, None, None]
    points = roots + share * (ends - roots)
    gap = 0.85 * widths.max() + GAP * np.hypot(*size)
    return bool((np.abs(points - centre) < chart_half + gap).all(axis=-1).any())

"""Doubts about a measured strand: shine, shadow, clipping, retouching, too few pixels."""

from __future__ import annotations

from typing import Final

from hairtone.errors import Flag
from hairtone.hair.body import Body
from hairtone.hair.cells import Cells
from hairtone.hair.colours import CellSums
from hairtone.hair.types import Strand
from hairtone.photo.types import Photo

SHINY: Final = 0.15  # share of a bin's light in highlights from which on it is said; our choice


def profile_flags(
    photo: Photo, strand: Strand, cells: Cells, sums: CellSums, body: Body
) -> tuple[Flag, ...]:
    """What is doubtful about a strand's profile."""
    flags = []
    most = float(body.shine.share.max())
    if most > SHINY:
        how = "the shape of brightness only" if body.is_grey else "brightness and colour"
        flags.append(
            Flag(
                code="shine",
                says=f"Up to {100 * most:.0f} % of the light of a place on the hair was mirror "
                f"highlights; they were taken out, told by {how}.",
                remedy="Use larger, softer lights at 45 degrees, or turn the hair.",
            )
        )
    return tuple(flags)

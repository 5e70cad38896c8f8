"""Which end of a line the roots are at: the side named, the clamp, or the upper end."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import CentreLine
from hairtone.hair.outline import Piece

SIDES: Final = {"top": (1, 1.0), "bottom": (1, -1.0), "left": (0, 1.0), "right": (0, -1.0)}
RUNS_THERE: Final = 0.1  # of the length that the ends must differ towards a side that is named
LAID_ACROSS: Final = 0.35  # rise over length under which a tress counts as laid across; 20 degrees
CLAMPED: Final = 0.2  # of the space beyond one end, more than the other, filled by something solid
PARALLEL: Final = 0.9  # cosine over which tresses are taken to be laid the same way


def named_end(line: CentreLine, side: str, *, where: str) -> float:
    """1 where a line ends at the side named for the roots, -1 where it starts there.

    Raises
    ------
    HairError
        ``roots-unclear``: the line does not run that way.
    """
    axis, sign = SIDES[side]
    gap = sign * float(line.points[0, axis] - line.points[-1, axis]) / line.length
    if abs(gap) < RUNS_THERE:
        raise HairError(
            "roots-unclear",
            f"The roots are said to lie at the {side}, and the hair runs across: its ends differ "
            f"by {100 * abs(gap):.0f} % of its length that way.",
            where=where,
            remedy="Name another side, or draw the root-to-ends line by hand.",
        )
    return float(np.sign(gap))


def held_end(line: CentreLine, piece: Piece) -> float:
    """How much more the end of a line is held by something solid than its start, -1..1."""
    held = [
        1.0 if piece.is_held[k] else _clamp_share(line, piece.solid, at_start=k == 0)
        for k in (0, 1)
    ]
    return held[1] - held[0]


def roots_last(lines: list[CentreLine], held: list[float]) -> list[tuple[bool, bool]]:
    """For each line: whether it ends at the roots, and whether that is more than a guess.

    Tresses side by side are clamped at the same side: they lend one another their evidence.
    """
    answers = []
    for line in lines:
        own = _way(line)
        votes = [float(own @ _way(other)) for other in lines]
        evidence = sum(
            np.sign(vote) * share
            for vote, share in zip(votes, held, strict=True)
            if abs(vote) > PARALLEL
        )
        rise = float(line.points[0, 1] - line.points[-1, 1])
        if abs(evidence) > CLAMPED:
            answers.append((bool(evidence > 0), True))
        elif abs(rise) >= LAID_ACROSS * line.length:
            answers.append((rise > 0, True))
        else:
            answers.append((bool(line.points[0, 0] > line.points[-1, 0]), False))
    return answers


def roots_assumed() -> Flag:
    """Said where nothing tells the roots from the ends."""
    return Flag(
        code="roots-assumed",
        says="The hair lies across and we saw no clamp, so we took its left end for the roots.",
        remedy="Say where the roots are: left or right ('roots').",
    )


def _way(line: CentreLine) -> Floats:
    way = line.points[-1] - line.points[0]
    return np.asarray(way / np.linalg.norm(way))


def _clamp_share(line: CentreLine, solid: NDArray[np.bool_], *, at_start: bool) -> float:
    """Share of the space just beyond an end that something solid fills."""
    points = line.points if at_start else line.points[::-1]
    outwards = points[0] - points[2]
    outwards = outwards / np.linalg.norm(outwards)
    sideways = np.array([-outwards[1], outwards[0]])
    reach, half = np.meshgrid(np.linspace(0.1, 0.3, 6), np.linspace(-0.35, 0.35, 9))
    probes = points[0] + line.width * (
        reach.ravel()[:, None] * outwards + half.ravel()[:, None] * sideways
    )
    xs, ys = np.round(probes).astype(int).T
    height, width = solid.shape
    inside = (xs >= 0) & (ys >= 0) & (xs < width) & (ys < height)
    return float(solid[ys[inside], xs[inside]].sum() / len(xs))

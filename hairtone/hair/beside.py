"""Is the light on a hair the light on the chart? What the board beside both of them says."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np

from hairtone.calibration.types import Beside, BoardSeen, LightField
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import project
from hairtone.hair.types import Strand
from hairtone.reference import read_limits

CLEAR: Final = 1.5  # cells beside the outline that may show some hair; our choice
BAND: Final = (4.0, 0.6)  # cells, or widths of the hair, beyond those; our choice
PARTS: Final = 3  # of the hair, whose light is looked at each by itself; our choice
LEAST_BARE: Final = 0.25  # of what lies beside it, that hair lies on the board; our choice
GREY: Final = 0.05  # of tint: what lies off the board's may be board in shadow; our choice
DEEPEST: Final = 1.25  # of log light, that such a shadow may take; our choice, white cloth is more
UNSEEN: Final = 0.09  # SD of log light where no board lies beside hair: as `light.UNKNOWN_SD`
ONE_LIGHT = (
    "Move what casts a shadow on hair or chart, lay both side by side on one plain matt board, and "
    "photograph again."
)
MORE_BOARD = (
    "Lay hair and chart side by side on one plain matt board that reaches beyond the hair, or "
    "photograph a plain card in the same light."
)


def light_of_strand(
    light: LightField, strand: Strand, middles: Floats
) -> tuple[LightField, tuple[Flag, ...]]:
    """The light on a strand, as unsure as the board beside it leaves it, and the doubt that told.

    A step of grey between what lies beside the chart and beside the hair may be a shadow's edge,
    or some other grey thing: the light lies anywhere between none of the step and all of it. The
    worst third of the hair tells the doubt; a step that most of the hair has is refused.

    Parameters
    ----------
    light : LightField
        Of the photo.
    strand : Strand
        The hair.
    middles : ndarray, shape (n, 2)
        Places on it. [pixels, xy]

    Raises
    ------
    HairError
        ``shadow-between``: hair and chart lie in different light. ``light-unseen``: the board
        leaves it so open that no colour can be told.
    """
    if light.seen is None:
        return light, _doubts((light, light), strand, middles, told="")
    chart, here = light.seen.among(light.seen.by_chart), beside_strand(light.seen, strand)
    steps = np.array([one.rest - chart.rest for one in here])
    steps = steps[np.isfinite(steps).all(axis=1)]
    if not len(steps):
        return _unseen(light, strand, middles, told="")
    size, tint = np.abs(steps[:, 0]), np.hypot(steps[:, 1], steps[:, 2])
    told = _told(float(steps[size.argmax(), 0]), float(tint.max()))
    is_board = tint.max() < GREY and size.max() < DEEPEST
    if strand.is_given and np.mean([one.bare for one in here]) < LEAST_BARE and not is_board:
        return _unseen(light, strand, middles, told=told)  # a head, a cloth
    if np.median(tint) > (limit := read_limits("light")["refuse_tint_step"]):
        raise HairError(
            "shadow-between",
            f"{told} (limit of the colour {limit:.0%}): they do not share one light, or lie on "
            f"different things.",
            where=f"hair {strand.name}",
            remedy=ONE_LIGHT,
        )
    worst = dataclasses.replace(light, step=float(size.max()))
    usual = dataclasses.replace(light, step=float(np.median(size)))
    return worst, _doubts((worst, usual), strand, middles, told=told, is_edge=True)


def _unseen(
    light: LightField, strand: Strand, middles: Floats, *, told: str
) -> tuple[LightField, tuple[Flag, ...]]:
    """The light where no board lies beside the hair."""
    light = dataclasses.replace(light, step=UNSEEN)
    return light, _doubts((light, light), strand, middles, told=told)


def beside_strand(seen: BoardSeen, strand: Strand) -> list[Beside]:
    """What lies on either side of a strand: of its first, second and last third."""
    cell = float(seen.points[0, 1, 0] - seen.points[0, 0, 0])
    line = np.asarray(strand.line, np.float64)
    inner = strand.width / 2 + CLEAR * cell
    outer = inner + max(BAND[0] * cell, BAND[1] * strand.width)
    low, high = line.min(axis=0) - outer, line.max(axis=0) + outer
    near = tuple(
        slice(*np.searchsorted(seen.points[:, 0, 1] if axis else seen.points[0, :, 0], ends))
        for axis, ends in ((1, (low[1], high[1])), (0, (low[0], high[0])))
    )
    along, across = project(seen.points[near].reshape(-1, 2), line)
    along /= float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    is_beside = (np.abs(across) > inner) & (np.abs(across) < outer)
    found = []
    for part in range(PARTS):
        chosen = np.zeros(seen.is_bare.shape, bool)
        within = is_beside & (along * PARTS > part) & (along * PARTS < part + 1)
        chosen[near] = within.reshape(chosen[near].shape)
        found.append(seen.among(chosen))
    return found


def _told(step: float, tint: float) -> str:
    tinted = "under 1%" if tint < 0.01 else f"{tint:.0%}"
    share, how = abs(float(np.expm1(step))), "lighter" if step > 0 else "darker"
    return (
        f"What lies beside the hair is up to {share:.0%} {how} than what lies beside the chart and "
        f"differs in colour by {tinted}"
    )


def _doubts(
    lights: tuple[LightField, LightField],
    strand: Strand,
    middles: Floats,
    *,
    told: str,
    is_edge: bool = False,
) -> tuple[Flag, ...]:
    """The doubt that the light on a hair is not known, at its worst and as most of it has it.

    An error where most of it is known too badly.
    """
    limits = read_limits("light")
    worst, usual = (float(light.doubt_at(middles).max()) for light in lights)
    if worst <= limits["flag_doubt"]:
        return ()
    if is_edge and lights[0].step > worst / 2:
        code, remedy = "shadow-between", ONE_LIGHT
        cause = (
            f"{told}: a shadow may lie on one of them, or an app has lightened part of the "
            f"picture. How much light falls on hair {strand.name} is"
        )
    else:
        code, remedy = "light-unseen", MORE_BOARD
        cause = f"No bare board beside hair {strand.name} shows how much light falls on it: that is"
    says = (
        f"{cause} known only to within {worst:.0%} (one SD; flagged above "
        f"{limits['flag_doubt']:.0%}, refused where most of the hair is above "
        f"{limits['refuse_doubt']:.0%})"
    )
    if usual > limits["refuse_doubt"]:
        raise HairError(code, f"{says}.", where=f"hair {strand.name}", remedy=remedy)
    tail = f" {told}." if told and code == "light-unseen" else ""
    return (Flag(code=code, says=f"{says}; its intervals allow for that.{tail}", remedy=remedy),)

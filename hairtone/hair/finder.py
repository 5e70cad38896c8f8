"""Find the hair in a photo: tresses on a plain board by themselves, or a strip along a line."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import CentreLine, centre_line, fitted_ends, project, resampled
from hairtone.hair.clamp import without_clamps
from hairtone.hair.edges import full_mask
from hairtone.hair.features import Features, frame_features
from hairtone.hair.outline import Piece, find_pieces
from hairtone.hair.strip import check_line, estimate_width
from hairtone.hair.types import Strand
from hairtone.photo.types import Photo

SIDES: Final = {"top": (1, 1.0), "bottom": (1, -1.0), "left": (0, 1.0), "right": (0, -1.0)}
LEAST_WIDTH: Final = 12.0  # photo pixels; our choice: four lanes of fibres inside mixed edges
LEAST_LENGTH: Final = 60.0  # photo pixels; a row of pixels to a bin
LAID_ACROSS: Final = 0.35  # rise over length under which a tress counts as laid across; 20 degrees
LOOSE: Final = 0.1  # of the length at either end, where single fibres end; our choice
CLAMPED: Final = 0.5  # of the space beyond an end filled by something solid: a clamp

BY_HAND = (
    "Draw the root-to-ends line by hand in the picker, or give it as 'line' in the sheet "
    "(--line on the command line)."
)


def find_strands(
    photo: Photo,
    reading: ChartReading,
    calibration: Calibration,
    light: LightField,
    *,
    roots: str | None = None,
    mm_per_px: float | None = None,
) -> tuple[Strand, ...]:
    """The tresses on the board, named left to right (top to bottom where laid across).

    Parameters
    ----------
    photo, reading, calibration, light : Photo, ChartReading, Calibration, LightField
        The photo and what its chart and board told.
    roots : str, optional
        Side the roots lie on: ``"top"``, ``"bottom"``, ``"left"`` or ``"right"``. By default the
        clamped end, and without a clamp the upper one (left one, laid across).
    mm_per_px : float, optional
        Scale, where the chart's size is known.

    Raises
    ------
    HairError
        ``hair-not-found``, ``hair-too-small`` or ``roots-unclear``.
    """
    if roots is not None and roots not in SIDES:
        raise ValueError(f"roots is {roots!r}; choose one of {', '.join(SIDES)}.")
    features = frame_features(photo, reading, calibration, light)
    pieces = find_pieces(features)
    if not pieces:
        raise _not_found(photo)
    found = []
    for piece in pieces:
        piece, line = _without_clamp(piece, features)
        strand = _strand(photo, piece, line, features, roots=roots, mm_per_px=mm_per_px)
        if not _is_too_small(strand):
            found.append(strand)
        elif len(pieces) == 1:
            size = f"{strand.width:.0f} x {_length(strand):.0f} pixels"
            raise _too_small(photo, f"The hair found is {size}", "a larger view")
    if not found:
        raise _not_found(photo)
    return _named(found)


def strand_along(
    photo: Photo, line: ArrayLike, *, width: float | None = None, name: str = "1"
) -> Strand:
    """The strip of hair along a given root-to-ends line, on any background.

    Parameters
    ----------
    photo : Photo
        The photo the line was drawn on.
    line : array_like, shape (n, 2)
        Root-to-ends line, roots first, at least two points. [pixels of the upright photo, xy]
    width : float, optional
        Width of the strip; estimated from how far the hair beside the line stays alike when not
        given. [pixels]
    name : str, optional
        Name of the strand.

    Raises
    ------
    HairError
        ``line-malformed``, ``line-outside``, ``hair-too-small`` or ``width-malformed``.
    """
    points = check_line(photo, line)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    if length < LEAST_LENGTH:
        raise _too_small(photo, f"The line is {length:.0f} pixels long", "a longer line")
    given = width is not None
    if width is None:
        width = estimate_width(photo, points)
    if not np.isfinite(width) or width <= 0:
        raise HairError(
            "width-malformed",
            f"The strip width is {width}.",
            where=photo.name,
            remedy="Give a width in photo pixels, more than 0, or leave it out.",
        )
    if width < LEAST_WIDTH:
        raise _too_small(photo, f"The strip is {width:.0f} pixels wide", "a wider strip")
    flags = () if given else (_width_estimated(width),)
    return Strand(
        name=name,
        line=resampled(points, points=max(33, len(points))),
        width=float(width),
        is_given=True,
        flags=flags,
    )


def _strand(
    photo: Photo,
    piece: Piece,
    line: CentreLine,
    features: Features,
    *,
    roots: str | None,
    mm_per_px: float | None,
) -> Strand:
    points, flags = line.points, []
    turned, is_certain = _roots_last(photo, line, piece, features, roots)
    if turned:
        points = points[::-1]
    if not is_certain:
        flags.append(_roots_assumed())
    mask, box = full_mask(photo, piece.mask, _loose_ends(piece.mask, line), features)
    placed, width = fitted_ends(mask, features.to_photo(points), origin=box[:2])
    if _leaves_frame(piece.mask):
        flags.append(_cut_off())
    return Strand(
        name="1",
        line=np.ascontiguousarray(placed),
        width=width,
        mask=mask,
        box=box,
        mm_per_px=mm_per_px,
        flags=tuple(flags),
    )


def _without_clamp(piece: Piece, features: Features) -> tuple[Piece, CentreLine]:
    """The piece without what holds it, and its line."""
    line = centre_line(piece.mask)
    mask, at_start, at_end = without_clamps(piece.mask, line, features)
    if not (at_start or at_end):
        return piece, line
    rest = centre_line(mask)
    if float((rest.points[-1] - rest.points[0]) @ (line.points[-1] - line.points[0])) < 0:
        at_start, at_end = at_end, at_start
    return Piece(mask=mask, solid=piece.solid, is_held=(at_start, at_end)), rest


def _loose_ends(mask: NDArray[np.bool_], line: CentreLine) -> NDArray[np.bool_]:
    """The last tenth at either end, where fibres of different length let the board through."""
    ys, xs = np.nonzero(mask)
    along, _ = project(np.stack([xs, ys], axis=1).astype(np.float64), line.points)
    loose = (along < LOOSE * line.length) | (along > (1 - LOOSE) * line.length)
    ends = np.zeros_like(mask)
    ends[ys[loose], xs[loose]] = True
    return ends


def _roots_last(
    photo: Photo, line: CentreLine, piece: Piece, features: Features, roots: str | None
) -> tuple[bool, bool]:
    """Whether the line as it stands ends at the roots, and whether that is more than a guess."""
    first, last = line.points[0], line.points[-1]
    if roots is not None:
        axis, sign = SIDES[roots]
        gap = sign * float(first[axis] - last[axis])
        if abs(gap) < 0.1 * line.length:
            raise HairError(
                "roots-unclear",
                f"The roots are said to lie at the {roots}, and the tress runs across: its ends "
                f"differ by {abs(gap) * features.step:.0f} of "
                f"{line.length * features.step:.0f} pixels that way.",
                where=photo.name,
                remedy="Name another side, or draw the root-to-ends line by hand.",
            )
        return gap > 0, True
    clamped = [
        piece.is_held[k] or _clamp_share(line, piece.solid, at_start=k == 0) > CLAMPED
        for k in (0, 1)
    ]
    if clamped[0] != clamped[1]:
        return clamped[1], True
    rise = float(first[1] - last[1])
    if abs(rise) >= LAID_ACROSS * line.length:
        return rise > 0, True
    return bool(first[0] > last[0]), False


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


def _leaves_frame(mask: NDArray[np.bool_]) -> bool:
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())


def _named(strands: list[Strand]) -> tuple[Strand, ...]:
    """Left to right, or top to bottom where most are laid across."""
    reach = np.array([np.abs(s.line[-1] - s.line[0]) for s in strands])
    across = (reach[:, 0] > reach[:, 1]).sum() > len(strands) / 2
    middle = np.array([s.line.mean(axis=0)[1 if across else 0] for s in strands])
    return tuple(_renamed(strands[k], str(n)) for n, k in enumerate(np.argsort(middle), start=1))


def _renamed(strand: Strand, name: str) -> Strand:
    import dataclasses

    return dataclasses.replace(strand, name=name)


def _is_too_small(strand: Strand) -> bool:
    return strand.width < LEAST_WIDTH or _length(strand) < LEAST_LENGTH


def _length(strand: Strand) -> float:
    return float(np.linalg.norm(np.diff(strand.line, axis=0), axis=1).sum())


def _too_small(photo: Photo, says: str, wanted: str) -> HairError:
    return HairError(
        "hair-too-small",
        f"{says}; at least {LEAST_WIDTH:.0f} x {LEAST_LENGTH:.0f} pixels are needed.",
        where=photo.name,
        remedy=f"Go nearer or photograph at full size; by hand, draw {wanted}.",
    )


def _not_found(photo: Photo) -> HairError:
    return HairError(
        "hair-not-found",
        "No hair was found on the board: nothing long enough stands out by colour, lightness or "
        "fibres.",
        where=photo.name,
        remedy=f"Lay the hair on a plain matt board, clear of the chart. {BY_HAND}",
    )


def _width_estimated(width: Floats | float) -> Flag:
    return Flag(
        code="width-estimated",
        says=f"The strip along the line is taken {float(width):.0f} pixels wide, as far as the "
        f"hair beside the line stays alike.",
        remedy="Look at the outline, and give the width where it is not right.",
        is_note=True,
    )


def _roots_assumed() -> Flag:
    return Flag(
        code="roots-assumed",
        says="The hair is laid across and no clamp was seen: the left end is taken for the roots.",
        remedy="Say where the roots lie with 'roots' (left or right).",
    )


def _cut_off() -> Flag:
    return Flag(
        code="hair-cut-off",
        says="The hair runs out of the frame: roots or ends are not in the picture.",
        remedy="Step back until the whole tress is in the frame.",
    )

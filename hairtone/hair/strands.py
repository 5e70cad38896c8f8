"""Find the hair in a photo: tresses on a plain board by themselves, or along a line."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats
from hairtone.errors import Flag, HairError
from hairtone.hair.centre import (
    INNER_POINTS,
    CentreLine,
    centre_line,
    fitted_ends,
    pixels_of,
    project,
    resampled,
)
from hairtone.hair.content import is_no_hair, see_fibres, without_clamps
from hairtone.hair.outline import (
    Features,
    Mask,
    Piece,
    find_pieces,
    frame_features,
    full_mask,
    is_fellow,
)
from hairtone.hair.section import Section, after_regrowth, check_line, section_along, section_mask
from hairtone.hair.types import Side, Strand
from hairtone.locations import read_limits
from hairtone.photo.types import Photo

LEAST_WIDTH: Final = 12.0  # photo pixels; our choice: four lanes of fibres inside mixed edges
LEAST_LENGTH: Final = 60.0  # photo pixels; a row of pixels to a bin
LOOSE: Final = 0.1  # of the length, where single fibres end; our choice

NO_OUTLINE: Final = {  # flags that leave the hair's sides open, and what fibres must then show
    "outline-open": "refuse_open_run_below",
    "outline-none": "refuse_thin_run_below",
}

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
    roots: Side | None = None,
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
        ``hair-not-found``, ``hair-too-small`` or ``roots-unclear``; or the `error` that all of
        the strands found have.
    """
    if roots is not None and roots not in SIDES:
        raise ValueError(f"roots is {roots!r}; choose one of {', '.join(SIDES)}.")
    features = frame_features(photo, reading, calibration, light)
    laid, left_out, unseen = _laid_pieces(photo, reading, features)
    ends = _root_ends(laid, roots, where=photo.name)
    found, others = [], _left_out(left_out, features)
    for (piece, line), (turned, is_certain) in zip(laid, ends, strict=True):
        flags = others if is_certain else (roots_assumed(), *others)
        flags += (_fibres_unseen(reading),) if any(piece is one for one in unseen) else ()
        merged = _merged(photo, line, features)
        if isinstance(merged, Flag):
            flags += (merged,)
        strand = _strand(photo, piece, line, features, turned=turned, flags=flags)
        if not _is_too_small(strand):
            error = merged if isinstance(merged, HairError) else None
            found.append(dataclasses.replace(strand, mm_per_px=mm_per_px, error=error))
        elif len(laid) == 1:
            size = f"{strand.width:.0f} x {_length(strand):.0f} pixels"
            raise _too_small(photo, f"The hair found is {size}", "a larger view")
    if not found:
        raise _not_found(photo)
    errors = [strand.error for strand in found if strand.error is not None]
    if len(errors) == len(found):
        raise errors[0]
    return _named(found)


def strand_along(
    photo: Photo,
    line: ArrayLike,
    *,
    width: float | None = None,
    name: str = "1",
    regrowth: ArrayLike | None = None,
) -> Strand:
    """The section of hair along a given root-to-ends line, on any background.

    Parameters
    ----------
    photo : Photo
        The photo the line was drawn on.
    line : array_like, shape (n, 2)
        Root-to-ends line, roots first, at least two points. [pixels of the upright photo, xy]
    width : float, optional
        Strip that the outline does not leave; without it the outline ends where the hair beside
        the line does. [pixels]
    name : str, optional
        Name of the strand.
    regrowth : array_like, shape (2,), optional
        Point on the line where new growth ends: the strand begins there. [pixels, xy]

    Raises
    ------
    HairError
        ``line-malformed``, ``line-outside``, ``hair-too-small``, ``width-malformed``,
        ``regrowth-off-line`` or ``regrowth-all``.
    """
    points, grown = measured_line(photo, line, regrowth=regrowth)
    section = section_of(photo, points, width=width)
    mask, box = (None, (0, 0, 0, 0))
    if not section.is_strip:
        mask, box = section_mask(section, size=photo.size)
    return Strand(
        name=name,
        line=resampled(points, points=max(33, len(points))),
        width=section.width,
        mask=mask,
        box=box,
        is_given=True,
        regrowth_px=grown,
        flags=section.flags,
    )


def measured_line(
    photo: Photo, line: ArrayLike, *, regrowth: ArrayLike | None = None
) -> tuple[Floats, float | None]:
    """What is measured of a given line, and the new growth before it; errors as `strand_along`."""
    points, grown = check_line(photo, line), None
    if regrowth is not None:
        points, grown = after_regrowth(photo, points, regrowth)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    if length < LEAST_LENGTH:
        raise _too_small(photo, f"The line is {length:.0f} pixels long", "a longer line")
    return points, grown


def section_of(photo: Photo, line: Floats, *, width: float | None = None) -> Section:
    """The section along a line that was checked; errors as `strand_along`."""
    if width is not None and not (np.isfinite(width) and width > 0):
        raise HairError(
            "width-malformed",
            f"The strip width is {width}.",
            where=photo.name,
            remedy="Give a width in photo pixels, more than 0, or leave it out.",
        )
    if width is not None and width < LEAST_WIDTH:
        raise _too_small(photo, f"The strip is {width:.0f} pixels wide", "a wider strip")
    return section_along(photo, line, width=width)


def _laid_pieces(
    photo: Photo, reading: ChartReading, features: Features
) -> tuple[list[tuple[Piece, CentreLine]], list[Mask], list[Piece]]:
    """The pieces of hair with their lines, what else stands out, and pieces that may be hair."""
    seen = find_pieces(features)
    laid, things = [], []
    for whole in seen.hair:
        piece, line = _without_clamp(whole, features)
        if is_no_hair(whole.mask, piece.mask, line, features):
            things.append(whole.mask)
        else:
            laid.append((piece, line))
    if not laid:
        raise _not_found(photo)
    hair, plain, unseen = _with_fibres(photo, reading, laid, features)
    if not hair:
        raise _no_fibres(photo, features.to_photo(np.argwhere(plain[0]).mean(axis=0)[::-1]))
    return hair, [*seen.left_out, *things, *plain], unseen


def refuse_without_fibres(photo: Photo, strand: Strand, reading: ChartReading) -> Strand:
    """A strand along a given line, flagged where no fibres can show.

    Raises
    ------
    HairError
        ``no-fibres``: what lies on the line shows no fibres, though the photo would show them, or
        the sides of what lies there are not seen either.
    """
    limits = read_limits("hair")
    fibres = see_fibres(photo, strand.line, width=strand.width)
    doubts = {flag.code for flag in strand.flags if not flag.is_note}
    least = next((limit for code, limit in NO_OUTLINE.items() if code in doubts), None)
    if fibres.run >= limits[least or "refuse_run_below"]:
        return strand
    if least or (fibres.would_show and _is_sharp(reading)):
        raise _no_fibres(photo, strand.line.mean(axis=0))
    return dataclasses.replace(strand, flags=(*strand.flags, _fibres_unseen(reading)))


def _is_sharp(reading: ChartReading) -> bool:
    """Whether the chart's edges are so sharp that hair would show its fibres; NaN is not."""
    return bool(reading.edge_px <= read_limits("hair")["fibres_show_to_edge_px"])


def _with_fibres(
    photo: Photo,
    reading: ChartReading,
    laid: list[tuple[Piece, CentreLine]],
    features: Features,
) -> tuple[list[tuple[Piece, CentreLine]], list[Mask], list[Piece]]:
    """The pieces that are hair, those without fibres that are not, and those that may be hair.

    A piece without fibres is hair beside hair of its kind, and where no fibres can show.
    """
    least = read_limits("hair")["leave_out_run_below"]
    hair, unsure, plain = [], [], []
    for piece, line in laid:
        width = line.width * features.step
        fibres = see_fibres(photo, features.to_photo(line.points), width=width)
        # two things in one are refused as such: the line between them follows neither's fibres
        if fibres.run >= least or isinstance(_merged(photo, line, features), HairError):
            hair.append(piece)
        elif fibres.would_show and _is_sharp(reading):
            plain.append(piece)
        else:
            unsure.append(piece)
    alike = [p for p in plain if any(is_fellow(p.mask, one.mask, features) for one in hair)]
    rest = [p for p in plain if not any(p is one for one in alike)]
    kept = [(piece, line) for piece, line in laid if not any(piece is one for one in rest)]
    return kept, [piece.mask for piece in rest], unsure


def _root_ends(
    laid: list[tuple[Piece, CentreLine]], roots: str | None, *, where: str
) -> list[tuple[bool, bool]]:
    """For each piece: whether its line ends at the roots, and whether that is certain."""
    if roots is not None:
        return [(named_end(line, roots, where=where) > 0, True) for _, line in laid]
    held = [held_end(line, piece) for piece, line in laid]
    return roots_last([line for _, line in laid], held)


def _strand(
    photo: Photo,
    piece: Piece,
    line: CentreLine,
    features: Features,
    *,
    turned: bool,
    flags: tuple[Flag, ...],
) -> Strand:
    points = line.points[::-1] if turned else line.points
    mask, box = full_mask(photo, piece.mask, _loose_ends(piece.mask, points), features)
    placed, width = fitted_ends(mask, features.to_photo(points), origin=box[:2])
    if _leaves_frame(piece.mask):
        flags = (*flags, _cut_off())
    return Strand(
        name="1",
        line=np.ascontiguousarray(placed),
        width=width,
        mask=mask,
        box=box,
        flags=flags,
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


def _loose_ends(mask: NDArray[np.bool_], points: Floats) -> NDArray[np.bool_]:
    """The last tenth towards the ends, where fibres of different length let the board through."""
    pixels = pixels_of(mask)
    along, _ = project(pixels.astype(np.float64), points)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    loose = along > (1 - LOOSE) * length
    ends = np.zeros_like(mask)
    ends[pixels[loose, 1], pixels[loose, 0]] = True
    return ends


def _leaves_frame(mask: NDArray[np.bool_]) -> bool:
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())


def _named(strands: list[Strand]) -> tuple[Strand, ...]:
    """Left to right, or top to bottom where most are laid across."""
    reach = np.array([np.abs(s.line[-1] - s.line[0]) for s in strands])
    across = (reach[:, 0] > reach[:, 1]).sum() > len(strands) / 2
    middle = np.array([s.line.mean(axis=0)[1 if across else 0] for s in strands])
    order = np.argsort(middle, kind="stable")
    return tuple(dataclasses.replace(strands[k], name=str(n)) for n, k in enumerate(order, start=1))


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


def _merged(photo: Photo, line: CentreLine, features: Features) -> Flag | HairError | None:
    """The doubt that something lies against the hair and was taken for it.

    An error where it is two things: so much broader in one place, or with a gap in its middle.
    """
    limits = read_limits("hair")
    inner, usual = line.breadth[INNER_POINTS], float(np.median(line.breadth))
    ratio, gaping = float(inner.max()) / usual, line.spread / usual
    x, y = features.to_photo(line.points[INNER_POINTS][int(inner.argmax())])
    says = (
        f"Something lies against the hair at {x:.0f},{y:.0f}: a hand, a clip or other hair. The "
        f"outline is {ratio:.1f} times as broad there as elsewhere (limit "
        f"{limits['refuse_breadth_above']:.1f})"
    )
    is_two = ratio > limits["refuse_breadth_above"]
    if not is_two and gaping > limits["refuse_spread_above"]:
        is_two = True
        says = (
            f"There is a gap along the middle of the hair around {x:.0f},{y:.0f}. These may be two "
            f"tresses with something across them (the outline reaches {gaping:.2f} times as far as "
            f"hair fills it, limit {limits['refuse_spread_above']:.2f})"
        )
    remedy = f"Take it away and photograph again. {BY_HAND}"
    if is_two:
        return HairError("hair-merged", f"{says}.", where=photo.name, remedy=remedy)
    if ratio <= limits["flag_breadth_above"]:
        return None
    says = f"{says}. What lies there was measured as hair."
    return Flag(code="hair-merged", says=says, remedy=remedy)


def _left_out(masks: list[Mask], features: Features) -> tuple[Flag, ...]:
    if not masks:
        return ()
    middles = [np.argwhere(mask).mean(axis=0)[::-1] for mask in masks]
    places = ", ".join("{:.0f},{:.0f}".format(*features.to_photo(middle)) for middle in middles)
    told = "1 other area" if len(masks) == 1 else f"{len(masks)} other areas"
    return (
        Flag(
            code="hair-left-out",
            says=f"We left out {told} of the board that may be hair or something else: at "
            f"{places} (pixels, middle).",
            remedy=f"If it is hair: {BY_HAND[0].lower()}{BY_HAND[1:]} Take other things off the "
            f"board.",
            is_note=True,
        ),
    )


def _no_fibres(photo: Photo, middle: Floats) -> HairError:
    return HairError(
        "no-fibres",
        f"What lies at {middle[0]:.0f},{middle[1]:.0f} shows no fibres, and this photo is sharp "
        f"enough to show them. It is not hair, or an app has smoothed it.",
        where=photo.name,
        remedy=f"Switch off beauty and portrait modes, and lay the hair clear of other things. "
        f"{BY_HAND}",
    )


def _fibres_unseen(reading: ChartReading) -> Flag:
    return Flag(
        code="fibres-unseen",
        says=f"The photo does not show the fibres of the hair (edges on the chart are "
        f"{reading.edge_px:.1f} pixels wide), so that we only suppose it is hair.",
        remedy="Focus on the hair, hold the camera still, and go nearer.",
    )


def _not_found(photo: Photo) -> HairError:
    return HairError(
        "hair-not-found",
        "We could not find the hair. Nothing long enough on the board differs from it in colour, "
        "lightness or fibres.",
        where=photo.name,
        remedy=f"Lay the hair on a plain matt board, clear of the chart. {BY_HAND}",
    )


def _cut_off() -> Flag:
    return Flag(
        code="hair-cut-off",
        says="The hair runs out of the frame: roots or ends are not in the picture.",
        remedy="Step back until the whole tress is in the frame.",
    )


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

"""Return what a thing on the board is: hair, no hair, what holds it, or what is laid over it.

Three things tell hair from all else. Its fibres run on along it, which card, wall, seeds and
patches of a chart do not show. It is longer than broad, and of one breadth. And no dye changes it
at an edge straight across and back again at another, with other fibres between the two: a tie, a
ribbon or a clip does; one at an end, grey and plain, is a clamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel, LightField
from hairtone.colorimetry import Floats
from hairtone.hair.cells import BINS
from hairtone.hair.centre import INNER_POINTS, CentreLine, normals, pixels_of, project, resampled
from hairtone.hair.outline import Features, Mask, axis_of
from hairtone.hair.types import Strand
from hairtone.locations import read_limits
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo

FIBRE_PLACES: Final = 48  # along a line, at which fibres are looked for; our choice: 2 % of it each
FIBRE_LAG_PX: Final = 12.0  # a fibre is the same so far on: hair keeps 0.4 there, seeds nothing
USUAL_WIDTH_PX: Final = 70.0  # of hair whose fibres these lengths are for: real locks at hand
COARSER: Final = 1.4  # times that width, from which on broader fibres are looked for as well
ENCODED_POWER: Final = 2.2  # by which light follows codes, about; IEC 61966-2-1 by its middle
FAINTEST: Final = 0.05  # SD of log light from fibre to fibre; real locks have 0.18 to 0.26
LEAST_STEP_CODES: Final = 1.5  # that such fibres differ by; compression takes what is less away
MOST_NOISE: Final = 1.4  # times such fibres, over which noise would hide them
FIBRE_ROWS_PX: Final = (-3.0, -1.0, 1.0, 3.0)  # pixels that one look across is the mean of
FIBRE_SLANT_PX: Final = 5  # sideways, over the lag: fibres may cross the line by 22 degrees
FIBRE_WIDTH_PX: Final = 9  # what is broader across is shading or a blotch, no fibre
MOST_ACROSS_PX: Final = 128  # that are looked at; our choice, speed
LEAST_ACROSS_PX: Final = 12  # three fibres and their gaps
ROWS: Final = 8  # of each place that what lies over the hair is looked for in; our choice
COLUMNS: Final = 12  # across the hair; in three groups, that all show an edge of it
GAP: Final = 2  # rows to either side of an edge that it may take: tilted, or a little blurred
SIDE: Final = 7  # rows to either side beyond those that are compared
TIE_EDGE: Final = 5.0  # times what rows usually differ by there
LEAST_STEP: Final = (0.10, 0.05)  # of log light, and of log ratios of channels: no step worth it
LIKE_STEP: Final = 0.75  # of the whole change, that its edge is; a patch of dye rises to half in it
IN_GROUP: Final = 0.35  # of an edge, that each third of the width shows
OPPOSITE: Final = -0.5  # cosine of the two edges: there and back
LONGEST: Final = 0.25  # of the length; our choice: no tie is longer
RUNS_ON: Final = 0.5  # of how fibres run on beside it, from which on they run on under an edge
INNER_SHARE: Final = 0.7  # of the width, clear of its edges
MOST_OF_LINE: Final = 0.65  # of the places; edges and folds cross a part of a line only
ALIKE_PLACES: Final = 3  # to either side, that share one slant


@dataclass(frozen=True, slots=True, kw_only=True)
class Fibres:
    """What a line shows of fibres that run along it.

    Attributes
    ----------
    run : float
        Correlation of what is seen across the line with what is seen `FIBRE_LAG_PX` further on,
        reached at two thirds of the places along it: 1 where fibres run on, about 0 on all else.
    would_show : bool
        What lies there is light enough, and clear enough of noise, to show the faintest fibres.
    """

    run: float
    would_show: bool


def see_fibres(photo: Photo, line: Floats, *, width: float) -> Fibres:
    """What a line shows of fibres that run along it.

    Parameters
    ----------
    photo : Photo
        The photo.
    line : ndarray, shape (n, 2)
        Root-to-ends line. [pixels, xy]
    width : float
        Of the hair, or of what may be hair. [pixels]
    """
    broad = width / USUAL_WIDTH_PX
    pitches = (1.0, broad) if broad > COARSER else (1.0,)
    seen = [_seen_along(photo, line, width, pitch) for pitch in pitches]
    return Fibres(run=max(one.run for one in seen), would_show=seen[0].would_show)


def _seen_along(photo: Photo, line: Floats, width: float, pitch: float) -> Fibres:
    """The same for fibres of one width: `pitch` photo pixels count as one."""
    looks = _looks_across(photo, line, width, pitch)
    alike = _correlations(*looks)
    near = np.ones(2 * ALIKE_PLACES + 1)
    pooled = np.stack([np.convolve(column, near, "same") for column in alike.T], axis=1)
    run = alike[np.arange(len(alike)), pooled.argmax(axis=1)]
    step = FAINTEST * float(np.exp(np.median(looks) / ENCODED_POWER)) / ENCODED_POWER
    return Fibres(
        run=float(np.quantile(run, 1 - MOST_OF_LINE)),
        would_show=step >= LEAST_STEP_CODES / 255
        and float(np.median(_fine(looks[0]).std(axis=1))) <= MOST_NOISE * FAINTEST,
    )


def _correlations(first: Floats, second: Floats) -> Floats:
    """How alike pairs of looks across the hair are, at each slant, shape (pairs, slants)."""
    first, second = _fine(first), _fine(second)
    count = first.shape[1] - 2 * FIBRE_SLANT_PX
    inner = first[:, FIBRE_SLANT_PX : FIBRE_SLANT_PX + count]
    windows = np.lib.stride_tricks.sliding_window_view(second, count, axis=1)
    size = np.sqrt((inner**2).sum(axis=1) + 1e-9)
    sizes = np.sqrt((windows**2).sum(axis=2) + 1e-9)
    return np.asarray(np.einsum("pn,psn->ps", inner, windows) / (size[:, None] * sizes))


def _looks_across(photo: Photo, line: Floats, width: float, pitch: float) -> tuple[Floats, Floats]:
    """Log light across the line at places along it and a lag further on, shape (places, n)."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    at = (np.arange(FIBRE_PLACES) + 1) / (FIBRE_PLACES + 1)
    lag = min(FIBRE_LAG_PX * pitch / length, 4 / FIBRE_PLACES)
    return (
        _looks_at(photo, line, width, at - lag / 2, pitch=pitch),
        _looks_at(photo, line, width, at + lag / 2, pitch=pitch),
    )


def _looks_at(photo: Photo, line: Floats, width: float, at: Floats, *, pitch: float) -> Floats:
    """Log light across the line at shares of its length, shape (places, n)."""
    fine = resampled(np.asarray(line, np.float64), points=1 + 20 * FIBRE_PLACES)
    rows = np.clip(np.round(at * (len(fine) - 1)).astype(int), 0, len(fine) - 1)
    stations, across = fine[rows], normals(fine)[rows]
    ahead = np.stack([across[:, 1], -across[:, 0]], axis=1)
    count = int(np.clip(INNER_SHARE * width / pitch, LEAST_ACROSS_PX, MOST_ACROSS_PX))
    count += 2 * FIBRE_SLANT_PX
    offsets = pitch * (np.arange(count) - (count - 1) / 2)
    total = np.zeros((len(at), count))
    for row in FIBRE_ROWS_PX:
        places = stations + pitch * row * ahead
        total += _log_light(photo, places[:, None] + offsets[None, :, None] * across[:, None])
    return total / len(FIBRE_ROWS_PX)


def _alike(photo: Photo, strand: Strand, pairs: Floats) -> Floats:
    """How alike the looks across a strand are at pairs of shares of its length, (pairs, slants)."""
    pitch = max(1.0, strand.width / USUAL_WIDTH_PX)
    looks = [_looks_at(photo, strand.line, strand.width, pairs[:, k], pitch=pitch) for k in (0, 1)]
    return _correlations(looks[0], looks[1])


def _nearest(photo: Photo, points: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of the pixels nearest to points, shape (..., 2) xy."""
    width, height = photo.size
    xs = np.clip(np.round(points[..., 0]).astype(np.intp), 0, width - 1)
    ys = np.clip(np.round(points[..., 1]).astype(np.intp), 0, height - 1)
    return ys, xs


def _log_light(photo: Photo, points: Floats) -> Floats:
    """About the logarithm of light at points, shape (..., 2) xy; for looking, not measuring."""
    codes = codes_at(photo, *_nearest(photo, points)) @ np.array([0.25, 0.5, 0.25]) / photo.top_code
    codes = np.sqrt(codes) if photo.encoding.is_linear else codes
    return np.asarray(ENCODED_POWER * np.log(codes + 0.02))


def _fine(looks: Floats) -> Floats:
    """What is narrower than a fibre may be, edges held down so that one of them is no fibre."""
    reach = FIBRE_WIDTH_PX // 2
    padded = np.pad(looks, ((0, 0), (reach, reach)), mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, FIBRE_WIDTH_PX, axis=1)
    fine = looks - windows.mean(axis=-1)
    most = 2.5 * np.median(np.abs(fine), axis=1, keepdims=True) + 1e-6
    return np.clip(fine, -most, most)


def laid_over(
    photo: Photo, model: ColourModel, light: LightField, strand: Strand, *, white: Floats
) -> NDArray[np.bool_]:
    """Which places of a strand something lies over: a tie, a ribbon, a clip; shape (60,).

    Parameters
    ----------
    photo, model, light, strand : Photo, ColourModel, LightField, Strand
        The hair, and how its light is read.
    white : ndarray, shape (3,)
        Linear light of a perfect white where the light field is 1.
    """
    points = _grid(strand)
    codes = codes_at(photo, *_nearest(photo, points))
    linear = model.linear(encoded_values(photo, codes.reshape(-1, 3))) / white
    linear = linear.reshape(*points.shape[:2], 3) / light.at(points[:, COLUMNS // 2])[:, None, None]
    groups = np.median(linear.reshape(len(points), 3, -1, 3), axis=2)
    logs = np.log(np.maximum(groups, 1e-4))
    looks = np.stack([logs.mean(-1), logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], -1)
    is_over = np.zeros(len(looks), bool)
    for first, last in _there_and_back(looks):
        if not _fibres_run_on(photo, strand, first / len(looks), last / len(looks)):
            is_over[max(first - GAP, 0) : last + 1 + GAP] = True
    return np.asarray(is_over.reshape(BINS, ROWS).any(axis=1))


def _grid(strand: Strand) -> Floats:
    """Places along and across a strand, shape (480, 12, 2). [pixels, xy]"""
    line = resampled(np.asarray(strand.line, np.float64), points=2 * BINS * ROWS + 1)[1::2]
    offsets = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * INNER_SHARE * strand.width
    return np.asarray(line[:, None] + offsets[None, :, None] * normals(line)[:, None])


def _there_and_back(looks: Floats) -> list[tuple[int, int]]:
    """First and last row of what has sharp edges straight across at both sides.

    Parameters
    ----------
    looks : ndarray, shape (rows, 3, 3)
        Log light and two log ratios of channels, of each third of the width.
    """
    groups = _changes(looks)
    whole = _changes(np.median(looks, axis=1)[:, None])[:, 0]
    usual = 1.4826 * np.median(np.abs(whole), axis=0)
    scale = np.maximum(usual, np.array([0.03, 0.015, 0.015]))
    size = np.linalg.norm(whole / scale, axis=1)
    along = (
        np.einsum("rgc,rc->rg", groups / scale, whole / scale)
        / np.maximum(size, 1e-9)[:, None] ** 2
    )
    is_edge = (size > TIE_EDGE) & (along > IN_GROUP).all(axis=1)
    is_edge &= (np.abs(whole[:, 0]) > LEAST_STEP[0]) | (np.abs(whole[:, 1:]) > LEAST_STEP[1]).any(
        axis=1
    )
    is_edge &= size == _highest_near(size)
    edges, middle = np.flatnonzero(is_edge), np.median(looks, axis=1)
    found: list[tuple[int, int]] = []
    for k, first in enumerate(edges):
        if found and first <= found[-1][1]:
            continue
        for last in edges[k + 1 :]:
            if last - first > LONGEST * len(looks):
                break
            if _is_return(whole, middle, scale, int(first), int(last)):
                found.append((int(first), int(last)))
                break
    return found


def _changes(looks: Floats) -> Floats:
    """What rows behind each row's edge have more than those before it; 0 near the ends."""
    total = np.concatenate([np.zeros((1, *looks.shape[1:])), np.cumsum(looks, axis=0)])
    rows = np.arange(SIDE + GAP, len(looks) - SIDE - GAP)
    after = total[rows + GAP + SIDE] - total[rows + GAP]
    before = total[rows - GAP] - total[rows - GAP - SIDE]
    changes = np.zeros_like(looks)
    changes[rows] = (after - before) / SIDE
    return changes


def _highest_near(size: Floats) -> Floats:
    reach = SIDE // 2
    padded = np.pad(size, reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1))


def _is_return(whole: Floats, middle: Floats, scale: Floats, first: int, last: int) -> bool:
    """Whether one edge leads to something and the other one back, each at one step."""
    there, back = whole[first] / scale, whole[last] / scale
    cosine = float(there @ back / np.linalg.norm(there) / np.linalg.norm(back))
    if cosine > OPPOSITE or last - first < 2 * GAP + 1:
        return False
    inside = np.median(middle[first + GAP : last - GAP + 1], axis=0)
    for edge, near in ((first, slice(max(first - 3 * SIDE, 0), first - GAP)),
                       (last, slice(last + GAP, last + 3 * SIDE))):  # fmt: skip
        change = np.linalg.norm((inside - np.median(middle[near], axis=0)) / scale)
        if np.linalg.norm(whole[edge] / scale) < LIKE_STEP * change:
            return False
    return True


def _fibres_run_on(photo: Photo, strand: Strand, start: float, stop: float) -> bool:
    """Whether the fibres beside something are those within it: then it is dye, and not laid over.

    Where the hair beside it shows none either, this says no.
    """
    length = float(np.linalg.norm(np.diff(strand.line, axis=0), axis=1).sum())
    lag = FIBRE_LAG_PX * max(1.0, strand.width / USUAL_WIDTH_PX) / length
    pairs = np.array([(start, -1), (stop, 1)])
    across, beside = [], []
    for edge, outwards in pairs:
        across.append((edge - lag / 2 * outwards, edge + lag / 2 * outwards))
        beside += [(edge + k * lag * outwards, edge + (k + 1) * lag * outwards) for k in (1, 2, 3)]
    usual = float(np.mean(_alike(photo, strand, np.array(beside)).max(axis=1)))
    within = float(np.mean(_alike(photo, strand, np.array(across)).max(axis=1)))
    return usual > 2 * RUNS_ON * RUNS_ON and within > 0.8 * usual


LEAST_AXIS: Final = 2.0  # length over width by second moments; our choice: sound tresses at hand
# have 4 and more, markers up to 1.5; a lock bent into half a circle has 2.3 (closed form)
LEAST_WHOLE: Final = 1.6  # the same before clamps are taken off
LEAST_LEFT: Final = 0.75  # of such a thing that clamps leave; our choice
UNEVEN: Final = 0.17  # SD of the breadth over its mean; our choice: sound hair stays under 0.14
THIN: Final = 3  # of its pixels, one is looked at; our choice, speed
MIDDLE: Final = 0.3  # of the width to either side of the line, that patches fill; our choice
PATCH_EDGE: Final = (
    0.12  # step of log light, or half of it of tint, from which on it is one; our choice
)
LEAST_EDGES: Final = 2  # across a thing; a shadow's edge or the ends' other colour is one
LEAST_RATIO: Final = 8.0  # of the larger steps along a thing to what differs across it; our choice:
# fibres differ across hair, which has 4 at most of 76 tresses at hand; patches have 15 and more
PLAIN_ACROSS: Final = 0.05  # of log light across; our choice: all but pale hair has more
TOUCHING: Final = 2  # reduced pixels from the chart's frame, that lie against it
ALONG_CHART: Final = 0.6  # of a thing's length that does; our choice: hair is to lie clear of it
FEWEST: Final = 12  # places along a thing that are looked at


def is_no_hair(whole: Mask, mask: Mask, line: CentreLine, features: Features) -> bool:
    """Whether a thing on the board is no hair.

    Parameters
    ----------
    whole, mask : ndarray of bool
        The thing, with and without what was taken for clamps.
    line : CentreLine
        Of the latter.
    features : Features
        Of the frame.
    """
    if _is_lump(whole, mask, line):
        return True
    places = _places(mask, line, features)
    return _is_patchy(places) or _is_mount(places, mask, line, features)


def _is_lump(whole: Mask, mask: Mask, line: CentreLine) -> bool:
    """Whether a thing runs nowhere: a printed marker, a label, a lid.

    It is about as broad as long, and either of no one breadth along its line or cut to a strip
    only by what was taken for clamps at both ends.
    """
    inner, usual = line.breadth[INNER_POINTS], float(np.median(line.breadth))
    if inner.max() > read_limits("hair")["refuse_breadth_above"] * usual:
        return False  # hair with something across it
    if inner.std() > UNEVEN * inner.mean() and _slenderness(mask) < LEAST_AXIS:
        return True
    is_cut = np.count_nonzero(mask) < LEAST_LEFT * np.count_nonzero(whole)
    return bool(is_cut and _slenderness(whole) < LEAST_WHOLE)


def _slenderness(mask: Mask) -> float:
    _, _, length, width = axis_of(mask)
    return length / width


def _places(mask: Mask, line: CentreLine, features: Features) -> Floats:
    """Log light and tint of the places along a thing, and how its light differs across, (3, n)."""
    pixels = pixels_of(mask)[::THIN]
    along, across = project(pixels.astype(np.float64), line.points)
    inner = (np.abs(across) < MIDDLE * line.width) & (along >= 0) & (along < line.length)
    _, place = np.unique(along[inner].astype(np.intp), return_inverse=True)
    (xs, ys), count = pixels[inner].T, np.bincount(place)
    light = features.lightness[ys, xs]
    mean = np.bincount(place, light) / count
    spread = np.sqrt(np.bincount(place, (light - mean[place]) ** 2) / count)
    return np.stack([mean, np.bincount(place, features.tint[ys, xs]) / count, spread])


def _is_patchy(places: Floats) -> bool:
    """Whether a thing is made of plain patches side by side: a grey scale, a ruler, a chart's row.

    It changes by edges straight across it, and is plain between its sides, where hair has fibres.
    """
    light, tint, spread = places
    if len(light) < FEWEST:
        return False
    step = np.hypot(_steps(light), 2 * _steps(tint))
    edges = int((np.diff((step > PATCH_EDGE).astype(int), prepend=0) == 1).sum())
    return edges >= LEAST_EDGES and bool(
        np.quantile(step, 0.9) > LEAST_RATIO * max(float(np.median(spread)), 1e-9)
    )


def _is_mount(places: Floats, mask: Mask, line: CentreLine, features: Features) -> bool:
    """Whether a plain thing lies along the chart's own frame: a mount or a wider edge of it."""
    if not places.size or np.median(places[2]) > PLAIN_ACROSS:
        return False
    reach = np.ones((2 * TOUCHING + 1, 2 * TOUCHING + 1), np.uint8)
    beside = cv2.dilate(features.is_chart.astype(np.uint8), reach) > 0
    pixels = pixels_of(mask & beside)
    if not len(pixels):
        return False
    along, _ = project(pixels.astype(np.float64), line.points)
    touching = len(np.unique(along[(along >= 0) & (along < line.length)].astype(np.intp)))
    return touching > ALONG_CHART * line.length


def _steps(values: Floats) -> Floats:
    """Change from the two places before each place to the two after it."""
    return np.asarray((values[3:-1] + values[4:] - values[:-4] - values[1:-3])[1:-1] / 2)


# All our choice, on drawn and rendered clamps of plastic and metal
REACH: Final = 1.6  # of the width: how far from an end a clamp is looked for
LIGHT_STEP: Final = 0.25  # of log light between clamp and hair
TINT_STEP: Final = 0.12  # of chromaticity
CLEAR: Final = 1.6  # such steps where the clamp is no broader than the hair
FLAT: Final = 0.25  # of log light over a clamp
PLAIN_TEXTURE: Final = 1.6  # of the board's texture
SHADOW: Final = -1.3  # log light down to which a plain grey thing may be board in shadow
UNLIKE_BOARD: Final = 0.3  # of log light
NEUTRAL: Final = 0.16  # off the lamp's colour
DARK: Final = -1.4  # log light under which things count as black
NEUTRAL_DARK: Final = 0.3  # off the lamp's colour: veiling light tints what is black
BROADER: Final = 1.07  # than the hair it holds
MUCH_BROADER: Final = 1.15  # from which on a thing as light as the board is no thin end of hair
NO_MIXTURE: Final = 0.1  # of log light beyond both board and hair: no mixture of the two
CALM: Final = 0.75  # of the hair's own texture at most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stations:
    """Means over the middle of the piece at each reduced pixel along its line."""

    lightness: Floats
    tint: Floats
    greyness: Floats
    texture: Floats
    breadth: Floats


def without_clamps(
    mask: NDArray[np.bool_], line: CentreLine, features: Features
) -> tuple[NDArray[np.bool_], bool, bool]:
    """The piece without what holds it; whether there was something at the line's start and end."""
    pixels = pixels_of(mask)
    along, across = project(pixels.astype(np.float64), line.points)
    first = float(np.floor(along.min()))
    cell = (along - first).astype(int)
    stations = _stations(cell, across, pixels, line, features)
    start = _held_length(stations, line.width)
    end = _held_length(_part_of(stations, slice(None, None, -1)), line.width)
    if start + end == 0:
        return mask, False, False
    kept = (cell >= start) & (cell < len(stations.breadth) - end)
    rest = np.zeros_like(mask)
    rest[pixels[kept, 1], pixels[kept, 0]] = True
    return rest, start > 0, end > 0


def _stations(
    cell: NDArray[np.int64],
    across: Floats,
    pixels: NDArray[np.int32],
    line: CentreLine,
    features: Features,
) -> _Stations:
    size = int(cell.max()) + 1
    middle = np.abs(across) < 0.3 * line.width
    inner = cell[middle]
    count = np.maximum(np.bincount(inner, minlength=size), 1)
    xs, ys = pixels[middle].T

    def mean(values: NDArray[np.float32]) -> Floats:
        return np.asarray(np.bincount(inner, values[ys, xs], minlength=size) / count)

    return _Stations(
        lightness=mean(features.lightness),
        tint=mean(features.tint),
        greyness=mean(features.greyness),
        texture=mean(features.texture),
        breadth=np.bincount(cell, minlength=size).astype(np.float64),
    )


def _part_of(stations: _Stations, part: slice) -> _Stations:
    return _Stations(
        lightness=stations.lightness[part],
        tint=stations.tint[part],
        greyness=stations.greyness[part],
        texture=stations.texture[part],
        breadth=stations.breadth[part],
    )


def _held_length(stations: _Stations, width: float) -> int:
    """Reduced pixels from the start that hold the hair.

    The step from the board to a clamp may be sharper than that from the clamp to the hair, so that
    only the clamp's rim is taken at first: a part that is left and much broader goes too.
    """
    rim = _clamp_length(stations, width)
    if rim == 0:
        return 0
    rest = _part_of(stations, slice(rim, None))
    more = _clamp_length(rest, width)
    beyond = rest.breadth[more : max(4 * more, 1)]
    if more and np.median(rest.breadth[:more]) > MUCH_BROADER * np.median(beyond):
        return rim + more
    return rim


def _clamp_length(stations: _Stations, width: float) -> int:
    """Reduced pixels from the start of the line that belong to a clamp; 0 for none."""
    span = max(3, round(0.1 * width))
    reach = int(min(REACH * width, 0.3 * len(stations.breadth)))
    cuts = np.arange(max(2, span // 2), max(reach, max(2, span // 2)))
    steps = np.hypot(
        _gaps(stations.lightness, cuts, span) / LIGHT_STEP,
        _gaps(stations.tint, cuts, span) / TINT_STEP,
    )
    for k in np.argsort(-steps):
        if steps[k] <= 1:
            break
        if _is_clamp(stations, int(cuts[k]), float(steps[k])):
            return int(cuts[k]) + 1
    return 0


def _is_clamp(stations: _Stations, cut: int, step: float) -> bool:
    """Whether what lies before a cut is grey and plain, unlike the board, and unlike hair."""
    held = slice(cut + 2, cut + 2 + 3 * max(cut, 4))
    inner = slice(int(0.4 * cut), max(cut - 1, 2))  # its far edge fades into its own shadow
    level = float(np.median(stations.lightness[inner]))
    calm = CALM * float(np.median(stations.texture[held]))
    plain = np.median(stations.texture[inner]) < max(calm, PLAIN_TEXTURE)
    grey = np.median(stations.greyness[inner]) < (NEUTRAL_DARK if level < DARK else NEUTRAL)
    if not (plain and grey):
        return False
    breadth = np.median(stations.breadth[inner]) / np.median(stations.breadth[held])
    if abs(level) < UNLIKE_BOARD:  # thin ends let the board through, but are no broader
        if breadth > MUCH_BROADER:
            return True
        if level < max(float(np.median(stations.lightness[held])), 0.0) + NO_MIXTURE:
            return False
    elif breadth > BROADER:
        return True
    low, high = np.quantile(stations.lightness[inner], (0.1, 0.9))
    is_shadow = SHADOW < level < 0
    return bool(high - low < FLAT and step > CLEAR and not is_shadow)


def _gaps(values: Floats, cuts: NDArray[np.int64], span: int) -> Floats:
    """Mean of `span` stations after each cut less that before it, a pixel either side left out."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    last = len(values)

    def mean(start: NDArray[np.int64], stop: NDArray[np.int64]) -> Floats:
        start, stop = np.clip(start, 0, last - 1), np.clip(stop, 1, last)
        return np.asarray((total[stop] - total[start]) / np.maximum(stop - start, 1))

    return mean(cuts + 2, cuts + 2 + span) - mean(cuts - 1 - span, cuts - 1)

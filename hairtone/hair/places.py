"""What each place along a hair is besides hair: board between it, a gap, or what lies at its ends.

Light of a place is ``a x hair + (1 - a) x board``. Two things tell *a*:

- **Gaps that pixels show.** Some pixels of a place are as light and as coloured as the board,
  others as the hair, others between. Each is parted into the two by what it is most likely to be.
- **Gaps finer than a pixel.** Every pixel of a place is a mixture; the place drifts along the
  straight line from the hair's light to the board's as the hair thins out towards its end, and the
  fibres fade with it, which no dye makes them do: it changes hair and fibres by one factor.

What neither tells apart stays as it is and widens the interval.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import ColourModel, LightField
from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.hair.cells import BINS, CellSums
from hairtone.hair.centre import normals, resampled
from hairtone.hair.types import Strand
from hairtone.locations import read_limits
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo

BESIDE: Final = (0.75, 1.1)  # widths from the line, between which the board is looked at
SHARES: Final = np.linspace(0, 1, 11)  # of board that a pixel is asked for
PIXEL_SCATTER: Final = 0.05  # relative, of a pixel's colour about what hair and board make it
FIBRE_SPREAD: Final = (0.10, 0.28)  # SD of log light from fibre to fibre; real locks 0.18 to 0.26
ROUNDS: Final = 6  # of parting pixels and averaging the hair anew
FIRST_ROUNDS: Final = 2  # after which hair without any gap is known; our choice, speed
BARE: Final = 0.6  # of board from which on a pixel counts as a gap
GAPS: Final = (
    0.012,
    0.03,
)  # share of such pixels from which on, and at which fully, it is believed
POOLED: Final = 2  # places to either side that share what gaps they have
FIRST_SHARE: Final = 0.05  # of pixels that show board, beforehand

THIN_ODDS: Final = 0.6  # beforehand, that what drifts towards the board's light is thinner hair
OFF_LINE: Final = 0.12  # SD of what thin hair lies off the line to the board, over its way along it
FIBRE_DOUBT: Final = 0.25  # SD of the log of how fibres fade, from place to place
MOST_TEXTURE: Final = 4.0  # log odds that fibres may add or take
LEAST_DRIFT: Final = 0.04  # of board, from which on a place counts as thinner
SHARE_DOUBT: Final = 0.2  # relative SD of a share of board that was told
GAP_DOUBT: Final = 0.35  # the same of gaps that pixels show
MOST_BOARD: Final = 0.6  # of a place, up to which what is not known of it grows
REFERENCE: Final = 12  # places before hair thins out that it is held against
LATEST, EARLIEST = 56, 26  # places between which it may begin to thin out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cover:
    """Board seen through a strand.

    Attributes
    ----------
    share : ndarray, shape (60,)
        Of each place that is board, 0..1.
    sd : ndarray, shape (60,)
        Of `share`.
    board : ndarray, shape (3,)
        Light of the board, lamp's white = (1, 1, 1).
    """

    share: Floats
    sd: Floats
    board: Floats

    @property
    def is_left_out(self) -> NDArray[np.bool_]:
        """Places that are so much board that nothing is said of their hair, shape (60,)."""
        return np.asarray(self.share > read_limits("hair")["leave_out_board_above"])


def hair_alone(
    sums: CellSums, field: Floats, board: Floats | None
) -> tuple[CellSums, Cover | None]:
    """The sums without the board seen between the hair, and how much of it there was.

    Parameters
    ----------
    sums : CellSums
        Pixels of the cells.
    field : ndarray, shape (60, lanes)
        Light field in each cell.
    board : ndarray, shape (3,), or None
        From `board_beside`.
    """
    if board is None:
        return sums, None
    parted, gaps = part_pixels(sums, field, board)
    drift, doubt = drift_to_board(parted, field, board)
    cover = Cover(
        share=1 - (1 - gaps) * (1 - drift),
        sd=np.hypot(GAP_DOUBT * gaps, doubt),
        board=board,
    )
    if not cover.share.any():
        return sums, cover
    alone = _without_share(parted, field, drift, board)
    kept = np.flatnonzero(~cover.is_left_out)
    if cover.is_left_out.any() and len(kept):
        nearest = kept[np.abs(np.arange(BINS)[:, None] - kept).argmin(axis=1)]
        alone = dataclasses.replace(alone, count=alone.count[nearest], light=alone.light[nearest])
    return alone, cover


def shaken_by_cover(draws: Floats, cover: Cover, *, seed: int) -> Floats:
    """Light of the hair under equally good shares of board, shape (R, 60, 3).

    Either half of the hair is shaken as one: what is not known of thin ends is common to them.
    """
    rng = np.random.default_rng([seed, 3])
    halves = np.repeat(rng.standard_normal((len(draws), 2)), BINS // 2, axis=1)
    moved = np.clip(halves * cover.sd / (1 - np.minimum(cover.share, MOST_BOARD)), -0.9, 0.9)
    return np.asarray(np.maximum(draws + moved[..., None] * (draws - cover.board), 0.05 * draws))


def cover_flags(cover: Cover | None) -> tuple[Flag, ...]:
    """What is said of board seen between the hair: a flag where it leaves much unknown."""
    if cover is None or (cover.share.max() <= LEAST_DRIFT and cover.sd.max() <= LEAST_DRIFT):
        return ()
    limits = read_limits("hair")
    thin = np.flatnonzero((cover.share > LEAST_DRIFT) | (cover.sd > LEAST_DRIFT))
    left = int(cover.is_left_out.sum())
    said = f" {left} of {BINS} places are mostly board; they stand as their neighbours." * (
        left > 0
    )
    return (
        Flag(
            code="board-between",
            says=f"Between {100 * thin[0] / BINS:.0f} and {100 * (thin[-1] + 1) / BINS:.0f} % of "
            f"the length the hair is thin and the board shows between it (up to "
            f"{100 * cover.share.max():.0f} % board). We took the board's colour out.{said}",
            remedy="Comb the hair together so that it lies thick, or end the line where the hair "
            "is still full.",
            is_note=bool(
                cover.sd.max() <= limits["flag_board_sd_above"]
                and left <= limits["flag_left_out_above"] * BINS
            ),
        ),
    )


def board_beside(
    photo: Photo, model: ColourModel, light: LightField, strand: Strand, *, white: Floats
) -> Floats | None:
    """Light of the bare board beside a strand, the light field divided out, shape (3,).

    None where what lies there is no bare board, or where the board was not looked at.
    """
    if light.seen is None:
        return None
    stations = resampled(np.asarray(strand.line, np.float64), points=BINS)
    offsets = np.linspace(*BESIDE, 6) * strand.width
    offsets = np.concatenate([-offsets, offsets])
    points = (stations[:, None] + offsets[None, :, None] * normals(stations)[:, None]).reshape(
        -1, 2
    )
    size = np.array(photo.size)
    points = points[np.all((points >= 0) & (points <= size - 1), axis=1)]
    grid = light.seen.points
    cell = np.abs(points[:, None] - [grid[0, 0]]).sum(axis=1)  # cells lie on a regular grid
    step = grid[0, 1, 0] - grid[0, 0, 0], grid[1, 0, 1] - grid[0, 0, 1]
    at = np.round(cell / step).astype(int)
    at = np.minimum(at, np.array(light.seen.is_bare.shape[::-1]) - 1)
    points = points[light.seen.is_bare[at[:, 1], at[:, 0]]]
    if len(points) < BINS:
        return None
    xs, ys = np.round(points).astype(int).T
    linear = model.linear(encoded_values(photo, codes_at(photo, ys, xs))) / white
    return np.asarray(np.median(linear / light.at(points)[:, None], axis=0))


def part_pixels(sums: CellSums, field: Floats, board: Floats) -> tuple[CellSums, Floats]:
    """The sums without the board that single pixels show, and its share of each place, (60,).

    Parameters
    ----------
    sums : CellSums
        Pixels of the cells.
    field : ndarray, shape (60, lanes)
        Light field in each cell.
    board : ndarray, shape (3,)
        Light of the board, the light field divided out.
    """
    count = sums.count.sum(axis=1)
    light = (sums.light / field[..., None, None]).sum(axis=1)
    colour = light / np.maximum(count, 1)[..., None]
    share, gaps = _likeliest_shares(count, colour, board)
    belief = np.clip((gaps - GAPS[0]) / (GAPS[1] - GAPS[0]), 0, 1)
    share = share * belief[:, None]
    taken = sums.count * share[:, None]
    left = sums.light - taken[..., None] * board * field[..., None, None]
    kept = dataclasses.replace(
        sums,
        count=sums.count - taken,
        light=np.maximum(left, 0.02 * sums.light * (1 - share)[:, None, :, None]),
    )
    return kept, (share * count).sum(axis=1) / np.maximum(count.sum(axis=1), 1)


def _likeliest_shares(count: Floats, colour: Floats, board: Floats) -> tuple[Floats, Floats]:
    """Share of board in each level of each place, and of gaps in each place."""
    pixels = np.maximum(count.sum(axis=1), 1)
    hair = (count[..., None] * colour).sum(axis=1) / pixels[:, None]
    spread, seen = FIBRE_SPREAD[1], np.full(len(hair), FIRST_SHARE)
    share = np.zeros_like(count)
    gaps = np.zeros(len(count))
    for done in range(ROUNDS):
        if done == FIRST_ROUNDS and gaps.max() < GAPS[0]:
            break  # full hair
        fit = _fit_of(colour, hair, board, spread)
        prior = np.where(SHARES > 0, seen[:, None] / (len(SHARES) - 1), 1 - seen[:, None])
        fit += np.log(prior)[:, None]
        odds = np.exp(fit - fit.max(axis=2, keepdims=True))
        odds /= odds.sum(axis=2, keepdims=True)
        share = odds @ SHARES
        some = (count * (1 - odds[..., 0])).sum(axis=1)
        seen = np.clip((_pooled(some) + 2) / (_pooled(pixels) + 20), 0.005, 0.9)
        hidden = (count * (1 - share)).sum(axis=1)
        rest = (count[..., None] * (colour - share[..., None] * board)).sum(axis=1)
        hair = _pooled(rest) / np.maximum(_pooled(hidden), 1)[:, None]
        hair = np.maximum(hair, 1e-4)
        gaps = _pooled((count * odds[..., SHARES >= BARE].sum(axis=2)).sum(axis=1)) / _pooled(
            pixels
        )
        spread = _spread_away(count, colour, hair, board)
    return share, gaps


def _spread_away(count: Floats, colour: Floats, hair: Floats, board: Floats) -> float:
    """SD of log light from fibre to fibre, by the pixels on the side away from the board's light.

    On the board's side gaps that are not told yet would pass for it.
    """
    logs = np.log(np.maximum(colour.sum(axis=2) / hair.sum(axis=1)[:, None], 1e-3))
    away = logs * np.sign(hair.sum(axis=1) - board.sum())[:, None] > 0
    squares = (count * logs**2)[away].sum() / max(float(count[away].sum()), 1.0)
    return float(np.clip(np.sqrt(squares), *FIBRE_SPREAD))


def _fit_of(colour: Floats, hair: Floats, board: Floats, spread: float) -> Floats:
    """Log likelihood of each share of board for each level of each place, (60, levels, shares)."""
    rest = colour[:, :, None] - SHARES[:, None] * board
    along = np.einsum("blsc,bc->bls", rest, hair) / (hair**2).sum(axis=1)[:, None, None]
    off = rest - along[..., None] * hair[:, None, None]
    size = PIXEL_SCATTER * np.linalg.norm(colour, axis=2) + 0.003
    left = np.maximum(1 - SHARES, 0.08)
    logs = np.log(np.maximum(along / left, 1e-2))
    return np.asarray(
        -0.5 * (off**2).sum(axis=3) / size[..., None] ** 2 - 0.5 * (logs / spread) ** 2
    )


def _pooled(values: Floats) -> Floats:
    """Sums over neighbouring places."""
    padded = np.pad(values, ((POOLED, POOLED), *((0, 0),) * (values.ndim - 1)), mode="edge")
    return np.asarray(sum(padded[k : k + len(values)] for k in range(2 * POOLED + 1)))


def drift_to_board(sums: CellSums, field: Floats, board: Floats) -> tuple[Floats, Floats]:
    """Share of board that thinning ends hold beyond what pixels show, and its SD, (60,) each."""
    pixels = np.maximum(sums.count.sum(axis=2), 1e-6)
    cells = (sums.light / field[..., None, None]).sum(axis=2) / pixels[..., None]
    share, variance = np.zeros(BINS), np.zeros(BINS)
    for way in (slice(None), slice(None, None, -1)):
        chance, along = _drift(cells[way], pixels[way], board)
        # the likelier of the two is read, and the interval reaches to the other
        read = chance**2 / (chance**2 + (1 - chance) ** 2)
        both = min(6 * chance * (1 - chance), 1.0) * max(read, 1 - read) / 1.96
        both = max(both, float(np.sqrt(chance * (1 - chance))))
        share[way] += read * along
        variance[way] += along**2 * (both**2 + read * SHARE_DOUBT**2)
    return share, np.sqrt(variance)


def _drift(cells: Floats, pixels: Floats, board: Floats) -> tuple[float, Floats]:
    """Chance that hair thins out towards its last place, and the share of board if it does."""
    weight = pixels / pixels.sum(axis=1, keepdims=True)
    mean = (weight[..., None] * cells).sum(axis=1)
    along = np.zeros(BINS)
    start = EARLIEST
    for _ in range(3):
        before = np.median(mean[max(start - REFERENCE, 2) : start], axis=0)
        along = _rising(_shares_along(mean, before, board))
        first = np.flatnonzero(along > LEAST_DRIFT / 2)
        if not len(first):
            return 0.0, along
        start = int(np.clip(first[0], EARLIEST, LATEST))
    tail = np.asarray(along > LEAST_DRIFT)
    if tail.sum() < 2:
        return 0.0, along
    odds = np.log(THIN_ODDS) + _by_line(mean, before, board, along, tail)
    odds += _by_fibres(cells, mean, along, tail, start)
    return float(1 / (1 + np.exp(-odds))), along


def _shares_along(mean: Floats, before: Floats, board: Floats) -> Floats:
    """How far each place has gone from the hair's light to the board's, (60,)."""
    gap = board - before
    metric = 1 / (before + 0.02) ** 2  # relative light: what the eye and the noise go by
    return np.asarray(((mean - before) * gap * metric).sum(axis=1) / (gap**2 * metric).sum())


def _rising(share: Floats) -> Floats:
    """The nearest shares that only rise towards the end, within 0 and 0.9."""
    from scipy.optimize import isotonic_regression

    smooth = np.convolve(np.pad(share, 1, mode="edge"), np.ones(3) / 3, mode="valid")
    risen = np.asarray(isotonic_regression(smooth[EARLIEST:]).x)
    return np.concatenate([np.zeros(EARLIEST), np.clip(risen, 0, 0.9)])


def _by_line(
    mean: Floats, before: Floats, board: Floats, along: Floats, tail: NDArray[np.bool_]
) -> float:
    """Log odds from how straight places drift towards the board's light."""
    looks = [np.cbrt(np.maximum(v, 1e-6)) for v in (mean[tail], before, board)]
    told = np.cbrt(before + along[tail, None] * (board - before))
    way = np.linalg.norm(looks[0] - looks[1], axis=1)
    off = np.linalg.norm(looks[0] - told, axis=1)
    ratio = float((off * along[tail]).sum() / max((way * along[tail]).sum(), 1e-9))
    gap, grey = looks[2] - looks[1], looks[1]
    angle = np.arccos(np.clip(abs(gap @ grey) / np.linalg.norm(gap) / np.linalg.norm(grey), 0, 1))
    telling = min(float(angle) / 0.35, 1.0)  # lighter or darker hair of its own colour is no sign
    return -0.5 * (ratio / OFF_LINE) ** 2 + float(np.log1p(5.6 * telling))


def _by_fibres(
    cells: Floats, mean: Floats, along: Floats, tail: NDArray[np.bool_], start: int
) -> float:
    """Log odds from how fibres fade: with the hair they are seen of, or with all of its light."""
    lanes = np.linspace(-1, 1, cells.shape[1])
    basis = np.linalg.qr(np.stack([np.ones_like(lanes), lanes, lanes**2], axis=1))[0]
    light = cells.mean(axis=2)
    rough = light - light @ basis @ basis.T
    power = (rough[1:] * rough[:-1]).mean(axis=1)  # noise is another from place to place
    power = np.append(power, power[-1])
    before = power[max(start - 2 * REFERENCE, 2) : start - 1]
    usual, ended = float(before.mean()), float(power[tail].mean())
    if usual <= 0:
        return 0.0
    free = lanes.size / 2
    doubt = FIBRE_DOUBT**2 + 2 / free * (3 / max(tail.sum(), 3) + 3 / len(before)) / 4
    seen = 0.5 * np.log(max(ended, 1e-3 * usual) / usual)
    left = float((1 - along[tail]).mean())
    lighter = float(mean[tail].mean() / mean[max(start - REFERENCE, 2) : start].mean())
    thin, dyed = seen - np.log(left), seen - np.log(lighter)
    told = 0.5 * (dyed**2 - thin**2) / doubt
    return float(np.clip(told, -MOST_TEXTURE, MOST_TEXTURE))


def _without_share(sums: CellSums, field: Floats, share: Floats, board: Floats) -> CellSums:
    """The sums with a share of board taken from every pixel of a place."""
    share = np.clip(share, 0, 0.9)[:, None, None]
    taken = sums.count * share
    left = sums.light - taken[..., None] * board * field[..., None, None]
    least = 0.02 * sums.light * (1 - share)[..., None]
    return dataclasses.replace(sums, count=sums.count - taken, light=np.maximum(left, least))


# All our choice, of log light from one sixtieth of the length to the next
STEP: Final = 0.35  # no dye changes so at the very end of a hair
CALM: Final = 0.12  # the hair beside the step
MOST: Final = 2  # places that may be left out at an end
LONGEST: Final = 15  # places before a step that may be clamp or new growth
BEHIND: Final = 6  # places behind it that are asked
SMALL: Final = 0.12  # of log light: no step worth telling
SHARP: Final = 5.0  # times what the light varies by on either side: no band of shine rises so
INSIDE: Final = 3  # places that the first or last one is held against, its neighbour left out
STEPPED: Final = (  # either end, what may be there and what to do
    (
        "first",
        "new growth, or what holds the hair",
        "Mark where new growth ends (in the picker, or column 'regrowth'), or draw the line on the "
        "hair alone.",
    ),
    (
        "last",
        "a tie or clamp, or new growth where roots and ends are the other way round",
        "Draw the line on the hair alone. If the roots lie there, draw it from them, or say on "
        "which side they are ('roots').",
    ),
)
USUAL: Final = 0.9  # of the places inside lie no further off those behind them; our choice


def without_gaps(
    sums: CellSums, over: NDArray[np.bool_] | None = None
) -> tuple[CellSums, tuple[Flag, ...]]:
    """The sums with places that show no hair as the nearest that does, and what is said of it.

    Parameters
    ----------
    sums : CellSums
        Pixels of the cells.
    over : ndarray of bool, shape (60,), optional
        Places that something lies over.
    """
    is_out = sums.count.sum(axis=(1, 2)) == 0
    if over is not None:
        is_out = is_out | over
    shown = np.flatnonzero(~is_out)
    if not is_out.any() or not len(shown):
        return sums, ()
    nearest = shown[np.abs(np.arange(len(is_out))[:, None] - shown).argmin(axis=1)]
    places = np.flatnonzero(is_out) / len(is_out)
    flag = Flag(
        code="places-empty",
        says=f"Between {100 * places[0]:.0f} and {100 * (places[-1] + 1 / len(is_out)):.0f} % of "
        f"the length {int(is_out.sum())} of {len(is_out)} places show no hair: a tie, a ribbon, a "
        f"clip or a gap. We left them out; they stand as their neighbours.",
        remedy="Take off what lies across the hair, or draw the line where it is whole.",
        is_note=bool(is_out.mean() <= read_limits("hair")["flag_left_out_above"]),
    )
    kept = dataclasses.replace(sums, count=sums.count[nearest], light=sums.light[nearest])
    return kept, (flag,)


def without_strange_ends(sums: CellSums) -> tuple[CellSums, tuple[Flag, ...]]:
    """The sums with places that are no hair replaced by the nearest that is, and the note of it."""
    pixels = np.maximum(sums.count.sum(axis=(1, 2)), 1.0)
    logs = np.log(np.maximum(sums.light.sum(axis=(1, 2, 3)) / pixels, 1e-9))
    taken = np.arange(len(logs))
    first, last = _strange(logs), _strange(logs[::-1])
    taken[:first] = first
    taken[len(logs) - last :] = len(logs) - last - 1
    if first + last == 0:
        return sums, ()
    places = [f"the first {first}"] * (first > 0) + [f"the last {last}"] * (last > 0)
    note = Flag(
        code="ends-left-out",
        says=f"We left out {' and '.join(places)} of {len(logs)} places along the hair: a clamp or "
        f"the board. They stand as their neighbours.",
        remedy="Begin the line below what holds the hair, and end it where the hair is still full.",
        is_note=True,
    )
    kept = dataclasses.replace(sums, count=sums.count[taken], light=sums.light[taken])
    return kept, (note,)


def _strange(logs: Floats) -> int:
    """How many places at the start stand off by a step from calm hair behind them."""
    for count in range(MOST, 0, -1):
        behind = np.abs(np.diff(logs[count : count + 4])).max()
        if abs(logs[count] - logs[count - 1]) > STEP and behind < CALM:
            return count
    return 0


def end_step_flags(sums: CellSums) -> tuple[Flag, ...]:
    """A doubt where the light steps sharply between calm places not far from an end.

    A clamp in an outline looks like that, and so does new growth without a mark.
    """
    pixels = np.maximum(sums.count.sum(axis=(1, 2)), 1.0)
    logs = np.log(np.maximum(sums.light.sum(axis=(1, 2, 3)) / pixels, 1e-9))
    flags = []
    for (which, cause, remedy), way in zip(STEPPED, (logs, logs[::-1]), strict=True):
        count, step = _sharpest(way)
        if count == 0:
            continue
        flags.append(
            Flag(
                code="end-step",
                says=f"The {which} {100 * count / len(logs):.0f} % of the hair differ from the "
                f"rest by {100 * abs(np.expm1(step)):.0f} % in light, at one sharp step: {cause}. "
                f"We measured them as hair.",
                remedy=remedy,
            )
        )
    return tuple(flags)


def _sharpest(logs: Floats) -> tuple[int, float]:
    """Places before the sharpest step, and its log light; 0 places where there is none."""
    found, best = (0, 0.0), SHARP
    if np.ptp(logs[: LONGEST + 1 + BEHIND]) <= SMALL:
        return found
    for count in range(2, LONGEST + 1):
        before, behind = logs[: max(count - 1, 2)], logs[count + 1 : count + 1 + BEHIND]
        step = float(np.median(logs[:count]) - np.median(behind))
        sharp = abs(step) / max(np.ptp(before), np.ptp(behind), 1e-9)
        if abs(step) > SMALL and sharp > best:
            found, best = (count, step), sharp
    return found


def end_limits(body: Floats) -> Floats:
    """How far off the places inside lie from those behind them, seen from either end, shape (2,).

    Parameters
    ----------
    body : ndarray, shape (bins, 3)
        Light along the hair.
    """
    sizes = [np.linalg.norm(_off(way), axis=-1)[1:] for way in (body, body[::-1])]
    return np.asarray(np.quantile(sizes, USUAL, axis=1))


def with_ends_held(body: Floats, limits: Floats) -> Floats:
    """Light along the hair, its first and last place no further off than the limits say.

    Fibres of different length let board through at the ends, and a clamp casts its shadow: what
    the outermost sixtieth differs by, beyond what places inside do, is not the hair's.

    Parameters
    ----------
    body : ndarray, shape (..., bins, 3)
        Light.
    limits : ndarray, shape (2,)
        From `end_limits`.
    """
    held = body.copy()
    for way, limit in ((held, limits[0]), (held[..., ::-1, :], limits[1])):
        off = _off(way[..., : INSIDE + 2, :])[..., 0, :]
        size = np.linalg.norm(off, axis=-1, keepdims=True)
        too_far = 1 - np.minimum(limit / np.maximum(size, 1e-9), 1.0)
        behind = way[..., 2 : INSIDE + 2, :].mean(axis=(-2, -1))[..., None]
        way[..., 0, :] -= too_far * off * behind
    return np.asarray(held)


def _off(body: Floats) -> Floats:
    """Each place less the mean of those behind its neighbour, over their luminance."""
    around = np.lib.stride_tricks.sliding_window_view(body[..., 2:, :], INSIDE, axis=-2)
    behind = around.mean(axis=-1)
    light = np.maximum(behind.mean(axis=-1, keepdims=True), 1e-9)
    return np.asarray((body[..., : behind.shape[-2], :] - behind) / light)

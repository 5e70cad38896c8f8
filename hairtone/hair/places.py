"""Board seen between thin hair: how much of each place it is, and the hair's light without it.

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
from hairtone.hair.cells import BINS
from hairtone.hair.centre import normals, resampled
from hairtone.hair.colours import CellSums
from hairtone.hair.types import Strand
from hairtone.photo.pixels import codes_at, encoded_values
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

BESIDE: Final = (0.75, 1.1)  # widths from the line, between which the board is looked at
SHARES: Final = np.linspace(0, 1, 11)  # of board that a pixel is asked for
PIXEL_SCATTER: Final = 0.05  # relative, of a pixel's colour about what hair and board make it
FIBRE_SPREAD: Final = (0.10, 0.30)  # SD of log light from fibre to fibre; real locks 0.18 to 0.26
ROUNDS: Final = 6  # of parting pixels and averaging the hair anew
BARE: Final = 0.6  # of board from which on a pixel counts as a gap
GAPS: Final = (
    0.012,
    0.03,
)  # share of such pixels from which on, and at which fully, it is believed
POOLED: Final = 2  # places to either side that share what gaps they have
FIRST_SHARE: Final = 0.05  # of pixels that show board, beforehand

THIN_ODDS: Final = 0.3  # beforehand, that what drifts towards the board's light is thinner hair
OFF_LINE: Final = 0.12  # SD of what thin hair lies off the line to the board, over its way along it
FIBRE_DOUBT: Final = 0.25  # SD of the log of how fibres fade, from place to place
MOST_TEXTURE: Final = 4.0  # log odds that fibres may add or take
LEAST_DRIFT: Final = 0.04  # of board, from which on a place counts as thinner
SHARE_DOUBT: Final = 0.2  # relative SD of a share of board that was told
GAP_DOUBT: Final = 0.25  # the same of gaps that pixels show
MOST_BOARD: Final = 0.6  # of a place, above which its hair is not told
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
        return np.asarray(self.share > MOST_BOARD)


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
    for _ in range(ROUNDS):
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
        level = (colour @ np.ones(3)) / hair.sum(axis=1)[:, None]
        calm = count * odds[..., 0] * (level > 0)
        logs = np.log(np.maximum(level, 1e-3))
        spread = float(np.sqrt((calm * logs**2).sum() / np.maximum(calm.sum(), 1)))
        spread = float(np.clip(spread, *FIBRE_SPREAD))
    return share, gaps


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
        share[way] += chance * along
        variance[way] += chance * (1 - chance) * along**2 + chance * (SHARE_DOUBT * along) ** 2
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
    tail = along > LEAST_DRIFT
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


def _by_line(mean: Floats, before: Floats, board: Floats, along: Floats, tail: Floats) -> float:
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


def _by_fibres(cells: Floats, mean: Floats, along: Floats, tail: Floats, start: int) -> float:
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

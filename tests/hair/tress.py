"""Drawn tresses with known outline and known colour: the hair room's own small world.

Nothing here knows of the finder or the profile. Light is linear, a pixel is
shade x body of its fibre + highlight, seen by a camera that is sRGB exactly.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import cv2
import numpy as np

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import VIEWINGS, decode_srgb, encode_srgb, lab_to_xyz, xyz_to_lab
from hairtone.photo.types import Encoding, Photo

VIEWING = VIEWINGS["D65/2"]
TO_XYZ = np.linalg.inv(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)  # IEC 61966-2-1
BOARD = 0.184  # linear, L* 50
DRAWS = 16


def rgb_of(lab):
    """Linear sRGB of L*a*b* (D65/2)."""
    return lab_to_xyz(lab, white=np.array(VIEWING.white) / 100) @ np.linalg.inv(TO_XYZ).T


def lab_of(rgb):
    return xyz_to_lab(np.asarray(rgb) @ TO_XYZ.T, white=np.array(VIEWING.white) / 100)


class PlainModel:
    """sRGB decode and the sRGB matrix; draws shake the three channels by 1 %."""

    def linear(self, encoded):
        return decode_srgb(encoded)

    def lab(self, linear):
        return lab_of(linear)

    def hair_spread(self, linear):
        return None

    def lab_draws(self, linear):
        gains = 1 + 0.01 * np.random.default_rng(5).standard_normal((DRAWS, 1, 3))
        return lab_of(np.asarray(linear)[None] * gains)


def calibration(model=None):
    return Calibration(
        model=model or PlainModel(),
        method="level 1",
        reference="drawn",
        viewing=VIEWING,
        residual=np.zeros(24),
        held_out=np.zeros(24),
    )


def light_field(size=(1200, 900), *, slope=(0.0, 0.0), sd=0.003):
    coefficients = np.array([slope[0], slope[1], 0.0, 0.0, 0.0])
    return LightField(
        coefficients=coefficients,
        covariance=np.eye(5) * sd**2,
        origin=np.array(size) / 2,
        scale=float(np.hypot(*size)) / 2,
        source="board",
        fall=0.0,
        residual_slope=0.0,
        residual_sd=0.0,
    )


@dataclass
class Tress:
    """Where a tress lies and what colours it has; a line of points, roots first."""

    line: list[tuple[float, float]]
    width: float = 90.0
    labs: list[tuple[float, float, float]] = field(default_factory=lambda: [(30.0, 22.0, 12.0)])
    fibre_px: float = 2.5
    shade_sd: float = 0.2
    colour_sd: float = 0.05
    shine: float = 0.0
    shine_at: float = 0.45
    roundness: float = 0.0
    clamp: bool = True
    shadow: float = 0.0
    fray: float = 0.0


def _smooth_line(points, n=400):
    points = np.asarray(points, float)
    if len(points) == 2:
        return points[0] + np.linspace(0, 1, n)[:, None] * (points[1] - points[0])
    t = np.linspace(0, 1, len(points))
    fit = [np.polyfit(t, points[:, i], len(points) - 1) for i in (0, 1)]
    u = np.linspace(0, 1, n)
    return np.stack([np.polyval(f, u) for f in fit], axis=1)


def _coordinates(line, size):
    """Signed distance across and share along the line at every pixel of the frame."""
    width, height = size
    ys, xs = np.mgrid[:height, :width].astype(np.float32)
    best = np.full((height, width), np.inf, np.float32)
    along = np.zeros_like(best)
    across = np.zeros_like(best)
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    starts = np.concatenate([[0.0], np.cumsum(steps)])
    keep = range(0, len(line) - 1, max(1, (len(line) - 1) // 40)) if len(line) > 60 else range(1)
    knots = [*keep, len(line) - 1]
    for a, b in itertools.pairwise(knots):
        (x0, y0), (x1, y1) = line[a], line[b]
        length = np.hypot(x1 - x0, y1 - y0)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        s = (xs - x0) * ux + (ys - y0) * uy
        t = -(xs - x0) * uy + (ys - y0) * ux
        low = -np.inf if a == 0 else 0.0
        high = np.inf if b == len(line) - 1 else length
        gap = np.abs(t) + 10 * (np.maximum(low - s, 0) + np.maximum(s - high, 0))
        nearer = gap < best
        best = np.where(nearer, gap, best)
        along = np.where(nearer, starts[a] + s, along)
        across = np.where(nearer, t, across)
    return along / starts[-1], across


def _fibres(rng, count, sd, knots=24):
    """One factor a fibre, mean 1, drifting slowly along it; shape (knots, count)."""
    steady = rng.standard_normal(count)
    drift = rng.standard_normal((knots, count))
    mixed = 0.8 * steady + 0.6 * drift
    return np.exp(sd * mixed - sd**2 / 2)


def _along(factors, share, fibre):
    """Factor of each pixel's fibre, linear between the knots."""
    place = share * (len(factors) - 1)
    knot = np.minimum(place.astype(int), len(factors) - 2)
    rest = place - knot
    return (1 - rest) * factors[knot, fibre] + rest * factors[knot + 1, fibre]


def draw(
    tresses,
    *,
    size=(1200, 900),
    board=BOARD,
    noise=0.004,
    slope=(0.0, 0.0),
    chart=(60, 60, 360, 260),
    seed=0,
    jpeg=None,
    bits=8,
):
    """A photo of the tresses, each one's mask, and each one's true L*a*b* as a function.

    Returns
    -------
    photo, masks, truths
        `truths` : functions share along (0..1) -> L*a*b*.
    """
    rng = np.random.default_rng(seed)
    width, height = size
    lin = np.full((height, width, 3), board)
    lin *= (
        1 + 0.01 * cv2.GaussianBlur(rng.standard_normal((height, width, 1)), (0, 0), 1.0)[..., None]
    )
    masks, truths = [], []
    for tress in tresses:
        mask, truth = _lay(lin, tress, rng, size)
        masks.append(mask)
        truths.append(truth)
    if chart is not None:
        _put_chart(lin, chart, rng)
    if any(slope):
        field_ = light_field(size, slope=slope)
        ys, xs = np.mgrid[:height, :width]
        lin *= field_.at(np.stack([xs.ravel(), ys.ravel()], 1)).reshape(height, width, 1)
    shaken = rng.standard_normal(lin.shape, dtype=np.float32)
    lin += shaken * noise * np.sqrt(np.maximum(lin, 0.01))
    top = 255 if bits == 8 else 65535
    codes = np.round(np.clip(encode_srgb(np.maximum(lin, 0)), 0, 1) * top)
    codes = codes.astype(np.uint8 if bits == 8 else np.uint16)
    if jpeg is not None:
        data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1]
        codes = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
    return photo_of(codes), masks, truths


def photo_of(codes, name="drawn.png"):
    levels = np.iinfo(codes.dtype).max + 1
    codes.flags.writeable = False
    table = np.repeat((np.arange(levels) / (levels - 1))[:, None], 3, axis=1)
    return Photo(
        name=name,
        sha256="0" * 64,
        pixels=codes,
        encoding=Encoding(name="sRGB", table=table, to_xyz=TO_XYZ),
    )


def _lay(frame, tress, rng, size):
    line = _smooth_line(tress.line)
    low = np.maximum(np.floor(line.min(axis=0) - tress.width), 0).astype(int)
    high = np.minimum(np.ceil(line.max(axis=0) + tress.width), size).astype(int)
    part = np.s_[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(frame.shape[:2], bool)
    mask[part], truth = _lay_inside(frame[part], tress, rng, line - low, tuple(high - low))
    return mask, truth


def _lay_inside(lin, tress, rng, line, size):
    along, across = _coordinates(line, size)
    half = tress.width / 2
    if tress.fray:
        column = np.clip((across / half + 1) * 30, 0, 59).astype(int)
        end = 1 - tress.fray * rng.random(60)[column]
    else:
        end = 1.0
    mask = (along >= 0) & (along <= end) & (np.abs(across) <= half)
    if tress.shadow:
        moved = np.roll(mask.astype(np.float32), (8, 10), axis=(0, 1))
        lin *= (1 - tress.shadow * cv2.GaussianBlur(moved, (0, 0), 6))[..., None]
    at = np.linspace(0, 1, len(tress.labs))

    def truth(position):
        rgb = np.stack([np.interp(position, at, c) for c in rgb_of(np.array(tress.labs)).T], -1)
        return lab_of(rgb)

    s, t = np.clip(along[mask], 0, 1), across[mask]
    body = np.stack([np.interp(s, at, c) for c in rgb_of(np.array(tress.labs)).T], -1)
    count = int(tress.width / tress.fibre_px) + 1
    fibre = np.clip(((t + half) / tress.fibre_px).astype(int), 0, count - 1)
    shade = _along(_fibres(rng, count, tress.shade_sd), s, fibre)
    tint = np.stack([_along(_fibres(rng, count, tress.colour_sd), s, fibre) for _ in range(3)], -1)
    flat = np.sqrt(1 - tress.roundness * (t / half) ** 2)
    band = np.exp(-0.5 * ((s - tress.shine_at) / 0.12) ** 2)
    glint = tress.shine * band * _along(rng.gamma(0.7, 1 / 0.7, (24, count)), s, fibre)
    lin[mask] = body * tint * (shade * flat)[:, None] + glint[:, None]
    if tress.clamp:
        clamp = (along < 0) & (along > -0.06) & (np.abs(across) <= half * 1.25)
        lin[clamp] = 0.03
    return mask, truth


def _put_chart(lin, chart, rng):
    x0, y0, x1, y1 = chart
    step = (x1 - x0) / 6
    margin = int(0.4 * step)
    lin[y0 - margin : y1 + margin, x0 - margin : x1 + margin] = 0.02
    colours = rng.uniform(0.03, 0.8, (4, 6, 3))
    for row in range(4):
        for column in range(6):
            x, y = x0 + column * step, y0 + row * (y1 - y0) / 4
            gap = 0.06 * step
            lin[int(y + gap) : int(y + (y1 - y0) / 4 - gap), int(x + gap) : int(x + step - gap)] = (
                colours[row, column]
            )


def reading_of(chart=(60, 60, 360, 260)):
    x0, y0, x1, y1 = chart
    step = (x1 - x0) / 6
    columns, rows = np.meshgrid(np.arange(6) + 0.5, np.arange(4) + 0.5)
    centres = np.stack([x0 + columns.ravel() * step, y0 + rows.ravel() * (y1 - y0) / 4], 1)
    return ChartReading(
        reference=None,  # the hair room does not look at it
        corners=np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float),
        centres=centres,
        patch_px=0.88 * step,
        encoded=np.zeros((24, 3)),
        covariance=np.zeros((24, 3, 3)),
        clipped=np.zeros(24),
        usable=np.ones(24, bool),
    )

"""Whether a picture is good enough: its light, its focus, and that it shows no screen.

Each question has a function that gives a number for a region, and one that turns the number into
flags or a refusal by the limits of ``limits.toml``. The chart and hair rooms ask about their own
regions, `judge_photo` asks about the whole frame.

References
----------
.. [1] F. J. Harris, On the use of windows for harmonic analysis with the discrete Fourier
   transform, Proc. IEEE 66 (1978) 51: the periodic Hann window, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import decode_srgb
from hairtone.errors import Flag, PhotoError
from hairtone.locations import read_limits
from hairtone.photo.types import Photo

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Box = tuple[int, int, int, int]  # left, top, right, bottom; right and bottom are not part of it

_GROUP: Final = 4  # our choice: columns side by side, which memory hands over together
_LINES: Final = 200  # our choice: rows and columns looked at; more change the figures by 2 %
_WINDOW: Final = 256  # our choice: pixels of one spectrum; the periods seen are then 12 to 2 px
_BANDS: Final = 4  # our choice: groups of lines, each with its own spectra
_SHARE: Final = 0.4  # our choice: share of the frame that may be without the grid
_NEIGHBOURS: Final = 14  # our choice: frequencies on each side that make up the background
_LONGEST_PERIOD: Final = 12  # our choice: longer ones are things in the picture
_JPEG_STEP: Final = 8  # pixels of a JPEG's block; ITU-T T.81, A.3.1
_BLOCK_BINS: Final = 1.5  # what a Hann window spreads an exact period over
_FLOOR: Final = 1e-6  # power that is nothing: a hundredth of what rounding to 8 bits leaves
_EDGE_CONTRAST: Final = 20 / 255  # our choice: smaller steps drown in noise
_LEAST_EDGES: Final = 20  # our choice: fewer say nothing
_STEEPEST: Final = 0.1  # our choice: the share of edges that were sharp in the scene
_STEADY: Final = 2 / 255  # our choice: what noise does to a slope without ending it
_BRIGHTEST: Final = 0.005  # our choice: share of the pixels, above lone specks of glare
_RETAKE: Final = "Photograph again"


def cut_region(photo: Photo, region: Box | None) -> Codes:
    """Codes of a region, or of the whole frame; a part outside the frame is left out."""
    width, height = photo.size
    left, top, right, bottom = region or (0, 0, width, height)
    left, top = max(0, left), max(0, top)
    codes = photo.pixels[top : min(bottom, height), left : min(right, width)]
    if codes.size == 0:
        raise ValueError(f"region {region} lies outside a photo of {width} x {height} pixels.")
    return codes


def some_lines(photo: Photo, region: Box | None) -> tuple[Codes, Codes]:
    """Green codes of some rows and of some columns of a region, a line a row.

    Green holds most of the detail and least of the noise; lines are spread evenly, whole.
    """
    green = cut_region(photo, region)[..., 1]
    width = green.shape[1]
    groups = np.arange(0, width, max(1, -(-width * _GROUP // _LINES)))
    each = np.unique(np.minimum(groups[:, None] + np.arange(_GROUP), width - 1))
    return green[:: max(1, -(-len(green) // _LINES))], green.T[each]


def screen_peak(photo: Photo, *, region: Box | None = None) -> float:
    """How far the strongest fine period stands above its neighbours: a screen's pixel grid.

    Parameters
    ----------
    photo : Photo
        As read.
    region : tuple of int, optional
        Left, top, right, bottom. [pixels]

    Returns
    -------
    float
        Power of the strongest period of 2 to 12 pixels over the median of its neighbours, as 60 %
        of the region reach it: cloth fills less, a screen more. The periods of JPEG's blocks are
        left out. 1 where the region is smaller than a window.
    """
    long_enough = [lines for lines in some_lines(photo, region) if lines.shape[1] >= _WINDOW]
    return max((_peak(lines, top=photo.top_code) for lines in long_enough), default=1.0)


def screen_flags(peak: float) -> tuple[Flag, ...]:
    """A doubt, or a refusal, where the picture carries a regular fine grid.

    Parameters
    ----------
    peak : float
        From `screen_peak`.

    Raises
    ------
    PhotoError
        ``"screen"``: the grid is as strong as a display's.
    """
    limits = read_limits("photo")
    flag_above, refuse_above = (limits[f"{what}_screen_peak_above"] for what in ("flag", "refuse"))
    says = f"a regular grid stands {peak:.0f} times above its neighbours"
    remedy = "Photograph the hair itself, not a picture of it; no woven cloth as the board."
    if peak > refuse_above:
        raise PhotoError(
            "screen",
            f"The photo was taken of a screen or a print: {says}, limit {refuse_above:.0f}.",
            remedy=remedy,
        )
    if peak > flag_above:
        return (
            Flag(
                code="screen-like",
                says=f"The photo may be of a screen or cloth: {says}, limit {flag_above:.0f}.",
                remedy=remedy,
            ),
        )
    return ()


def judge_screen(photo: Photo) -> tuple[Flag, ...]:
    """A doubt about the whole frame, or a refusal that names the photo.

    Raises
    ------
    PhotoError
        ``"screen"``.
    """
    try:
        return screen_flags(screen_peak(photo))
    except PhotoError as error:
        raise error.at(photo.name) from error


def _peak(lines: Codes, *, top: int) -> float:
    """Strongest fine period along the lines over the median of its neighbours."""
    band, count = len(lines) // _BANDS, lines.shape[1] // _WINDOW
    if not band:
        return 1.0
    windows = lines[: band * _BANDS, : count * _WINDOW].reshape(_BANDS, band, count, _WINDOW)
    power = np.concatenate([_power(some, top=top) for some in windows])
    level = np.log(power.astype(np.float64) + _FLOOR)
    frequency = np.arange(1, level.shape[1] + 1) / _WINDOW
    fine = (frequency > 1 / _LONGEST_PERIOD) & (frequency < 0.49)
    off_blocks = np.abs(frequency * _JPEG_STEP - np.rint(frequency * _JPEG_STEP))
    fine &= off_blocks > _BLOCK_BINS * _JPEG_STEP / _WINDOW
    padded = np.pad(level, ((0, 0), (_NEIGHBOURS, _NEIGHBOURS)), mode="reflect")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1, axis=1)[:, fine]
    middle = np.partition(around, _NEIGHBOURS, axis=-1)[..., _NEIGHBOURS]  # of an odd number
    above = np.quantile(level[:, fine] - middle, _SHARE, axis=0)
    return float(np.exp(above.max()))


def _power(windows: Codes, *, top: int) -> NDArray[np.float32]:
    """Mean power over lines at 1, 2 … 128 periods a window, shape (band, n, 256) -> (n, 128).

    Under a Hann window [1]_, which keeps the lines' own level out of all periods but the longest.
    Single precision: 1e-7 of that level, far under the noise of any photo.
    """
    shape = np.hanning(_WINDOW + 1)[:-1].astype(np.float32) / np.float32(top)
    flat = (windows * shape).reshape(-1, _WINDOW)
    spectra = np.asarray(cv2.dft(flat, flags=cv2.DFT_ROWS), np.float32).reshape(windows.shape)
    square = np.einsum("lwf,lwf->wf", spectra, spectra) / len(windows)
    power = square[:, 1::2].copy()  # Re 1, Im 1, Re 2 … Im 127, Re 128
    power[:, :-1] += square[:, 2::2]
    return power


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Limits of table ``[photo]`` that concern the picture rather than the file."""

    refuse_white_below: float
    flag_white_below: float
    flag_clipped_above: float
    flag_edge_px_above: float
    flag_edge_patches_above: float

    @classmethod
    def read(cls) -> QualityLimits:
        """The limits in force."""
        table = read_limits("photo")
        return cls(**{name: table[name] for name in cls.__dataclass_fields__})


def judge_photo(photo: Photo, *, region: Box | None = None) -> tuple[Flag, ...]:
    """Return flags about light and focus; a photo that cannot be measured is refused.

    Parameters
    ----------
    photo : Photo
        As read.
    region : tuple of int, optional
        Left, top, right, bottom of what to look at, such as the chart; the whole frame if left
        out. [pixels]

    Raises
    ------
    PhotoError
        ``"under-exposed"`` or ``"screen"``.
    """
    return (
        *exposure_flags(brightest_light(photo, region=region), levels=photo.top_code + 1),
        *blur_flags(edge_width(photo, region=region)),
        *screen_flags(screen_peak(photo, region=region)),
    )


def frame_doubts(photo: Photo) -> tuple[Flag, ...]:
    """What `judge_photo` finds, all as flags: why a chart or hair may not have been found."""
    try:
        return judge_photo(photo)
    except PhotoError as error:
        return (Flag(code=error.code, says=error.says, remedy=error.remedy),)


def brightest_light(photo: Photo, *, region: Box | None = None) -> float:
    """Linear light of the brightest half per cent of a region, 0..1, by the green channel."""
    codes = cut_region(photo, region)
    step = max(1, int(np.sqrt(codes.shape[0] * codes.shape[1] / 1e6)))
    count = np.bincount(codes[::step, ::step, 1].ravel(), minlength=photo.top_code + 1)
    code = int(np.searchsorted(np.cumsum(count), (1 - _BRIGHTEST) * count.sum()))
    level = float(photo.encoding.table[code, 1])
    return level if photo.encoding.is_linear else float(decode_srgb(level))


def exposure_flags(white: float, *, levels: int = 256) -> tuple[Flag, ...]:
    """A doubt where white is too dark to tell dark hair in fine enough steps.

    Parameters
    ----------
    white : float
        Linear light of the chart's white patch (or of the brightest part), 0..1.
    levels : int, optional
        Codes of a channel; with 65536 the steps stay fine and only noise is in doubt.

    Raises
    ------
    PhotoError
        ``"under-exposed"``: one 8-bit code is more than one unit of L* in dark hair.

    Notes
    -----
    On the straight part of the sRGB transfer one code is 1/(255 * 12.92) of full light. Against
    a white patch of reflectance 0.9 that reads `white`, it is 0.000273 / `white` of reflectance,
    and at Y = 0.03 (L* 20) dL*/dY is 400: one code is 0.11 / `white` units of L*.
    """
    limits = QualityLimits.read()
    says = f"The photo is under-exposed: white reads {white:.3f} of full light, "
    remedy = f"{_RETAKE} with {_stops(white):.0f} stops more light or exposure."
    if white < limits.refuse_white_below and levels == 256:
        raise PhotoError(
            "under-exposed",
            f"{says}limit {limits.refuse_white_below:.2f}; one code is more than one unit of L* "
            "in dark hair.",
            remedy=remedy,
        )
    if white < limits.flag_white_below:
        return (
            Flag(
                code="under-exposed",
                says=f"{says}limit {limits.flag_white_below:.2f}; dark colours are coarse.",
                remedy=remedy,
            ),
        )
    return ()


def clipped_flags(high: float) -> tuple[Flag, ...]:
    """A doubt where more of a region than the limit is clipped.

    Parameters
    ----------
    high : float
        Share of pixels clipped at the top, from `clipped_share`, 0..1.
    """
    limit = QualityLimits.read().flag_clipped_above
    if high <= limit:
        return ()
    return (
        Flag(
            code="over-exposed",
            says=f"{high:.1%} of the pixels are clipped (over-exposed), limit {limit:.1%}.",
            remedy=f"{_RETAKE} with about 1 stop less exposure.",
        ),
    )


def edge_width(photo: Photo, *, region: Box | None = None) -> float:
    """Width of the sharpest edges, the blurrier of the two directions; NaN where there are none.

    The width of an edge is its height over its steepest slope: 2 to 3 for a sharp edge, the
    length of a motion blur, 2.5 standard deviations of a Gaussian one. An edge is followed while
    it rises by two codes a pixel, so wide Gaussian ones come out up to an eighth too narrow;
    strong noise breaks them up and hides them. [pixels]

    Parameters
    ----------
    photo : Photo
        As read.
    region : tuple of int, optional
        Left, top, right, bottom. The chart is best: its edges are sharp in the scene. [pixels]
    """
    top = np.float32(photo.top_code)
    widths = [_widths(lines.astype(np.float32) / top) for lines in some_lines(photo, region)]
    found = [float(np.median(width)) for width in widths if len(width) >= _LEAST_EDGES]
    return max(found, default=float("nan"))


def blur_flags(width_px: float, *, patch_px: float | None = None) -> tuple[Flag, ...]:
    """A doubt where edges are so wide that neighbouring colours run into each other.

    Parameters
    ----------
    width_px : float
        From `edge_width`; NaN where no edge could be judged.
    patch_px : float, optional
        Side of a chart patch. Its inner 60 % is read, so an edge may reach 20 % into it: edges
        wider than 40 % of a patch spoil the reading.
    """
    limits = QualityLimits.read()
    limit = limits.flag_edge_px_above
    if patch_px is not None:
        limit = min(limit, limits.flag_edge_patches_above * patch_px)
    if not width_px > limit:  # NaN is no finding
        return ()
    return (
        Flag(
            code="blur",
            says=f"The photo is blurred: its sharpest edges are {width_px:.1f} pixels wide "
            f"(blur), limit {limit:.1f}.",
            remedy=f"{_RETAKE} with a tripod, focused on chart and hair.",
        ),
    )


def _widths(lines: NDArray[np.floating]) -> NDArray[np.float64]:
    """Widths of the steepest edges along the lines."""
    if lines.shape[1] < 4:  # too short to hold an edge
        return np.empty(0)
    smooth = (lines[:, :-2] + 2 * lines[:, 1:-1] + lines[:, 2:]) / 4  # noise breaks edges up
    slope = np.diff(smooth, axis=1)
    direction = np.where(np.abs(slope) < _STEADY, 0, np.sign(slope))
    starts = np.flatnonzero(np.diff(direction, axis=1, prepend=2).ravel())  # each line anew
    height = np.abs(np.add.reduceat(slope.ravel(), starts))
    steepest = np.maximum.reduceat(np.abs(slope).ravel(), starts)
    is_edge = height >= _EDGE_CONTRAST
    height, steepest = height[is_edge], steepest[is_edge]
    count = max(_LEAST_EDGES, int(_STEEPEST * len(steepest)))
    order = np.argsort(-steepest, kind="stable")[:count]
    return np.asarray(height[order] / steepest[order], np.float64)


def _stops(white: float) -> float:
    """Exposure steps that would bring white to half of full light."""
    return float(np.ceil(np.log2(0.5 / max(white, 1e-4))))

"""What a scene is made of, and what is known of its photograph.

Points are pixels of the upright photo, xy, centre of the top-left pixel = (0, 0). Amounts of light
are relative to what the chart's place gets.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.reference import DEFAULT_CHART
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, Viewing, xyz_to_lab
from hairtone.spectra.cameras import Camera
from hairtone.spectra.lights import Light
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

ZONES = ("roots", "mid_lengths", "ends")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPlacement:
    """Where the 24-patch chart lies, and how true to its reference it is.

    Attributes
    ----------
    centre : tuple of float
        Centre of the patch field. [pixels, xy]
    width_px : float
        Long side of the patch field, seen straight on. [pixels]
    turn_deg : float
        Clockwise; 0 has the first row on top.
    tilt_deg, tilt_axis_deg : float
        Tilt out of the frame's plane, and the direction of the axis it turns about.
    is_mirrored : bool
        As a mirror shows it.
    reference : str
        Name of the reference whose reflectances it has.
    variation : float
        SD of the smooth spectral deviation of each patch from its reference, relative.
    gloss : float
        Mean of the lamp-coloured haze over a patch (exponential law over patches), 0..1.
    """

    centre: tuple[float, float]
    width_px: float
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    is_mirrored: bool = False
    reference: str = DEFAULT_CHART
    variation: float = 0.0
    gloss: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shine:
    """A band of mirror highlights across a tress.

    Attributes
    ----------
    position, width : float
        Its middle and SD along the hair, 0 roots .. 1 ends.
    strength : float
        Reflectance it adds in its middle, mean over fibres.
    back_face : float
        Second, hair-coloured band shifted towards the roots, relative to the first.
    """

    position: float
    width: float = 0.06
    strength: float = 0.05
    back_face: float = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """Hair so thin that the board shows between its fibres.

    Attributes
    ----------
    cover : float
        Share of the board that the hair hides over its full part, 0..1.
    onset : float
        Where it begins to thin out, 0 roots .. 1 ends.
    cover_at_ends : float
        Share hidden at the ends, over `cover`.
    gap_px : float
        Width of the gaps; 0 for gaps finer than a pixel, where every pixel is a mixture. [pixels]
    """

    cover: float = 1.0
    onset: float = 1.0
    cover_at_ends: float = 1.0
    gap_px: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Weave:
    """Light on hair as a smooth random pattern, in place of single fibres.

    Attributes
    ----------
    spread : float
        SD of log light.
    along_px, across_px : float
        Distances at which the pattern's correlation falls to 1/e. [pixels]
    """

    spread: float
    along_px: float
    across_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Thing:
    """A four-sided thing on the board: a tie, ribbon or clip, a strip of card, a plank.

    Attributes
    ----------
    centre, size : tuple of float
        Middle, and length and width. [pixels, xy]
    turn_deg : float
        Direction of its length, clockwise from the x axis.
    reflectance : ndarray, shape (81,)
        Of its surface.
    weave : Weave or None
        Its pattern, along and across its own length; None for a plain thing.
    is_over : bool
        It lies over chart and tresses, or under them.
    """

    centre: tuple[float, float]
    size: tuple[float, float]
    turn_deg: float
    reflectance: Floats
    weave: Weave | None = None
    is_over: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tress:
    """A bundle of hair on the board.

    Attributes
    ----------
    roots, ends : tuple of float
        Ends of its line. [pixels, xy]
    width_px : float
        Across, at the roots. [pixels]
    hair : ndarray, shape (p, k, 81)
        Reflectance at p even positions roots→ends of k equally frequent kinds of fibre; of hair
        that fluoresces, the radiance factor in daylight.
    seen : ndarray, shape (p, k, 81), or None
        The same under the scene's light, where that is another thing.
    bow_px : float
        How far the line's middle bows out to the left of roots→ends. [pixels]
    taper : float
        Share of the width lost at the ends.
    raggedness : float
        SD of fibre length, relative; the line ends 2 SD short of the mean.
    fibre_px : float
        Width of a fibre or strand that stands out from its neighbour. [pixels]
    strand_shading, lock_shading : float
        SD of light over single strands and over locks, relative; mean 1.
    stretch_px : float
        How far a fibre stays on top of its neighbours. [pixels]
    shading_skew : float
        Skewness of the logarithm of the light over strands.
    glint_shape : float
        Shape of the gamma law of highlights over strands: 1 exponential, more is evener.
    curvature : float
        Light lost towards the sides of the round tress, 0..1.
    shines : tuple of Shine
        Mirror highlights.
    clamp : float or None
        Reflectance of the clamp at the roots; None for no clamp.
    cast_shadow : float
        Light the tress takes from the board beside it, 0..1.
    thinning : Thinning or None
        Board that shows between the fibres; None for a full tress.
    weave : Weave or None
        Pattern of light in place of that of single fibres and locks.
    """

    roots: tuple[float, float]
    ends: tuple[float, float]
    width_px: float
    hair: Floats
    seen: Floats | None = None
    bow_px: float = 0.0
    taper: float = 0.15
    raggedness: float = 0.012
    fibre_px: float = 1.5
    strand_shading: float = 0.08
    lock_shading: float = 0.03
    stretch_px: float = 90.0
    shading_skew: float = 0.0
    glint_shape: float = 1.0
    curvature: float = 0.2
    shines: tuple[Shine, ...] = ()
    clamp: float | None = 0.05
    cast_shadow: float = 0.0
    thinning: Thinning | None = None
    weave: Weave | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LightShape:
    """How the light falls over the frame.

    Attributes
    ----------
    gradient : tuple of float
        Log light from the left to the right edge and from the top to the bottom edge.
    vignetting : float
        Share of light lost in the corners.
    shadow_depth : float
        Share of light taken behind a shadow's edge; 0 for no shadow.
    shadow_at, shadow_deg : float
        Where the edge crosses (share of the diagonal from the middle), and the way into it.
    shadow_soft : float
        Half-width of the edge, share of the diagonal.
    """

    gradient: tuple[float, float] = (0.0, 0.0)
    vignetting: float = 0.0
    shadow_depth: float = 0.0
    shadow_at: float = 0.3
    shadow_deg: float = 0.0
    shadow_soft: float = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What the lens does.

    Attributes
    ----------
    flare : float
        Veiling light over the whole frame, share of the scene's mean light.
    local_flare : float
        Share of the veil that follows what is bright nearby.
    flare_tint : tuple of float
        Factor of each channel on the veil.
    blur_px : float
        SD of the blur. [pixels]
    """

    flare: float = 0.0
    local_flare: float = 0.4
    flare_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """What the sensor does.

    Attributes
    ----------
    exposure : float
        Value of a perfect white at the chart on the linear scale, 0..1.
    full_well : float
        Electrons of a full pixel in the most sensitive channel; 0 for no noise at all.
    read_noise : float
        SD. [electrons]
    white_balance : tuple of float
        Factor left of each channel after white balance.
    """

    exposure: float = 0.7
    full_well: float = 12_000.0
    read_noise: float = 3.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Development:
    """What the camera's own processing does on the way to an encoded photo.

    Attributes
    ----------
    gain : float
        Brightness after the sensor.
    saturation : float
        Of the colour matrix; 1 as the light was.
    matrix_error : tuple of float
        Nine additions to the colour matrix, row by row.
    black : float
        Linear light taken off as black.
    shoulder : float
        Linear light from which highlights bend; 1 or more: none.
    contrast, pivot : float
        Strength 0..1 and middle of the S-curve on encoded values.
    look_chroma, look_hue : tuple of (float, float)
        Amplitude and phase of the first three waves over hue: relative chroma, and hue. [radians]
    local_tone : float
        Exponent by which bright neighbourhoods are dimmed and dark ones lifted.
    sharpening : float
        Amount of unsharp masking.
    """

    gain: float = 1.0
    saturation: float = 1.0
    matrix_error: tuple[float, ...] = (0.0,) * 9
    black: float = 0.0
    shoulder: float = 1.0
    contrast: float = 0.0
    pivot: float = 0.45
    look_chroma: tuple[tuple[float, float], ...] = ()
    look_hue: tuple[tuple[float, float], ...] = ()
    local_tone: float = 0.0
    sharpening: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Jpeg:
    """How the file is written.

    Attributes
    ----------
    quality : int
        1..100.
    subsampling : str
        ``"4:4:4"``, ``"4:2:2"`` or ``"4:2:0"``.
    taken : str
        ISO date and time written into EXIF; empty: no EXIF.
    orientation : int
        EXIF orientation 1..8 the pixels are stored for; the truth is of the upright photo.
    """

    quality: int = 92
    subsampling: str = "4:2:0"
    taken: str = ""
    orientation: int = 1


def flat_board(reflectance: float = 0.22) -> Floats:
    """A neutral board, shape (81,)."""
    return np.full(len(viewing_wavelengths()), reflectance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Everything a photograph is rendered from. The defaults are an ideal camera's plain photo.

    Attributes
    ----------
    size : tuple of int
        Width and height. [pixels]
    light, camera : Light, Camera
        Spectra.
    chart : ChartPlacement or None
        None for a photo without a chart.
    tresses : tuple of Tress
        Left to right.
    things : tuple of Thing
        Other things on the board, in the order they are laid.
    board : ndarray, shape (81,)
        Reflectance of the matt board.
    board_texture : float
        SD of its grain, relative.
    light_shape, lens, sensor : LightShape, Lens, Sensor
        What happens on the way to the sensor's values.
    development : Development or None
        None keeps the sensor's linear values: a raw photo, 16 bit.
    jpeg : Jpeg
        How an encoded photo is written.
    seed : int
        Of noise, texture and fibres.
    """

    light: Light
    camera: Camera
    size: tuple[int, int] = (1632, 1224)
    chart: ChartPlacement | None = None
    tresses: tuple[Tress, ...] = ()
    things: tuple[Thing, ...] = ()
    board: Floats = field(default_factory=flat_board)
    board_texture: float = 0.0
    light_shape: LightShape = LightShape()
    lens: Lens = Lens()
    sensor: Sensor = Sensor()
    development: Development | None = None
    jpeg: Jpeg = Jpeg()
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TressTruth:
    """What is known of a tress in a rendered photo.

    Attributes
    ----------
    line : ndarray, shape (n, 2)
        Root-to-ends line, roots first. [pixels, xy]
    width : float
        Mean width. [pixels]
    mask, box : ndarray of bool, tuple of int
        True = hair; x0, y0, x1, y1 of the mask in the photo.
    position : ndarray, shape (60,)
        Middle of each bin, 0 roots .. 1 ends.
    reflectance : ndarray, shape (60, 81)
        Mean over the fibres of each bin in linear light, laid flat: the diffuse body with its
        surface floor, without mirror highlights.
    """

    line: Floats
    width: float
    mask: NDArray[np.bool_]
    box: tuple[int, int, int, int]
    position: Floats
    reflectance: Floats

    def lab(self, viewing: Viewing = DEFAULT_VIEWING) -> Floats:
        """L*a*b* of each bin, shape (60, 3)."""
        return _lab(self.reflectance, viewing)

    def span_lab(self, start: float, stop: float, viewing: Viewing = DEFAULT_VIEWING) -> Floats:
        """L*a*b* of the mean over the bins from `start` to `stop` (0..1), shape (3,)."""
        within = (self.position >= start) & (self.position <= stop)
        return _lab(self.reflectance[within].mean(axis=0), viewing)

    def zones(
        self,
        viewing: Viewing = DEFAULT_VIEWING,
        *,
        borders: tuple[float, float] = (1 / 3, 2 / 3),
    ) -> dict[str, Floats]:
        """L*a*b* of roots, mid_lengths and ends: mean of their bins in linear light."""
        edges = (0.0, *borders, 1.0)
        return {
            zone: self.span_lab(edges[k], edges[k + 1], viewing) for k, zone in enumerate(ZONES)
        }


def _lab(reflectance: Floats, viewing: Viewing) -> Floats:
    xyz = reflectance_to_xyz(reflectance, viewing_wavelengths(), viewing=viewing)
    return xyz_to_lab(100 * xyz, white=viewing.white)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SceneTruth:
    """What is known of a rendered photo.

    Attributes
    ----------
    corners : ndarray, shape (4, 2) or None
        Of the chart's patch field, clockwise from the corner beside the first patch (anticlockwise
        when mirrored); None without a chart.
    centres : ndarray, shape (24, 2) or None
        Patch centres.
    chart_reflectance : ndarray, shape (24, 81) or None
        Of this very chart, its deviation from the reference in it, without haze.
    tresses : tuple of TressTruth
        In the scene's order.
    light : ndarray, shape (height // 16, width // 16), float32
        Relative light at the middle of each 16-pixel square, 1 at the chart (or frame) centre.
    """

    corners: Floats | None
    centres: Floats | None
    chart_reflectance: Floats | None
    tresses: tuple[TressTruth, ...]
    light: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedPhoto:
    """A rendered photograph.

    Attributes
    ----------
    pixels : ndarray, shape (height, width, 3), uint8 or uint16
        Upright RGB codes before compression; uint16 linear for a raw scene.
    jpeg : bytes
        The file; empty for a raw scene.
    truth : SceneTruth
        What is known of it.
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    jpeg: bytes
    truth: SceneTruth

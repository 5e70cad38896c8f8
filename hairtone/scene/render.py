"""Drawing a tress: fibres, shading, shine, clamp, and the truth about its colour.

A scene -> a photograph with known truth.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import gammaincinv, ndtri

from hairtone.colorimetry import Floats
from hairtone.scene.canvas import Box, Canvas, Singles, box_around
from hairtone.scene.chart import (
    FRAME_REFLECTANCE,
    chart_projection,
    chart_reflectances,
    draw_chart,
    field_corners,
    patch_centres,
)
from hairtone.scene.development import develop, light_over, onto_sensor, through_lens
from hairtone.scene.types import (
    ChartPlacement,
    Jpeg,
    RenderedPhoto,
    Scene,
    SceneTruth,
    Thing,
    Tress,
    TressTruth,
    Weave,
)
from hairtone.spectra.cameras import Camera
from hairtone.spectra.lights import Light

BINS = 60  # positions the truth is given at
TABLE = 120  # positions the colour is drawn at: two to a bin
SEGMENT_PX = 90.0  # locks are five times as long; our choice
LOCK_SHARE = 0.11  # width of a lock, share of the tress; our choice
CLAMP_SHARE = 0.35  # length of the clamp, share of the width; our choice
LIGHT_STEP = 16  # pixels between the truth's values of the light
ORIENTATION_TAG, MAKE_TAG, TAKEN_TAG, EXIF_BLOCK = 0x0112, 0x010F, 0x9003, 0x8769  # EXIF 2.32
COLOUR_SPACE_TAG, SRGB = 0xA001, 1  # EXIF 2.32; without it a reader has to assume
# EXIF orientation -> what turns the upright picture into the stored one
_STORED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """Where each pixel of a box lies on a tress.

    Attributes
    ----------
    box : tuple of int
        The box.
    along : ndarray
        0 roots .. 1 ends; beyond where the pixel lies beyond.
    across : ndarray
        -1 .. 1 from side to side.
    side_px : ndarray
        Distance inside the side edge, negative outside. [pixels]
    fibre, segment : ndarray of int
        Number of the fibre on top and of its stretch.
    length_px : float
        Roots to ends.
    """

    box: Box
    along: Floats
    across: Floats
    side_px: Floats
    fibre: NDArray[np.intp]
    segment: NDArray[np.intp]
    length_px: float


def tress_line(tress: Tress, *, points: int = 9) -> Floats:
    """Root-to-ends line, roots first, shape (points, 2). [pixels, xy]"""
    roots, ends = np.array(tress.roots, np.float64), np.array(tress.ends, np.float64)
    way = ends - roots
    left = np.array([way[1], -way[0]]) / np.hypot(*way)
    share = np.linspace(0, 1, points)[:, None]
    return np.asarray(roots + share * way + 4 * share * (1 - share) * tress.bow_px * left)


def draw_tress(
    canvas: Canvas, tress: Tress, weights: Floats, *, rng: np.random.Generator
) -> TressTruth:
    """Lay a tress on the canvas, and tell the truth about it.

    Parameters
    ----------
    canvas : Canvas
        Drawn into.
    tress : Tress
        What to draw.
    weights : ndarray, shape (81, 3)
        Reflectance -> camera light.
    rng : Generator
        Of the fibres.
    """
    ground = _ground(canvas, tress, rng)
    _cast_shadow(canvas, tress, ground)
    kinds = _fibre_kinds(tress, ground, rng)
    spectra = _along(tress.hair)
    seen = spectra if tress.seen is None else _along(tress.seen)
    strands = _strand_light(tress, ground, rng)
    if tress.weave is not None:
        along, off = ground.along * ground.length_px, ground.across * tress.width_px / 2
        strands = _woven(tress.weave, along, off, rng)
    row = np.clip((ground.along * TABLE).astype(np.intp), 0, TABLE - 1)
    entry = row * spectra.shape[1] + kinds

    table = (seen @ weights).astype(np.float32).reshape(-1, 3)
    body = table[entry] * strands[..., None]
    round_ = 1 - np.sqrt(np.maximum(1 - 0.96 * ground.across**2, 0.0))
    body = body * (1 - tress.curvature * round_).astype(np.float32)[..., None]
    cover = _cover(tress, ground, rng)
    solid = cover > 0.5
    cover = cover * _full_share(tress, ground, rng)
    body += _shine(tress, ground, body, rng)
    canvas.lay(ground.box, body, cover)
    if tress.clamp is not None:
        _draw_clamp(canvas, tress, ground)
    return _truth(tress, ground, entry, strands, solid, spectra)


def _ground(canvas: Canvas, tress: Tress, rng: np.random.Generator) -> _Ground:
    line = tress_line(tress, points=65)
    box = box_around(line, size=canvas.size, margin=1.0 * tress.width_px + abs(tress.bow_px))
    x, y = canvas.coordinates(box)
    way = line[-1] - line[0]
    chord = np.hypot(*way)
    forward = way / chord
    share = ((x - line[0, 0]) * forward[0] + (y - line[0, 1]) * forward[1]) / chord
    off = (x - line[0, 0]) * forward[1] - (y - line[0, 1]) * forward[0]  # to the left
    within = np.clip(share, 0, 1)
    off = off - 4 * within * (1 - within) * tress.bow_px
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.interp(share, np.linspace(0, 1, len(line)), steps / steps[-1])
    along = np.where((share < 0) | (share > 1), share, along)
    half = tress.width_px / 2 * (1 - tress.taper * np.clip(along, 0, 1))

    wander = _waves(along * steps[-1] / tress.width_px, rng) * 0.05
    pitch = 2 * tress.fibre_px / tress.width_px
    fibre = np.floor((off / half + wander + 3) / pitch).astype(np.intp)
    segment = np.floor(along * steps[-1] / tress.stretch_px + rng.random(4096)[fibre % 4096] + 4)
    return _Ground(
        box=box,
        along=along,
        across=off / half,
        side_px=half - np.abs(off),
        fibre=np.clip(fibre, 0, None),
        segment=np.clip(segment, 0, None).astype(np.intp),
        length_px=float(steps[-1]),
    )


def _waves(along: Floats, rng: np.random.Generator) -> Floats:
    """Slow waves of the fibres along the hair, about ±1."""
    lengths, phases = rng.uniform(2.0, 6.0, 3), rng.uniform(0, 2 * np.pi, 3)
    parts = (
        np.sin(2 * np.pi * along / length + phase)
        for length, phase in zip(lengths, phases, strict=True)
    )
    return np.asarray(sum(parts, np.zeros_like(along)) / 1.5)


def _noise(ground: _Ground, values: NDArray[np.generic]) -> NDArray[np.generic]:
    """A value for each stretch of each fibre, shape of the box; `values` is (fibres, stretches)."""
    return values[ground.fibre % values.shape[0], ground.segment % values.shape[1]]


def _fibre_kinds(tress: Tress, ground: _Ground, rng: np.random.Generator) -> NDArray[np.intp]:
    """Kind of fibre at each pixel."""
    field = rng.integers(0, tress.hair.shape[1], (1021, 61), dtype=np.uint8)
    return np.asarray(_noise(ground, field), np.intp)


def _along(hair: Floats) -> Floats:
    """Reflectances of position and kind, (TABLE, k, 81), of those at even positions (p, k, 81)."""
    places = len(hair)
    at = np.linspace(0, places - 1, 2 * TABLE + 1)[1::2]
    low = np.clip(np.floor(at).astype(np.intp), 0, max(places - 2, 0))
    share = (at - low)[:, None, None]
    after = hair[np.minimum(low + 1, places - 1)]
    return np.asarray((1 - share) * hair[low] + share * after)


def _strand_light(tress: Tress, ground: _Ground, rng: np.random.Generator) -> Singles:
    """Light on each strand: neighbours shade one another, locks lie higher or lower; mean 1."""
    field = rng.standard_normal((1021, 61)).astype(np.float32)
    if tress.shading_skew:  # Cornish-Fisher: the first term beyond the normal law
        field += np.float32(tress.shading_skew / 6) * (field**2 - 1)
    field *= np.float32(tress.strand_shading)
    locks = rng.standard_normal((64, 64)) * tress.lock_shading
    x = ground.across / (2 * LOCK_SHARE) + 20
    y = ground.along * ground.length_px / (5 * SEGMENT_PX) + 8
    i, j = np.floor(x).astype(np.intp), np.floor(y).astype(np.intp)
    u, v = _smooth(x - i), _smooth(y - j)
    i, j = i % 63, j % 63
    lock = (1 - u) * ((1 - v) * locks[i, j] + v * locks[i, j + 1])
    lock = lock + u * ((1 - v) * locks[i + 1, j] + v * locks[i + 1, j + 1])
    mean = (
        np.log(np.exp(field.astype(np.float64)).mean())
        if tress.shading_skew
        else (tress.strand_shading**2 / 2)
    )
    return np.exp(np.asarray(_noise(ground, field)) - mean + lock).astype(np.float32)


def _smooth(share: Floats) -> Floats:
    return share * share * (3 - 2 * share)


def _shine(tress: Tress, ground: _Ground, body: Singles, rng: np.random.Generator) -> Singles:
    """Mirror highlights: a lamp-coloured band, and a hair-coloured one nearer the roots."""
    shine = np.zeros_like(body)
    if not tress.shines:
        return shine
    glints, second = (
        np.asarray(_noise(ground, _glints(tress.glint_shape, rng).astype(np.float32)))
        for _ in range(2)
    )
    jitter = _noise(ground, rng.standard_normal((1021, 61)).astype(np.float32))
    for band in tress.shines:
        distance = (ground.along - band.position) / band.width + 0.5 * np.asarray(jitter)
        lobe = band.strength * np.exp(-0.5 * distance**2) * glints
        shine += lobe.astype(np.float32)[..., None]
        back = band.strength * band.back_face * np.exp(-0.5 * (distance + 1.6) ** 2) * second
        # once through the fibre and back: about the square root of what the bundle reflects
        shine += back.astype(np.float32)[..., None] * np.sqrt(body)
    return shine


def _glints(shape: float, rng: np.random.Generator) -> Floats:
    """Strength of a highlight on each stretch of each fibre, mean 1, gamma law of that shape."""
    drawn = rng.exponential(1.0, (1021, 61))
    return drawn if shape == 1 else np.asarray(gammaincinv(shape, -np.expm1(-drawn)) / shape)


def _cover(tress: Tress, ground: _Ground, rng: np.random.Generator) -> Floats:
    """Share of each pixel that hair covers: sharp sides, ragged ends."""
    # the line ends where nearly all fibres are still there, as a person would end it
    lengths = 1 + tress.raggedness * (2 + rng.standard_normal(1021))
    left = (lengths[ground.fibre % 1021] - ground.along) * ground.length_px
    start = (ground.along + 0.25 * CLAMP_SHARE * tress.width_px / ground.length_px) * (
        ground.length_px
    )
    parts = [np.clip(0.5 + part, 0, 1) for part in (ground.side_px, left, start)]
    return np.asarray(parts[0] * parts[1] * parts[2])


def _full_share(tress: Tress, ground: _Ground, rng: np.random.Generator) -> Floats:
    """Share of the board that hair hides at each pixel, its outline apart."""
    thin = tress.thinning
    if thin is None:
        return np.ones_like(ground.along)
    run = np.clip((ground.along - thin.onset) / max(1 - thin.onset, 1e-9), 0, 1)
    share = thin.cover * (1 - (1 - thin.cover_at_ends) * _smooth(run))
    if thin.gap_px == 0:
        return np.asarray(share)
    gaps = Weave(spread=1.0, along_px=12 * thin.gap_px, across_px=thin.gap_px)
    off = ground.across * tress.width_px / 2
    level = ndtri(np.clip(share, 1e-4, 1 - 1e-4))
    depth = level - _pattern(gaps, ground.along * ground.length_px, off, rng)
    return np.asarray(np.clip(0.5 + 1.5 * depth, 0, 1))


def _pattern(weave: Weave, along: Floats, off: Floats, rng: np.random.Generator) -> Floats:
    """A smooth random pattern of mean 0 and SD 1 at places along and across. [pixels]"""
    shape = (int(along.max() - along.min()) + 3, int(off.max() - off.min()) + 3)
    # a normal bell of SD s leaves a correlation that falls to 1/e at 2 s
    field = gaussian_filter(
        rng.standard_normal(shape), (weave.along_px / 2, weave.across_px / 2), mode="wrap"
    )
    at = np.stack([along - along.min(), off - off.min()])
    return np.asarray(map_coordinates(field / field.std(), at, order=1, mode="nearest"))


def _woven(weave: Weave, along: Floats, off: Floats, rng: np.random.Generator) -> Singles:
    """Light of a smooth pattern, mean 1."""
    logs = weave.spread * _pattern(weave, along, off, rng) - weave.spread**2 / 2
    return np.exp(logs).astype(np.float32)


def draw_thing(canvas: Canvas, thing: Thing, weights: Floats, *, rng: np.random.Generator) -> None:
    """Lay a thing on the canvas.

    Parameters
    ----------
    canvas : Canvas
        Drawn into.
    thing : Thing
        What to draw.
    weights : ndarray, shape (81, 3)
        Reflectance -> camera light.
    rng : Generator
        Of its pattern.
    """
    centre, way = np.array(thing.centre), np.radians(thing.turn_deg)
    forward = np.array([np.cos(way), np.sin(way)])
    box = box_around(centre[None], size=canvas.size, margin=float(np.hypot(*thing.size)) / 2 + 1)
    x, y = canvas.coordinates(box)
    along = (x - centre[0]) * forward[0] + (y - centre[1]) * forward[1]
    off = (y - centre[1]) * forward[0] - (x - centre[0]) * forward[1]
    sides = [side / 2 - np.abs(far) for side, far in zip(thing.size, (along, off), strict=True)]
    colours = np.ones((*x.shape, 3), np.float32) * (thing.reflectance @ weights).astype(np.float32)
    if thing.weave is not None:
        colours *= _woven(thing.weave, along, off, rng)[..., None]
    cover = np.prod([np.clip(0.5 + side, 0, 1) for side in sides], axis=0)
    canvas.lay(box, colours, cover)


def _cast_shadow(canvas: Canvas, tress: Tress, ground: _Ground) -> None:
    """Darken the board on the far side of the light (right of roots→ends)."""
    if tress.cast_shadow == 0:
        return
    soft = 0.12 * tress.width_px
    reach = ground.side_px - 0.5 * soft * np.sign(ground.across)
    within = np.clip(1 - np.maximum(-ground.along, ground.along - 1) * 8, 0, 1)
    depth = tress.cast_shadow * within / (1 + np.exp(-np.clip(reach / (0.5 * soft), -30, 30)))
    under = canvas.inside(ground.box)
    under *= (1 - depth).astype(np.float32)[..., None]


def _draw_clamp(canvas: Canvas, tress: Tress, ground: _Ground) -> None:
    """A bar across the roots; the measured hair begins at its lower edge."""
    before = -ground.along * ground.length_px
    length = CLAMP_SHARE * tress.width_px
    half = 0.62 * tress.width_px
    aside = half - np.abs(ground.across) * tress.width_px / 2
    parts = [np.clip(0.5 + part, 0, 1) for part in (before, length - before, aside)]
    bar = np.full((*before.shape, 3), tress.clamp, np.float32)
    canvas.lay(ground.box, bar, parts[0] * parts[1] * parts[2])


def _truth(
    tress: Tress,
    ground: _Ground,
    entry: NDArray[np.intp],
    strands: Singles,
    mask: NDArray[np.bool_],
    spectra: Floats,
) -> TressTruth:
    """Mean reflectance per bin over the very fibres that were drawn."""
    mask = mask & (ground.along > 0)
    body = mask & (ground.along < 1)
    kinds = spectra.shape[1]
    weight = np.bincount(entry[body], strands[body], TABLE * kinds).reshape(BINS, -1)
    count = np.bincount(entry[body], minlength=TABLE * kinds).reshape(BINS, -1).sum(axis=1)
    flat = spectra.reshape(BINS, -1, spectra.shape[2])
    total = np.einsum("bk,bkw->bw", weight, flat)
    seen = count > 0
    mean = np.where(seen[:, None], total / np.maximum(count, 1)[:, None], flat.mean(axis=1))
    return TressTruth(
        line=tress_line(tress),
        width=tress.width_px * (1 - tress.taper / 2),
        mask=mask,
        box=ground.box,
        position=(np.arange(BINS) + 0.5) / BINS,
        reflectance=mean,
    )


def camera_weights(camera: Camera, light: Light) -> Floats:
    """Reflectance -> white-balanced camera light, shape (81, 3); perfect white reads 1."""
    weights = (camera.sensitivities * light.spectrum).T
    return np.asarray(weights / weights.sum(axis=0))


def render_scene(scene: Scene) -> RenderedPhoto:
    """The photograph of a scene, with what is known of it.

    Parameters
    ----------
    scene : Scene
        What to photograph. The same scene gives the same bytes.

    Returns
    -------
    RenderedPhoto
        8-bit pixels and a JPEG file, or 16-bit linear pixels where the scene has no development.
    """
    rngs = [np.random.default_rng([scene.seed, part]) for part in range(4)]
    weights = camera_weights(scene.camera, scene.light)
    canvas = Canvas(_board(scene, weights, rngs[0]))
    corners = centres = surface = None
    _lay_things(canvas, scene, weights, are_over=False)
    if scene.chart is not None:
        corners, centres, surface = _lay_chart(canvas, scene.chart, weights, rngs[1])
    tresses = _lay_tresses(canvas, scene, weights, rngs[2])
    _lay_things(canvas, scene, weights, are_over=True)
    at = _light_anchor(scene)
    light = light_over(scene.light_shape, size=scene.size, at=at)
    picture = through_lens(canvas.light * light[..., None], scene.lens)
    yields = (scene.camera.sensitivities * scene.light.spectrum).sum(axis=1)
    values = onto_sensor(picture, scene.sensor, yields=yields, rng=rngs[3])
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    if scene.development is None:
        pixels, jpeg = (values * np.float32(65535) + np.float32(0.5)).astype(np.uint16), b""
    else:
        pixels = develop(values, scene.development, weights, rng=rngs[3])
        jpeg = write_jpeg(pixels, scene.jpeg)
    return RenderedPhoto(
        pixels=pixels,
        jpeg=jpeg,
        truth=SceneTruth(
            corners=corners,
            centres=centres,
            chart_reflectance=surface,
            tresses=tresses,
            light=light_over(scene.light_shape, size=scene.size, at=at, step=LIGHT_STEP),
        ),
    )


def _board(scene: Scene, weights: Floats, rng: np.random.Generator) -> Singles:
    width, height = scene.size
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = scene.board @ weights
    if scene.board_texture:
        grain = rng.standard_normal((height, width), dtype=np.float32)
        picture *= (1 + np.float32(scene.board_texture) * grain)[..., None]
    return picture


def _lay_chart(
    canvas: Canvas, placement: ChartPlacement, weights: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    homography = chart_projection(placement, frame_width=canvas.size[0])
    surface = chart_reflectances(placement, rng=rng)
    haze = placement.gloss * rng.exponential(1.0, (len(surface), 1))
    draw_chart(
        canvas,
        homography,
        surface @ weights + haze,
        np.full(3, FRAME_REFLECTANCE + placement.gloss),
    )
    return field_corners(homography), patch_centres(homography), surface


def _lay_tresses(
    canvas: Canvas, scene: Scene, weights: Floats, rng: np.random.Generator
) -> tuple[TressTruth, ...]:
    return tuple(draw_tress(canvas, tress, weights, rng=rng) for tress in scene.tresses)


def _lay_things(canvas: Canvas, scene: Scene, weights: Floats, *, are_over: bool) -> None:
    rng = np.random.default_rng([scene.seed, 4 + are_over])
    for thing in scene.things:
        if thing.is_over == are_over:
            draw_thing(canvas, thing, weights, rng=rng)


def _light_anchor(scene: Scene) -> tuple[float, float]:
    if scene.chart is not None:
        return scene.chart.centre
    width, height = scene.size
    return (width - 1) / 2, (height - 1) / 2


def write_jpeg(pixels: NDArray[np.uint8], jpeg: Jpeg) -> bytes:
    """A JPEG file of upright pixels, stored turned where `jpeg` says so."""
    picture = Image.fromarray(pixels)
    exif = Image.Exif()
    exif.get_ifd(EXIF_BLOCK)[COLOUR_SPACE_TAG] = SRGB
    if jpeg.orientation in _STORED:
        picture = picture.transpose(_STORED[jpeg.orientation])
        exif[ORIENTATION_TAG] = jpeg.orientation
    if jpeg.taken:
        exif[MAKE_TAG] = "rendered"
        exif.get_ifd(EXIF_BLOCK)[TAKEN_TAG] = jpeg.taken.replace("-", ":").replace("T", " ")
    file = io.BytesIO()
    picture.save(
        file, "JPEG", quality=jpeg.quality, subsampling=jpeg.subsampling, exif=exif.tobytes()
    )
    return file.getvalue()


def write_photo(photo: RenderedPhoto, path: Path) -> Path:
    """Write an encoded photo's file; folders are made.

    Raises
    ------
    ValueError
        A raw photo: it has no file of its own.
    """
    if not photo.jpeg:
        raise ValueError(f"{path.name}: a raw scene has pixels only; render it with a development.")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(photo.jpeg)
    return path

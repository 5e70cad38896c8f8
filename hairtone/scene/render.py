"""A scene -> a photograph with known truth."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hairtone.colorimetry import Floats
from hairtone.scene.canvas import Canvas, Singles
from hairtone.scene.chart import (
    FRAME_REFLECTANCE,
    chart_projection,
    chart_reflectances,
    draw_chart,
    field_corners,
    patch_centres,
)
from hairtone.scene.development import develop
from hairtone.scene.exposure import light_over, onto_sensor, through_lens
from hairtone.scene.tress import draw_thing, draw_tress
from hairtone.scene.types import ChartPlacement, Jpeg, RenderedPhoto, Scene, SceneTruth, TressTruth
from hairtone.spectra.cameras import Camera
from hairtone.spectra.lights import Light

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

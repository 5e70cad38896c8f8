"""The 24-patch chart in a scene: where its patches fall in the photo, and drawing it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hairtone.chart.reference import load_reference
from hairtone.chart.types import PATCHES
from hairtone.colorimetry import Floats
from hairtone.scene.canvas import Canvas, box_around
from hairtone.scene.types import ChartPlacement
from hairtone.spectra.viewing import viewing_wavelengths

# Everything on the chart is in pitches (one patch and one gap), origin at the field's centre.
COLUMNS, ROWS = 6, 4
PATCH_HALF = 0.43  # half a patch's side: gaps of 14 % of the pitch, as such charts have them
FRAME_MARGIN = 0.25  # dark frame beyond the outer gaps' middle; our choice
FRAME_REFLECTANCE = 0.032  # matt black frame; our choice
FIELD_WIDTH = COLUMNS - 1 + 2 * PATCH_HALF
FIELD_HEIGHT = ROWS - 1 + 2 * PATCH_HALF
LENS_TO_FRAME = 1.4  # lens distance in frame widths: 50 mm on a frame 36 mm wide


def chart_projection(placement: ChartPlacement, *, frame_width: int) -> Floats:
    """Homography from the chart's plane [pitches] to the photo [pixels], shape (3, 3)."""
    turn, axis, tilt = np.radians([placement.turn_deg, placement.tilt_axis_deg, placement.tilt_deg])
    rotation = _about_z(axis) @ _about_x(tilt) @ _about_z(-axis) @ _about_z(turn)
    if placement.is_mirrored:
        rotation = np.diag([-1.0, 1.0, 1.0]) @ rotation
    scaled = rotation[:, :2] * placement.width_px / FIELD_WIDTH
    distance = LENS_TO_FRAME * frame_width
    x, y = placement.centre
    lens = np.array([[distance, 0, x], [0, distance, y], [0, 0, 1.0]])
    return lens @ np.column_stack([scaled, [0.0, 0.0, distance]])


def _about_z(angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def _about_x(angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[1.0, 0, 0], [0, c, -s], [0, s, c]])


def project(homography: Floats, points: ArrayLike) -> Floats:
    """Points through a homography, shape (n, 2) -> (n, 2)."""
    flat = np.asarray(points, np.float64)
    through = np.column_stack([flat, np.ones(len(flat))]) @ homography.T
    return np.asarray(through[:, :2] / through[:, 2:])


def patch_centres(homography: Floats) -> Floats:
    """Centres of the 24 patches in the photo, shape (24, 2). [pixels, xy]"""
    numbers = np.arange(PATCHES)
    columns, rows = numbers % COLUMNS, numbers // COLUMNS
    return project(
        homography, np.column_stack([columns - (COLUMNS - 1) / 2, rows - (ROWS - 1) / 2])
    )


def field_corners(homography: Floats) -> Floats:
    """Corners of the patch field, from the one beside the first patch on, shape (4, 2)."""
    return project(homography, _rectangle(FIELD_WIDTH / 2, FIELD_HEIGHT / 2))


def frame_corners(homography: Floats) -> Floats:
    """Corners of the whole chart with its frame, shape (4, 2)."""
    return project(homography, _rectangle(COLUMNS / 2 + FRAME_MARGIN, ROWS / 2 + FRAME_MARGIN))


def _rectangle(half_width: float, half_height: float) -> Floats:
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray(signs * [half_width, half_height])


def chart_reflectances(placement: ChartPlacement, *, rng: np.random.Generator) -> Floats:
    """Reflectances of this very chart, shape (24, 81): its reference, each patch off a little."""
    reference = load_reference(placement.reference)
    grid = viewing_wavelengths()
    known = np.stack([np.interp(grid, reference.wavelengths, row) for row in reference.reflectance])
    x = np.linspace(-1, 1, len(grid))
    shapes = np.stack([0.8 * np.ones_like(x), 0.5 * x, 0.3 * (1.5 * x * x - 0.5)])
    off = placement.variation * (rng.standard_normal((PATCHES, 3)) @ shapes)
    return np.asarray(known * np.exp(off))


def draw_chart(canvas: Canvas, homography: Floats, colours: Floats, frame: Floats) -> None:
    """Lay the chart on the canvas.

    Parameters
    ----------
    canvas : Canvas
        Drawn into.
    homography : ndarray, shape (3, 3)
        Of `chart_projection`.
    colours : ndarray, shape (24, 3)
        Camera light of each patch.
    frame : ndarray, shape (3,)
        Camera light of the frame.
    """
    box = box_around(frame_corners(homography), size=canvas.size, margin=2)
    x, y = canvas.coordinates(box)
    x, y, scale = _onto_chart(np.asarray(np.linalg.inv(homography), np.float64), x, y)
    column = np.clip(np.floor(x + COLUMNS / 2), 0, COLUMNS - 1)
    row = np.clip(np.floor(y + ROWS / 2), 0, ROWS - 1)
    across = np.abs(x + COLUMNS / 2 - column - 0.5)
    down = np.abs(y + ROWS / 2 - row - 0.5)
    # shares of a pixel covered, its edge being straight over so short a way
    patch = _covered((PATCH_HALF - across) * scale) * _covered((PATCH_HALF - down) * scale)
    whole = _covered((COLUMNS / 2 + FRAME_MARGIN - np.abs(x)) * scale)
    whole = whole * _covered((ROWS / 2 + FRAME_MARGIN - np.abs(y)) * scale)
    number = (row * COLUMNS + column).astype(np.intp)
    table = colours.astype(np.float32)
    drawn = frame.astype(np.float32) + patch[..., None] * (table[number] - frame)
    canvas.lay(box, drawn.astype(np.float32), whole)


def _onto_chart(inverse: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Chart coordinates of pixels, and how many pixels a pitch has there."""
    depth = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    on_x = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) / depth
    on_y = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / depth
    # area of a pixel on the chart: the determinant of a homography's derivative
    area = np.abs(np.linalg.det(inverse) / depth**3)
    return on_x, on_y, 1 / np.sqrt(area)


def _covered(distance_px: Floats) -> Floats:
    return np.asarray(np.clip(0.5 + distance_px, 0, 1))

"""Charts drawn by known geometry: where every patch lies in the picture is known exactly."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, encode_srgb
from hairtone.photo.types import Encoding, Photo

REFERENCE = load_reference("chart24-after-2014-11")
CELL = 60  # pixels a cell of the flat drawing
RIM = 0.35  # of a cell: black frame around the patches
SRGB_FROM_XYZ = np.array(  # IEC 61966-2-1:1999
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
SENSOR = np.array([[0.70, 0.25, 0.05], [0.15, 0.70, 0.15], [0.05, 0.25, 0.70]])  # a raw camera's
PATCH_LIGHT = np.clip(REFERENCE.xyz(VIEWINGS["D65/2"]) @ SRGB_FROM_XYZ.T, 0.002, 1).reshape(4, 6, 3)


@dataclass(frozen=True, kw_only=True)
class Pose:
    """How a chart lies in the frame."""

    turn: float = 0.0  # degrees
    tilt: float = 0.0  # degrees away from the camera
    tilt_axis: float = 0.0  # degrees, direction of the axis it is tilted about
    width: float = 0.35  # of the frame's width, before turning
    middle: tuple[float, float] = (0.5, 0.5)  # of the frame
    is_mirrored: bool = False


@dataclass(frozen=True, kw_only=True)
class Look:
    """What light and camera make of it."""

    light: tuple[float, float, float] = (0.9, 0.9, 0.9)
    board: tuple[float, float, float] = (0.25, 0.25, 0.25)
    blur: float = 0.6  # SD, pixels
    noise: float = 0.004  # SD, encoded
    patch: float = 0.94  # of the pitch
    frame: float = 0.02  # reflectance of the chart's black frame
    bits: int = 8
    is_linear: bool = False


def flat_chart(patches: np.ndarray, look: Look) -> np.ndarray:
    """A chart (rows, columns, 3) in linear light, seen straight on, black frame included."""
    rows, columns = patches.shape[:2]
    rim = round(RIM * CELL)
    canvas = np.full((rows * CELL + 2 * rim, columns * CELL + 2 * rim, 3), look.frame)
    half = look.patch * CELL / 2
    for row in range(rows):
        for column in range(columns):
            x, y = rim + (column + 0.5) * CELL, rim + (row + 0.5) * CELL
            x0, x1 = round(x - half), round(x + half)
            y0, y1 = round(y - half), round(y + half)
            canvas[y0:y1, x0:x1] = patches[row, column]
    return canvas


def chart_to_frame(pose: Pose, size: tuple[int, int], *, columns: int = 6, rows: int = 4):
    """Chart column and row -> xy of the frame, shape (3, 3)."""
    width, height = size
    distance = 3.0 * columns  # from the camera, in cells
    turn, axis, tilt = np.radians([pose.turn, pose.tilt_axis, pose.tilt])
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    along = np.array([np.cos(axis), np.sin(axis), 0.0])
    cross = np.array([[0, 0, along[1]], [0, 0, -along[0]], [-along[1], along[0], 0]])
    lean = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
    plane = lean[:, :2] @ spin @ np.diag([-1.0 if pose.is_mirrored else 1.0, 1.0])
    scale = pose.width * width / columns
    camera = np.array(
        [
            [scale * distance, 0, pose.middle[0] * width],
            [0, scale * distance, pose.middle[1] * height],
            [0, 0, 1.0],
        ]
    )
    pose_matrix = np.column_stack([plane, [0, 0, distance]])
    centred = np.array([[1, 0, -(columns - 1) / 2], [0, 1, -(rows - 1) / 2], [0, 0, 1.0]])
    return camera @ pose_matrix @ centred


def place(light: np.ndarray, flat: np.ndarray, to_frame: np.ndarray) -> np.ndarray:
    """The flat chart laid into a picture of linear light, smooth at its edges."""
    rim = round(RIM * CELL)
    to_flat = np.array(
        [[CELL, 0, rim + CELL / 2 - 0.5], [0, CELL, rim + CELL / 2 - 0.5], [0, 0, 1]]
    )
    matrix = to_frame @ np.linalg.inv(to_flat)
    fine = 3  # pictures are drawn three times finer and averaged
    finer = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    height, width = light.shape[:2]
    size = (fine * width, fine * height)
    drawn = cv2.warpPerspective(flat.astype(np.float32), finer @ matrix, size)
    there = cv2.warpPerspective(np.ones(flat.shape[:2], np.float32), finer @ matrix, size)
    drawn = cv2.resize(drawn, (width, height), interpolation=cv2.INTER_AREA)
    there = cv2.resize(there, (width, height), interpolation=cv2.INTER_AREA)[..., None]
    return light * (1 - there) + drawn


def develop(light: np.ndarray, look: Look = Look(), *, seed: int = 1, name: str = "drawn.png"):
    """A photo of a picture of linear light."""
    light = (light @ SENSOR.T if look.is_linear else light) * np.array(look.light)
    if look.blur:
        light = cv2.GaussianBlur(light, (0, 0), look.blur)
    noise = np.random.default_rng(seed).normal(0, look.noise, light.shape)
    value = light + noise if look.is_linear else encode_srgb(np.clip(light, 0, None)) + noise
    levels = 2**look.bits
    codes = np.round(np.clip(value, 0, 1) * (levels - 1)).astype(f"uint{look.bits}")
    codes.flags.writeable = False
    table = np.repeat(np.linspace(0, 1, levels)[:, None], 3, axis=1)
    kind = ("linear raw", np.eye(3)) if look.is_linear else ("sRGB", np.linalg.inv(SRGB_FROM_XYZ))
    encoding = Encoding(name=kind[0], table=table, to_xyz=kind[1], is_linear=look.is_linear)
    return Photo(name=name, sha256="0" * 64, pixels=codes, encoding=encoding)


def board(size: tuple[int, int], look: Look = Look()) -> np.ndarray:
    """A bare board in linear light."""
    return np.tile(np.array(look.board), (size[1], size[0], 1))


def place_of_corners(to_frame: np.ndarray, look: Look) -> np.ndarray:
    """Outer corners of the patch field of a drawn 24-patch chart, shape (4, 2)."""
    near, right, low = -look.patch / 2, 5 + look.patch / 2, 3 + look.patch / 2
    corners = np.array([[near, near, 1], [right, near, 1], [right, low, 1], [near, low, 1]])
    lifted = corners @ to_frame.T
    return lifted[:, :2] / lifted[:, 2:]


def draw_light(
    poses: tuple[Pose, ...],
    look: Look,
    *,
    size: tuple[int, int] = (900, 675),
    patches: np.ndarray = PATCH_LIGHT,
):
    """Linear light of charts on a board, and chart column and row -> xy of each."""
    rows, columns = patches.shape[:2]
    flat, light, places = flat_chart(patches, look), board(size, look), []
    for pose in poses:
        places.append(chart_to_frame(pose, size, columns=columns, rows=rows))
        light = place(light, flat, places[-1])
    return light, places


def draw_photo(
    pose: Pose = Pose(), look: Look = Look(), *, also: tuple[Pose, ...] = (), seed=1, **kw
):
    """A photo of a chart on a board, and chart column and row -> xy of it (of all, with `also`)."""
    light, places = draw_light((pose, *also), look, **kw)
    return develop(light, look, seed=seed), places if also else places[0]


def cover(
    light: np.ndarray, to_frame: np.ndarray, box: tuple[float, ...], colour: tuple[float, ...]
):
    """The light with something opaque over a box x0, y0, x1, y1 of chart columns and rows."""
    x0, y0, x1, y1 = box
    lifted = np.array([[x0, y0, 1], [x1, y0, 1], [x1, y1, 1], [x0, y1, 1]]) @ to_frame.T
    quad = np.round(16 * lifted[:, :2] / lifted[:, 2:]).astype(np.int32)
    covered = light.copy()
    cv2.fillConvexPoly(covered, quad, colour, cv2.LINE_AA, 4)
    return covered

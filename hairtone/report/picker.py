"""Draw root-to-ends lines and chart corners on a photograph, in a notebook."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import anywidget
import numpy as np
import traitlets
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from hairtone.photo.types import Photo

_WEB: Final = Path(__file__).parent / "web"
_LONGEST: Final = 1600  # pixels of the preview's longer side; enough to see a parting; our choice


class Picker(anywidget.AnyWidget):
    """A photograph to click lines on; what is clicked is read back here.

    Attributes
    ----------
    lines : list of dict
        For each hair ``{"place": 1, "points": [[x, y], …], "width": None}``, roots first.
        [pixels of the upright photo, centre of the top-left pixel = (0, 0)]
    corners : list
        Chart corners clockwise from beside the first patch; empty while they are found. [pixels]
    mode : str
        ``"lines"`` or ``"corners"``: what a click sets.
    current : int
        Which of `lines` a click adds to.
    """

    _esm = _WEB / "picker.js"
    _css = _WEB / "picker.css"

    image = traitlets.Bytes().tag(sync=True)
    name = traitlets.Unicode().tag(sync=True)
    size = traitlets.List(traitlets.Int(), minlen=2, maxlen=2).tag(sync=True)
    lines = traitlets.List(traitlets.Dict()).tag(sync=True)
    corners = traitlets.List(traitlets.List(traitlets.Float()), maxlen=4).tag(sync=True)
    mode = traitlets.Enum(("lines", "corners"), default_value="lines").tag(sync=True)
    current = traitlets.Int(0).tag(sync=True)

    def line_text(self, place: int = 1) -> str:
        """The line of a hair as the sheet writes it, ``"x,y x,y …"``; empty with under two points.

        Parameters
        ----------
        place : int, optional
            Which hair, from 1.
        """
        for line in self.lines:
            if line["place"] == place and len(line["points"]) > 1:
                return points_text(line["points"])
        return ""

    def corners_text(self) -> str:
        """The four corners as the sheet writes them; empty while there are fewer."""
        return points_text(self.corners) if len(self.corners) == 4 else ""

    def set_line(self, points: ArrayLike, *, place: int = 1, width: float | None = None) -> None:
        """Give a hair its line from Python; the photograph shows it.

        Parameters
        ----------
        points : array_like, shape (n, 2)
            Roots first. [pixels of the upright photo, xy]
        place : int, optional
            Which hair, from 1.
        width : float, optional
            Strip width; found from the photo without it. [pixels]
        """
        line = {"place": place, "points": _points(points), "width": width}
        others = [dict(other) for other in self.lines if other["place"] != place]
        kept = sorted([*others, line], key=lambda entry: int(entry["place"]))
        self.lines = kept
        self.current = kept.index(line)


def pick(
    photo: str | Path | Photo,
    *,
    lines: Sequence[dict[str, Any]] = (),
    corners: ArrayLike | None = None,
) -> Picker:
    """A picker for a photograph.

    Parameters
    ----------
    photo : str, Path or Photo
        The photograph; read strictly, turned upright.
    lines : sequence of dict, optional
        Lines to start from: ``place``, ``points`` and ``width`` of each hair.
    corners : array_like, shape (4, 2), optional
        Chart corners to start from. [pixels, xy]

    Raises
    ------
    PhotoError
        The file is no photograph that can be believed.
    """
    from hairtone.photo.reader import read_photo

    read = read_photo(photo) if isinstance(photo, str | Path) else photo
    start = [
        {"place": int(e["place"]), "points": _points(e["points"]), "width": e.get("width")}
        for e in lines
    ]
    return Picker(
        image=preview_jpeg(read),
        name=read.name,
        size=list(read.size),
        lines=start or [{"place": 1, "points": [], "width": None}],
        corners=[] if corners is None else _points(corners),
    )


def preview_jpeg(photo: Photo, *, longest: int = _LONGEST) -> bytes:
    """The photo small enough for a screen, as JPEG without any of the camera's notes.

    Parameters
    ----------
    photo : Photo
        The photograph.
    longest : int, optional
        Longer side of the preview. [pixels]
    """
    from PIL import Image

    width, height = photo.size
    step = max(1, max(width, height) // (2 * longest))
    codes = shown_codes(photo, photo.pixels[::step, ::step, :3])
    scale = min(1.0, longest / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    out = io.BytesIO()
    Image.fromarray(codes).resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=88)
    return out.getvalue()


def shown_codes(photo: Photo, pixels: NDArray[np.integer[Any]]) -> NDArray[np.uint8]:
    """Codes of a photo as bytes for a screen; a table look-up, no float picture is made.

    Parameters
    ----------
    photo : Photo
        Whose encoding the codes are in.
    pixels : ndarray, shape (h, w, 3)
        Codes of it, or of a part of it.
    """
    table = photo.encoding.table
    if photo.encoding.is_linear:
        from hairtone.colorimetry import encode_srgb

        table = encode_srgb(table)
    shown = np.round(255 * np.clip(table, 0, 1)).astype(np.uint8)
    return np.asarray(shown[pixels, np.arange(3)])


def points_text(points: ArrayLike) -> str:
    """Points as the sheet writes them: ``"x,y x,y …"``, to a tenth of a pixel."""
    return " ".join(f"{x:g},{y:g}" for x, y in np.round(np.asarray(points, np.float64), 1))


def _points(points: ArrayLike) -> list[list[float]]:
    array = np.asarray(points, dtype=np.float64)
    if array.size == 0:
        return []
    if array.ndim != 2 or array.shape[1] != 2 or not np.isfinite(array).all():
        raise ValueError(f"Points have shape {array.shape}, expected (n, 2) of finite numbers.")
    return [[round(float(x), 1), round(float(y), 1)] for x, y in array]

"""The picker: a line drawn on a photo, from roots to ends, that goes into the study's sheet."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import anywidget
import numpy as np
import traitlets
from numpy.typing import ArrayLike, NDArray

from hairtone.errors import HairError, HairtoneError
from hairtone.study.editing import Sheet
from hairtone.study.files import Folder

if TYPE_CHECKING:
    from hairtone.photo.types import Photo


_WEB: Final = Path(__file__).parent / "web"
_LONGEST: Final = 1600  # pixels of the preview's longer side; enough to see a parting; our choice


class Picker(anywidget.AnyWidget):
    """A photograph to click lines on; what is clicked is read back here.

    Attributes
    ----------
    lines : list of dict
        For each hair ``{"place": 1, "points": [[x, y], …], "width": None, "mark": None}``, roots
        first; ``mark`` is the point where new growth ends. [pixels of the upright photo, centre of
        the top-left pixel = (0, 0)]
    outlines : list of dict
        What will be measured along each line: ``place``, ``points`` of the outline, what it was
        grown ``of``, what is to be ``says`` of it and whether that is a ``doubt``. Follows `lines`.
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
    outlines = traitlets.List(traitlets.Dict()).tag(sync=True)
    corners = traitlets.List(traitlets.List(traitlets.Float()), maxlen=4).tag(sync=True)
    mode = traitlets.Enum(("lines", "corners"), default_value="lines").tag(sync=True)
    current = traitlets.Int(0).tag(sync=True)

    photo: Photo | None = None  # what outlines are grown on

    @traitlets.observe("lines")
    def _grow(self, _: Any = None) -> None:
        """Outlines of the lines as they are now; those whose line is the same are kept."""
        if self.photo is None:
            return
        known = {json.dumps(outline["of"]): outline for outline in self.outlines}
        found = []
        for line in self.lines:
            if len(line["points"]) > 1:
                key = json.dumps(_ground_of(line))
                found.append({**known.get(key, {}), "place": line["place"]}
                             if key in known else outline_of(self.photo, line))  # fmt: skip
        self.outlines = found

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

    def set_line(
        self,
        points: ArrayLike,
        *,
        place: int = 1,
        width: float | None = None,
        regrowth: ArrayLike | None = None,
    ) -> None:
        """Give a hair its line from Python; the photograph shows it.

        Parameters
        ----------
        points : array_like, shape (n, 2)
            Roots first. [pixels of the upright photo, xy]
        place : int, optional
            Which hair, from 1.
        width : float, optional
            Strip that the outline does not leave; grown freely without it. [pixels]
        regrowth : array_like, shape (2,), optional
            Point on the line where new growth ends. [pixels, xy]
        """
        mark = None if regrowth is None else _points(np.asarray(regrowth)[None])[0]
        line = {"place": place, "points": _points(points), "width": width, "mark": mark}
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
    """Return a picker for a photograph.

    Parameters
    ----------
    photo : str, Path or Photo
        The photograph; read strictly, turned upright.
    lines : sequence of dict, optional
        Lines to start from: ``place``, ``points``, ``width`` and ``mark`` of each hair.
    corners : array_like, shape (4, 2), optional
        Chart corners to start from. [pixels, xy]

    Raises
    ------
    PhotoError
        The file is not a photograph that we can trust.
    """
    from hairtone.photo.reader import read_photo

    read = read_photo(photo) if isinstance(photo, str | Path) else photo
    start = [
        {
            "place": int(e["place"]),
            "points": _points(e["points"]),
            "width": e.get("width"),
            "mark": None if e.get("mark") is None else _points([e["mark"]])[0],
        }
        for e in lines
    ]
    picker = Picker(
        image=preview_jpeg(read),
        name=read.name,
        size=list(read.size),
        lines=start or [{"place": 1, "points": [], "width": None, "mark": None}],
        corners=[] if corners is None else _points(corners),
    )
    picker.photo = read
    picker._grow()
    return picker


def outline_of(photo: Photo, line: dict[str, Any]) -> dict[str, Any]:
    """The outline that will be measured along a line, ready for the picker to draw.

    Parameters
    ----------
    photo : Photo
        The photograph.
    line : dict
        ``place``, ``points``, ``width`` and ``mark``, as in `Picker.lines`.

    Returns
    -------
    dict
        As in `Picker.outlines`; without points where the line cannot be measured, and why.
    """
    from hairtone.hair.strands import measured_line, section_of

    found: dict[str, Any] = {"place": line["place"], "of": _ground_of(line), "points": []}
    try:
        points, _ = measured_line(photo, line["points"], regrowth=line.get("mark"))
        section = section_of(photo, points, width=line.get("width"))
    except HairError as error:
        return {**found, "says": f"{error.says} {error.remedy}", "doubt": True}
    doubts = [str(flag) for flag in section.flags if not flag.is_note]
    says = doubts or [flag.says for flag in section.flags] or ["The whole strip will be measured."]
    return {
        **found,
        "points": _points(section.outline),
        "says": " ".join(says),
        "doubt": bool(doubts),
    }


def _ground_of(line: dict[str, Any]) -> list[Any]:
    """What an outline depends on; the page shows it only while this is still so."""
    return [line["points"], line.get("width"), line.get("mark")]


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


def picker_for(folder: Path, photo: str, say: Callable[..., None]) -> Picker:
    """A picker on one photograph of a study, beginning with what its sheet holds.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo : str
        Name from the study folder down.
    say : callable
        Gets a sentence after each change, and ``kind="wrong"`` with one that failed.

    Raises
    ------
    HairtoneError
        The photo or the sheet cannot be read.
    """
    rows = [row for row in Sheet(folder).rows if row.get("photo") == photo]
    lines, corners = lines_of(rows)
    picker = pick(Folder(folder).find(photo), lines=lines, corners=corners)

    def keep(_: Any) -> None:
        try:
            keep_lines(folder, photo, picker)
        except HairtoneError as error:
            say(str(error), kind="wrong")
        else:
            say("The line is in the sheet. Measure again when you are done.")

    picker.observe(keep, names=["lines", "corners"])
    return picker


def lines_of(rows: list[dict[str, str]]) -> tuple[list[dict[str, Any]], list[list[float]] | None]:
    """Return the lines and the chart corners that the rows of one photo hold.

    Parameters
    ----------
    rows : list of dict
        Texts of the sheet, as `Sheet.rows`.
    """
    corners = next((_points_of_text(row["corners"]) for row in rows if row.get("corners")), None)
    return [_line(row) for row in rows], corners


def keep_lines(folder: Path, photo: str, picker: Picker) -> None:
    """Write a picker's lines, widths, marks of new growth and corners into the sheet.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo : str
        Name from the study folder down.
    picker : Picker
        What was drawn. A line of one point is none yet.

    Raises
    ------
    HairtoneError
        The sheet cannot be read or written; it is left as it was.
    """
    sheet = Sheet(folder)
    corners = picker.corners_text()
    for entry in picker.lines:
        place, points = int(entry["place"]), entry["points"]
        has_line = len(points) > 1
        if not has_line and sheet.find(photo, place=place) is None:
            continue
        width = entry.get("width")
        cells = {
            "line": points_text(points) if has_line else "",
            "width": f"{width:g}" if has_line and width else "",
            "regrowth": points_text([entry["mark"]]) if has_line and entry.get("mark") else "",
            "corners": corners,
        }
        known = {name: text for name, text in cells.items() if text or name in sheet.header}
        sheet.set(photo, known, place=place)
    sheet.save()


def _line(row: dict[str, str]) -> dict[str, Any]:
    return {
        "place": int(row.get("place") or 1),
        "points": _points_of_text(row.get("line", "")),
        "width": float(row["width"].replace(",", ".")) if row.get("width") else None,
        "mark": next(iter(_points_of_text(row.get("regrowth", ""))), None),
    }


def _points_of_text(text: str) -> list[list[float]]:
    return [[float(number) for number in pair.split(",")] for pair in text.split()]

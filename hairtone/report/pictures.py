"""Crops of the photographs for a report: hair only, and only where study and consent allow it."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.errors import HairtoneError
from hairtone.report.blocks import Shown
from hairtone.report.source import wash_words
from hairtone.report.types import Audience
from hairtone.report.views import HairView, first_of_each_wash

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult

# uses a person must have agreed to before a report of that kind shows the hair; our choice
NEEDED: Final[dict[Audience, tuple[str, ...]]] = {
    "educator": ("teach", "assess"),
    "stylist": ("measure",),
    "tester": ("publish",),
}
_TALLEST: Final = 420  # pixels of a crop's longer side; our choice
_AROUND: Final = 0.12  # of the line's length, left around it; our choice


def crops_of(view: HairView, *, audience: Audience) -> tuple[Shown, ...]:
    """Before, just coloured and the last wash of one hair, cropped to the hair.

    Empty unless ``show_photos`` is on in study.toml and the subject's consent holds every use
    that this report stands for.

    Parameters
    ----------
    view : HairView
        The hair.
    audience : str
        Whom the report is for.
    """
    settings = view.outcome.study.settings
    subject = settings.subjects.get(view.rows[0].row.subject)
    if not settings.show_photos or subject is None:
        return ()
    if not all(subject.allows(scope) for scope in NEEDED[audience]):
        return ()
    rows = first_of_each_wash(view)
    wanted = [row for row in rows if row.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows and rows[-1] not in wanted else []
    found = [_crop(view, row) for row in wanted]
    return tuple(crop for crop in found if crop is not None)


def _crop(view: HairView, row: RowResult) -> Shown | None:
    line = (row.hair.get("tress") or {}).get("line")
    if not line:
        return None
    from hairtone.photo.reader import read_photo
    from hairtone.study.paths import Folder

    try:
        path = Folder(view.outcome.study.folder).find(row.row.photo)
        photo = read_photo(path, expected_sha256=row.sha256 or None)
    except (HairtoneError, OSError):
        return None
    when = wash_words(row.row.wash_text)
    return Shown(
        uri=_jpeg_uri(photo, np.asarray(line, dtype=np.float64)),
        alt=f"Photograph of {view.name}, {when}, cropped to the hair; colours as the camera wrote "
        f"them, not measured.",
        caption=f"{view.name}, {when}: the photograph, not calibrated.",
    )


def _jpeg_uri(photo: Any, line: np.ndarray) -> str:
    """The photo's part around a line, without any of the camera's notes."""
    from PIL import Image

    from hairtone.report.picker import shown_codes

    width, height = photo.size
    reach = _AROUND * float(np.hypot(*np.diff(line, axis=0).T).sum())
    x0, y0 = np.maximum(np.floor(line.min(axis=0) - reach), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(line.max(axis=0) + reach), (width - 1, height - 1)).astype(int)
    codes = shown_codes(photo, photo.pixels[y0 : y1 + 1, x0 : x1 + 1, :3])
    picture = Image.fromarray(codes)
    picture.thumbnail((_TALLEST, _TALLEST), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")

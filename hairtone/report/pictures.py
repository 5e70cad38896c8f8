"""Photographs in a report: cropped to the hair, its outline drawn, shown by consent only."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import HairtoneError
from hairtone.report.blocks import FigureBlock
from hairtone.report.types import Audience
from hairtone.report.views import HairView, key_photos, wash_words

if TYPE_CHECKING:
    from hairtone.study.hair_measures import PhotoMeasures
    from hairtone.study.settings import Settings

# uses a person must have agreed to before a report of that kind shows the hair; our choice
NEEDED_CONSENT: Final[dict[Audience, tuple[str, ...]]] = {
    "educator": ("teach", "assess"),
    "stylist": ("measure",),
    "tester": ("publish",),
}
HEIGHT_PX: Final = 640  # of a picture: 8 cm at 200 dots an inch
MARGIN: Final = 0.12  # of the hair's length, left around it; our choice
OUTLINE_PX: Final = 3  # of the line drawn, beside a darker one so that it shows on any hair


def may_show(settings: Settings, subject: str, *, audience: Audience) -> bool:
    """Return whether photographs of a subject may stand in a report of this kind.

    They may where consent for each of its uses is on record, unless study.toml says
    ``show_photos = false``.
    """
    known = settings.subjects.get(subject)
    if settings.show_photos is False or known is None:
        return False
    return all(known.allows(scope) for scope in NEEDED_CONSENT[audience])


def pictures_of(view: HairView, *, audience: Audience) -> tuple[FigureBlock, ...]:
    """Return before, just coloured and the last wash of one hair, cropped, with its outline.

    Parameters
    ----------
    view : HairView
        The hair.
    audience : str
        Whom the report is for: it decides which consent is needed. Without it: nothing.
    """
    if not may_show(view.settings, view.rows[0].row.subject, audience=audience):
        return ()
    found = [_picture(view, photo) for photo in key_photos(view)]
    return tuple(picture for picture in found if picture is not None)


def _picture(view: HairView, measured: PhotoMeasures) -> FigureBlock | None:
    row = measured.row
    tress = row.hair.get("tress") or {}
    points = tress.get("outline") or tress.get("line")
    if not points:
        return None
    from hairtone.photo.reader import read_photo
    from hairtone.study.files import Folder

    try:
        path = Folder(view.outcome.study.folder).find(row.row.photo)
        photo = read_photo(path, expected_sha256=row.sha256 or None)
    except (HairtoneError, OSError):
        return None
    when = wash_words(row.row.wash_text)
    return FigureBlock(
        uri=_jpeg_uri(photo, np.asarray(points, dtype=np.float64), bool(tress.get("outline"))),
        alt=f"Photograph of {view.name}, {when}, cropped to the hair. The line around it shows "
        f"what was measured. Colours are as the camera wrote them.",
        caption=f"{when[:1].upper()}{when[1:]}",
    )


def _jpeg_uri(photo: Any, outline: Floats, is_closed: bool) -> str:
    """The photo's part around an outline, without any of the camera's notes."""
    from PIL import Image, ImageDraw

    from hairtone.report.picker import shown_codes

    width, height = photo.size
    reach = MARGIN * float(np.ptp(outline, axis=0).max())
    x0, y0 = np.maximum(np.floor(outline.min(axis=0) - reach), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(outline.max(axis=0) + reach), (width - 1, height - 1)).astype(int)
    picture = Image.fromarray(shown_codes(photo, photo.pixels[y0 : y1 + 1, x0 : x1 + 1, :3]))
    scale = min(1.0, HEIGHT_PX / picture.height)
    size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
    picture = picture.resize(size, Image.Resampling.LANCZOS)
    drawn = [tuple(point) for point in (outline - (x0, y0)) * scale]
    if is_closed:
        drawn.append(drawn[0])
    pen = ImageDraw.Draw(picture)
    pen.line(drawn, fill=(20, 20, 20), width=OUTLINE_PX + 2)
    pen.line(drawn, fill=(255, 255, 255), width=OUTLINE_PX - 1)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=86)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")

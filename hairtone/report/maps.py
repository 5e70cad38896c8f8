"""Where on the hair itself its colour leaves the mean: a map measured anew from the photograph."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from hairtone.errors import HairError
from hairtone.report.source import wash_words
from hairtone.report.style import DEPTH, RULE, Picture, single, styled
from hairtone.report.views import HairView

if TYPE_CHECKING:
    from hairtone.calibration.types import Calibration, LightField
    from hairtone.chart.types import ChartReading
    from hairtone.hair.map import HairMap
    from hairtone.hair.types import Strand
    from hairtone.photo.types import Photo
    from hairtone.request import HairRequest


@styled
def figure_hairmap(found: HairMap, ax: Axes | None = None, *, top: float = 8.0) -> Picture:
    """The hair as a map of ΔE00 from one colour; shading and highlights show as they are seen.

    Parameters
    ----------
    found : HairMap
        From `map_hair`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    top : float, optional
        ΔE00 at the dark end of the scale: one for a whole study.
    """
    height, width = found.mask.shape
    picture, ax = single(ax, width=max(3.2, 5.6 * width / max(height, width)), height=5.6)
    shown = np.ma.masked_where(~found.mask, found.delta_e)
    drawn = ax.imshow(shown, cmap=DEPTH, vmin=0, vmax=top, interpolation="nearest")
    ax.set(xticks=[], yticks=[])
    for side in ax.spines.values():
        side.set_visible(False)
    bar = picture.colorbar(drawn, ax=ax, shrink=0.6, aspect=24, extend="max")
    bar.set_label("ΔE₀₀ from the hair's mean, single pixels")
    bar.outline.set_edgecolor(RULE)
    return picture


def hair_map(view: HairView, *, wash: str = "0") -> HairMap:
    """The map of one hair at one wash, measured anew from its photograph.

    Parameters
    ----------
    view : HairView
        The hair.
    wash : str, optional
        As the sheet writes it.

    Raises
    ------
    HairError
        The hair was not measured at that wash, or is not found again.
    PhotoError, ChartError, LightError, CalibrationError
        The photograph has become unusable since.
    """
    from hairtone.hair.map import map_hair
    from hairtone.photo.reader import read_photo
    from hairtone.pipeline import calibrate_photo
    from hairtone.study.plan import photo_requests

    row = next((row for row in view.measured if row.row.wash_text == wash), None)
    if row is None:
        raise HairError(
            "wash-not-measured",
            f"{view.name} was not measured {wash_words(wash)}.",
            remedy="Choose a wash that was measured.",
        )
    requests = photo_requests(view.outcome.study)
    request = next(request for request in requests if request.name == row.row.photo)
    photo = read_photo(request.path, expected_sha256=row.sha256 or None)
    known = calibrate_photo(photo, request)
    hair = next(hair for hair in request.hairs if hair.place == row.row.place)
    return map_hair(photo, known[1], known[2], _strand(photo, known, hair))


def _strand(
    photo: Photo, known: tuple[ChartReading, Calibration, LightField], hair: HairRequest
) -> Strand:
    from hairtone.hair.finder import find_strands, strand_along

    if hair.line is not None:
        return strand_along(photo, hair.line, width=hair.width, regrowth=hair.regrowth)
    strands = find_strands(photo, *known, roots=hair.roots)
    if hair.place > len(strands):
        raise HairError(
            "place-not-found",
            f"Hair {hair.place} was not found again; {len(strands)} were.",
            where=photo.name,
            remedy="Draw its line by hand.",
        )
    strand = strands[hair.place - 1]
    if strand.error is not None:
        raise strand.error
    return strand

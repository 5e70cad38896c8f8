"""A photo once its chart is read: it finds hair, profiles it, and gives the colour of any area."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.solve import calibrate as solve_calibration
from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.finder import find_chart
from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.chart.types import PATCH_NAMES, ChartReading
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, Viewing, viewing_named
from hairtone.errors import Flag, HairError, PhotoError
from hairtone.hair.profile import measure_profile, seed_of
from hairtone.hair.section import outline_on_chart, refuse_on_chart
from hairtone.hair.strands import find_strands, refuse_without_fibres, strand_along
from hairtone.hair.types import Profile, Side, Strand
from hairtone.photo.pixels import clipped_share, encoded_values
from hairtone.photo.reader import read_photo
from hairtone.photo.types import Photo
from hairtone.showing import Shown
from hairtone.uncertainty import LabEstimate

POINT_RADIUS: Final = 3  # pixels around a point that are averaged: under a fibre's texture; ours
MAX_CLIPPED_SHARE: Final = 0.02  # of an area; more and its mean is too dark to mean much; ours
TILES: Final = 8  # a side of the area's box: their means say how well its own mean is known; ours


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CalibratedPhoto(Shown):
    """A photo whose chart has been read.

    Attributes
    ----------
    photo : Photo
        The photograph.
    chart : ChartReading
        Where its chart lies and what its patches show.
    calibration : Calibration
        From codes to L*a*b*, with what is known of its error.
    light : LightField
        How the light falls over the frame.
    """

    photo: Photo
    chart: ChartReading
    calibration: Calibration
    light: LightField

    @property
    def viewing(self) -> Viewing:
        """Illuminant and observer of every L*a*b*."""
        return self.calibration.viewing

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Doubts about the file, its chart, its light and its calibration."""
        return self.photo.flags + self.chart.flags + self.light.flags + self.calibration.flags

    def find_hair(self, *, roots: Side | None = None) -> tuple[Strand, ...]:
        """Return the tresses on the board, left to right (top to bottom where laid across).

        Parameters
        ----------
        roots : str, optional
            Side the roots lie on: ``"top"``, ``"bottom"``, ``"left"`` or ``"right"``. By default
            the clamped end, and without a clamp the upper one (left one, laid across).

        Raises
        ------
        HairError
            No hair is found, it is too small, or its roots are unclear.
        """
        return find_strands(self.photo, self.chart, self.calibration, self.light, roots=roots)

    def hair_along(
        self,
        line: ArrayLike,
        *,
        width: float | None = None,
        regrowth: ArrayLike | None = None,
        name: str = "1",
    ) -> Strand:
        """Return the hair along a line drawn from roots to ends, on any background.

        Parameters
        ----------
        line : array_like, shape (n, 2)
            Roots first, at least two points. [pixels of the upright photo, xy]
        width : float, optional
            Strip that the outline does not leave. [pixels]
        regrowth : array_like, shape (2,), optional
            Point on the line where new growth ends; what is measured begins there. [pixels, xy]
        name : str, optional
            What results call the hair.

        Raises
        ------
        HairError
            The line is malformed, leaves the photo, crosses the chart, or lies on what shows no
            fibres, or the hair is too small.
        """
        points = np.asarray(line, dtype=np.float64)
        refuse_on_chart(self.photo, points, self.chart.corners)
        strand = strand_along(self.photo, points, width=width, name=name, regrowth=regrowth)
        strand = refuse_without_fibres(self.photo, strand, self.chart)
        flags = strand.flags + outline_on_chart(strand, self.chart.corners)
        return strand.flagged(flags)

    def profile(self, strand: Strand) -> Profile:
        """Return the body colour of a strand in 60 places from roots to ends.

        Raises
        ------
        HairError
            Too few pixels, too many of them clipped, or light that no board shows.
        """
        return measure_profile(self.photo, self.calibration, self.light, strand)

    def lab(self, area: ArrayLike) -> LabEstimate:
        """Return the mean colour of an area of the photo, the fall of the light corrected.

        Pixels are averaged in linear light. Glare is not looked for: that belongs to hair, whose
        colour `profile` gives.

        Parameters
        ----------
        area : array_like
            A point, shape (2,) or (1, 2); a polygon, shape (n, 2) with n of 3 or more; or a mask,
            bool, of the photo's height and width. [pixels of the upright photo, xy]

        Raises
        ------
        HairError
            ``area-outside`` or ``area-clipped``.
        ValueError
            `area` is none of the three.
        """
        rows, columns = np.nonzero(_mask_of(area, self.photo))
        if len(rows) == 0:
            raise HairError(
                "area-outside",
                "The area holds no pixel of the photo.",
                where=self.photo.name,
                remedy="Give points inside the photo, x first, counted from its upper left corner.",
            )
        codes = self.photo.pixels[rows, columns]
        clipped = clipped_share(self.photo, codes)
        if max(clipped.high, clipped.low) > MAX_CLIPPED_SHARE:
            raise HairError(
                "area-clipped",
                f"{max(clipped.high, clipped.low):.0%} of the area is clipped, "
                f"{'white' if clipped.high >= clipped.low else 'black'}.",
                where=self.photo.name,
                remedy="Choose an area that is not clipped, or take the photo again with another "
                "exposure.",
            )
        points = np.stack([columns, rows], axis=1).astype(np.float64)
        linear = self.calibration.model.linear(encoded_values(self.photo, codes))
        return self._estimate(linear / self.light.at(points)[:, None], points)

    def _estimate(self, linear: Floats, points: Floats) -> LabEstimate:
        """The mean of pixels under the light of the chart, shape (n, 3), with its error."""
        model = self.calibration.model
        mean = linear.mean(axis=0)
        steps = _steps_of_the_mean(linear, points)
        values = model.lab(np.vstack([mean, mean + steps]))
        moved = values[1:] - values[0]
        middle = points.mean(axis=0)[None]
        draws = len(model.lab_draws(mean[None]))
        shaken = self.light.draws_at(middle, draws=draws, seed=seed_of(self.photo))
        gain = self.light.at(middle) / shaken
        return LabEstimate(
            lab=values[0],
            sampling_covariance=moved.T @ moved,
            draws=model.lab_draws(mean * gain[..., None])[:, 0].astype(np.float32),
            viewing=self.viewing,
        )

    def to_frame(self) -> Any:
        """Return one row a patch: patch, L, a, b (of the reference), residual, held_out, usable.

        The last two errors are ΔE00 in the fit, and when the patch is left out of it.
        """
        import pandas as pd

        lab = self.chart.reference.lab(self.viewing)
        columns = dict(zip(("L", "a", "b"), lab.T, strict=True))
        found = self.calibration
        return pd.DataFrame(
            {"patch": PATCH_NAMES}
            | columns
            | {"residual": found.residual, "held_out": found.held_out, "usable": self.chart.usable}
        )

    def __repr__(self) -> str:
        error = np.nanmean(self.calibration.held_out)
        return (
            f"CalibratedPhoto({self.photo.name!r}, {self.calibration.reference}, "
            f"held-out error ΔE00 {error:.1f}, {self.viewing.name})"
        )


def calibrate(
    photo: Photo | str | os.PathLike[str],
    *,
    viewing: str | Viewing = DEFAULT_VIEWING,
    chart: str = DEFAULT_CHART,
    folder: Path | None = None,
    corners: ArrayLike | None = None,
    card: Photo | str | os.PathLike[str] | None = None,
) -> CalibratedPhoto:
    """Return a photo with its chart read, its colours calibrated and its light known.

    Parameters
    ----------
    photo : Photo or path-like
        The photograph, with a 24-patch chart in the plane of the hair.
    viewing : str or Viewing, optional
        Illuminant and observer, such as ``"D65/10"``.
    chart : str, optional
        Chart reference, or a chart file.
    folder : Path, optional
        Where a relative chart file starts from.
    corners : array_like, shape (4, 2), optional
        Chart corners by hand, clockwise from the first patch. [pixels, xy]
    card : Photo or path-like, optional
        A photo of the bare board or a plain card in the same light, of the same size.

    Raises
    ------
    PhotoError, ChartError, LightError, CalibrationError
        The photo is refused; the error says why, and what to do.
    """
    photo = photo if isinstance(photo, Photo) else read_photo(photo)
    if card is not None and not isinstance(card, Photo):
        card = read_photo(card)
    if card is not None and card.size != photo.size:
        raise PhotoError(
            "card-size",
            f"The plain-card photo has {card.size[0]} x {card.size[1]} pixels, this photo "
            f"{photo.size[0]} x {photo.size[1]}.",
            where=photo.name,
            remedy="Take the plain card with the same camera, turn and distance.",
        )
    reading = find_chart(
        photo,
        reference=load_reference(chart, folder=folder),
        corners=None if corners is None else np.asarray(corners, dtype=np.float64),
    )
    viewing = viewing if isinstance(viewing, Viewing) else viewing_named(viewing)
    calibration, light = solve_calibration(photo, reading, viewing=viewing, card=card)
    return CalibratedPhoto(photo=photo, chart=reading, calibration=calibration, light=light)


def _mask_of(area: ArrayLike, photo: Photo) -> NDArray[np.bool_]:
    """The pixels of a point, a polygon or a mask."""
    width, height = photo.size
    given = np.asarray(area)
    if given.dtype == np.bool_ and given.shape == (height, width):
        return given
    points = np.atleast_2d(np.asarray(area, dtype=np.float64))
    if points.ndim != 2 or points.shape[1] != 2 or len(points) == 2:
        raise ValueError(
            f"area has shape {given.shape} and type {given.dtype}. Give a point (x, y), a polygon "
            f"of at least 3 points, or a mask of bool, shape ({height}, {width})."
        )
    if len(points) == 1:
        rows, columns = np.ogrid[:height, :width]
        x, y = points[0]
        return np.asarray((columns - x) ** 2 + (rows - y) ** 2 <= POINT_RADIUS**2)
    from skimage.draw import polygon2mask

    filled = polygon2mask((height, width), points[:, ::-1])  # type: ignore[no-untyped-call]
    return np.asarray(filled, dtype=np.bool_)


def _steps_of_the_mean(linear: Floats, points: Floats) -> Floats:
    """Steps whose outer products sum to the covariance of the mean, shape (n, 3).

    Neighbouring pixels share what they show, so means over tiles of the area stand for
    independent looks at it; a handful of pixels stand for themselves.
    """
    low, high = points.min(axis=0), points.max(axis=0)
    tile = np.minimum((points - low) / np.maximum(high - low + 1, 1) * TILES, TILES - 1).astype(int)
    _, index, count = np.unique(tile @ [TILES, 1], return_inverse=True, return_counts=True)
    sums = np.zeros((len(count), 3))
    np.add.at(sums, index, linear)
    away = sums / count[:, None] - linear.mean(axis=0)
    weight = count / count.sum()
    return np.asarray(away * weight[:, None] * np.sqrt(len(count) / max(len(count) - 1, 1)))

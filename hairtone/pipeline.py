"""One photo, start to end: the few lines that call the rooms in order."""

from __future__ import annotations

import dataclasses
import logging
import os
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibrated import CalibratedPhoto, calibrate
from hairtone.calibration.known import KnownTress, sharpen_by_known
from hairtone.chart.reference import DEFAULT_CHART
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, viewing_named
from hairtone.errors import Flag, HairError, HairtoneError, MeasureError
from hairtone.hair.map import lightness_strip, strand_outline, texture_signature
from hairtone.hair.profile import body_light
from hairtone.hair.types import Side, Strand
from hairtone.measures.blend import COARSEST_SCALE, StrandContrast, strand_contrast
from hairtone.measures.evenness import measure_evenness
from hairtone.photo.quality import frame_doubts, judge_screen
from hairtone.photo.reader import UNNAMED, Source, read_photo
from hairtone.photo.types import Photo
from hairtone.request import HairRequest, PhotoRequest
from hairtone.result import ChartFacts, PhotoResult, TressResult, rounded

LOG: Final = logging.getLogger(__name__)
MOST_KEPT: Final = 30 << 20  # bytes; glibc learns from no block above 32 MB
LEAST_WHITE: Final = 5.0  # per cent of hair that bright fibres among dull ones show; our choice


def measure(
    photo: Photo | str | os.PathLike[str] | bytes | NDArray[Any],
    *,
    viewing: str = DEFAULT_VIEWING.name,
    chart: str | None = None,
    line: ArrayLike | None = None,
    roots: Side | None = None,
    corners: ArrayLike | None = None,
) -> PhotoResult:
    """Return the colour of every hair in one photograph, measured, flagged or refused.

    Parameters
    ----------
    photo : Photo, path-like, bytes or ndarray
        The photograph, with a 24-patch chart in the plane of the hair: a file, its bytes, a photo
        from `read_photo`, or sRGB codes of shape (height, width, 3).
    viewing : str, optional
        ``"D65/10"``, ``"D65/2"`` or ``"D50/2"``.
    chart : str, optional
        Chart reference or chart file; without it the newest edition is assumed and noted.
    line : array_like, shape (n, 2), optional
        Root-to-ends line of one hair; without it tresses are found on a plain board.
        [pixels of the upright photo, xy]
    roots : str, optional
        Side the roots lie on: ``"top"``, ``"bottom"``, ``"left"``, ``"right"``.
    corners : array_like, shape (4, 2), optional
        Chart corners by hand, clockwise from the first patch. [pixels, xy]

    Returns
    -------
    PhotoResult
        A photo that cannot be measured comes back refused, with the reason and the remedy.
    """
    hairs: tuple[HairRequest, ...] = ()
    if line is not None:
        hairs = (HairRequest(line=np.asarray(line, np.float64), roots=roots),)
    elif roots is not None:
        hairs = (HairRequest(place=0, roots=roots),)
    request = PhotoRequest(
        path=Path(photo if isinstance(photo, str | os.PathLike) else _name_of(photo)),
        viewing=viewing_named(viewing),
        chart=chart or DEFAULT_CHART,
        chart_is_stated=chart is not None,
        corners=None if corners is None else np.asarray(corners, np.float64),
        hairs=hairs,
    )
    if isinstance(photo, Photo):
        return measure_pixels(photo, request)
    return measure_photo(request, source=photo)


def _name_of(photo: Photo | bytes | NDArray[Any]) -> str:
    return photo.name if isinstance(photo, Photo) else UNNAMED


def measure_photo(request: PhotoRequest, *, source: Source | None = None) -> PhotoResult:
    """Return the photo of a request, measured, flagged or refused; only bugs raise.

    Parameters
    ----------
    request : PhotoRequest
        What is asked.
    source : path-like, bytes or ndarray, optional
        What to read in place of the request's path.
    """
    _keep_freed_memory()
    try:
        photo = read_photo(
            request.path if source is None else source, expected_sha256=request.expected_sha256
        )
    except HairtoneError as error:
        name = request.name or request.path.name
        return PhotoResult(photo=name, viewing=request.viewing, error=error)
    return measure_pixels(photo, request)


@cache
def _keep_freed_memory() -> None:
    """Let glibc keep what one step frees for the next: a twelfth of the time of a photo.

    Its allocator learns from the largest block that was freed, up to 32 MB, from which size on
    memory goes back to the system, to be zeroed page by page when it is asked for again
    (mallopt(3), M_MMAP_THRESHOLD). No page of this block is ever touched. Elsewhere it is nothing.
    """
    np.empty(MOST_KEPT, np.uint8)


def measure_pixels(photo: Photo, request: PhotoRequest) -> PhotoResult:
    """`measure_photo` for a photo that has been read; the file of the request is not opened."""
    known: dict[str, Any] = {
        "photo": request.name or request.path.name,
        "sha256": photo.sha256,
        "viewing": request.viewing,
    }
    try:
        doubts = judge_screen(photo)
        seen = calibrate_photo(photo, request)
        wanted = _wanted_strands(seen, request)
        seen = _sharpened(seen, wanted, request)
        tresses = _measure_hairs(seen, wanted, request)
    except HairtoneError as error:
        LOG.debug("%s: refused, %s", photo.name, error.code)
        return PhotoResult(error=error, flags=_known_of(photo, error), **known)
    LOG.debug("%s: %d of %d hairs measured, %s, held-out ΔE00 %.1f", photo.name,
              sum(t.error is None for t in tresses), len(tresses), seen.calibration.method,
              float(np.nanmean(seen.calibration.held_out)))  # fmt: skip
    notes = () if request.chart_is_stated else (_edition_assumed(seen.chart),)
    return PhotoResult(
        chart=_chart_facts(seen),
        tresses=tresses,
        flags=seen.flags + doubts + notes,
        taken=photo.exposure.taken,
        camera=f"{photo.exposure.make} {photo.exposure.model}".strip(),
        **known,
    )


def _known_of(photo: Photo, error: HairtoneError) -> tuple[Flag, ...]:
    """Doubts about a refused photo; blur or darkness may be why nothing was found in it."""
    return photo.flags + tuple(f for f in frame_doubts(photo) if f.code != error.code)


def calibrate_photo(photo: Photo, request: PhotoRequest) -> CalibratedPhoto:
    """Return a photo that has been read with its chart, calibration and light field."""
    return calibrate(
        photo,
        viewing=request.viewing,
        chart=request.chart,
        folder=request.folder,
        corners=request.corners,
        card=request.card,
    )


def _sharpened(
    seen: CalibratedPhoto,
    wanted: list[tuple[int, Strand | HairtoneError]],
    request: PhotoRequest,
) -> CalibratedPhoto:
    """The photo after its calibration has seen its reference tresses, if there are any."""
    strands = dict(wanted)
    known, unread = [], []
    for hair in request.hairs:
        strand = strands.get(hair.place)
        if hair.known_lab is None or strand is None:
            continue
        try:
            if isinstance(strand, HairtoneError):
                raise strand
            linear = body_light(seen.photo, seen.calibration, seen.light, strand)
        except HairtoneError as error:
            unread.append(_unread(hair.place, error))
            continue
        known.append(
            KnownTress(place=hair.place, linear=linear, lab=hair.known_lab, u95=hair.known_u95)
        )
    sharper = sharpen_by_known(seen.calibration, known)
    sharper = dataclasses.replace(sharper, flags=sharper.flags + tuple(unread))
    return dataclasses.replace(seen, calibration=sharper)


def _unread(place: int, error: HairtoneError) -> Flag:
    return Flag(
        code="known-tress-unread",
        says=f"The tress of known colour (place {place}) could not be read. {error.says}",
        remedy="Check its place, counted from left to right.",
        is_note=True,
    )


def _measure_hairs(
    seen: CalibratedPhoto,
    wanted: list[tuple[int, Strand | HairtoneError]],
    request: PhotoRequest,
) -> tuple[TressResult, ...]:
    """Every strand wanted, by place."""
    scale = _mm_per_px(seen.chart, request.chart_mm)
    results = []
    for place, strand in wanted:
        if isinstance(strand, HairtoneError):
            results.append(TressResult(name=str(place), place=place, error=strand))
            continue
        strand = dataclasses.replace(strand, name=str(place), mm_per_px=scale)
        results.append(_explained(_measure_hair(seen, strand, request.zones), request))
    return tuple(results)


def _measure_hair(seen: CalibratedPhoto, strand: Strand, zones: tuple[float, float]) -> TressResult:
    known: dict[str, Any] = {
        "name": strand.name,
        "place": int(strand.name),
        "line": strand.line,
        "outline": strand_outline(strand),
        "zones": zones,
        "mm_per_px": strand.mm_per_px,
        "regrowth_px": strand.regrowth_px,
    }
    try:
        profile = seen.profile(strand)
        evenness = measure_evenness(profile, zones=zones)
    except HairtoneError as error:
        return TressResult(error=error, flags=strand.flags, **known)
    return TressResult(
        profile=profile,
        evenness=evenness,
        flags=strand.flags + profile.flags,
        texture=texture_signature(seen.photo, strand),
        contrast=_contrast(seen, strand),
        **known,
    )


def _explained(tress: TressResult, request: PhotoRequest) -> TressResult:
    """The result with sheen as a remark where the sheet states white hair that looks like it."""
    white = {hair.place: hair.white_percent or 0.0 for hair in request.hairs}.get(tress.place, 0.0)
    if white < LEAST_WHITE:
        return tress
    said = f"The sheet states {white:.0f} % white hair, which explains it."
    flags = tuple(
        dataclasses.replace(flag, says=f"{flag.says} {said}", is_note=True)
        if flag.code == "sheen"
        else flag
        for flag in tress.flags
    )
    return dataclasses.replace(tress, flags=flags)


def _contrast(seen: CalibratedPhoto, strand: Strand) -> StrandContrast | None:
    """Contrast of strands; None where this photo is too coarse for it, which is no fault of it."""
    if strand.mm_per_px is None or strand.mm_per_px > COARSEST_SCALE:
        return None
    strip = lightness_strip(seen.photo, seen.calibration, seen.light, strand, start=0.0, stop=1.0)
    try:
        return strand_contrast(strip, mm_per_px=strand.mm_per_px)
    except MeasureError:
        return None


def _wanted_strands(
    seen: CalibratedPhoto, request: PhotoRequest
) -> list[tuple[int, Strand | HairtoneError]]:
    """The strands asked for, or why one of them cannot be had, by place."""
    wanted: list[tuple[int, Strand | HairtoneError]] = []
    found: dict[Side | None, tuple[Strand, ...] | HairtoneError] = {}
    counted = (h.place for h in request.hairs if h.line is None and h.known_lab is None)
    last = max(counted, default=0)
    for hair in request.hairs or (HairRequest(place=0),):
        if hair.line is not None:
            wanted.append((hair.place, _given_strand(seen, hair, hair.line)))
            continue
        if hair.roots not in found:
            try:
                found[hair.roots] = seen.find_hair(roots=hair.roots)
            except HairError as error:
                found[hair.roots] = error
        strands = found[hair.roots]
        if isinstance(strands, HairtoneError):
            if len(request.hairs) <= 1:
                raise strands
            wanted.append((hair.place, strands))
        elif hair.place == 0:
            wanted.extend(enumerate(strands, start=1))
        elif (named := max(last, hair.place)) > len(strands) or (
            named < len(strands) and any(s.error is not None for s in strands)
        ):
            # one missed, or two in one, shifts the count: neighbours could be taken for each other
            wanted.append((hair.place, _no_such_place(seen.photo, named, len(strands))))
        else:
            listed = max(h.place for h in request.hairs)
            wanted.append((hair.place, _counted(strands, hair.place, listed=listed)))
    return wanted


def _counted(strands: tuple[Strand, ...], place: int, *, listed: int) -> Strand:
    """Return the strand at a place, flagged where more were found than are listed.

    What nobody listed may be a ribbon or a strip of card on the left, which shifts the count.
    """
    strand = strands[place - 1]
    if listed >= len(strands):
        return strand
    flag = Flag(
        code="hair-not-listed",
        says=f"{len(strands)} hairs were found, but the sheet lists {listed}. This one is "
        f"number {place} from the left (from the top where laid across).",
        remedy="See that it is the hair you mean. Give each hair in the photo a row with its "
        "'place', take other things off the board, or draw the root-to-ends line.",
    )
    return dataclasses.replace(strand, flags=(*strand.flags, flag))


def _given_strand(seen: CalibratedPhoto, hair: HairRequest, line: Floats) -> Strand | HairtoneError:
    try:
        return seen.hair_along(line, width=hair.width, regrowth=hair.regrowth, name=str(hair.place))
    except HairError as error:
        return error


def _no_such_place(photo: Photo, last: int, found: int) -> HairError:
    count = "1 hair was" if found == 1 else f"{found} hairs were"
    return HairError(
        "place-not-found",
        f"The sheet names hair {last}, but {count} found, so we cannot know which is which.",
        where=photo.name,
        remedy="Count the hairs from left to right, or give the root-to-ends line of each.",
    )


def _mm_per_px(reading: ChartReading, chart_mm: tuple[float, float] | None) -> float | None:
    """Scale from the patch field's known size: the mean over its width and height."""
    if chart_mm is None:
        return None
    a, b, c, d = np.asarray(reading.corners, dtype=np.float64)
    across = (np.linalg.norm(b - a) + np.linalg.norm(c - d)) / 2
    down = (np.linalg.norm(c - b) + np.linalg.norm(d - a)) / 2
    return float((max(chart_mm) / across + min(chart_mm) / down) / 2)


def _edition_assumed(reading: ChartReading) -> Flag:
    return Flag(
        code="edition-assumed",
        says=f"The chart's edition was not written down; {reading.reference.name} is assumed. "
        f"Editions differ by 0.85 ΔE₀₀ on average, too little for a photo to tell.",
        remedy="Read the date on the chart's back and state it as 'chart'.",
        is_note=True,
    )


def _chart_facts(seen: CalibratedPhoto) -> ChartFacts:
    reading, calibration, light = seen.chart, seen.calibration, seen.light
    return ChartFacts(
        reference=reading.reference.name,
        corners=reading.corners,
        residual=calibration.residual,
        held_out=calibration.held_out,
        method=calibration.method,
        facts=dict(calibration.facts),
        light={
            "source": light.source,
            "fall": rounded(light.fall, 4),
            "residual_slope": rounded(light.residual_slope, 4),
            "residual_sd": rounded(light.residual_sd, 4),
        },
        encoded=reading.encoded,
        missed=calibration.missed,
        is_linear=seen.photo.encoding.is_linear,
    )

"""Figures along the hair: profiles, evenness, and maps measured anew from the photograph."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from hairtone.colorimetry import screen_colour
from hairtone.errors import HairError
from hairtone.hair.types import Profile
from hairtone.report.style import (
    DEPTH,
    FADED,
    INK,
    MUTED,
    PAPER,
    RULE,
    WASH_OUT,
    ZONE_MARKS,
    Mark,
    Picture,
    draw_interval,
    label_zones,
    mark_of,
    name_rows,
    new_picture,
    say_empty,
    single,
    styled,
)
from hairtone.report.types import ZONE_WORDS
from hairtone.report.views import (
    DrawnProfile,
    HairView,
    drawn_profile,
    wash_order,
    wash_words,
)

if TYPE_CHECKING:
    from hairtone.calibrated import CalibratedPhoto
    from hairtone.hair.map import HairMap
    from hairtone.hair.types import Strand
    from hairtone.measures.uptake import Uptake
    from hairtone.request import HairRequest
    from hairtone.result import PhotoResult, TressResult
    from hairtone.study.hair_measures import PhotoMeasures
    from hairtone.uncertainty import ColourDifference


PREVIEW_PX: Final = 1400  # longer side of a photo that is drawn; our choice
THIRDS: Final = (1 / 3, 2 / 3)
REACH: Final = 1.96  # standard normal, 97.5 %; of a 95 % interval
_AXES: Final = ("lightness L*", "red–green a*", "yellow–blue b*")
MEASURE_WORDS: Final = {
    "root_to_ends": "roots to ends",
    "root_to_ends_net": "roots to ends, less the hair's own gradient",
    "mean_difference": "mean difference from the mean",
    "largest_difference": "largest difference of two zones",
    "patchiness": "patchiness",
}
_ROW_HEIGHT: Final = 0.3  # inches


def figure_profile(profile: Profile, ax: Axes | None = None) -> Picture:
    """Colour of one hair from roots to ends with 95 % bands.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    ax : Axes, optional
        Draw only the difference from the hair's mean, here.
    """
    drawn = [drawn_profile(profile)]
    return figure_profiles(drawn) if ax is None else figure_from_mean(drawn, ax=ax)


@styled
def figure_photo_result(result: PhotoResult, ax: Axes | None = None) -> Picture:
    """Draw every measured hair of a photo: colour from roots to ends with 95 % bands.

    Parameters
    ----------
    result : PhotoResult
        From `measure`.
    ax : Axes, optional
        Draw only the difference from each hair's mean, here.
    """
    drawn = [
        drawn_profile(tress.profile, label=f"hair {tress.name}")
        for tress in result.tresses
        if tress.profile is not None
    ]
    if not drawn:
        picture, ax = single(ax, height=1.6)
        say_empty(ax, result.error.says if result.error is not None else "no hair was measured")
        return picture
    return figure_profiles(drawn) if ax is None else figure_from_mean(drawn, ax=ax)


def figure_tress_result(tress: TressResult, ax: Axes | None = None) -> Picture:
    """Draw one hair of a photo: its colour from roots to ends with 95 % bands.

    Parameters
    ----------
    tress : TressResult
        From `measure`.
    ax : Axes, optional
        Draw only the difference from the hair's mean, here.
    """
    if tress.profile is not None:
        return figure_profile(tress.profile, ax)
    picture, ax = single(ax, height=1.6)
    say_empty(ax, tress.error.says if tress.error is not None else "this hair was not measured")
    return picture


@styled
def figure_calibrated_photo(seen: CalibratedPhoto, ax: Axes | None = None) -> Picture:
    """Draw the photo with its chart and the hair that is found in it.

    Parameters
    ----------
    seen : CalibratedPhoto
        From `calibrate`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    width, height = seen.photo.size
    picture, ax = single(ax, width=5.6 * width / max(width, height), height=5.6)
    step = max(1, max(width, height) // PREVIEW_PX)
    scale = 255.0 / seen.photo.top_code
    shown = (seen.photo.pixels[::step, ::step] * scale).astype(np.uint8)
    ax.imshow(shown, extent=(-0.5, width - 0.5, height - 0.5, -0.5))
    outline = np.vstack([seen.chart.corners, seen.chart.corners[:1]])
    ax.plot(*outline.T, color=PAPER, linewidth=1.4)
    try:
        strands = seen.find_hair()
    except HairError:
        strands = ()  # a line may still be drawn by hand
    for strand in strands:
        ax.plot(*strand.line.T, color=PAPER, linewidth=1.4)
        ax.annotate(strand.name, tuple(strand.line[0]), color=PAPER)
    ax.set(xlabel="x [pixels]", ylabel="y [pixels]")
    return picture


@styled
def figure_profiles(
    profiles: Sequence[DrawnProfile], *, zones: tuple[float, float] = THIRDS
) -> Picture:
    """L*, a*, b* and ΔE00 from the mean along several hairs, one above the other.

    Parameters
    ----------
    profiles : sequence of DrawnProfile
        At most six have colours of their own.
    zones : tuple of float, optional
        Where roots end and ends begin.
    """
    picture = new_picture(width=5.0, height=5.7)
    panels = picture.subplots(4, 1, sharex=True)
    for index, profile in enumerate(profiles):
        _draw_lab(panels[:3], profile, mark_of(index))
    for ax, title in zip(panels[:3], _AXES, strict=True):
        ax.set_title(title)
        label_zones(ax, zones)
    figure_from_mean(profiles, ax=panels[3], zones=zones)
    if len(profiles) > 1:
        handles, labels = panels[0].get_legend_handles_labels()
        picture.legend(handles, labels, loc="outside upper center", ncols=min(3, len(profiles)))
    return picture


def _draw_lab(panels: Sequence[Axes], profile: DrawnProfile, mark: Mark) -> None:
    for axis, ax in enumerate(panels):
        value, reach = profile.lab[:, axis], REACH * profile.sd[:, axis]
        ax.fill_between(
            profile.position, value - reach, value + reach, color=mark.colour, alpha=FADED, lw=0
        )
        ax.plot(
            profile.position,
            value,
            color=mark.colour,
            linestyle=mark.line,
            marker=mark.shape,
            markevery=max(1, len(value) // 6),
            label=profile.label,
        )


@styled
def figure_from_mean(
    profiles: Sequence[DrawnProfile],
    *,
    zones: tuple[float, float] = THIRDS,
    ax: Axes | None = None,
) -> Picture:
    """Draw how far each place is from the hair's own mean; what chance alone shows is shaded.

    Parameters
    ----------
    profiles : sequence of DrawnProfile
        At most six have colours of their own.
    zones : tuple of float, optional
        Where roots end and ends begin.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=2.6)
    floor = np.max([p.critical for p in profiles], axis=0)
    ax.fill_between(profiles[0].position, 0, floor, color=WASH_OUT, lw=0, zorder=0)
    for index, profile in enumerate(profiles):
        mark = mark_of(index)
        ax.fill_between(
            profile.position, profile.low, profile.high, color=mark.colour, alpha=FADED, lw=0
        )
        ax.plot(
            profile.position,
            profile.delta_e,
            color=mark.colour,
            linestyle=mark.line,
            marker=mark.shape,
            markevery=max(1, len(profile.position) // 6),
        )
    label_zones(ax, zones)
    ax.set_ylim(bottom=0)
    ax.set_title("ΔE₀₀ from the hair's mean; shaded: too small to be sure")
    return picture


@styled
def figure_chips(
    colours: ArrayLike,
    labels: Sequence[str],
    *,
    viewing: str,
    ax: Axes | None = None,
) -> Picture:
    """Rows of colour chips from roots to ends.

    Parameters
    ----------
    colours : array_like, shape (rows, steps, 3)
        L*a*b* from roots to ends; NaN leaves a chip out.
    labels : sequence of str
        What each row is.
    viewing : str
        Illuminant and observer of `colours`, printed below.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    lab = np.asarray(colours, dtype=np.float64)
    rows, steps = lab.shape[:2]
    picture, ax = single(ax, height=0.9 + 0.34 * rows)
    known = np.isfinite(lab).all(axis=-1)
    for row, step in np.argwhere(known):
        rgb = screen_colour(lab[row, step]) / 255
        ax.barh(row, 1.0, left=step, height=0.84, color=rgb, edgecolor=PAPER, linewidth=0.6)
        dark = lab[row, step, 0] < 55
        ax.text(
            step + 0.5,
            row,
            f"{lab[row, step, 0]:.0f}",
            ha="center",
            va="center",
            fontsize=7,
            color="#ffffff" if dark else INK,
        )
    for row, step in np.argwhere(~known):
        ax.text(step + 0.5, row, "–", ha="center", va="center", color=MUTED)
    ax.set(xlim=(0, steps), ylim=(rows - 0.5, -0.5))
    ax.set_yticks(range(rows), labels)
    ax.set_xticks([0, steps / 2, steps], ["roots", "mid-lengths", "ends"])
    ax.tick_params(length=0)
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    ax.set_xlabel(
        f"numbers are L*; colours for {viewing}. A screen or printer is no measuring device.",
        fontsize=7.5,
        color=MUTED,
    )
    return picture


@styled
def figure_map(
    differences: ArrayLike,
    labels: Sequence[str],
    *,
    top: float,
    critical: ArrayLike | None = None,
    ax: Axes | None = None,
) -> Picture:
    """ΔE00 along the hair as a map, hairs or washes below each other, on one fixed scale.

    Parameters
    ----------
    differences : array_like, shape (rows, positions)
        ΔE00 from the reference, roots first; NaN where nothing was measured.
    labels : sequence of str
        What each row is.
    top : float
        ΔE00 at the dark end of the scale: one for a whole study.
    critical : array_like, shape (rows, positions), optional
        What equal colours show by chance; below it the map is hatched as not resolved.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    values = np.atleast_2d(np.asarray(differences, dtype=np.float64))
    rows, steps = values.shape
    picture, ax = single(ax, height=1.3 + 0.3 * rows)
    edges_x, edges_y = np.linspace(0, 1, steps + 1), np.arange(rows + 1) - 0.5
    mesh = ax.pcolormesh(
        edges_x, edges_y, np.ma.masked_invalid(values), cmap=DEPTH, vmin=0, vmax=top
    )
    if critical is not None:
        unresolved = values <= np.atleast_2d(np.asarray(critical, dtype=np.float64))
        _hatch(ax, unresolved, edges_x)
    label_zones(ax, THIRDS)
    ax.set_ylim(rows - 0.5, -0.5)
    ax.set_yticks(range(rows), labels)
    ax.tick_params(axis="y", length=0)
    bar = picture.colorbar(mesh, ax=ax, location="bottom", shrink=0.7, aspect=30, extend="max")
    bar.set_label("ΔE₀₀" + (", dotted: too small to be sure" if critical is not None else ""))
    bar.outline.set_edgecolor(RULE)
    return picture


def _hatch(ax: Axes, where: np.ndarray, edges: np.ndarray) -> None:
    """Small dots over the cells that are too small to be sure of."""
    middle = (edges[:-1] + edges[1:]) / 2
    for row in range(where.shape[0]):
        at = middle[where[row]][::2]
        ax.plot(at, np.full(at.shape, float(row)), ".", color=INK, markersize=1.6, alpha=0.6)


@styled
def figure_differences(
    labels: Sequence[str],
    differences: Sequence[ColourDifference],
    *,
    bands: Sequence[tuple[float, str]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Colour differences with their intervals and critical values, one a line.

    Parameters
    ----------
    labels : sequence of str
        What each difference is.
    differences : sequence of ColourDifference
        Hollow marks are not resolved; the upright beside each is its critical value.
    bands : sequence of (float, str), optional
        Upper limits of the word bands, ascending, and their words. [ΔE00]
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.3 + _ROW_HEIGHT * len(labels))
    if not differences:
        say_empty(ax, "nothing was measured")
        return picture
    reach = 1.08 * max(max(d.high, d.critical) for d in differences)
    _draw_bands(ax, bands, reach)
    for row, difference in enumerate(differences):
        draw_interval(
            ax,
            at=row,
            value=difference.delta_e,
            interval=(difference.low, difference.high),
            mark=mark_of(0),
            is_resolved=difference.is_resolved,
        )
        ax.plot([difference.critical] * 2, [row - 0.3, row + 0.3], color=INK, linewidth=1.0)
    name_rows(ax, labels)
    ax.set_xlim(0, reach)
    ax.set_xlabel("ΔE₀₀, 95 % interval; | what would show; hollow: too small to be sure")
    ax.xaxis.label.set_fontsize(7.5)
    return picture


@styled
def figure_evenness_washes(
    photos: Sequence[PhotoMeasures],
    *,
    bands: Sequence[tuple[float, str]] = (),
    ax: Axes | None = None,
) -> Picture:
    """Draw roots to ends of one hair, wash by wash, with intervals and critical values.

    Parameters
    ----------
    photos : sequence of PhotoMeasures
        Of one hair.
    bands : sequence of (float, str), optional
        Upper limits of the word bands, ascending, and their words. [ΔE00]
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=3.2)
    if not photos:
        say_empty(ax, "nothing was measured")
        return picture
    washes = sorted({photo.row.row.wash_text for photo in photos}, key=wash_order)
    found = [photo.evenness.root_to_ends for photo in photos]
    reach = 1.12 * max(max(d.high, d.critical) for d in found)
    _draw_bands(ax, bands, reach, upright=True)
    mark = mark_of(0)
    for photo, difference in zip(photos, found, strict=True):
        at = washes.index(photo.row.row.wash_text) + 0.16 * (photo.row.row.replicate - 1)
        ax.plot([at, at], [difference.low, difference.high], color=mark.colour)
        fill = mark.colour if difference.is_resolved else PAPER
        ax.plot(
            [at], [difference.delta_e], mark.shape, color=mark.colour, markerfacecolor=fill, ms=6.5
        )
        ax.plot([at - 0.3, at + 0.3], [difference.critical] * 2, color=INK, linewidth=1.0)
    ax.set_xticks(range(len(washes)), ["new" if wash == "0" else wash for wash in washes])
    ax.set_xlim(-0.6, len(washes) + (1.2 if bands else -0.4))
    ax.set_ylim(0, reach)
    ax.set_xlabel("washes (new = just coloured)")
    ax.set_ylabel("roots to ends, ΔE₀₀")
    ax.set_title(
        "— a larger difference would show; hollow: too small to be sure",
        fontsize=7.5,
        fontweight="normal",
    )
    return picture


def _draw_bands(
    ax: Axes, bands: Iterable[tuple[float, str]], reach: float, *, upright: bool = False
) -> None:
    """Word bands as alternating grounds, named along the top (upright: on the right)."""
    start = 0.0
    paint = ax.axhspan if upright else ax.axvspan
    for index, (limit, word) in enumerate(bands):
        stop = min(limit, reach)
        if stop <= start:
            break
        if index % 2:
            paint(start, stop, color=WASH_OUT, zorder=-2, lw=0)
        if stop - start > 0.08 * reach:
            _name_band(ax, (start + stop) / 2, word, upright=upright)
        start = stop


def _name_band(ax: Axes, middle: float, word: str, *, upright: bool) -> None:
    if upright:
        x, y, transform = 0.995, middle, ax.get_yaxis_transform()
    else:
        x, y, transform = middle, 1.02, ax.get_xaxis_transform()
    ax.text(
        x,
        y,
        word,
        transform=transform,
        ha="right" if upright else "center",
        va="center" if upright else "bottom",
        fontsize=7.0,
        color=MUTED,
    )


def figure_evenness(evenness: Any, ax: Axes | None = None) -> Picture:
    """Root-to-ends, mean and largest difference of one hair, each with its interval.

    Parameters
    ----------
    evenness : Evenness
        From `measure_evenness`.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    names = ("root_to_ends", "root_to_ends_net", "mean_difference", "largest_difference")
    found = [(MEASURE_WORDS[name], getattr(evenness, name, None)) for name in names]
    shown = [(label, difference) for label, difference in found if difference is not None]
    return figure_differences([label for label, _ in shown], [d for _, d in shown], ax=ax)


@styled
def figure_uptakes(
    labels: Sequence[str], uptakes: Sequence[Uptake], *, ax: Axes | None = None
) -> Picture:
    """Draw how much colour each zone took up, hair by hair.

    Parameters
    ----------
    labels : sequence of str
        What each hair is.
    uptakes : sequence of Uptake
        Of the same hairs.
    ax : Axes, optional
        Where to draw; a new figure without it.
    """
    picture, ax = single(ax, height=1.2 + 0.5 * max(1, len(uptakes)))
    if not uptakes:
        say_empty(ax, "no photo before colouring, so no uptake")
        return picture
    for at, uptake in enumerate(uptakes):
        for step, (zone, found) in enumerate(uptake.zones.items()):
            difference = found.difference
            draw_interval(
                ax,
                at=at + 0.25 * (step - 1),
                value=difference.delta_e,
                interval=(difference.low, difference.high),
                mark=ZONE_MARKS[zone],
            )
    for zone, mark in ZONE_MARKS.items():
        ax.plot([], [], color=mark.colour, marker=mark.shape, ls="none", label=ZONE_WORDS[zone])
    name_rows(ax, labels)
    ax.set_xlim(left=0)
    ax.set_xlabel("colour taken up: ΔE₀₀ just coloured against before, 95 % interval")
    picture.legend(loc="outside upper center", ncols=3)
    return picture


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
    from hairtone.study.run import photo_requests

    row = next((p.row for p in view.photos if p.row.row.wash_text == wash), None)
    if row is None:
        raise HairError(
            "wash-not-measured",
            f"{view.name} was not measured {wash_words(wash)}.",
            remedy="Choose a wash that was measured.",
        )
    requests = photo_requests(view.outcome.study)
    request = next(request for request in requests if request.name == row.row.photo)
    photo = read_photo(request.path, expected_sha256=row.sha256 or None)
    seen = calibrate_photo(photo, request)
    hair = next(hair for hair in request.hairs if hair.place == row.row.place)
    return map_hair(photo, seen.calibration, seen.light, _strand(seen, hair))


def _strand(seen: CalibratedPhoto, hair: HairRequest) -> Strand:
    if hair.line is not None:
        return seen.hair_along(hair.line, width=hair.width, regrowth=hair.regrowth)
    strands = seen.find_hair(roots=hair.roots)
    if hair.place > len(strands):
        raise HairError(
            "place-not-found",
            f"Hair {hair.place} was not found again; {len(strands)} were.",
            where=seen.photo.name,
            remedy="Draw its line by hand.",
        )
    strand = strands[hair.place - 1]
    if strand.error is not None:
        raise strand.error
    return strand

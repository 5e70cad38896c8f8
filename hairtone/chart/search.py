"""Where the chart is: a cascade of working sizes that stops as soon as the colours prove it."""

from __future__ import annotations

import numpy as np

from hairtone.chart.identity import (
    COLUMNS,
    PROVEN,
    ROWS,
    Preview,
    Window,
    best_window,
    make_preview,
)
from hairtone.chart.lattice import Lattice, find_lattices, find_squares, map_points
from hairtone.chart.refine import CENTRES
from hairtone.chart.types import PATCHES, ChartReference
from hairtone.colorimetry import Floats
from hairtone.errors import ChartError
from hairtone.photo.types import Photo

PASSES = (  # longer side of the working picture [pixels] and edge contrasts, in the order tried
    (800, (20,)),  # enough for most photos
    (800, (20, 7)),
    (1600, (36, 14, 6)),
    (450, (36, 14, 6)),
)
FEWEST_ALIKE = 20  # squares in rows and columns that look like a chart of wrong colours
FEWEST_VEILED = 16  # squares of a grid that may be a chart under glare; our choice
MOST_AROUND = 12  # squares going on outside of 24 before it is another chart; our choice
BY_HAND = "or give the chart's four corners by hand (column `corners`, option --corners)"


def search_chart(photo: Photo, *, reference: ChartReference) -> Floats:
    """The one chart in a photo: chart column and row -> xy of the photo, shape (3, 3).

    Raises
    ------
    ChartError
        ``chart-not-found``, ``chart-false``, ``chart-twice``, ``glare``.
    """
    closest: tuple[int, int] = (0, 0)
    tried = set()
    for edge, contrasts in PASSES:
        preview = make_preview(photo, edge=edge)
        if (preview.picture.shape, contrasts) in tried:  # a small photo, not made any smaller
            continue
        tried.add((preview.picture.shape, contrasts))
        lattices = find_lattices(find_squares(preview.picture, contrasts=contrasts))
        windows = [(grid, best_window(grid, preview, reference=reference)) for grid in lattices]
        rated = [(grid, window) for grid, window in windows if window is not None]
        proven = [pair for pair in rated if pair[1].agreeing >= PROVEN]
        if proven:
            return _only_one(proven, preview, photo)
        _require_no_glare(lattices, preview, photo, reference=reference)
        closest = max([closest, *((w.squares, w.agreeing) for _, w in rated)])
    raise _nothing(photo, *closest)


def _only_one(proven: list[tuple[Lattice, Window]], preview: Preview, photo: Photo) -> Floats:
    proven = sorted(proven, key=lambda pair: (-pair[1].agreeing, pair[1].residual))
    grid, window = proven[0]
    for _, other in proven[1:]:
        if _apart(window, other):
            raise _twice(photo, window, other, preview)
    around = _squares_around(grid, window)
    if around > MOST_AROUND:
        raise ChartError(
            "chart-false",
            f"The grid of patches goes on with {around} more squares around the 24 known ones: "
            f"another chart, with more than 24 patches.",
            where=photo.name,
            remedy="Use a 24-patch chart of one of the known editions.",
        )
    return np.asarray(preview.to_photo @ window.to_picture)


def _require_no_glare(
    lattices: tuple[Lattice, ...], preview: Preview, photo: Photo, *, reference: ChartReference
) -> None:
    for grid in lattices:
        if len(grid.members) < FEWEST_VEILED:
            continue
        window = best_window(grid, preview, reference=reference, is_veiled=True)
        if window is not None and window.agreeing >= PROVEN:
            raise ChartError(
                "glare",
                "Glare lies over so much of the chart that its patches have lost their colours.",
                where=photo.name,
                remedy="Turn the chart or the lamps until no patch shines, and photograph again.",
            )


def _apart(first: Window, second: Window) -> bool:
    """Whether two windows are two charts rather than one found twice."""
    a, b = (map_points(w.to_picture, CENTRES.astype(np.float64)) for w in (first, second))
    inverse = np.asarray(np.linalg.inv(first.to_picture), dtype=np.float64)
    inside = map_points(inverse, b)
    low, high = np.array([-0.5, -0.5]), np.array([COLUMNS - 0.5, ROWS - 0.5])
    return bool(((inside > low) & (inside < high)).all(axis=1).sum() < PATCHES / 2) and a is not b


def _squares_around(grid: Lattice, window: Window) -> int:
    """Squares of the grid on the ring of places around the window."""
    places = map_points(
        np.asarray(np.linalg.inv(window.to_picture) @ grid.to_picture, dtype=np.float64),
        grid.places.astype(np.float64),
    ).round()
    x, y = places.T
    near = (x >= -1) & (x <= COLUMNS) & (y >= -1) & (y <= ROWS)
    inside = (x >= 0) & (x < COLUMNS) & (y >= 0) & (y < ROWS)
    return len(np.unique(places[near & ~inside], axis=0))


def _twice(photo: Photo, first: Window, second: Window, preview: Preview) -> ChartError:
    spots = [
        map_points(preview.to_photo @ window.to_picture, np.array([[2.5, 1.5]]))[0]
        for window in (first, second)
    ]
    places = " and ".join(f"x {x:.0f}, y {y:.0f}" for x, y in spots)
    return ChartError(
        "chart-twice",
        f"There are two charts in the photo, around {places}.",
        where=photo.name,
        remedy="Photograph the hair with one chart in the frame, "
        "or give the four corners of the right one by hand.",
    )


def _nothing(photo: Photo, squares: int, agreeing: int) -> ChartError:
    if squares >= FEWEST_ALIKE:
        return ChartError(
            "chart-false",
            f"A grid of squares was found, but only {agreeing} of 24 have the colours of the "
            f"chart, and {PROVEN} are needed.",
            where=photo.name,
            remedy=f"Use a 24-patch chart of one of the known editions, {BY_HAND}.",
        )
    return ChartError(
        "chart-not-found",
        "The 24-patch chart was not found in the photo.",
        where=photo.name,
        remedy="Lay the chart flat beside the hair, whole, in the same light, and at least "
        f"12 % of the frame wide, {BY_HAND}.",
    )

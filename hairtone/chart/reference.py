"""Chart references: the ones that come with hairtone, and measured charts added as a file.

A chart file is a table of 24 rows, ``patch,name,380,390,…`` with reflectances (0..1) or
``patch,name,L,a,b`` with a first line ``# viewing: D50/2``. Lines ``# edition:`` and
``# source:`` are carried into results.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from hairtone.chart.types import PATCHES, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, Viewing, lab_to_xyz
from hairtone.errors import ChartError
from hairtone.locations import reference_path
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths, viewing_weights

DEFAULT_CHART = "chart24-after-2014-11"
LARGEST_FILE = 1_000_000  # bytes; a table of 24 spectra at 1 nm has about 80 000. Our choice


def known_references() -> tuple[str, ...]:
    """Return the names of the chart references that come with hairtone, in alphabetical order."""
    return tuple(sorted(path.stem for path in reference_path("charts").glob("*.csv")))


def load_reference(name: str = DEFAULT_CHART, *, folder: Path | None = None) -> ChartReference:
    """Return the chart reference of that name, or the measured chart in that file.

    Parameters
    ----------
    name : str, optional
        One of `known_references`, or the path of a chart file (``.csv``).
    folder : Path, optional
        Folder a relative path starts from.

    Raises
    ------
    ChartError
        No such reference, or a file that is not a chart of 24 patches.
    """
    if name in _shipped_names():
        return _shipped(name)
    path = (folder or Path()) / name
    if not name.lower().endswith(".csv") or not path.is_file():
        raise ChartError(
            "chart-reference-unknown",
            f"There is no chart reference {name!r}.",
            remedy=f"Choose one of {', '.join(known_references())}, or give the .csv file of a "
            f"measured chart.",
        )
    return _read_chart(path, path.name)


_shipped_names = cache(known_references)


@cache
def _shipped(name: str) -> ChartReference:
    chart = _read_chart(reference_path("charts") / f"{name}.csv", name)
    for values in (chart.wavelengths, chart.reflectance):
        values.flags.writeable = False
    return chart


def _read_chart(path: Path, name: str) -> ChartReference:
    notes, rows = _read_table(path, name)
    columns = list(rows[0])[2:]
    if [column.strip() for column in columns] == ["L", "a", "b"]:
        return _from_lab(rows, notes, name)
    try:
        wavelengths = np.array([float(column) for column in columns])
    except ValueError:
        raise _bad_file(
            name, f"has columns {', '.join(columns[:4])} … that are no wavelengths"
        ) from None
    values = _numbers(rows, columns, name)
    covers = len(wavelengths) > 1 and wavelengths[0] <= 400 and wavelengths[-1] >= 700
    if not covers or (np.diff(wavelengths) <= 0).any() or np.diff(wavelengths).max() > 20:
        raise _bad_file(name, "does not cover 400 to 700 nm in rising steps of 20 nm or less")
    if values.min() < 0 or values.max() > 1.2:
        raise _bad_file(
            name, f"holds reflectances from {values.min():.3g} to {values.max():.3g}, not 0 to 1"
        )
    return ChartReference(
        name=name,
        edition=notes.get("edition", "as measured"),
        source=notes.get("source", f"file {name}"),
        kind=notes.get("kind", "reflectance"),
        wavelengths=wavelengths,
        reflectance=values,
    )


def _read_table(path: Path, name: str) -> tuple[dict[str, str], list[dict[str, str]]]:
    if path.stat().st_size > LARGEST_FILE:
        raise _bad_file(name, f"has {path.stat().st_size} bytes")
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise _bad_file(name, "is no UTF-8 text") from None
    notes = {}
    for line in lines:
        if line.startswith("#") and ":" in line:
            key, value = line[1:].split(":", 1)
            notes[key.strip()] = value.strip()
    table = csv.DictReader(line for line in lines if line.strip() and not line.startswith("#"))
    rows = list(table)
    if any(None in row or None in row.values() for row in rows):
        raise _bad_file(name, "has rows of another length than its header")
    if len(rows) != PATCHES or list(table.fieldnames or ())[:2] != ["patch", "name"]:
        raise _bad_file(name, f"has {len(rows)} rows under its header, and 24 patches are needed")
    order = [str(row["patch"]).strip() for row in rows]
    if order != [str(number) for number in range(1, PATCHES + 1)]:
        raise _bad_file(name, "does not number its rows 1 to 24 in the column 'patch'")
    return notes, rows


def _numbers(rows: list[dict[str, str]], columns: list[str], name: str) -> Floats:
    values = np.empty((len(rows), len(columns)))
    for number, row in enumerate(rows):
        for place, column in enumerate(columns):
            try:
                values[number, place] = float(row[column])
            except (TypeError, ValueError):
                raise _bad_file(
                    name, f"holds {row[column]!r} for patch {number + 1}, column {column}"
                ) from None
    if not np.isfinite(values).all():
        raise _bad_file(name, "holds values that are not finite")
    return values


def _from_lab(rows: list[dict[str, str]], notes: dict[str, str], name: str) -> ChartReference:
    viewing = VIEWINGS.get(notes.get("viewing", ""))
    if viewing is None:
        raise _bad_file(name, f"gives Lab without a line '# viewing: {' | '.join(VIEWINGS)}'")
    lab = _numbers(rows, ["L", "a", "b"], name)
    start = load_reference("chart24-average30")
    return ChartReference(
        name=name,
        edition=notes.get("edition", "as measured"),
        source=notes.get("source", f"file {name}"),
        kind="approximate",
        wavelengths=viewing_wavelengths(),
        reflectance=smoothest_match(start.reflectance, start.wavelengths, lab, viewing=viewing),
    )


def _bad_file(name: str, what: str) -> ChartError:
    return ChartError(
        "chart-file",
        f"The chart file {what}.",
        where=name,
        remedy="A chart file has the header patch,name and then wavelengths in nm (or L,a,b with "
        "a line '# viewing: D50/2'), and one row for each of the 24 patches.",
    )


def smoothest_match(
    reflectance: ArrayLike, wavelengths: ArrayLike, lab: ArrayLike, *, viewing: Viewing
) -> Floats:
    """Reflectances on the viewing's wavelengths that meet `lab`, by the smoothest change.

    Least second difference of the change, subject to the three tristimulus values: a quadratic
    programme with equality constraints, solved in closed form.

    Parameters
    ----------
    reflectance : array_like, shape (m, n)
        Where the change starts from, 0..1.
    wavelengths : array_like, shape (n,)
        Of `reflectance`. [nm]
    lab : array_like, shape (m, 3)
        What is to be met, for `viewing`.
    viewing : Viewing
        Illuminant and observer of `lab`.
    """
    grid = viewing_wavelengths()
    weights = viewing_weights(viewing)
    known = np.asarray(wavelengths, np.float64)
    start = np.stack([np.interp(grid, known, row) for row in np.asarray(reflectance, np.float64)])
    wanted = lab_to_xyz(lab, white=np.array(viewing.white) / 100)
    gap = wanted - reflectance_to_xyz(start, grid, viewing=viewing)

    bend = np.diff(np.eye(len(grid)), n=2, axis=0)
    stiffness = bend.T @ bend + 1e-6 * np.eye(len(grid))  # our choice: holds the level where free
    spread = np.linalg.solve(stiffness, weights)
    change = gap @ np.linalg.solve(weights.T @ spread, spread.T)
    return np.asarray(start + change)

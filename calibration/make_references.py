"""Make the tables of this folder that follow from published colorimetric data.

``python calibration/make_references.py`` writes ``viewings.csv`` (weights that turn reflectance
into XYZ) and ``charts/chart24-*.csv`` (chart references). Needs colour-science, whose data set
names appear only here. What it does:

* weights: illuminant times colour-matching function at 5 nm from 380 to 780 nm, each column
  scaled so that the perfect diffuser gives the white that reports state (ISO 105-J03:2009,
  Table 1);
* the mean of 30 measured charts is published as reflectance: taken over, ends held constant;
* the editions before and after November 2014 are published as D50 Lab only: the mean
  reflectance plus the smoothest change that meets that Lab exactly.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import colour
import numpy as np

from hairtone.chart.reference import smoothest_match
from hairtone.chart.types import PATCH_NAMES
from hairtone.colorimetry import VIEWINGS

FOLDER = Path(__file__).resolve().parent
GRID = np.arange(380, 781, 5, dtype=float)  # [nm]
OBSERVERS = {
    "2": "CIE 1931 2 Degree Standard Observer",
    "10": "CIE 1964 10 Degree Standard Observer",
}
AVERAGE = "BabelColor Average"
EDITIONS = {
    "chart24-before-2014-11": "ColorChecker24 - Before November 2014",
    "chart24-after-2014-11": "ColorChecker24 - After November 2014",
}


def on_grid(spectrum: colour.SpectralDistribution) -> np.ndarray:
    """Values at `GRID`: Sprague interpolation inside, ends held constant (ASTM E308)."""
    shape = colour.SpectralShape(GRID[0], GRID[-1], 5)
    return (
        spectrum.copy()
        .interpolate(colour.SpectralShape(spectrum.shape.start, spectrum.shape.end, 5))
        .extrapolate(shape, extrapolator_kwargs={"method": "Constant", "left": None, "right": None})
        .align(shape)
        .values
    )


def weights(name: str) -> np.ndarray:
    illuminant, observer = name.split("/")
    light = np.interp(
        GRID,
        colour.SDS_ILLUMINANTS[illuminant].wavelengths,
        colour.SDS_ILLUMINANTS[illuminant].values,
    )
    functions = colour.MSDS_CMFS[OBSERVERS[observer]]
    product = light[:, None] * np.stack(
        [np.interp(GRID, functions.wavelengths, functions.values[:, k]) for k in range(3)], axis=1
    )
    return product / product.sum(axis=0) * np.array(VIEWINGS[name].white) / 100


def write_viewings() -> None:
    out = io.StringIO()
    out.write("# source: CIE standard illuminants and observers as carried by colour-science\n")
    out.write("# each column scaled so that reflectance 1 gives the white of ISO 105-J03:2009\n")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["nm", *[f"{name} {axis}" for name in VIEWINGS for axis in "XYZ"]])
    columns = np.concatenate([weights(name) for name in VIEWINGS], axis=1)
    for wavelength, row in zip(GRID, columns, strict=True):
        table.writerow([f"{wavelength:g}", *[f"{value:.9f}" for value in row]])
    (FOLDER / "viewings.csv").write_text(out.getvalue(), encoding="utf-8")


def write_chart(name: str, edition: str, source: str, reflectance: np.ndarray) -> None:
    out = io.StringIO()
    out.write(f"# edition: {edition}\n# source: {source}\n# kind: reflectance\n")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["patch", "name", *[f"{w:g}" for w in GRID]])
    for number, (patch, row) in enumerate(zip(PATCH_NAMES, reflectance, strict=True), start=1):
        table.writerow([number, patch, *[f"{value:.6f}" for value in row]])
    (FOLDER / "charts" / f"{name}.csv").write_text(out.getvalue(), encoding="utf-8")


def published_lab(key: str) -> np.ndarray:
    data = colour.CCS_COLOURCHECKERS[key]
    xyz = colour.xyY_to_XYZ(np.array(list(data.data.values())))
    return colour.XYZ_to_Lab(xyz, data.illuminant)


def main() -> None:
    write_viewings()
    spectra = colour.SDS_COLOURCHECKERS[AVERAGE]
    average = np.stack([on_grid(spectrum) for spectrum in spectra.values()])
    write_chart(
        "chart24-average30",
        "mean of 30 measured charts of the editions before November 2014",
        "published mean spectra of 30 charts, as carried by colour-science",
        average,
    )
    for name, key in EDITIONS.items():
        write_chart(
            name,
            name.replace("chart24-", "").replace("-2014-11", " November 2014"),
            "maker's published Lab (D50, 2 degrees) as carried by colour-science; reflectance = "
            "chart24-average30 plus the smoothest change that meets it",
            smoothest_match(average, GRID, published_lab(key), viewing=VIEWINGS["D50/2"]),
        )


if __name__ == "__main__":
    main()

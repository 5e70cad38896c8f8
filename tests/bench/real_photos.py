"""Real photographs of a chart: found or refused, and what a left-out patch is off by.

The photos lie in ``shared/photos`` beside the checkout; without them this says so and does nothing.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
from baseline import CHROMATIC, held_out_3x3, held_out_ccm

from hairtone.calibration.solve import calibrate, choose_calibration
from hairtone.chart.finder import find_chart
from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import DEFAULT_VIEWING, VIEWINGS, Floats, decode_srgb, delta_e, xyz_to_lab
from hairtone.errors import HairtoneError
from hairtone.measures.zones import share_alike
from hairtone.photo.reader import read_photo
from hairtone.photo.types import Photo

PHOTOS = Path(__file__).resolve().parents[3] / "shared" / "photos"
SETS = (  # folders of photos that show a 24-patch chart, or part of one
    "arcu", "colour_science", "isetcam", "lights_chart", "misc_andriymelnykov",
    "misc_lighttransport", "misc_pedrodiamel", "plantcv_binder",
)  # fmt: skip
SERIES = "lights_chart"  # one chart under 28 lights
LEAST_CHARTS = 5  # of a set, to say how alike they are misread; our choice
SUFFIXES = {".jpg", ".png", ".tif"}


def print_real_photos(*, is_verbose: bool = False) -> None:
    """Charts found and held-out errors by set, beside general libraries; the series' spread."""
    if not PHOTOS.exists():
        print("\nReal photos: none, shared/photos is not beside the checkout.")
        return
    reference = load_reference(DEFAULT_CHART)
    errors: dict[str, list[Floats]] = defaultdict(list)
    heads = f"{'found':>7} {'used':>4} {'sRGB+3×3':>9} {'ccm':>6} {'hairtone':>9} {'fit':>6}"
    print(f"\n{'real photos':<22} {heads}")
    found: Counter[str] = Counter()
    total = 0
    series: list[tuple[Floats, Floats]] = []
    missed: dict[str, list[Floats | None]] = defaultdict(list)
    for folder in SETS:
        paths = sorted(p for p in (PHOTOS / folder).iterdir() if p.suffix in SUFFIXES)
        for path in paths:
            try:
                photo = read_photo(path)
                reading = find_chart(photo, reference=reference)
            except HairtoneError as error:
                print(f"  {folder}/{path.name}: {error.code}: {error.says}")
                continue
            found[folder] += 1
            missed[folder].append(choose_calibration(reading, viewing=DEFAULT_VIEWING).missed)
            if folder == SERIES:
                series.append(_series_labs(reading))
            try:
                row = _errors(photo, reading)
            except HairtoneError as error:
                print(f"  {folder}/{path.name}: chart found; {error.code}: {error.says}")
                continue
            errors[folder].append(row)
            if is_verbose:
                print(f"  {folder}/{path.name}: " + "  ".join(f"{v:.2f}" for v in row))
        _print_set(folder, errors[folder], found=found[folder], photos=len(paths))
        total += len(paths)
    rows = [row for kept in errors.values() for row in kept]
    _print_set("all", rows, found=sum(found.values()), photos=total)
    if series:
        _print_series(series)
    for folder, charts in missed.items():
        told = [chart for chart in charts if chart is not None]
        if len(told) >= LEAST_CHARTS:
            print(f"{folder}: {len(told)} charts misread alike {share_alike(np.stack(told)):.0%}")


def _errors(photo: Photo, reading: ChartReading) -> Floats:
    """Mean held-out errors of chromatic patches (sRGB + 3×3, ccm, hairtone) and the fit's own."""
    calibration, _ = calibrate(photo, reading, viewing=DEFAULT_VIEWING)
    return np.array(
        [
            held_out_3x3(reading.encoded, reading.reference).mean(),
            held_out_ccm(reading.encoded, reading.reference).mean(),
            np.nanmean(calibration.held_out[list(CHROMATIC)]),
            np.nanmean(calibration.residual),
        ]
    )


def _series_labs(reading: ChartReading) -> tuple[Floats, Floats]:
    """Patches as sRGB and as calibrated, whatever the judges would say of the photo."""
    model = choose_calibration(reading, viewing=DEFAULT_VIEWING).model
    return _plain_lab(reading), model.lab(model.linear(reading.encoded))


def _plain_lab(reading: ChartReading) -> Floats:
    """L*a*b* by taking the photo for sRGB, shape (24, 3); D65/2."""
    srgb = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = decode_srgb(reading.encoded) @ srgb.T  # IEC 61966-2-1
    return xyz_to_lab(100 * xyz, white=VIEWINGS["D65/2"].white)


def _print_set(name: str, rows: list[Floats], *, found: int, photos: int) -> None:
    told = np.mean(rows, axis=0) if rows else np.full(4, np.nan)
    print(
        f"{name:<22} {found:>3}/{photos:<3} {len(rows):>4} {told[0]:>9.2f} {told[1]:>6.2f} "
        f"{told[2]:>9.2f} {told[3]:>6.2f}"
    )


def _print_series(series: list[tuple[Floats, Floats]]) -> None:
    for name, k in (("as sRGB", 0), ("calibrated", 1)):
        labs = np.stack([pair[k] for pair in series])
        spread = delta_e(labs.mean(axis=0), labs)
        print(
            f"same patch over {len(series)} lights, {name}: mean {spread.mean():.2f}, "
            f"p95 {np.quantile(spread, 0.95):.2f} ΔE00 from its own mean"
        )


if __name__ == "__main__":
    print_real_photos(is_verbose=True)

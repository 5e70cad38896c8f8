"""What a series gains by the pool of its photos, with pixels: rendered, measured, analysed.

``python tests/bench/series_photos.py [--series 6] [--kind varied] [--protocol careful]``

Every series is a study of ten photos by another camera, its hair outside the calibration's prior.
Printed, with and without pools: errors, coverage and widths of the change since wash 0 and of the
colour left.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from series_readings import KINDS, WASHES, Kind, dyed, varied

from hairtone.colorimetry import Floats, delta_e
from hairtone.measures.words import read_bands
from hairtone.scene import Wish, random_scene
from hairtone.scene.draw import draw_along
from hairtone.scene.hairs import tress_hair
from hairtone.scene.render import render_scene, write_photo
from hairtone.spectra.lights import LIGHT_FAMILIES
from hairtone.study.hair_measures import measure_hair
from hairtone.study.observations import hairs_of
from hairtone.study.outcome import StudyResult
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study

FIRST_SEED = 950_000  # series of this benchmark lie from here on
CLASSES = ("red", "light", "fashion")
Truth = dict[tuple[str, str], Floats]  # by wash and zone
Counted = tuple[float, float, bool, float]


def main() -> None:
    """Render, measure, count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--series", type=int, default=6, help="of ten photos (default 6)")
    parser.add_argument("--kind", choices=tuple(KINDS), default="varied")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    arguments = parser.parse_args()
    told: dict[str, list[Counted]] = defaultdict(list)
    for number in range(arguments.series):
        with tempfile.TemporaryDirectory() as folder:
            seed = FIRST_SEED + number
            truth = write_series(Path(folder), seed, KINDS[arguments.kind], arguments.protocol)
            outcome = measure_study(read_study(folder), progress=False)
            print(
                f"{outcome.counts}", *(f"{len(p.photos)} at {p.alike:.0%}" for p in outcome.pools)
            )
            for name, asked in (("alone", replace(outcome, pools=())), ("pooled", outcome)):
                for what, rows in compare(asked, truth).items():
                    told[f"{what}, {name}"] += rows
    print(f"{'':<22} {'n':>4} {'error':>7} {'covered':>8} {'width':>6} {'least':>6}")
    for what in sorted(told):
        error, width, is_covered, least = np.array(told[what], np.float64).T
        print(
            f"{what:<22} {len(error):>4} {error.mean():>7.2f} {100 * is_covered.mean():>7.1f}% "
            f"{np.median(width):>6.1f} {np.median(least):>6.2f}"
        )


def write_series(folder: Path, seed: int, kind: Kind, protocol: str) -> Truth:
    """A study folder of one series, and what is true of it."""
    family = LIGHT_FAMILIES[seed % len(LIGHT_FAMILIES)]
    scene = random_scene(seed, protocol=protocol, wish=Wish(light_family=family))
    rng = np.random.default_rng([seed, 37])
    recipe = dyed(CLASSES[seed % len(CLASSES)], rng, seed=seed)
    along = draw_along(recipe, seed=seed + 1)
    stays, washes = rng.uniform(0.05, 0.5), rng.uniform(2.0, 12.0)
    truth: Truth = {}
    rows = []
    (folder / "photos").mkdir()
    for number, wash in enumerate(WASHES):
        name = "before" if wash is None else str(wash)
        dye = 0.0 if wash is None else stays + (1 - stays) * np.exp(-wash / washes)
        hair = tress_hair(recipe, along, dye=dye, fibre_spread=0.15)
        tress = replace(scene.tresses[0], hair=hair)
        shot = replace(varied(scene, kind, protocol, [seed, number, 19]), tresses=(tress,))
        photo = render_scene(replace(shot, seed=seed * 100 + number))
        file = f"photos/wash_{name}.jpg"
        write_photo(photo, folder / file)
        (known,) = photo.truth.tresses
        truth |= {(name, zone): lab for zone, lab in known.zones().items()}
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in known.line)
        rows.append({"photo": file, "subject": "T1", "wash": name, "session": name, "line": line})
    with (folder / "photos.csv").open("w", encoding="utf-8", newline="") as file_:
        writer = csv.DictWriter(file_, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (folder / "study.toml").write_text(
        'title = "A series"\nchart = "chart24-after-2014-11"\n', encoding="utf-8"
    )
    return truth


def compare(outcome: StudyResult, truth: Truth) -> dict[str, list[Counted]]:
    """Error, width, whether covered, and critical value of every change and colour left."""
    found = defaultdict(list)
    (hair,) = hairs_of(outcome)
    measures = measure_hair(
        hair, outcome.study.settings, relaying=np.zeros((3, 3)), bands=read_bands()
    )  # the truth is that of the very lay: none of its scatter counts
    for zone, fade in measures.fades.items():
        for step in fade.steps[1:]:
            before, coloured, now = (truth[name, zone] for name in ("before", "0", str(step.wash)))
            told, gap = step.difference, float(delta_e(coloured, now))
            is_in = told.low <= gap <= told.high
            found["change"].append(
                (abs(told.delta_e - gap), told.high - told.low, is_in, told.critical)
            )
            if step.colour_left is None:
                continue
            way = coloured - before
            left = float(100 * ((now - before) @ way) / (way @ way))
            low, high = float(step.colour_left_low or 0), float(step.colour_left_high or 0)
            error = abs(step.colour_left - left)
            found["colour left"].append((error, high - low, low <= left <= high, np.nan))
    return found


if __name__ == "__main__":
    main()

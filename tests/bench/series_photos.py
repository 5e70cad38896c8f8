"""How well one posterior tells a series, with pixels: rendered, measured, analysed.

``python tests/bench/series_photos.py [--series 6] [--kind varied] [--protocol careful] [--raw]``

Every series is a study of ten photos by another camera, of three tresses outside the calibration's
prior; one is left alone. Printed, photo by photo and as one posterior: errors, coverage and widths
of the change since wash 0, of uptake and of the colour left, all and at an uptake of 20 or more,
and how often untouched hair is called changed.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import pickle
import shutil
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from series_readings import KINDS, WASHES, Kind, dyed, varied

from hairtone.colorimetry import Floats, delta_e
from hairtone.measures.words import read_bands
from hairtone.photo.encodings import linear_raw_encoding
from hairtone.photo.types import Photo
from hairtone.pipeline import measure_photo, measure_pixels
from hairtone.request import PhotoRequest
from hairtone.result import PhotoResult
from hairtone.scene import Wish, random_scene
from hairtone.scene.draw import draw_along
from hairtone.scene.layout import tress_hair
from hairtone.scene.render import render_scene, write_photo
from hairtone.spectra.lights import LIGHT_FAMILIES
from hairtone.study.hair_measures import Terms, measure_hair
from hairtone.study.observations import hairs_of
from hairtone.study.outcome import StudyResult
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study
from hairtone.uncertainty import ColourDifference

FIRST_SEED = 950_000  # series of this benchmark lie from here on
LARGE = 20.0  # uptake from which on the width of colour left is asked for. [ΔE*ab]
DYED = ("red", "fashion")  # beside one tress that is left alone
LEFT_ALONE = f"T{1 + len(DYED)}"
Truth = dict[tuple[str, str, str], Floats]  # by subject, wash and zone
Counted = tuple[float, float, bool, float]


def main() -> None:
    """Render, measure, count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--series", type=int, default=6, help="of ten photos (default 6)")
    parser.add_argument("--kind", choices=tuple(KINDS), default="varied")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="seed of the first series")
    parser.add_argument("--cache", type=Path, help="folder that keeps the rendered studies")
    arguments = parser.parse_args()
    told: dict[str, list[Counted]] = defaultdict(list)
    for number in range(arguments.series):
        shape = (arguments.kind, arguments.protocol, arguments.raw)
        with tempfile.TemporaryDirectory() as scratch:
            folder, truth = _kept(
                arguments.cache or Path(scratch), arguments.first + number, *shape
            )
            measure = series_photos.measure_raw if arguments.raw else measure_photo
            outcome = measure_study(read_study(folder), measure=measure, progress=False)
            print(
                f"{outcome.counts}", *(f"{len(p.photos)} at {p.alike:.0%}" for p in outcome.pools)
            )
            for name, asked in (("alone", replace(outcome, pools=())), ("one", outcome)):
                for what, rows in compare(asked, truth).items():
                    told[f"{what}, {name}"] += rows
    print(f"{'':<22} {'n':>4} {'error':>7} {'covered':>8} {'width':>6} {'least':>6}")
    for what in sorted(told):
        error, width, is_covered, least = np.array(told[what], np.float64).T
        print(
            f"{what:<22} {len(error):>4} {error.mean():>7.2f} {100 * is_covered.mean():>7.1f}% "
            f"{np.median(width):>6.1f} {np.median(least):>6.2f}"
        )


def _kept(folder: Path, seed: int, kind: str, protocol: str, is_raw: bool) -> tuple[Path, Truth]:
    """The folder of a series, rendered once, and what is true of it."""
    own = folder / f"{kind}_{protocol}_{is_raw}_{seed}".replace(" ", "-")
    told = own / "truth.pickle"
    if not told.exists():
        shutil.rmtree(own, ignore_errors=True)
        own.mkdir(parents=True)
        truth = write_series(own, seed, KINDS[kind], protocol, is_raw=is_raw)
        told.write_bytes(pickle.dumps(truth))
    return own, pickle.loads(told.read_bytes())


def measure_raw(request: PhotoRequest) -> PhotoResult:
    """A photo whose file holds linear sensor values."""
    data = request.path.read_bytes()
    photo = Photo(
        name=request.name,
        sha256=hashlib.sha256(data).hexdigest(),
        pixels=np.load(io.BytesIO(data)),
        encoding=linear_raw_encoding(65536),
        format="RAW",
    )
    return measure_pixels(photo, request)


def write_series(
    folder: Path, seed: int, kind: Kind, protocol: str, *, is_raw: bool = False
) -> Truth:
    """A study folder of one series, and what is true of it."""
    family = LIGHT_FAMILIES[seed % len(LIGHT_FAMILIES)]
    scene = random_scene(
        seed,
        protocol=protocol,
        encoded=not is_raw,
        tresses=1 + len(DYED),
        wish=Wish(light_family=family),
    )
    courses = [
        _course(seed, number, hair_class) for number, hair_class in enumerate((*DYED, "untouched"))
    ]
    truth: Truth = {}
    rows = []
    (folder / "photos").mkdir()
    for number, wash in enumerate(WASHES):
        name = "before" if wash is None else str(wash)
        tresses = tuple(
            replace(tress, hair=course[number])
            for tress, course in zip(scene.tresses, courses, strict=True)
        )
        shot = replace(varied(scene, kind, protocol, [seed, number, 19]), tresses=tresses)
        photo = render_scene(replace(shot, seed=seed * 100 + number))
        file = f"photos/wash_{name}.{'npy' if is_raw else 'jpg'}"
        if is_raw:
            np.save(folder / file, photo.pixels)
        else:
            write_photo(photo, folder / file)
        for place, known in enumerate(photo.truth.tresses, start=1):
            subject = f"T{place}"
            truth |= {(subject, name, zone): lab for zone, lab in known.zones().items()}
            line = " ".join(f"{x:.1f},{y:.1f}" for x, y in known.line)
            rows.append(
                {"photo": file, "subject": subject, "place": place, "wash": name,
                 "session": name, "line": line}
            )  # fmt: skip
    with (folder / "photos.csv").open("w", encoding="utf-8", newline="") as file_:
        writer = csv.DictWriter(file_, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (folder / "study.toml").write_text(
        'title = "A series"\nchart = "chart24-after-2014-11"\n', encoding="utf-8"
    )
    return truth


def _course(seed: int, number: int, hair_class: str) -> list[Floats]:
    """Hair of one tress at each of `WASHES`; untouched hair stays."""
    rng = np.random.default_rng([seed, 37, number])
    recipe = dyed(hair_class, rng, seed=10 * seed + number)
    along = draw_along(recipe, seed=10 * seed + number + 5)
    stays, washes = rng.uniform(0.05, 0.5), rng.uniform(2.0, 12.0)
    return [
        tress_hair(
            recipe,
            along,
            dye=0.0 if wash is None else stays + (1 - stays) * np.exp(-wash / washes),
            fibre_spread=0.15,
        )
        for wash in WASHES
    ]


def compare(outcome: StudyResult, truth: Truth) -> dict[str, list[Counted]]:
    """Error, width, whether covered, and critical value of every change and colour left."""
    found = defaultdict(list)
    # the truth is that of the very lay: none of its scatter counts
    terms = Terms(settings=outcome.study.settings, bands=read_bands(), relaying=np.zeros((3, 3)))
    measured = [measure_hair(hair, terms) for hair in hairs_of(outcome)]
    for measures, (zone, fade) in ((m, part) for m in measured for part in m.fades.items()):
        subject = measures.subject
        before, coloured = (truth[subject, name, zone] for name in ("before", "0"))
        is_untouched = subject == LEFT_ALONE
        if measures.uptake is not None:
            told = measures.uptake.zones[zone].difference
            what = "untouched, uptake" if is_untouched else "uptake"
            found[what].append(_counted(told, float(delta_e(before, coloured))))
        for step in fade.steps[1:]:
            now = truth[subject, str(step.wash), zone]
            told, gap = step.difference, float(delta_e(coloured, now))
            if is_untouched:
                found["untouched, unchanged"].append((told.delta_e, 0, not told.is_resolved, 0))
                continue
            found["change"].append(_counted(told, gap))
            if told.critical > gap:
                found["change below critical"].append(_counted(told, gap))
            if step.colour_left is None:
                continue
            way = coloured - before
            left = float(100 * ((now - before) @ way) / (way @ way))
            low, high = float(step.colour_left_low or 0), float(step.colour_left_high or 0)
            row = (abs(step.colour_left - left), high - low, low <= left <= high, np.nan)
            found["colour left"].append(row)
            if np.linalg.norm(way) >= LARGE:
                found["colour left of 20"].append(row)
    return found


def _counted(told: ColourDifference, true: float) -> Counted:
    is_in = told.low <= true <= told.high
    return abs(told.delta_e - true), told.high - told.low, is_in, told.critical


if __name__ == "__main__":
    import series_photos  # what a child process imports by that name

    main()

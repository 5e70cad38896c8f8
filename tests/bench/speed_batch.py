"""What a study costs beside its photos: many rows, resuming, exports, and a second worker."""

from __future__ import annotations

import csv
import hashlib
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from speed_photos import speed_photo

from hairtone.hair.types import Profile
from hairtone.pipeline import measure_photo
from hairtone.request import PhotoRequest
from hairtone.result import PhotoResult, TressResult
from hairtone.study.analysis import analyse, write_tables
from hairtone.study.run import Measure, measure_study
from hairtone.study.sheet import Study, read_study

SETTINGS = 'title = "Speed"\nchart = "chart24-after-2014-11"\n'
PHOTOS_PER_HAIR = 10  # before and washes 0 to 8


def made_up(request: PhotoRequest) -> PhotoResult:
    """Stands in for the measuring of a photo: everything else of a study is then what costs."""
    sha256 = hashlib.sha256(request.path.read_bytes()).hexdigest()
    rng = np.random.default_rng(int(sha256[:8], 16))
    lab = np.array([40.0, 15.0, 20.0]) + rng.normal(0, 1, 3) + rng.normal(0, 0.3, (60, 3))
    profile = Profile(
        position=(np.arange(60) + 0.5) / 60,
        lab=lab,
        sampling_covariance=np.tile(0.01 * np.eye(3), (60, 1, 1)),
        draws=(lab + rng.normal(0, 0.4, (256, 1, 3))).astype(np.float32),
        viewing=request.viewing,
        pixels=np.full(60, 400, np.int64),
    )
    hairs = tuple(
        TressResult(name=str(h.place), place=h.place, profile=profile, line=h.line)
        for h in request.hairs
    )
    return PhotoResult(photo=request.name, sha256=sha256, viewing=request.viewing, tresses=hairs)


def growth_of_studies(counts: list[int]) -> list[dict[str, object]]:
    """Milliseconds a photo, apart from measuring it, for studies of that many photos."""
    rows = []
    for count in counts:
        with tempfile.TemporaryDirectory() as scratch:
            study = _study(Path(scratch), [b"photo %d" % n for n in range(count)])
            first, result = _timed(study, made_up)
            again, result = _timed(read_study(study.folder), made_up)
            begun = time.perf_counter()
            analysis = analyse(result)
            analysed = time.perf_counter() - begun
            write_tables(analysis.frames, study.folder / "out")
            written = time.perf_counter() - begun - analysed
        steps = {"first run": first, "resumed": again, "analysis": analysed, "tables": written}
        rows.append(
            {"photos": count}
            | {name: f"{1e3 * seconds / count:.2f}" for name, seconds in steps.items()}
        )
    return rows


def two_workers(count: int, *, repeats: int) -> list[dict[str, object]]:
    """Small photos measured in full by one worker and by two, wall time, paired."""
    photos = [speed_photo(1, "many", seed=n).jpeg for n in range(count)]
    times: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(repeats):
        for workers in times:
            with tempfile.TemporaryDirectory() as scratch:
                study = _study(Path(scratch), photos)
                times[workers].append(_timed(study, measure_photo, workers=workers)[0])
    gains = [one / two for one, two in zip(times[1], times[2], strict=True)]
    return [
        {
            "photos": count,
            "one worker, s a photo": f"{statistics.median(times[1]) / count:.2f}",
            "two workers, s a photo": f"{statistics.median(times[2]) / count:.2f}",
            "gain": f"{statistics.median(gains):.2f} ({min(gains):.2f} to {max(gains):.2f})",
        }
    ]


def _study(folder: Path, photos: list[bytes]) -> Study:
    (folder / "photos").mkdir()
    (folder / "study.toml").write_text(SETTINGS, encoding="utf-8")
    with (folder / "photos.csv").open("w", encoding="utf-8", newline="") as file:
        sheet = csv.writer(file)
        sheet.writerow(["photo", "subject", "wash"])
        for number, data in enumerate(photos):
            hair, wash = divmod(number, PHOTOS_PER_HAIR)
            name = f"photos/{number}.jpg"
            (folder / name).write_bytes(data)
            sheet.writerow([name, f"T{hair + 1}", "before" if wash == 0 else wash - 1])
    return read_study(folder)


def _timed(study: Study, measure: Measure, *, workers: int = 1) -> tuple[float, object]:
    begun = time.perf_counter()
    result = measure_study(study, workers=workers, progress=False, measure=measure)
    took = time.perf_counter() - begun
    refused = [row for row in result.rows if row.status == "refused"]
    if refused:
        raise SystemExit(f"{len(refused)} photos were refused, {refused[0].error}: no figures.")
    return took, result

"""Study folders for tests, and a fast stand-in for the measuring of a photo."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import time
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np

from hairtone.errors import HairError, HairtoneError, PhotoError
from hairtone.hair.types import Profile
from hairtone.request import PhotoRequest
from hairtone.result import ChartFacts, PhotoResult, TressResult
from hairtone.study import workers as worker
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study
from hairtone.study.workers import Done

TITLE = 'title = "A study"\nchart = "chart24-after-2014-11"\n'


def sheet_text(rows, *, separator=","):
    """A sheet of these rows (dicts); its header is the keys of the first."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), delimiter=separator, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def write_study(folder: Path, rows, *, settings: str = TITLE, files: bool = True) -> Path:
    """A study folder; each photo a small file of its own bytes."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(settings, encoding="utf-8")
    (folder / "photos.csv").write_text(sheet_text(rows), encoding="utf-8")
    for row in rows if files else ():
        path = folder / row["photo"]
        if not path.exists():
            path.write_bytes(f"picture of {row['photo']}".encode())
    return folder


def series(subjects=("T1",), washes=("before", "0", "1"), **more):
    """Rows of a plain series: one photo for every subject and wash."""
    return [
        {"photo": f"photos/{s}_{w}.jpg", "subject": s, "wash": w, **more}
        for s in subjects
        for w in washes
    ]


def profile_of(seed: int, viewing) -> Profile:
    """A profile of 60 bins that depends on the seed alone."""
    rng = np.random.default_rng(seed)
    position = (np.arange(60) + 0.5) / 60
    lab = np.array([40.0, 15.0, 20.0]) + rng.normal(0, 3, 3) + np.outer(position, [2.0, 1.0, 1.0])
    shared = rng.normal(0, 0.4, (256, 1, 3))
    return Profile(
        position=position,
        lab=lab,
        sampling_covariance=np.tile(0.01 * np.eye(3), (60, 1, 1)),
        draws=(lab + shared).astype(np.float32),
        viewing=viewing,
        pixels=np.full(60, 400, np.int64),
    )


def told_profile(data: bytes, profile: Profile) -> Profile:
    """The profile that a photo's own text states: ``lab L a b`` and ``ends L a b`` to add there."""
    words = data.decode().split()
    lab = np.array(words[words.index("lab") + 1 :][:3], dtype=np.float64)
    ends = np.zeros(3)
    if "ends" in words:
        ends = np.array(words[words.index("ends") + 1 :][:3], dtype=np.float64)
    told = lab + np.where(profile.position[:, None] > 2 / 3, ends, 0.0)
    shaken = profile.draws - profile.lab.astype(np.float32)
    return replace(profile, lab=told, draws=(told + shaken).astype(np.float32))


def chart_of(words, seed: int) -> ChartFacts:
    """A chart misread as the look after the word ``look`` makes it, and a little of its own.

    ``drift 2`` turns all patches by 2 ΔE00; ``unkept`` keeps no reading, as older versions did.
    """
    look = np.random.default_rng(int(words[words.index("look") + 1])).normal(0, 2, (24, 3))
    missed = look + np.random.default_rng(seed).normal(0, 0.2, (24, 3))
    if "drift" in words:
        missed[:, 0] += float(words[words.index("drift") + 1])
    return ChartFacts(
        reference="chart24-after-2014-11",
        corners=np.zeros((4, 2)),
        residual=np.ones(24),
        held_out=np.linalg.norm(missed, axis=1),
        method="average",
        facts={},
        light={},
        encoded=np.full((24, 3), 0.5),
        missed=None if "unkept" in words else missed,
    )


def measure_fast(request: PhotoRequest) -> PhotoResult:
    """Stands in for the pipeline: numbers from the file's hash; words in it ask for mishaps."""
    data = request.path.read_bytes()
    sha = hashlib.sha256(data).hexdigest()
    if request.expected_sha256 not in (None, sha):
        raise AssertionError("the study must have refused a changed photo")
    _mishap(data, request)
    if b"no chart" in data:
        error = PhotoError("chart-not-found", "No chart.", where=request.name, remedy="Add one.")
        return PhotoResult(photo=request.name, sha256=sha, viewing=request.viewing, error=error)
    tresses = []
    for hair in request.hairs:
        if hair.place > 3:
            error = HairError("place-not-found", "3 hairs.", where="", remedy="Count again.")
            tresses.append(TressResult(name=str(hair.place), place=hair.place, error=error))
            continue
        own = 0 if b"same draws" in data else int(sha[:8], 16)
        profile = profile_of(own + hair.place, request.viewing)
        if b"lab " in data:
            profile = told_profile(data, profile)
        if b"no number" in data:
            profile.lab[5, 0] = np.nan
        tresses.append(
            TressResult(name=str(hair.place), place=hair.place, profile=profile, line=hair.line)
        )
    taken = data.partition(b"taken ")[2].decode()[:19]
    words = data.decode().split()
    return PhotoResult(
        chart=chart_of(words, int(sha[:8], 16)) if "look" in words else None,
        camera=words[words.index("camera") + 1] if "camera" in words else "",
        photo=request.name,
        sha256=sha,
        viewing=request.viewing,
        tresses=tuple(tresses),
        taken=taken,
    )


class InProcess:
    """Runs jobs in this process, for tests that are not about processes."""

    def run(self, jobs):
        for job in jobs:
            kind, value = worker.run(measure_fast, job.request)
            if kind == "done":
                yield Done(name=job.name, packed=value)
            else:
                error = HairtoneError(kind, str(value), where=job.name, remedy="See.")
                yield Done(name=job.name, packed=None, error=error)


def measured(folder: Path, **options):
    """A study measured by the stand-in, in this process."""
    with mock.patch("hairtone.study.run._means", return_value=InProcess()):
        return measure_study(read_study(folder), progress=False, **options)


def measured_by_children(folder: Path, **options):
    """A study measured by the stand-in, in child processes."""
    return measure_study(read_study(folder), measure=measure_fast, progress=False, **options)


def _mishap(data: bytes, request: PhotoRequest) -> None:
    if b"crash" in data and not (b"once" in data and _second_time(request)):
        os.kill(os.getpid(), 9)
    if b"hang" in data:
        time.sleep(600)
    if b"hungry" in data:
        np.ones(8 * 1024**3, np.uint8)
    if b"bug" in data:
        raise RuntimeError(f"no such thing in {request.path}")
    if b"io error" in data:
        raise OSError(5, "Input/output error", str(request.path))
    if b"slow" in data:
        time.sleep(0.05)


def _second_time(request: PhotoRequest) -> bool:
    mark = request.path.with_suffix(".mark")
    if mark.exists():
        return True
    mark.write_text("tried")
    return False

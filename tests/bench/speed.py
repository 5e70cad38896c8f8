"""How fast: CPU of a whole measurement over the bare strict decode of the same JPEG.

``python tests/bench/speed.py [--repeats 7] [--only ratios …] [--studies 10 100 300] [--out DIR]``

Every ratio is paired: decode and measurement alternate in one warm process on one thread, and the
median of the pairs is told with its smallest and largest. `--out` writes each table as CSV, all of
them as ``speed.md``, and how the costs grow as ``growth.png``.
"""

from __future__ import annotations

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

import argparse
import csv
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import cv2
import simplejpeg
from speed_batch import growth_of_studies, two_workers
from speed_peers import LIBRARIES, PEERS, over_frame
from speed_photos import NOISES, SpeedPhoto, speed_photo
from speed_plot import plot_growth

from hairtone.calibration.solve import calibrate
from hairtone.chart.finder import find_chart
from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.colorimetry import DEFAULT_VIEWING
from hairtone.hair.profile import measure_profile
from hairtone.hair.strands import find_strands
from hairtone.measures.evenness import measure_evenness
from hairtone.photo.quality import judge_screen
from hairtone.photo.reader import read_photo
from hairtone.pipeline import measure

Row = dict[str, object]
STAGES = ("read", "screen", "chart", "calibrate", "hair", "profile", "evenness")
MOST_MAPPED = 16.0  # megapixels; maps in 64 bits of larger photos take more memory than CI has
PARTS = ("ratios", "growth", "memory", "peers", "cold", "studies", "workers")


def main() -> None:
    """Measure each part that is asked for, print it, write it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--repeats", type=int, default=7, help="pairs of each ratio (default 7)")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, help="default: all")
    parser.add_argument("--megapixels", nargs="+", type=float, default=[12.0, 24.0])
    parser.add_argument("--growth", nargs="+", type=float, default=[2, 4, 8, 12, 24, 48])
    parser.add_argument(
        "--studies", nargs="+", type=int, default=[10, 30, 100, 300], help="photos; also 10000"
    )
    parser.add_argument("--photos", type=int, default=20, help="measured by one and two workers")
    parser.add_argument("--out", type=Path, help="folder for the tables")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    repeats = arguments.repeats
    sizes = arguments.megapixels
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        parts: dict[str, Callable[[], list[Row]]] = {
            "ratios": lambda: [
                ratios_of(photo, folder, repeats) for photo in _photos(sizes, NOISES)
            ],
            "growth": lambda: [
                growth_of(photo, folder, repeats) for photo in _photos(arguments.growth, ["many"])
            ],
            "memory": lambda: [memory_of(photo, folder) for photo in _photos(sizes, ["very many"])],
            "peers": lambda: [
                row
                for photo in _photos(sizes, ["many"])
                for row in peers_of(photo, folder, repeats)
            ],
            "cold": lambda: cold_starts(_photos(sizes[:1], ["many"]), folder, repeats),
            "studies": lambda: growth_of_studies(arguments.studies),
            "workers": lambda: two_workers(arguments.photos, repeats=min(repeats, 3)),
        }
        tables = {}
        for name in arguments.only:
            tables[name] = parts[name]()
            print(_markdown(name, tables[name]), flush=True)
    if arguments.out:
        _write(tables, arguments.out)


TITLES = {
    "ratios": "CPU over the bare decode, by stage",
    "growth": "Over megapixels",
    "memory": "Peak memory over decoded RGB",
    "peers": "General libraries, CPU over hairtone's",
    "cold": "Cold starts, wall time",
    "studies": "Milliseconds a photo beside measuring it, wall time",
    "workers": "Two workers",
}


def _photos(sizes: Iterable[float], kinds: Iterable[str]) -> Iterable[SpeedPhoto]:
    """One at a time, so that none is in memory while another is measured."""
    return (speed_photo(size, kind) for size in sizes for kind in kinds)


def ratios_of(photo: SpeedPhoto, folder: Path, repeats: int) -> Row:
    """Each stage and the whole over the decode of one photo."""
    path = _written(photo, folder)
    _require_measured(path)
    _by_stage(path)
    pairs = []
    for _ in range(repeats):
        decode = _cpu(lambda: _decode(photo))
        whole = _cpu(lambda: measure(path))
        pairs.append({"whole": whole, **_by_stage(path)} | {"decode": decode})
    row: Row = {
        "photo": photo.name,
        "JPEG, MB": f"{len(photo.jpeg) / 1e6:.1f}",
        "colours": photo.colours,
        "decode, ms": f"{1e3 * statistics.median(p['decode'] for p in pairs):.0f}",
    }
    for stage in STAGES:
        row[stage] = f"{statistics.median(p[stage] / p['decode'] for p in pairs):.2f}"
    row["whole"] = _spread([p["whole"] / p["decode"] for p in pairs])
    return row


def growth_of(photo: SpeedPhoto, folder: Path, repeats: int) -> Row:
    """Seconds of one photo, and its ratio."""
    row = ratios_of(photo, folder, repeats)
    path = _written(photo, folder)
    took = [_cpu(lambda: measure(path)) for _ in range(repeats)]
    kept = ("photo", "JPEG, MB", "colours", "decode, ms")
    return {key: row[key] for key in kept} | {
        "whole, ms": _spread([1e3 * t for t in took], digits=0),
        "whole over decode": row["whole"],
    }


def _by_stage(path: Path) -> dict[str, float]:
    """CPU seconds of each stage, called as the pipeline calls them."""
    reference = load_reference(DEFAULT_CHART)
    took = {}
    marks = [time.process_time()]

    def mark(stage: str) -> None:
        marks.append(time.process_time())
        took[stage] = took.get(stage, 0.0) + marks[-1] - marks[-2]

    photo = read_photo(path)
    mark("read")
    judge_screen(photo)
    mark("screen")
    reading = find_chart(photo, reference=reference)
    mark("chart")
    calibration, light = calibrate(photo, reading, viewing=DEFAULT_VIEWING)
    mark("calibrate")
    strands = find_strands(photo, reading, calibration, light)
    mark("hair")
    for strand in strands:
        profile = measure_profile(photo, calibration, light, strand)
        mark("profile")
        measure_evenness(profile)
        mark("evenness")
    return took


def memory_of(photo: SpeedPhoto, folder: Path) -> Row:
    """Growth of a warm process's memory at its peak; from the operating system, so whole pages."""
    small, large = _written(speed_photo(1, "many"), folder), _written(photo, folder)
    told = _child(WATCHED, str(small), str(large)).stdout.split()
    grown, whole = (float(mb) for mb in told)
    return {
        "photo": photo.name,
        "decoded RGB, MB": f"{photo.rgb_mb:.0f}",
        "peak, MB": f"{grown:.0f}",
        "over decoded RGB": f"{grown / photo.rgb_mb:.2f}",
        "process in all, MB": f"{whole:.0f}",
    }


WATCHED = """
import resource, sys
from pathlib import Path
import cv2
from hairtone.pipeline import measure
cv2.setNumThreads(1)
status, forget = Path("/proc/self/status"), Path("/proc/self/clear_refs")
def told(what):
    line = next(line for line in status.read_text().splitlines() if line.startswith(what))
    return int(line.split()[1]) * 1024 / 1e6
measure(sys.argv[1])
if status.exists():
    forget.write_text("5")  # the peak so far is forgotten; see proc(5)
    before, peak = told("VmRSS"), lambda: told("VmHWM")
else:  # the largest this process, or what started it, ever was
    unit = 1e6 if sys.platform == "darwin" else 1e6 / 1024  # bytes there, KiB elsewhere
    peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    before = peak()
result = measure(sys.argv[2])
assert result.tresses, result.error
print(peak() - before, peak())
"""


def peers_of(photo: SpeedPhoto, folder: Path, repeats: int) -> list[Row]:
    """What general libraries take on the same photo, paired with hairtone."""
    path = _written(photo, folder)
    _require_measured(path)
    rows: list[Row] = []
    for name, opened in LIBRARIES.items():
        library = opened()
        for what, peer in PEERS.items():
            is_map = peer is over_frame
            if is_map and photo.megapixels > MOST_MAPPED:
                continue
            turns = min(repeats, 3) if is_map else repeats
            ratios = []
            for _ in range(turns):
                ours = _cpu(lambda: measure(path))
                ratios.append(_cpu(lambda peer=peer, library=library: peer(photo, library)) / ours)
            rows.append({"photo": photo.name, "library": name, "what": what})
            rows[-1]["over hairtone"] = _spread(ratios)
    return rows


def cold_starts(photos: Iterable[SpeedPhoto], folder: Path, repeats: int) -> list[Row]:
    """Wall time of commands in new processes, files already in the system's cache."""
    path = str(_written(next(iter(photos)), folder))
    commands = {
        "import numpy": ["-c", "import numpy"],
        "--help": ["-m", "hairtone", "--help"],
        "measure, 1 photo": ["-m", "hairtone", "measure", path],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, command in commands.items():
            begun = time.perf_counter()
            subprocess.run([sys.executable, *command], capture_output=True, check=True)
            if turn:  # the first fills the caches
                times[name].append(time.perf_counter() - begun)
    bare = times["import numpy"]
    return [
        {
            "command": name,
            "s": _spread(taken),
            "over import numpy": _spread([t / b for t, b in zip(taken, bare, strict=True)]),
        }
        for name, taken in times.items()
    ]


def _decode(photo: SpeedPhoto) -> None:
    simplejpeg.decode_jpeg(photo.jpeg, colorspace="RGBX", strict=True)


def _require_measured(path: Path) -> None:
    result = measure(path)
    if not result.tresses or result.tresses[0].error is not None:
        raise SystemExit(f"{path.name} was refused, {result.error}: no figures.")


def _written(photo: SpeedPhoto, folder: Path) -> Path:
    path = folder / f"{photo.name}.jpg"
    path.write_bytes(photo.jpeg)
    return path


def _child(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True
    )


def _cpu(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def _spread(values: list[float], *, digits: int = 2) -> str:
    """Median, smallest and largest."""
    middle, low, high = statistics.median(values), min(values), max(values)
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def _markdown(name: str, rows: list[Row]) -> str:
    lines = ["| " + " | ".join(rows[0]) + " |", "|" + "---|" * len(rows[0])]
    lines += ["| " + " | ".join(str(value) for value in row.values()) + " |" for row in rows]
    return f"**{TITLES[name]}**\n\n" + "\n".join(lines) + "\n"


def _write(tables: dict[str, list[Row]], folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    text = "\n".join(_markdown(name, rows) for name, rows in tables.items())
    (folder / "speed.md").write_text(text, encoding="utf-8")
    plot_growth(tables, folder / "growth.png")
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()

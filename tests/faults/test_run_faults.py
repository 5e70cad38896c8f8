"""Faults of a run in the catalogue: machines, clocks and numbers that go wrong round a photo."""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

STUDY_TESTS = str(Path(__file__).resolve().parents[1] / "study")
if STUDY_TESTS not in sys.path:  # children import the stand-in by name, from the same search path
    sys.path.insert(0, STUDY_TESTS)

from folders import measure_fast, measured, series, write_study  # noqa: E402

from hairtone.study import store as places  # noqa: E402
from hairtone.study.editing import new_study  # noqa: E402
from hairtone.study.run import measure_study  # noqa: E402
from hairtone.study.sheet import read_study  # noqa: E402
from hairtone.study.store import Store  # noqa: E402
from hairtone.study.workers import Limits  # noqa: E402

CODE = """
import sys, json
sys.path[:0] = json.loads(sys.argv[2])
if "--few-files" in sys.argv:
    import resource
    resource.setrlimit(resource.RLIMIT_NOFILE, (48, 48))
from folders import measure_fast
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study
outcome = measure_study(read_study(sys.argv[1]), measure=measure_fast, workers=2)
print(json.dumps(outcome.counts))
print(json.dumps(outcome.to_dict()))
"""


def run_in(folder, environment, *flags):
    """A run in a process with that environment and nothing else of ours."""
    keep = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(folder), json.dumps(sys.path), *flags],
        env=keep | environment, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout.partition("\n")[2]


@pytest.mark.parametrize(
    "environment",
    [
        pytest.param(
            {"LANG": "C", "LC_ALL": "C", "PYTHONIOENCODING": "ascii", "PYTHONOPTIMIZE": "2"},
            id="RUN-14, RUN-17",
        ),
        pytest.param(
            {"LANG": "de_DE.UTF-8", "LC_ALL": "de_DE.UTF-8", "TMPDIR": "/nowhere"},
            id="RUN-15, RUN-20",
        ),
    ],
)
def test_the_environment_changes_no_number(tmp_path, environment):
    rows = [row | {"photo": f"photos/Zoë {row['wash']}.jpg"} for row in series()]
    here = measured(write_study(tmp_path / "here", rows))

    there = run_in(write_study(tmp_path / "there", rows), environment)

    assert json.loads(there) == json.loads(here.to_json())


def test_a_small_limit_of_open_files_is_enough(tmp_path):
    """STO-21: 48 files at a time, 60 photos."""
    folder = write_study(tmp_path, series(tuple(f"T{i}" for i in range(20))))

    outcome = json.loads(run_in(folder, {}, "--few-files"))

    assert outcome["counts"] == {"measured": 60, "flagged": 0, "refused": 0}


def test_a_disk_that_fails_under_one_photo_costs_that_photo(tmp_path):
    """STO-17, and RUN-11: the counts add up."""
    folder = write_study(tmp_path, series())
    (folder / "photos/T1_0.jpg").write_bytes(b"io error")

    outcome = measured(folder)

    assert outcome.rows[1].error.code == "unreadable"
    assert "Input/output error" in str(outcome.rows[1].error)
    assert sum(outcome.counts.values()) == 3


def test_a_value_that_is_no_number_is_never_stored(tmp_path):
    """NUM-10."""
    folder = write_study(tmp_path, series())
    (folder / "photos/T1_0.jpg").write_bytes(b"no number")

    outcome = measured(folder)

    assert outcome.rows[1].error.code == "not-finite"
    assert "NaN" not in outcome.to_json()


def test_a_name_that_is_no_utf8_is_given_one_that_is(tmp_path):
    """RUN-22."""
    source = os.fsencode(tmp_path) + b"/bad\xff.jpg"
    with open(source, "wb") as file:
        file.write(b"x")

    folder = new_study(tmp_path / "study", [Path(os.fsdecode(source))])

    assert [path.name for path in (folder / "photos").iterdir()] == ["bad_udcff.jpg"]


@pytest.mark.parametrize(
    ("day", "is_suspect"), [("1970-01-01", True), ("2038-01-19", True), ("2026-11-25", False)]
)
def test_a_clock_that_cannot_be_right_is_told(tmp_path, monkeypatch, day, is_suspect):
    """CLK-02."""
    today = dt.date.fromisoformat(day)
    assert places.clock_is_suspect(today) is is_suspect
    monkeypatch.setattr(places, "clock_is_suspect", lambda: is_suspect)

    notes = places.store_notes(tmp_path)

    assert any("dates of this run" in note for note in notes) is is_suspect


def test_results_are_ordered_by_sequence_not_by_the_clock(tmp_path, monkeypatch):
    """CLK-01, CLK-05: the clock goes back between two runs and within one."""
    folder = write_study(tmp_path, series(("T1", "T2")))
    clock = iter([f"2026-01-0{day}T00:00:00" for day in (9, 5, 1)])
    monkeypatch.setattr("hairtone.study.run.now", lambda: next(clock))
    write_study(folder, series(("T2",)))
    measured(folder)
    write_study(folder, series(("T1", "T2")))
    measured(folder)

    with Store(folder / "results", write=False) as store:
        photos = store.photos()

    assert [name[7:9] for name in photos] == ["T2"] * 3 + ["T1"] * 3


def test_a_jump_of_the_wall_clock_does_not_time_a_photo_out(tmp_path, monkeypatch):
    """CLK-05: limits are kept by the monotonic clock."""
    monkeypatch.setattr("time.time", lambda: 4e9)
    folder = write_study(tmp_path, series())

    outcome = measure_study(
        read_study(folder), measure=measure_fast, progress=False, limits=Limits(time_s=30)
    )

    assert outcome.counts["measured"] == 3


def test_sql_in_a_name_is_only_a_name(tmp_path):
    """SEC-03."""
    name = "photos/x'); DROP TABLE photos; --.jpg"
    rows = [{"photo": name, "subject": "T1'; --", "wash": "0"}, *series(("T2",))]
    folder = write_study(tmp_path, rows)

    measured(folder)

    with Store(folder / "results", write=False) as store:
        assert store.photos()[0] == name
        assert len(store.photos()) == 4

"""A study measured: rows add up, results are kept and reused, nothing depends on the workers."""

from __future__ import annotations

import errno
import json
import os
import random
import subprocess
import sys

import pytest
from folders import (
    TITLE,
    measure_fast,
    measured,
    measured_by_children,
    series,
    write_study,
)

from hairtone.errors import HairError, SheetError, StoreError
from hairtone.result import joint_error
from hairtone.study import files
from hairtone.study import records as recipe
from hairtone.study import store as places
from hairtone.study import workers as worker
from hairtone.study.run import measure_study, photo_requests
from hairtone.study.sheet import read_study
from hairtone.study.store import Store
from hairtone.study.workers import Limits, PhotoJob, Supervisor


def put(folder, photo, text):
    (folder / photo).write_bytes(text.encode())


def test_every_row_is_measured_flagged_or_refused(tmp_path):
    rows = series(("T1", "T2"))
    rows.append({"photo": rows[0]["photo"], "subject": "T3", "wash": "0"})
    rows = [{**row, "place": i // 6 + 1} for i, row in enumerate(rows)]
    rows.append({"photo": "photos/gone.jpg", "subject": "T4", "wash": "0", "place": ""})
    rows.append({"photo": "photos/bad.jpg", "subject": "T4", "wash": "1", "place": ""})
    rows.append({"photo": "photos/far.jpg", "subject": "T4", "wash": "2", "place": "4"})
    folder = write_study(tmp_path, rows)
    (folder / "photos/gone.jpg").unlink()
    put(folder, "photos/bad.jpg", "no chart here")

    outcome = measured(folder)

    assert outcome.counts == {"measured": 7, "flagged": 0, "refused": 3}
    assert [row.row for row in outcome.rows] == list(outcome.study.rows)
    codes = {row.row.photo: row.error.code for row in outcome.rows if row.error}
    assert codes == {
        "photos/gone.jpg": "not-found",
        "photos/bad.jpg": "chart-not-found",
        "photos/far.jpg": "place-not-found",
    }
    assert all(error.remedy for error, _ in outcome.refusals())
    assert outcome.profile(outcome.rows[0]).lab.shape == (60, 3)
    assert json.loads(outcome.to_json())["counts"] == outcome.counts


def test_a_photo_of_which_every_hair_is_refused_holds_no_chart_and_no_tress(tmp_path):
    """As the contract has it; the reason of each hair is told once, in the photo's error."""
    rows = series(("T1",), washes=("0",))
    rows = [{**rows[0], "subject": f"T{n}", "place": n} for n in (4, 5)]
    folder = write_study(tmp_path, rows)

    (photo,) = json.loads(measured(folder).to_json())["photos"]

    assert (photo["status"], photo["chart"], photo["tresses"]) == ("refused", None, [])
    assert photo["error"]["code"] == "place-not-found"


def test_hairs_refused_for_different_reasons_are_told_one_by_one():
    narrow = HairError("hair-too-small", "3 pixels wide.", remedy="Go nearer.")
    bright = HairError("hair-clipped", "40 % is clipped.", remedy="Expose less.")

    told = joint_error([("1", narrow), ("2", bright)])

    assert told.says == "Hair 1: 3 pixels wide. Hair 2: 40 % is clipped."
    assert told.remedy == "Go nearer. Expose less."
    assert joint_error([("1", narrow), ("2", narrow)]) is narrow


def test_a_second_run_measures_nothing_anew(tmp_path):
    folder = write_study(tmp_path, series())
    first = measured(folder)

    second = measure_study(read_study(folder), measure=forbidden, progress=False)

    assert second.to_json() == first.to_json()


def forbidden(request):
    raise AssertionError("measured again")


@pytest.mark.parametrize("change", ["line", "version", "viewing"])
def test_a_changed_question_is_asked_again(tmp_path, monkeypatch, change):
    folder = write_study(tmp_path, series())
    before = measured(folder)
    if change == "line":
        write_study(folder, series(line="1,2 3,4"))
    elif change == "viewing":
        (folder / "study.toml").write_text(TITLE + 'viewing = "D50/2"\n')
    else:
        monkeypatch.setattr("hairtone.study.records.versions", lambda: {"hairtone": "9"})

    after = measured(folder)

    with Store(folder / "results", write=False) as store:
        assert len(store.photos()) == 3
        sequence = store._sql.execute("SELECT MAX(sequence) FROM photos").fetchone()[0]
    assert sequence == 6
    assert after.counts == before.counts


@pytest.mark.parametrize("workers", [2, 8])
def test_numbers_do_not_depend_on_workers_or_order(tmp_path, workers):
    rows = series(("T1", "T2", "T3"), washes=("before", "0", "1", "2"))
    one = measured(write_study(tmp_path / "one", rows))
    shuffled = random.Random(workers).sample(rows, len(rows))
    other = measured_by_children(write_study(tmp_path / "other", shuffled), workers=workers)

    def told(outcome):
        hairs = {(r.row.photo, r.row.place): (r.hair, r.flags, r.draws) for r in outcome.rows}
        return sorted(hairs.items(), key=lambda item: item[0])

    assert told(one) == told(other)  # draws are named by the hash of their bytes


def test_a_crash_a_hang_hunger_and_a_bug_cost_their_photo_alone(tmp_path):
    folder = write_study(tmp_path, series(("T1", "T2", "T3"), washes=("0", "1", "2")))
    bad = {"T1_1": "crash", "T2_1": "hang", "T3_0": "hungry", "T3_2": "bug"}
    for name, word in bad.items():
        put(folder, f"photos/{name}.jpg", word)

    limits = Limits(time_s=1.5, memory_bytes=4 * 1024**3)
    outcome = measured_by_children(folder, workers=2, limits=limits)

    assert outcome.counts == {"measured": 5, "flagged": 0, "refused": 4}
    codes = {row.row.photo[7:11]: row.error.code for row in outcome.rows if row.error}
    assert codes == {"T1_1": "crashed", "T2_1": "timed-out", "T3_0": "memory", "T3_2": "bug"}
    told = " ".join(str(row.error) for row in outcome.rows if row.error)
    assert str(tmp_path) not in told
    assert told.count("twice") == 3


def test_a_photo_that_crashed_once_is_measured_alone(tmp_path):
    folder = write_study(tmp_path, series())
    put(folder, "photos/T1_0.jpg", "crash once")

    assert measured_by_children(folder, workers=2).counts["measured"] == 3


def test_the_same_bytes_for_two_washes_refuse_the_sheet(tmp_path):
    folder = write_study(tmp_path, series())
    for wash in ("0", "1"):
        put(folder, f"photos/T1_{wash}.jpg", "one and the same")

    with pytest.raises(SheetError, match=r"line 4.*T1_1.jpg is the same picture as photos/T1_0"):
        measured(folder)


def test_the_same_bytes_for_one_wash_are_flagged(tmp_path):
    rows = [*series(washes=("0",)), {"photo": "photos/again.jpg", "subject": "T1", "wash": "0"}]
    folder = write_study(tmp_path, rows)
    for row in rows:
        put(folder, row["photo"], "one and the same")

    outcome = measured(folder)

    assert [row.status for row in outcome.rows] == ["measured", "flagged"]
    assert outcome.rows[1].flags[0].code == "same-picture"


def test_a_photo_replaced_after_measuring_is_refused(tmp_path):
    """STO-15: same size, same modification time."""
    folder = write_study(tmp_path, series())
    measured(folder)
    path = folder / "photos/T1_0.jpg"
    stat = path.stat()
    path.write_bytes(path.read_bytes()[::-1])
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    outcome = measured(folder)

    assert outcome.rows[1].error.code == "photo-changed"
    assert outcome.counts["measured"] == 2


def test_a_photo_deleted_after_measuring_keeps_its_result_flagged(tmp_path):
    """STO-16."""
    folder = write_study(tmp_path, series())
    measured(folder)
    (folder / "photos/T1_0.jpg").unlink()

    outcome = measured(folder)

    assert [flag.code for flag in outcome.rows[1].flags] == ["source-missing"]
    assert outcome.counts == {"measured": 2, "flagged": 1, "refused": 0}


def test_a_moved_study_is_not_measured_again(tmp_path):
    """STO-14."""
    first = measured(write_study(tmp_path / "here", series()))
    (tmp_path / "here").rename(tmp_path / "there")

    second = measure_study(read_study(tmp_path / "there"), measure=forbidden, progress=False)

    assert second.to_json() == first.to_json()
    assert str(tmp_path).encode() not in (tmp_path / "there/results/results.sqlite").read_bytes()


def test_withheld_consent_refuses_the_row_and_nothing_is_kept_of_it(tmp_path):
    settings = TITLE + '[subjects.T1]\nconsent = ["teach"]\n[subjects.T2]\nconsent = ["measure"]\n'
    folder = write_study(tmp_path, series(("T1", "T2", "T3"), washes=("0",)), settings=settings)

    outcome = measured(folder)

    assert [row.status for row in outcome.rows] == ["refused", "measured", "measured"]
    assert outcome.rows[0].error.code == "consent-withheld"
    with Store(folder / "results", write=False) as store:
        assert store.photos() == ("photos/T2_0.jpg", "photos/T3_0.jpg")


def test_time_order_against_wash_order_is_flagged(tmp_path):
    """SCN-19; the sheet's wash number rules, the camera's clock only checks it."""
    folder = write_study(tmp_path, series(washes=("0", "1", "2")))
    put(folder, "photos/T1_0.jpg", "taken 2025-03-10T10:00:00")
    put(folder, "photos/T1_1.jpg", "taken 2025-03-01T10:00:00")
    put(folder, "photos/T1_2.jpg", "taken 0000-00-00T00:00:00")

    outcome = measured(folder)

    assert [[f.code for f in row.flags] for row in outcome.rows] == [
        [], ["time-order"], ["date-unknown"],
    ]  # fmt: skip
    assert outcome.rows[2].status == "measured"


def test_the_hour_that_the_clock_goes_through_twice_is_not_called_an_order(tmp_path):
    """CLK-03: 02:50 before and 02:10 after the clock went back."""
    folder = write_study(tmp_path, series(washes=("0", "1")))
    put(folder, "photos/T1_0.jpg", "taken 2025-10-26T02:50:00")
    put(folder, "photos/T1_1.jpg", "taken 2025-10-26T02:10:00")

    assert [f.code for f in measured(folder).rows[1].flags] == ["time-order-unknown"]


def test_a_second_run_at_the_same_time_stops_and_says_who_is_writing(tmp_path):
    folder = write_study(tmp_path, series())
    with Store(folder / "results", write=True), pytest.raises(StoreError) as caught:
        measured(folder)

    assert caught.value.code == "store-locked"
    assert f"process {os.getpid()}" in str(caught.value)


RUN = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where tests run under nohup
sys.path[:0] = {path!r}
from folders import measure_fast
from hairtone.study.run import StudyStopped, measure_study
from hairtone.study.sheet import read_study
try:
    measure_study(read_study({folder!r}), measure=measure_fast, progress=False, workers=2)
except StudyStopped as stopped:
    print(stopped)
    sys.exit(stopped.exit_status)
"""


def start_run(folder):
    """A run in a process of its own, which prints how it was stopped."""
    code = RUN.format(path=[str(p) for p in sys.path], folder=str(folder))
    return subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def wait_for_first(folder, process):
    """Until the first photo is stored."""
    import time

    for _ in range(600):
        if process.poll() is not None:
            raise AssertionError(process.communicate())
        if (folder / "results/results.sqlite").exists():
            with Store(folder / "results", write=False) as store:
                if store.photos():
                    return set(store.photos())
        time.sleep(0.05)
    raise AssertionError("nothing was stored in 30 s")


@pytest.mark.parametrize(("name", "status"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_a_stopped_run_says_what_is_kept_and_is_taken_up_again(tmp_path, name, status):
    """RUN-04, RUN-05: ends within 5 s."""
    import signal

    folder = write_study(tmp_path, series(tuple(f"T{i}" for i in range(10))))
    for path in (folder / "photos").iterdir():
        path.write_bytes(path.read_bytes() + b" slow")
    process = start_run(folder)
    wait_for_first(folder, process)

    process.send_signal(getattr(signal, name))
    out, errors = process.communicate(timeout=5)

    assert process.returncode == status, errors
    assert "photos are stored" in out
    assert measured(folder).counts["measured"] == 30


def test_a_killed_run_loses_nothing_that_was_stored(tmp_path):
    """STO-01, STO-18, in small: kill -9, then go on; the table equals an unbroken run's."""
    rows = series(tuple(f"T{i}" for i in range(10)))
    folder = write_study(tmp_path / "broken", rows)
    whole = measured(write_study(tmp_path / "whole", rows))
    kept: set[str] = set()
    for _ in range(2):
        process = start_run(folder)
        kept |= wait_for_first(folder, process)
        process.kill()
        process.communicate()
        with Store(folder / "results", write=False) as store:
            assert kept <= set(store.photos())
            kept = set(store.photos())

    outcome = measured(folder)

    assert outcome.to_json() == whole.to_json()


def test_known_tresses_are_asked_for_beside_the_rows(tmp_path):
    known = "[[known]]\nphoto = 'photos/T1_0.jpg'\nplace = {}\nlab = [40, 10, 10]\nu95 = 0.7\n"
    settings = TITLE + known.format(1) + known.format(2)
    folder = write_study(tmp_path, series(washes=("0", "1")), settings=settings)

    requests = photo_requests(read_study(folder))

    assert [(hair.place, hair.known_lab) for hair in requests[0].hairs] == [
        (1, (40.0, 10.0, 10.0)), (2, (40.0, 10.0, 10.0)),
    ]  # fmt: skip
    assert requests[0].hairs[1].known_u95 == 0.7
    assert [(hair.place, hair.known_lab) for hair in requests[1].hairs] == [(1, None)]
    assert len(measured(folder).rows) == 2


def test_what_a_photo_fails_of_is_told_without_a_path(tmp_path):
    def lacks_memory(request):
        raise MemoryError

    def has_a_bug(request):
        raise ValueError(f"no such thing in {tmp_path}/x.jpg")

    def cannot_read(request):
        raise OSError(errno.EIO, "Input/output error", str(tmp_path))

    told = [worker.run(f, None) for f in (lacks_memory, has_a_bug, cannot_read)]

    assert [kind for kind, _ in told] == ["memory", "bug", "unreadable"]
    assert not any(str(tmp_path) in says for _, says in told)
    assert worker.load("hairtone.study.workers", "run") is worker.run


def test_children_that_cannot_start_are_told_at_once(tmp_path):
    def local(request): ...

    jobs = [PhotoJob(name="a.jpg", request=None)]
    with pytest.raises(Exception, match=r"could not be started \(exit status"):
        list(Supervisor(local, workers=1).run(jobs))
    with pytest.raises(Exception, match=r"could not be started \(it did not answer"):
        list(Supervisor(measure_fast, workers=1, limits=Limits(start_s=0.0)).run(jobs))


def test_requests_of_a_study_are_those_that_can_be_opened(tmp_path):
    folder = write_study(tmp_path, series(), settings=TITLE + '[light]\nplain_card = "card.jpg"\n')
    assert photo_requests(read_study(folder)) == []
    outcome = measured(folder)
    assert {row.error.where for row in outcome.rows} == {"card.jpg"}

    (folder / "card.jpg").write_bytes(b"card")
    (folder / "photos/T1_0.jpg").unlink()

    requests = photo_requests(read_study(folder))
    assert [request.name for request in requests] == ["photos/T1_before.jpg", "photos/T1_1.jpg"]
    assert requests[0].card == folder.resolve() / "card.jpg"


def test_another_card_or_chart_file_asks_for_new_results(tmp_path):
    settings = (
        TITLE.replace("chart24-after-2014-11", "chart.csv") + '[light]\nplain_card = "c.jpg"\n'
    )
    folder = write_study(tmp_path, series(washes=("0",)), settings=settings)
    recipes = []
    for name in ("chart.csv", "c.jpg", "none"):
        (folder / "chart.csv").touch()
        (folder / "c.jpg").touch()
        (folder / name).write_text("changed")
        measured(folder)
        with Store(folder / "results", write=False) as store:
            recipes.append(store.get("photos/T1_0.jpg").recipe)

    assert len(set(recipes)) == 2
    assert recipes[1] == recipes[2]


def test_files_that_cannot_be_read_are_refused_alone(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series())
    measured(folder)

    def failing(path):
        if path.name == "T1_0.jpg":
            raise OSError(errno.EIO, "Input/output error")
        return files.sha256_of(path)

    monkeypatch.setattr("hairtone.study.run.sha256_of", failing)

    outcome = measured(folder)

    assert [row.error.code if row.error else "" for row in outcome.rows] == ["", "not-readable", ""]


def test_progress_is_told_photo_by_photo(tmp_path, capsys):
    told = []

    measured_with = write_study(tmp_path, series())
    outcome = measure_study(
        read_study(measured_with), measure=measure_fast, progress=lambda *at: told.append(at)
    )

    assert told == [(1, 3), (2, 3), (3, 3)]
    assert capsys.readouterr().err == ""
    assert "3 measured" in outcome._repr_html_()


def test_places_are_told(tmp_path, monkeypatch):
    assert places.file_system(tmp_path, tmp_path / "no mounts") == ""
    (tmp_path / "mounts").write_text("short line\n")
    assert places.file_system(tmp_path, tmp_path / "mounts") == ""
    monkeypatch.setattr(places, "file_system", lambda folder: "nfs")

    assert any("network folder (nfs)" in note for note in places.store_notes(tmp_path))


def test_a_library_that_is_missing_is_part_of_the_recipe(monkeypatch):
    from importlib import metadata

    def missing(name):
        raise metadata.PackageNotFoundError

    recipe.versions.cache_clear()
    monkeypatch.setattr("hairtone.study.records.metadata.version", missing)
    try:
        assert recipe.versions()["rawpy"] == ""
    finally:
        recipe.versions.cache_clear()

"""The store: acknowledged results survive crashes, full disks, flipped bits and second writers."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import stat
import time
from dataclasses import replace

import numpy as np
import pytest
from folders import measured, profile_of, series, write_study

from hairtone.colorimetry import DEFAULT_VIEWING
from hairtone.errors import StoreError
from hairtone.measures.blend import StrandContrast
from hairtone.result import PhotoResult, TressResult
from hairtone.study import records as pack
from hairtone.study import store as store_module
from hairtone.study.files import sha256_of, write_atomically
from hairtone.study.records import Packed
from hairtone.study.store import BACKUP, STORE, Store, WriterLock, file_system, store_notes


def packed(number: int, *, arrays: bool = True) -> Packed:
    return Packed(
        sha256=f"{number:064d}",
        status="measured",
        record=f'{{"number": {number}, "value": 45.25}}',
        arrays=b"arrays of %d" % number if arrays else b"",
    )


def filled(folder, count=3):
    with Store(folder, write=True) as store:
        for number in range(count):
            store.put(f"p{number}.jpg", packed(number), recipe="r")
        store.back_up()
    return folder


def numbers(folder):
    """Photos stored, each whole."""
    with Store(folder, write=False) as store:
        return {photo: store.get(photo).record for photo in store.photos()}


def test_what_was_put_in_comes_out(tmp_path):
    filled(tmp_path)

    with Store(tmp_path, write=False) as store:
        stored = store.get("p1.jpg")
        assert (stored.sha256, stored.recipe, stored.status) == (f"{1:064d}", "r", "measured")
        assert store.draws(stored.draws) == b"arrays of 1"
        assert store.get("other.jpg") is None
        assert store.registered()["p2.jpg"] == f"{2:064d}"


def test_a_photo_stays_registered_as_it_was_first_measured(tmp_path):
    filled(tmp_path)
    with Store(tmp_path, write=True) as store:
        store.put("p1.jpg", packed(9), recipe="s")

        assert store.registered()["p1.jpg"] == f"{1:064d}"
        assert store.get("p1.jpg").sha256 == f"{9:064d}"
        assert store.photos() == ("p0.jpg", "p2.jpg", "p1.jpg")


class Killed(BaseException):
    """Stands for the process ending right there."""


def fail_at(monkeypatch, count, failure):
    """Let the `count`-th of open, write, fsync, replace and commit fail."""
    calls = iter(range(1, 10_000))

    def wrap(function):
        def called(*args, **options):
            if next(calls) == count:
                raise failure
            return function(*args, **options)

        return called

    for name in ("open", "write", "fsync", "replace"):
        monkeypatch.setattr(os, name, wrap(getattr(os, name)))
    return lambda: next(calls) > count


@pytest.mark.parametrize("failure", [OSError(errno.ENOSPC, "full"), OSError(5, "io"), Killed()])
def test_a_failure_at_any_call_leaves_the_state_before_or_after(tmp_path, failure):
    """STO-02: for every N, never between."""
    before = numbers(filled(tmp_path / "start"))
    for count in range(1, 100):
        folder = tmp_path / f"n{count}"
        shutil.copytree(tmp_path / "start", folder)
        with pytest.MonkeyPatch.context() as patch:
            reached = fail_at(patch, count, failure)
            try:
                with Store(folder, write=True) as store:
                    store.put("p1.jpg", packed(8), recipe="r")
                ended = True
            except (StoreError, Killed):
                ended = False
            over = not reached()
        after = {**before, "p1.jpg": packed(8).record}
        assert numbers(folder) in (before, after)
        assert not ended or numbers(folder) == after
        if over:
            break

    assert over
    assert count > 5


def test_a_failed_commit_is_undone_whole(tmp_path):
    filled(tmp_path)
    before = numbers(tmp_path)
    with Store(tmp_path, write=True) as store, pytest.raises(StoreError):
        store.put("p1.jpg", Packed(sha256="x", status="no such", record="{}", arrays=b""),
                  recipe="r")  # fmt: skip

    assert numbers(tmp_path) == before


def test_a_number_that_is_none_cannot_be_stored(tmp_path):
    """NUM-10: a CHECK in the store itself."""
    record = Packed(sha256="x", status="measured", record='{"value": NaN}', arrays=b"")
    with Store(tmp_path, write=True) as store, pytest.raises(StoreError):
        store.put("p.jpg", record, recipe="r")


def test_a_full_disk_says_so_and_keeps_what_is_stored(tmp_path):
    """STO-03, with SQLite's own limit in place of a small disk."""
    filled(tmp_path)
    before = numbers(tmp_path)
    with Store(tmp_path, write=True) as store:
        pages = store._sql.execute("PRAGMA page_count").fetchone()[0]
        store._sql.execute(f"PRAGMA max_page_count = {pages}")
        big = Packed(sha256="x", status="measured", record=f'"{"x" * 100_000}"', arrays=b"")
        with pytest.raises(StoreError, match=r"disk is full.*Make room") as caught:
            store.put("big.jpg", big, recipe="r")

    assert caught.value.code == "disk-full"
    assert numbers(tmp_path) == before


def test_a_full_disk_leaves_an_older_export_untouched(tmp_path, monkeypatch):
    """STO-04."""
    (tmp_path / "report.html").write_text("old")

    def full(handle, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(StoreError, match=r"disk is full: 3 bytes"):
        write_atomically(tmp_path / "report.html", "new")
    monkeypatch.undo()

    assert (tmp_path / "report.html").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_a_read_only_folder_is_said_at_once(tmp_path, monkeypatch):
    """STO-05."""

    def forbidden(*args, **options):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(os, "open", forbidden)

    with pytest.raises(StoreError) as caught:
        Store(tmp_path, write=True).__enter__()

    assert caught.value.code == "store-read-only"
    assert "--out" in caught.value.remedy


def test_reading_works_where_nothing_can_be_written(tmp_path):
    """STO-06: the files and folder without permission to write, opened read-only by SQLite."""
    filled(tmp_path)
    for path in (tmp_path / STORE, tmp_path):
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    try:
        assert len(numbers(tmp_path)) == 3
        assert not list(tmp_path.glob("*-wal"))
    finally:
        tmp_path.chmod(0o700)


def test_a_store_that_a_run_has_only_begun_reads_as_empty(tmp_path):
    """Between making the file and writing its tables; also after a kill just there."""
    sqlite3.connect(tmp_path / STORE).close()
    (tmp_path / STORE).touch()

    with Store(tmp_path, write=False) as store:
        assert store.photos() == ()
    with Store(tmp_path, write=True) as store:
        store.put("p0.jpg", packed(0), recipe="r")
        assert store.photos() == ("p0.jpg",)


def test_a_store_copied_alone_is_whole(tmp_path):
    """STO-09: no WAL that could be left behind."""
    with Store(tmp_path / "a", write=True) as store:
        store.put("p.jpg", packed(1, arrays=False), recipe="r")
        (tmp_path / "b").mkdir()
        shutil.copy(tmp_path / "a" / STORE, tmp_path / "b" / STORE)

    assert list(numbers(tmp_path / "b")) == ["p.jpg"]


def test_a_zeroed_page_is_found_and_the_good_copy_named(tmp_path):
    """STO-10."""
    filled(tmp_path, count=60)
    with (tmp_path / STORE).open("r+b") as file:
        file.seek(4096 * 3)
        file.write(bytes(4096))

    with pytest.raises(StoreError, match=rf"damaged.*{BACKUP} is the last good copy") as caught:
        Store(tmp_path, write=True).__enter__()

    assert "photos are untouched" in caught.value.remedy
    shutil.copy(tmp_path / BACKUP, tmp_path / STORE)
    assert len(numbers(tmp_path)) == 60


def test_a_file_that_is_no_store_is_refused(tmp_path):
    (tmp_path / STORE).write_bytes(b"this is no database, and long enough to look at" * 20)

    with pytest.raises(StoreError, match="damaged"):
        Store(tmp_path, write=True).__enter__()


def test_a_flipped_bit_in_a_stored_number_is_found(tmp_path):
    """STO-11: 45.25 becomes 45.35 in the file; SQLite itself does not notice."""
    filled(tmp_path)
    data = (tmp_path / STORE).read_bytes()
    target = b'{"number": 1, "value": 45.25}'
    (tmp_path / STORE).write_bytes(data.replace(target, target.replace(b"5.25", b"5.35")))

    with Store(tmp_path, write=False) as store:
        assert store.get("p1.jpg") is None
        assert store.get("p2.jpg") is not None


def test_flipped_or_missing_draws_are_found(tmp_path):
    filled(tmp_path)
    with Store(tmp_path, write=False) as store:
        names = [store.get(f"p{number}.jpg").draws for number in range(3)]
        (tmp_path / "draws" / names[0]).write_bytes(b"arrays of 7")
        (tmp_path / "draws" / names[1]).unlink()

        assert [store.get(f"p{n}.jpg") is None for n in range(3)] == [True, True, False]
        with pytest.raises(StoreError, match="not what was written"):
            store.draws(names[0])


def test_a_store_of_a_newer_version_is_refused(tmp_path):
    """STO-12."""
    filled(tmp_path)
    with sqlite3.connect(tmp_path / STORE) as sql:
        sql.execute("PRAGMA user_version = 99")
    sql.close()
    before = sha256_of(tmp_path / STORE)

    with pytest.raises(StoreError, match=r"newer hairtone \(schema 99"):
        Store(tmp_path, write=True).__enter__()

    assert sha256_of(tmp_path / STORE) == before


def test_a_migration_keeps_the_old_store_until_the_new_one_is_whole(tmp_path, monkeypatch):
    """STO-13: an invented schema 2; killed half-way, then taken up again."""
    filled(tmp_path)
    before = numbers(tmp_path)
    steps = []

    def to_2(sql):
        sql.execute("ALTER TABLE photos ADD COLUMN later TEXT NOT NULL DEFAULT ''")
        steps.append(1)
        if len(steps) == 1:
            raise Killed

    monkeypatch.setattr(store_module, "SCHEMA", 2)
    monkeypatch.setitem(store_module.MIGRATIONS, 1, to_2)
    with pytest.raises(Killed):
        Store(tmp_path, write=True).__enter__()
    with sqlite3.connect(tmp_path / STORE) as sql:
        assert sql.execute("PRAGMA user_version").fetchone() == (1,)
    sql.close()
    assert (tmp_path / "results-schema1.sqlite").exists()

    with Store(tmp_path, write=True) as store:
        assert store._sql.execute("PRAGMA user_version").fetchone() == (2,)

    assert numbers(tmp_path) == before


def put_many(folder, first):
    for number in range(first, first + 10):
        with Store(folder, write=True, wait_s=30.0) as store:
            store.put(f"p{number}.jpg", packed(number), recipe="r")


def test_four_writers_lose_nothing(tmp_path):
    """STO-07, STO-08: each waits for the other's lock."""
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=put_many, args=(tmp_path, 10 * k)) for k in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)

    assert [writer.exitcode for writer in writers] == [0] * 4
    assert len(numbers(tmp_path)) == 40


def put_until_killed(folder, acknowledged, start):
    with Store(folder, write=True, wait_s=30.0) as store:
        for number in range(start, start + 10_000):
            store.put(f"p{number % 50}.jpg", packed(number), recipe="r")
            os.write(acknowledged, number.to_bytes(4, "big"))


KILLS = int(os.environ.get("HAIRTONE_KILLS", "10"))  # 200 were run once


def test_kills_at_any_moment_lose_no_acknowledged_result(tmp_path):
    """STO-01: kill -9 at random moments of writing; the store opens, every result is whole."""
    context, rng = multiprocessing.get_context("fork"), random.Random(7)
    known: dict[str, int] = {}
    for round_number in range(KILLS):
        reading, writing = os.pipe()
        start = 100_000 * round_number
        writer = context.Process(target=put_until_killed, args=(tmp_path, writing, start))
        writer.start()
        os.close(writing)
        first = os.read(reading, 4)
        time.sleep(rng.uniform(0.0, 0.15))
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        with os.fdopen(reading, "rb") as pipe:
            told = first + pipe.read()
        for at in range(0, len(told) - len(told) % 4, 4):
            number = int.from_bytes(told[at : at + 4], "big")
            known[f"p{number % 50}.jpg"] = number

        with Store(tmp_path, write=True, wait_s=30.0) as store:
            found = {photo: int(store.get(photo).sha256) for photo in store.photos()}
            store.remove_orphans()
        # the last put of a photo may have been stored and not yet acknowledged
        assert all(found[photo] >= number for photo, number in known.items())
        known = {photo: max(known.get(photo, 0), number) for photo, number in found.items()}

    assert len(known) > 1


def test_a_lock_of_a_dead_process_does_not_bind(tmp_path):
    """STO-18."""
    (tmp_path / "writer.lock").write_text(f"host here, process {os.getpid()}, since ever")

    assert filled(tmp_path)


def test_a_conflict_copy_is_told_and_never_read(tmp_path):
    """STO-19."""
    filled(tmp_path)
    shutil.copy(tmp_path / STORE, tmp_path / "results (conflicted copy).sqlite")

    notes = store_notes(tmp_path)

    assert any("results (conflicted copy).sqlite" in note for note in notes)


def test_a_network_folder_is_told(tmp_path):
    """STO-20, with a table of mounts in the system's form."""
    mounts = tmp_path / "mounts"
    mounts.write_text(f"/dev/a / ext4 rw 0 0\nserver:/x {tmp_path} nfs4 rw 0 0\n")

    assert file_system(tmp_path / "study", mounts) == "nfs4"
    assert file_system(tmp_path.parent, mounts) == "ext4"


def test_parts_of_a_broken_writing_are_swept_up(tmp_path):
    filled(tmp_path)
    (tmp_path / "draws/.x.npz.0123.part").write_bytes(b"half")

    with Store(tmp_path, write=True) as store:
        store.remove_orphans()

    assert not list(tmp_path.rglob("*.part"))


def test_forgotten_photos_leave_nothing_behind(tmp_path):
    filled(tmp_path)
    with Store(tmp_path, write=True) as store:
        store.forget(("p1.jpg",))

    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert not [path for path in files if b"p1.jpg" in path.read_bytes()]
    assert not [path for path in files if path.read_bytes() == b"arrays of 1"]
    assert len(numbers(tmp_path)) == 2


RESULT = Packed(sha256="a" * 64, status="measured", record='{"value": 1.5}', arrays=b"arrays")
UNREAD = Packed(sha256="", status="refused", record='{"value": null}', arrays=b"")


def test_a_hair_survives_packing():
    profile = replace(
        profile_of(1, DEFAULT_VIEWING), sampling_draws=np.ones((8, 60, 3), np.float32)
    )
    contrast = StrandContrast(value=3.0, draws=np.ones(5), noise=0.1, mm_per_px=0.05)
    texture = np.arange(192 * 24, dtype=np.int64).reshape(192, 24).astype(np.int8)
    tress = TressResult(name="2", place=2, profile=profile, texture=texture, contrast=contrast)

    packed = pack.pack(PhotoResult(photo="a.jpg", sha256="x", tresses=(tress,)))

    again = pack.unpack_profile(packed.arrays, 2, viewing="D65/10")
    hair = json.loads(packed.record)["hairs"][0]
    assert np.array_equal(again.draws, profile.draws)
    assert np.array_equal(again.sampling_draws, profile.sampling_draws)
    assert again.lab.dtype == np.float64
    assert not again.lab.flags.writeable
    assert np.array_equal(pack.texture_from(hair["texture"]), texture)
    assert pack.contrast_from(hair["contrast"]).value == 3.0
    assert pack.contrast_from(None) is None
    with pytest.raises(StoreError, match="profile of hair 1 cannot be read"):
        pack.unpack_profile(packed.arrays, 1, viewing="D65/10")
    with pytest.raises(StoreError, match="cannot be read"):
        pack.unpack_profile(b"no archive", 2, viewing="D65/10")


def test_a_fact_that_is_no_number_refuses_the_photo():
    profile = replace(profile_of(1, DEFAULT_VIEWING), facts={"share": float("nan")})
    tress = TressResult(name="1", place=1, profile=profile)

    packed = pack.pack(PhotoResult(photo="a.jpg", sha256="x", tresses=(tress,)))

    assert packed.status == "refused"
    assert json.loads(packed.record)["result"]["error"]["code"] == "not-finite"


def coded(name):
    import sqlite3

    error = sqlite3.OperationalError("x")
    error.sqlite_errorname = name
    return error


def test_a_store_held_by_another_program_is_told(tmp_path):
    import sqlite3

    with Store(tmp_path, write=True) as store:
        told = [
            store._error_of(error)
            for error in map(coded, ("SQLITE_BUSY", "SQLITE_READONLY", "SQLITE_IOERR"))
        ]

    assert [error.code for error in told] == ["store-locked", "store-read-only", "store-failed"]
    assert all(error.remedy for error in told)
    assert isinstance(coded("x"), sqlite3.Error)


def test_a_second_lock_waits_its_time_and_a_text_that_cannot_be_written_frees_it(
    tmp_path, monkeypatch
):
    path = tmp_path / "writer.lock"
    with WriterLock(path), pytest.raises(StoreError, match="Another run"):
        WriterLock(path, wait_s=0.3).__enter__()

    def full(*args, **options):
        raise OSError(errno.ENOSPC, "full")

    with monkeypatch.context() as patch:
        patch.setattr("hairtone.study.store.Path.write_text", full)
        with pytest.raises(StoreError, match="disk is full"):
            WriterLock(path).__enter__()

    holder = path.with_suffix(".holder")
    with WriterLock(path):
        assert "process" in holder.read_text()
    assert not holder.exists()


def test_a_photo_that_could_not_be_read_is_kept_and_not_registered(tmp_path):
    with Store(tmp_path, write=True) as store:
        store.put("p.jpg", UNREAD, recipe="r")

        assert store.get("p.jpg").status == "refused"
        assert store.registered() == {}


def test_forgetting_works_before_there_is_a_backup(tmp_path):
    with Store(tmp_path, write=True) as store:
        store.put("p.jpg", RESULT, recipe="r")
        store.forget(("p.jpg",))

        assert store.photos() == ()


def test_a_study_never_measured_reads_as_empty(tmp_path):
    with Store(tmp_path, write=False) as store:
        assert store.photos() == ()


def test_a_disk_that_fails_while_reading_says_so(tmp_path):
    with Store(tmp_path, write=True) as store:
        store.put("p.jpg", RESULT, recipe="r")

        with pytest.raises(StoreError, match="disk"), store._telling():
            raise OSError(5, "Input/output error")


def test_a_store_that_fails_its_own_check_is_refused(tmp_path, monkeypatch):
    with Store(tmp_path, write=True) as store:
        store.put("p.jpg", RESULT, recipe="r")

    class Doubtful(sqlite3.Connection):
        def execute(self, sql, *values):
            told = "SELECT 'row 1 missing from index'" if "quick_check" in sql else sql
            return super().execute(told, *values)

    connect = sqlite3.connect
    monkeypatch.setattr(
        store_module.sqlite3,
        "connect",
        lambda *places, **options: connect(*places, factory=Doubtful, **options),
    )

    with pytest.raises(StoreError, match="damaged"), Store(tmp_path, write=True):
        pass


def test_reading_a_stored_study_needs_no_right_to_write(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series())
    first = measured(folder)

    def forbidden(*args, **options):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("hairtone.study.store.FileLock.acquire", forbidden)
    second = measured(folder)
    write_study(folder, series(line="1,2 3,4"))

    assert second.to_json() == first.to_json()
    with pytest.raises(StoreError, match="cannot be written to, and photos are still"):
        measured(folder)

"""Rare turns of the study's rooms, each with what a person is told."""

from __future__ import annotations

import errno
import json
import os
import zipfile
from dataclasses import replace

import numpy as np
import openpyxl
import pytest
from folders import TITLE, measure_fast, measured, profile_of, series, write_study

from hairtone.colorimetry import DEFAULT_VIEWING
from hairtone.errors import PhotoError, SheetError, StoreError
from hairtone.measures.blend import StrandContrast
from hairtone.result import PhotoResult, TressResult
from hairtone.study import files, purge
from hairtone.study import plan as recipe
from hairtone.study import records as pack
from hairtone.study import store as places
from hairtone.study import workers as worker
from hairtone.study.files import Folder, clean_name
from hairtone.study.new import new_study
from hairtone.study.plan import photo_requests
from hairtone.study.records import RowResult
from hairtone.study.run import measure_study, same_bytes, taken_at, with_series_flags
from hairtone.study.sheet import SheetRow, read_study
from hairtone.study.store import Store, WriterLock
from hairtone.study.workers import Job, Limits, Supervisor


def textured(photo, wash, texture, sha):
    tress = TressResult(name="1", place=1, texture=texture)
    row = SheetRow(photo=photo, subject="T1", wash=wash)
    return RowResult(row=row, sha256=sha, hair={"texture": pack._texture_text(tress)})


def test_one_picture_saved_again_is_known_by_its_strands():
    """SCN-21: shifted by two cells and noisy, against a pattern of its own."""
    rng = np.random.default_rng(3)
    first = rng.integers(-90, 90, (192, 24)).astype(np.int8)
    again = (np.roll(first, 2, axis=0) // 2 + rng.integers(-20, 20, first.shape)).astype(np.int8)
    new = rng.integers(-90, 90, (192, 24)).astype(np.int8)

    rows = with_series_flags(
        (textured("a.jpg", 0, first, "1"), textured("b.jpg", 5, again, "2"),
         textured("c.jpg", 6, new, "3"))
    )  # fmt: skip

    assert [[f.code for f in row.flags] for row in rows] == [[], ["same-picture"], []]
    assert "same picture as a.jpg (wash 0)" in rows[1].flags[0].says
    assert "texture" not in rows[0].hair


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

    jobs = [Job(name="a.jpg", request=None)]
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


def test_reading_a_stored_study_needs_no_right_to_write(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series())
    first = measured(folder)

    def forbidden(*args, **options):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("hairtone.study.store.os.open", forbidden)
    second = measured(folder)
    write_study(folder, series(line="1,2 3,4"))

    assert second.to_json() == first.to_json()
    with pytest.raises(StoreError, match="cannot be written to, and photos are still"):
        measured(folder)


def test_progress_is_told_photo_by_photo(tmp_path, capsys):
    told = []

    measured_with = write_study(tmp_path, series())
    outcome = measure_study(
        read_study(measured_with), measure=measure_fast, progress=lambda *at: told.append(at)
    )

    assert told == [(1, 3), (2, 3), (3, 3)]
    assert capsys.readouterr().err == ""
    assert "3 measured" in outcome._repr_html_()


def test_a_result_in_html_shows_hostile_text_as_text(tmp_path):
    rows = [{"photo": "photos/<script>.jpg", "subject": "T1", "wash": "0"}]
    folder = write_study(tmp_path, rows)
    (folder / rows[0]["photo"]).write_bytes(b"no chart")

    html = measured(folder)._repr_html_()

    assert "<script>" not in html
    assert "&lt;script&gt;.jpg" in html


def test_equal_sizes_that_cannot_be_read_are_left_to_the_measuring(tmp_path):
    (tmp_path / "a").write_bytes(b"1")
    paths = {"a": tmp_path / "a", "gone": tmp_path / "gone", "folder": tmp_path}
    (tmp_path / "b").write_bytes(b"1")

    assert same_bytes(paths | {"b": tmp_path / "b"}) == [["a", "b"]]


def test_a_camera_s_date_of_tomorrow_is_no_date():
    import datetime as dt

    today = dt.datetime(2026, 3, 1)

    assert taken_at("2026-03-01T10:00:00", today=today) is not None
    assert taken_at("2026-03-09T10:00:00", today=today) is None


@pytest.mark.parametrize("code", [errno.EIO, errno.EACCES, errno.ENOSPC])
def test_every_failure_of_the_disk_has_a_remedy(tmp_path, code):
    error = files.storage_error(OSError(code, "x"), tmp_path / "results" / "a.csv", needed=5)

    assert error.where == "results/a.csv"
    assert error.remedy


def test_a_second_lock_waits_its_time_and_a_text_that_cannot_be_written_frees_it(
    tmp_path, monkeypatch
):
    path = tmp_path / "writer.lock"
    with WriterLock(path), pytest.raises(StoreError, match="Another run"):
        WriterLock(path, wait_s=0.3).__enter__()

    def full(*args):
        raise OSError(errno.ENOSPC, "full")

    with monkeypatch.context() as patch:
        patch.setattr("hairtone.study.store.os.ftruncate", full)
        with pytest.raises(StoreError, match="disk is full"):
            WriterLock(path).__enter__()

    with WriterLock(path):
        assert "process" in path.read_text()
    assert path.read_text() == ""


def test_a_name_is_found_where_it_lies_or_told_why_not(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos/a.jpg").write_bytes(b"1")
    (tmp_path / "photos/folder.jpg").mkdir()
    os.symlink("a.jpg", tmp_path / "photos/near.jpg")
    os.symlink("nowhere.jpg", tmp_path / "photos/broken.jpg")
    os.mkfifo(tmp_path / "photos/pipe.jpg")
    folder = Folder(tmp_path)

    assert folder.find(clean_name("photos\\a.jpg")) == tmp_path.resolve() / "photos/a.jpg"
    assert folder.find("photos/near.jpg").name == "a.jpg"
    for name, told in [
        ("a.jpg", "photos/a.jpg is there"),
        ("photos/folder.jpg", "no ordinary file"),
        ("photos/pipe.jpg", "no ordinary file"),
        ("photos/broken.jpg", "cannot be opened"),
        ("none/a.jpg", "not found"),
    ]:
        with pytest.raises(PhotoError, match=told):
            folder.find(name)


def test_a_copied_photo_that_cannot_be_read_stops_a_new_study(tmp_path, monkeypatch):
    (tmp_path / "a.jpg").write_bytes(b"1")
    (tmp_path / "nul.jpg").write_bytes(b"1")
    assert (new_study(tmp_path / "one", [tmp_path / "nul.jpg"]) / "photos/photo_nul.jpg").exists()

    def failing(self):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("pathlib.Path.read_bytes", failing)

    with pytest.raises(StoreError, match="Input/output"):
        new_study(tmp_path / "two", [tmp_path / "a.jpg"])


def test_purging_removes_folders_and_says_what_it_cannot_remove(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series(("T1",) * 1))
    measured(folder)
    (folder / "results/figures").mkdir()
    (folder / "results/figures/a.png").write_bytes(b"x")
    (folder / "results/old copy.sqlite").write_bytes(b"x")

    purged = purge.purge_subject(read_study(folder), "T1")

    assert purged.exports == ("figures",)
    assert "old copy.sqlite" in str(purged)
    (folder / "results/a.csv").write_text("x")

    def failing(self, **options):
        raise OSError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("pathlib.Path.unlink", failing)
    with pytest.raises(StoreError, match=r"a\.csv could not be removed"):
        purge._remove_exports(folder / "results")


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
    monkeypatch.setattr("hairtone.study.plan.metadata.version", missing)
    try:
        assert recipe.versions()["rawpy"] == ""
    finally:
        recipe.versions.cache_clear()


def write_book(folder, change):
    """A workbook whose sheet's XML is changed by hand."""
    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active.append(["a.jpg", "T1", "0"])
    book.save(folder / "plain.xlsx")
    with (
        zipfile.ZipFile(folder / "plain.xlsx") as old,
        zipfile.ZipFile(folder / "photos.xlsx", "w") as new,
    ):
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, change(data) if name.endswith("sheet1.xml") else data)
    (folder / "plain.xlsx").unlink()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"<worksheet", b"<!DOCTYPE x [<!ENTITY a 'b'>]><worksheet", "entities of its own"),
        (b"</worksheet>", b"", "not a workbook, or is damaged"),
        (b"<t>", b"<t>\x01", "not a workbook, or is damaged"),
        (b"</sheetData>", b"<row r='9' hidden='1'/></sheetData>", None),
        (b'r="B2"', b'r=""', None),
    ],
)
def test_a_workbook_changed_by_hand_is_read_or_refused(tmp_path, old, new, told):
    (tmp_path / "study.toml").write_text(TITLE)
    write_book(tmp_path, lambda data: data.replace(old, new))

    if told is None:
        assert read_study(tmp_path).rows[0].subject == "T1"
        return
    with pytest.raises(SheetError, match=told):
        read_study(tmp_path)


def test_empty_workbooks_and_control_signs_are_refused(tmp_path, monkeypatch):
    (tmp_path / "study.toml").write_text(TITLE)
    openpyxl.Workbook().save(tmp_path / "photos.xlsx")
    with pytest.raises(SheetError, match="workbook is empty"):
        read_study(tmp_path)
    write_book(tmp_path, lambda data: data.replace(b">T1<", b">T\xef\xbf\xbd<"))
    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active.append(["a.jpg", "T\ufffd", 12.5])
    book.active.append(["b.jpg", "T1", 1e-7])
    book.save(tmp_path / "photos.xlsx")
    with pytest.raises(SheetError, match=r"U\+FFFD"):
        read_study(tmp_path)
    monkeypatch.setattr("hairtone.study.table.MAX_BYTES", 10)
    with pytest.raises(SheetError, match="workbook is too large"):
        read_study(tmp_path)


def test_accents_damaged_by_an_earlier_program_are_told(tmp_path):
    rows = [{"photo": "photos/MÃ¼ller.jpg", "subject": "T1", "wash": "0"}]

    notes = read_study(write_study(tmp_path, rows)).notes

    assert any("accents may have been damaged" in note for note in notes)


@pytest.mark.parametrize("name", ["photos.csv", "study.toml"])
def test_a_sheet_that_the_system_will_not_hand_over_is_told(tmp_path, monkeypatch, name):
    folder = write_study(tmp_path, series())
    plain = type(folder).open

    def failing(self, *args, **options):
        if self.name == name:
            raise OSError(errno.EACCES, "Permission denied")
        return plain(self, *args, **options)

    def read(self):
        with failing(self, "rb") as file:
            return file.read()

    monkeypatch.setattr("pathlib.Path.open", failing)
    monkeypatch.setattr("pathlib.Path.read_bytes", read)

    with pytest.raises(SheetError, match=r"cannot be opened \(Permission denied\)"):
        read_study(folder)


def test_a_store_held_by_another_program_is_told(tmp_path):
    import sqlite3

    with Store(tmp_path, write=True) as store:
        told = [
            store._told(error)
            for error in map(coded, ("SQLITE_BUSY", "SQLITE_READONLY", "SQLITE_IOERR"))
        ]

    assert [error.code for error in told] == ["store-locked", "store-read-only", "store-failed"]
    assert all(error.remedy for error in told)
    assert isinstance(coded("x"), sqlite3.Error)


def coded(name):
    import sqlite3

    error = sqlite3.OperationalError("x")
    error.sqlite_errorname = name
    return error

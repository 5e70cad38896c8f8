"""A subject removed from all that was written; a new study that can be filled in."""

from __future__ import annotations

import errno

import pytest
from folders import TITLE, measured, series, write_study

from hairtone.errors import PhotoError, SheetError, StoreError
from hairtone.study import editing as purge
from hairtone.study.editing import new_study, purge_subject
from hairtone.study.sheet import read_study
from hairtone.study.store import Store


def test_a_purged_subject_is_in_no_file_that_hairtone_wrote(tmp_path):
    folder = write_study(tmp_path, series(("SECRET", "T2")))
    measured(folder)
    (folder / "results/measurements.csv").write_text("SECRET")
    (folder / "results/report.html").write_text("SECRET")

    purged = purge_subject(read_study(folder), "SECRET")

    assert len(purged.photos) == 3
    assert purged.exports == ("measurements.csv", "report.html")
    assert "3 rows of the sheet (line 2, line 3, line 4)" in str(purged)
    left = [path for path in (folder / "results").rglob("*") if path.is_file()]
    assert not [path.name for path in left if b"SECRET" in path.read_bytes()]
    assert len([path for path in left if path.suffix == ".npz"]) == 3
    with Store(folder / "results", write=False) as store:
        assert set(store.photos()) == {f"photos/T2_{w}.jpg" for w in ("before", "0", "1")}
        assert len(store.registered()) == 3


def test_results_of_photos_no_longer_in_the_sheet_are_purged_too(tmp_path):
    folder = write_study(tmp_path, series(("SECRET", "T2")))
    measured(folder)
    write_study(folder, series(("T2",)))

    purged = purge_subject(read_study(folder), "SECRET")

    assert len(purged.photos) == 3
    assert not purged.rows
    assert "of 3 photos that the sheet no longer names" in str(purged)


def test_an_unknown_subject_is_refused_with_the_codes_known_and_nothing_is_touched(tmp_path):
    folder = write_study(tmp_path, series(("T1", "T2")))
    measured(folder)
    (folder / "results/report.html").write_text("kept")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}

    with pytest.raises(SheetError, match=r"No subject t1 .* codes known: T1, T2\. Nothing was"):
        purge_subject(read_study(folder), "t1")

    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_subject_of_a_study_never_measured_is_said_to_be_in_the_sheet(tmp_path):
    folder = write_study(tmp_path, series())

    assert "0 photos" in str(purge_subject(read_study(folder), "T1"))
    assert not (folder / "results").exists()


def test_a_new_study_lists_its_photos_and_asks_for_the_rest(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    sources = [tmp_path / "a/IMG 1.JPG", tmp_path / "b/IMG 1.JPG", tmp_path / "b/=cmd.png"]
    for number, source in enumerate(sources):
        source.write_bytes(bytes([number]))

    folder = new_study(tmp_path / 'My "study"', sources)

    names = ["IMG 1-2.JPG", "IMG 1.JPG", "photo=cmd.png"]
    assert sorted(path.name for path in (folder / "photos").iterdir()) == names
    assert (folder / "photos/IMG 1-2.JPG").read_bytes() == b"\x01"
    with pytest.raises(SheetError) as caught:
        read_study(folder)
    assert {fault.code for fault in caught.value.faults} == {"cell-empty"}
    assert len(caught.value.faults) == 6  # subject and wash of three photos


def test_a_filled_in_new_study_is_read(tmp_path):
    (tmp_path / "one.jpg").write_bytes(b"1")
    folder = new_study(tmp_path / "study", [tmp_path / "one.jpg"])
    sheet = folder / "photos.csv"
    text = sheet.read_text("utf-8-sig").replace("one.jpg,,", "one.jpg,T1,before")
    sheet.write_text(text, "utf-8-sig")

    study = read_study(folder)

    assert study.rows[0].wash is None
    assert study.settings.title == "study"


def test_photos_dropped_into_the_folder_are_listed(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos/one.jpg").write_bytes(b"1")
    (tmp_path / "photos/remarks.txt").write_bytes(b"1")

    new_study(tmp_path, [tmp_path / "photos/one.jpg"])

    assert "photos/one.jpg" in (tmp_path / "photos.csv").read_text("utf-8-sig")
    assert "remarks" not in (tmp_path / "photos.csv").read_text("utf-8-sig")


def test_a_study_is_never_written_over(tmp_path):
    (tmp_path / "study.toml").write_text(TITLE)

    with pytest.raises(SheetError, match=r"a study already \(study.toml\)"):
        new_study(tmp_path, [])

    assert (tmp_path / "study.toml").read_text() == TITLE


def test_a_photo_that_is_not_there_stops_a_new_study_before_anything_is_written(tmp_path):
    with pytest.raises(PhotoError, match="no such photo"):
        new_study(tmp_path / "study", [tmp_path / "gone.jpg"])

    assert not (tmp_path / "study").exists()


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

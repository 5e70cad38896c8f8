"""Promises of sheet and store that only odd places put to the test."""

from __future__ import annotations

import os
import sqlite3

import pytest
from openpyxl import Workbook

from hairtone.errors import StoreError
from hairtone.study import store as store_module
from hairtone.study.files import Folder
from hairtone.study.records import Packed
from hairtone.study.sheet import read_study
from hairtone.study.store import Store
from hairtone.study.values import SheetFaults

RESULT = Packed(sha256="a" * 64, status="measured", record='{"value": 1.5}', arrays=b"arrays")
UNREAD = Packed(sha256="", status="refused", record='{"value": null}', arrays=b"")


def test_faults_of_a_sheet_keep_the_places_they_name(tmp_path):
    (tmp_path / "study.toml").write_text('title = "One"\n', encoding="utf-8")
    (tmp_path / "photos.csv").write_text("photo,subject\na.jpg,T1\n", encoding="utf-8")
    with pytest.raises(SheetFaults) as refused:
        read_study(tmp_path)
    faults = refused.value

    assert faults.at("another.csv") is faults


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


def test_a_folder_that_cannot_be_listed_holds_no_names(tmp_path, monkeypatch):
    def refuse(place):
        raise PermissionError(13, "denied", str(place))

    folder = Folder(tmp_path)
    monkeypatch.setattr(os, "listdir", refuse)

    assert folder._listing(tmp_path) == {}


def test_a_truth_value_in_a_workbook_stays_the_word_it_shows(tmp_path):
    book = Workbook()
    book.active.append(["photo", "subject", "wash", "remark"])
    book.active.append(["photos/a.jpg", "T1", 0, True])
    book.save(tmp_path / "photos.xlsx")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"-")
    (tmp_path / "study.toml").write_text('title = "One"\n', encoding="utf-8")

    (row,) = read_study(tmp_path).rows

    assert dict(row.extra)["remark"] == "TRUE"

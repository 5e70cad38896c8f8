"""A workbook is read as the person sees it, or refused."""

from __future__ import annotations

import zipfile

import openpyxl
import pytest
from folders import TITLE
from openpyxl import Workbook

from hairtone.errors import SheetError
from hairtone.study.sheet import read_study


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

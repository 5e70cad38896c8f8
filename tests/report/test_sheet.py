"""The sheet as the form changes it: nothing lost, nothing guessed over what a person wrote."""

from __future__ import annotations

import pytest

from hairtone.errors import SheetError
from hairtone.report.picker import Picker, keep_lines
from hairtone.study.editing import Sheet, set_title_and_chart
from hairtone.study.sheet import read_study

HEAD = "photo;subject;wash;felt weight;notes\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "photos").mkdir()
    for name in ("T1_wash3.jpg", "lisa.jpg", "new_before.JPG", "list.txt"):
        (tmp_path / "photos" / name).write_bytes(b"x")
    (tmp_path / "photos.csv").write_text(
        HEAD + "photos/T1_wash3.jpg;;;007;old; kept\n".replace("old; kept", '"old; kept"')
        + "photos/lisa.jpg;L2;4;8,5;\n",
        encoding="utf-8",
    )  # fmt: skip
    (tmp_path / "study.toml").write_text(
        '# notes stay\ntitle = "Old"\n# chart = "x"\n[treatments.a]\nproduct = "p"\n',
        encoding="utf-8",
    )
    return tmp_path


def test_cells_and_unknown_columns_survive_a_change(folder):
    sheet = Sheet(folder)

    sheet.set("photos/T1_wash3.jpg", {"subject": "T1", "wash": "3"})
    sheet.save()

    again = Sheet(folder)
    assert again.rows[0]["felt_weight"] == "007"
    assert again.rows[0]["notes"] == "old; kept"
    assert again.rows[1] == {
        "photo": "photos/lisa.jpg", "subject": "L2", "wash": "4", "felt_weight": "8,5", "notes": ""
    }  # fmt: skip
    assert read_study(folder).rows[0].wash == 3


SPOILT = {  # what is wrong with a sheet -> its text; saving any of them would lose something
    "wrong-columns": HEAD
    + "photos/lisa.jpg;L2;4;8,5;\nphotos/T1_wash3.jpg;T1;3;;a;note;too many\n",
    "column-misspelt": "foto;subject;wash\nphotos/lisa.jpg;L2;4\n",
    "column-missing": "subject;wash\nL2;4\n",
    "column-twice": "photo;subject;wash;wash\nphotos/lisa.jpg;L2;4;5\n",
    "control-character": "photo;subject;wash\nphotos/lisa.jpg;L\x07;4\n",
}


def change_a_subject(folder):
    """What the form does: open the sheet, fill a cell, save."""
    sheet = Sheet(folder)
    sheet.set("photos/lisa.jpg", {"subject": "T9"})
    return sheet.save()


@pytest.mark.parametrize("code", SPOILT)
def test_a_sheet_that_cannot_be_taken_at_its_word_is_never_written(folder, code):
    path = folder / "photos.csv"
    path.write_text(SPOILT[code], encoding="utf-8")
    before = path.read_bytes()

    with pytest.raises(SheetError) as refused:
        change_a_subject(folder)

    assert refused.value.code == code
    assert refused.value.remedy
    assert path.read_bytes() == before


def test_no_row_is_lost_by_opening_and_saving(folder):
    before = Sheet(folder).rows

    sheet = Sheet(folder)
    sheet.save()

    assert Sheet(folder).rows == before
    assert len(before) == 2


def test_a_place_that_is_no_number_is_no_other_hair(folder):
    (folder / "photos.csv").write_text(
        "photo;subject;wash;place\nphotos/lisa.jpg;L1;4;left\nphotos/lisa.jpg;L2;4;2\n",
        encoding="utf-8",
    )

    sheet = Sheet(folder)

    assert sheet.find("photos/lisa.jpg") is None
    assert sheet.find("photos/lisa.jpg", place=2)["subject"] == "L2"


def test_new_photos_get_a_row_each_and_other_files_none(folder):
    sheet = Sheet(folder)

    assert sheet.add_new_photos() == ["photos/new_before.JPG"]
    assert sheet.add_new_photos() == []


@pytest.mark.parametrize(
    ("name", "subject", "wash"),
    [
        ("T1_wash3", "T1", "3"),
        ("T1-before", "T1", "before"),
        ("model a w0", "model a", "0"),
        ("swash2", "", ""),  # not a word of its own
        ("IMG_2041", "", ""),
        ("T1_wash123", "", ""),  # a photo number, not a wash
    ],
)
def test_file_names_are_guessed_only_where_they_tell(folder, name, subject, wash):
    sheet = Sheet(folder)
    sheet.rows = [{"photo": f"photos/{name}.jpg", "subject": "", "wash": ""}]

    sheet.guess_from_names()

    assert (sheet.rows[0]["subject"], sheet.rows[0]["wash"]) == (subject, wash)


def test_a_guess_changes_nothing_a_person_wrote(folder):
    sheet = Sheet(folder)
    sheet.rows = [{"photo": "photos/T1_wash3.jpg", "subject": "mine", "wash": "5"}]

    assert sheet.guess_from_names() == 0
    assert sheet.rows[0]["wash"] == "5"


def test_a_workbook_is_not_written_and_says_what_to_do(folder):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active.append(["photos/lisa.jpg", "L2", "4"])
    (folder / "photos.csv").unlink()
    book.save(folder / "photos.xlsx")
    sheet = Sheet(folder)

    with pytest.raises(SheetError, match=r"Save it as photos\.csv"):
        sheet.save()

    assert sheet.rows[0]["subject"] == "L2"


def test_an_unknown_column_is_a_slip(folder):
    with pytest.raises(ValueError, match="no column colour"):
        Sheet(folder).set("photos/lisa.jpg", {"colour": "red"})


def drawn(**values):
    return Picker(image=b"", name="lisa.jpg", size=[100, 200], **values)


def test_lines_widths_and_corners_go_into_the_sheet(folder):
    picker = drawn(
        lines=[
            {"place": 1, "points": [[10, 5], [12.25, 180]], "width": 30},
            {"place": 2, "points": [[60, 5], [61, 180]], "width": None},
            {"place": 3, "points": [[80, 5]], "width": None},
        ],
        corners=[[1.0, 1.0], [9.0, 1.0], [9.0, 6.0], [1.0, 6.0]],
    )

    keep_lines(folder, "photos/lisa.jpg", picker)

    sheet = Sheet(folder)
    first, second = (sheet.find("photos/lisa.jpg", place=n) for n in (1, 2))
    assert first["line"] == "10,5 12.2,180"
    assert first["width"] == "30"
    assert first["corners"] == "1,1 9,1 9,6 1,6"
    assert second["line"] == "60,5 61,180"
    assert second["subject"] == "L2"  # what the photo shares is taken along
    assert sheet.find("photos/lisa.jpg", place=3) is None  # one point is no line


def test_a_line_taken_away_leaves_the_sheet(folder):
    line = [{"place": 1, "points": [[10, 5], [12, 180]], "width": 30}]
    keep_lines(folder, "photos/lisa.jpg", drawn(lines=line))

    keep_lines(folder, "photos/lisa.jpg", drawn(lines=[{**line[0], "points": []}]))

    row = Sheet(folder).find("photos/lisa.jpg")
    assert row["line"] == row["width"] == ""


def test_title_and_chart_are_set_and_all_else_stays(folder):
    set_title_and_chart(folder, {"title": 'New "one"', "chart": "chart24-average30"})

    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert text == (
        '# notes stay\ntitle = "New one"\nchart = "chart24-average30"\n[treatments.a]\n'
        'product = "p"\n'
    )

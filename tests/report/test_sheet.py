"""The sheet as the form changes it: nothing lost, nothing guessed over what a person wrote."""

from __future__ import annotations

import pytest

from hairtone.errors import SheetError
from hairtone.report.picker import Picker, keep_lines
from hairtone.study.editing import Sheet, add_photos, set_title_and_chart
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


def test_a_sheet_changed_by_another_program_meanwhile_is_not_written_over(folder):
    sheet = Sheet(folder)
    sheet.set("photos/lisa.jpg", {"subject": "T9"})
    with sheet.path.open("a", encoding="utf-8") as file:
        file.write("photos/new_before.JPG;T1;before;;by a spreadsheet\n")
    before = sheet.path.read_bytes()

    with pytest.raises(SheetError, match="changed by another program"):
        sheet.save()

    assert sheet.path.read_bytes() == before


# ---- photos added later ----


def grown(tmp_path, rows, *, subjects="[subjects.H1]\nkind = 'practice head'\n"):
    """A study of these rows, and three photos that lie elsewhere."""
    study = tmp_path / "H1"
    (study / "photos").mkdir(parents=True)
    head = "photo,subject,wash,section,place,treatment,roots,start,notes\n"
    (study / "photos.csv").write_text(head + "".join(f"{row}\n" for row in rows), "utf-8")
    (study / "study.toml").write_text(f'title = "H1"\n{subjects}', "utf-8")
    phone = tmp_path / "phone"
    phone.mkdir()
    for name in ("IMG_4107.HEIC", "IMG_4108.JPG", "IMG_4109.jpg", "note.txt", ".hidden.jpg"):
        (phone / name).write_bytes(name.encode())
    return study, phone


ONE = [
    "photos/a.jpg,H1,before,back left,,,top,,",
    "photos/b.jpg,H1,4,back left,,copper,top,10:05,x",
]


def test_a_later_photo_takes_over_what_is_known_of_the_hair(tmp_path):
    study, phone = grown(tmp_path, ONE)

    (row,) = add_photos(study, [phone / "IMG_4107.HEIC"])

    assert row == {
        "photo": "photos/IMG_4107.HEIC", "wash": "5", "date": "", "subject": "H1",
        "section": "back left", "treatment": "copper", "roots": "top",
    }  # fmt: skip
    assert (study / "photos/IMG_4107.HEIC").read_bytes() == b"IMG_4107.HEIC"
    assert read_study(study).rows[-1].wash == 5
    assert read_study(study).rows[-1].start == ""  # of the day of colouring alone


def test_a_folder_stands_for_all_photographs_in_it_in_any_case(tmp_path):
    study, phone = grown(tmp_path, ONE)

    rows = add_photos(study, [phone], wash="8")

    names = ["IMG_4107.HEIC", "IMG_4108.JPG", "IMG_4109.jpg"]
    assert [row["photo"].removeprefix("photos/") for row in rows] == names
    assert [row.get("replicate", "") for row in rows] == ["", "2", "3"]
    assert {row["wash"] for row in rows} == {"8"}


def test_one_photo_for_each_section_in_the_order_of_the_sheet(tmp_path):
    both = [*ONE, "photos/c.jpg,H1,4,back right,,copper,top,,"]
    study, phone = grown(tmp_path, both)
    photos = [phone / "IMG_4107.HEIC", phone / "IMG_4108.JPG"]

    assert [row["section"] for row in add_photos(study, photos)] == ["back left", "back right"]
    with pytest.raises(SheetError, match="has 2 hairs or sections, and 3 photos") as caught:
        add_photos(study, [phone])
    assert "H1 back left, H1 back right" in str(caught.value)


def test_hairs_of_one_photo_stay_together(tmp_path):
    pair = ["photos/a.jpg,T1,0,,1,plain,top,,", "photos/a.jpg,T2,0,,2,copper,top,,"]
    study, phone = grown(tmp_path, pair)

    rows = add_photos(study, [phone / "IMG_4109.jpg"])

    assert [(row["subject"], row["place"], row["wash"]) for row in rows] == [
        ("T1", "1", "1"), ("T2", "2", "1")
    ]  # fmt: skip


def test_the_first_photos_of_a_study_are_before_and_just_coloured(tmp_path):
    study, phone = grown(tmp_path, [])

    first = add_photos(study, [phone / "IMG_4107.HEIC"])
    second = add_photos(study, [phone / "IMG_4108.JPG"])

    assert [(r["subject"], r["wash"]) for r in (*first, *second)] == [("H1", "before"), ("H1", "0")]


@pytest.mark.parametrize(
    ("rows", "wash", "says"),
    [
        (ONE, "many", "is not a wash"),
        (["photos/a.jpg,,,,,,,,"], None, "no subject or no wash"),
    ],
)
def test_what_cannot_be_added_changes_nothing(tmp_path, rows, wash, says):
    study, phone = grown(tmp_path, rows)
    before = {path: path.read_bytes() for path in study.rglob("*") if path.is_file()}

    with pytest.raises(SheetError, match=says):
        add_photos(study, [phone / "IMG_4107.HEIC"], wash=wash)

    assert {path: path.read_bytes() for path in study.rglob("*") if path.is_file()} == before

"""One strict sheet reader: what is understood, and what is refused with place and remedy."""

from __future__ import annotations

import datetime as dt
import errno
import pickle
import re
import unicodedata

import openpyxl
import pytest
from folders import TITLE, series, sheet_text, write_study
from hypothesis import given, settings
from hypothesis import strategies as st

from hairtone.errors import SheetError
from hairtone.study import table, values
from hairtone.study import table as workbook
from hairtone.study.sheet import COLUMNS, SheetRow, read_study
from hairtone.study.values import SheetFaults

FULL = {
    "photo": "photos/a.jpg",
    "subject": "007",
    "wash": "3",
    "section": "back left",
    "place": "2",
    "line": "10,20 10.5,300",
    "treatment": "plain",
    "replicate": "2",
    "roots": "Top",
    "width": "45,5",
    "corners": "1,1 9,1 9,9 1,9",
    "session": "",
    "plain_card": "photos/card.jpg",
    "date": "2026-03-04",
    "porosity_roots": "LOW",
    "elasticity_ends": "good",
    "white_percent": "12.5",
    "start": "9:05",
    "finish": "2026-03-04T10:30",
    "next_visit": "2026-04-01",
    "notes": "two\nlines",
    "pair": "P1",
    "Shade seen": "NA",
}


def study_of(folder, rows, *, separator=",", encoding="utf-8", settings=TITLE):
    write_study(folder, rows, settings=settings, files=False)
    (folder / "photos.csv").write_bytes(sheet_text(rows, separator=separator).encode(encoding))
    return read_study(folder)


def faults_of(folder, rows, **options):
    with pytest.raises(SheetError) as caught:
        study_of(folder, rows, **options)
    return caught.value.faults


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_every_column_is_understood(tmp_path, separator, encoding):
    study = study_of(tmp_path, [FULL], separator=separator, encoding=encoding)

    row = study.rows[0]
    assert row == SheetRow(
        photo="photos/a.jpg", subject="007", wash=3, section="back left", place=2,
        line=((10.0, 20.0), (10.5, 300.0)), treatment="plain", replicate=2, roots="top",
        width=45.5, corners=((1, 1), (9, 1), (9, 9), (1, 9)), session="2026-03-04",
        plain_card="photos/card.jpg", date=dt.date(2026, 3, 4), porosity_roots="low",
        elasticity_ends="good", white_percent=12.5, start="09:05", finish="2026-03-04T10:30",
        next_visit=dt.date(2026, 4, 1), notes="two\nlines", pair="P1",
        extra={"shade_seen": "NA"}, where="photos.csv, line 2",
    )  # fmt: skip
    assert row.to_dict()["wash"] == "3"
    assert any("kept as notes: shade_seen" in note for note in study.notes)


def test_a_workbook_says_the_same_as_a_text_table(tmp_path):
    from_text = study_of(tmp_path / "text", [FULL]).rows[0].to_dict()
    folder = write_study(tmp_path / "book", [FULL], files=False)
    (folder / "photos.csv").unlink()
    book = openpyxl.Workbook()
    book.active.append(list(FULL))
    typed = {
        "wash": 3, "place": 2, "white_percent": 12.5, "width": 45.5, "date": dt.date(2026, 3, 4),
        "next_visit": dt.datetime(2026, 4, 1), "start": dt.time(9, 5),
        "finish": dt.datetime(2026, 3, 4, 10, 30),
    }  # fmt: skip
    book.active.append([typed.get(name, text) for name, text in FULL.items()])
    book.active.cell(row=2, column=2, value=7).number_format = "000"
    book.save(folder / "photos.xlsx")

    assert read_study(folder).rows[0].to_dict() == from_text


@pytest.mark.parametrize(
    ("column", "text", "code"),
    [
        ("wash", "-1", "not-a-wash"),
        ("wash", "1.0", "not-a-wash"),
        ("wash", "٣", "not-a-wash"),
        ("wash", "", "cell-empty"),
        ("subject", " ", "cell-empty"),
        ("place", "0", "not-a-whole-number"),
        ("place", "1.5", "not-a-whole-number"),
        ("replicate", "two", "not-a-whole-number"),
        ("roots", "up", "not-a-choice"),
        ("porosity_ends", "medium", "not-a-choice"),
        ("elasticity_roots", "low", "not-a-choice"),
        ("width", "12 px", "not-a-number"),
        ("width", "nan", "not-a-number"),
        ("width", "1e5", "not-a-number"),
        ("width", "1,234", "thousands-mark"),
        ("width", "1.234,5", "not-a-number"),
        ("width", "0", "out-of-range"),
        ("white_percent", "101", "out-of-range"),
        ("line", "10,20", "wrong-points"),
        ("line", "10;20 30;40", "not-points"),
        ("line", "10,20 10,20", "equal-points"),
        ("regrowth", "10,20 30,40", "wrong-points"),
        ("line", "10,5,20 30,40", "not-points"),
        ("corners", "1,1 9,1 9,9", "wrong-points"),
        ("corners", "1,1 9,9 9,1 1,9", "crossed-corners"),
        ("date", "01/02/2025", "date-order"),
        ("date", "2025-02-30", "no-such-date"),
        ("date", "30.02.2025", "no-such-date"),
        ("date", "03.13.2026", "no-such-date"),
        ("date", "12.03.26", "date-order"),
        ("date", "2025-2-3", "date-order"),
        ("date", "spring", "not-a-date"),
        ("start", "25:00", "not-a-time"),
        ("photo", "a.jpg:x", "not-a-file-name"),
        ("photo", "photos/a./b.jpg", "not-a-file-name"),
        ("photo", "./", "not-a-file-name"),
        ("photo", "com¹.jpg", "reserved-name"),
        ("plain_card", "../card.jpg", "outside-study"),
    ],
)
def test_a_cell_that_cannot_be_taken_at_its_word_is_refused(tmp_path, column, text, code):
    faults = faults_of(tmp_path, [FULL | {column: text}])

    assert [fault.code for fault in faults] == [code]
    assert faults[0].where == f"photos.csv, line 2, column {column}"
    assert faults[0].remedy
    assert not text.strip() or text.strip()[:4] in faults[0].says


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("root", "roots"),
        ("washes", "wash"),
        ("foto", "photo"),
        ("Subjects", "subject"),
        ("regrow_th", "regrowth"),
        ("porosity end", "porosity_ends"),
        ("replicat", "replicate"),
    ],
)
def test_a_column_that_is_nearly_one_of_ours_is_refused_with_the_likely_name(tmp_path, name, meant):
    row = {key: text for key, text in FULL.items() if key != meant} | {name: "x"}

    (fault,) = faults_of(tmp_path, [row])

    assert fault.code == "column-misspelt"
    assert meant in fault.says
    assert fault.remedy.startswith(f"Rename it to {meant}.")
    assert fault.where.startswith("photos.csv, column ")


@pytest.mark.parametrize("name", ["weight", "depth felt", "operator_2", "stylist", "Salon", "lamp"])
def test_a_column_of_its_own_meaning_is_kept_as_a_note(tmp_path, name):
    study = study_of(tmp_path, [FULL | {name: "x"}])

    assert study.rows[0].extra[name.casefold().replace(" ", "_")] == "x"


def test_blanks_around_a_column_s_name_do_not_count(tmp_path):
    row = {key: text for key, text in FULL.items() if key != "section"} | {" Section ": "crown"}

    assert study_of(tmp_path, [row]).rows[0].section == "crown"


@pytest.mark.parametrize("text", ["12.03.2026", "12.3.2026", "2026-03-12"])
def test_a_date_with_dots_is_day_first_and_kept_as_iso(tmp_path, text):
    row = study_of(tmp_path, [FULL | {"date": text, "next_visit": text}]).rows[0]

    assert row.date == row.next_visit == dt.date(2026, 3, 12)
    assert row.to_dict()["date"] == "2026-03-12"


def test_a_mark_of_new_growth_without_a_line_is_refused(tmp_path):
    row = {name: text for name, text in FULL.items() if name not in ("line", "width")}

    (fault,) = faults_of(tmp_path, [row | {"regrowth": "10,20"}])

    assert (fault.code, fault.where) == (
        "regrowth-without-line", "photos.csv, line 2, column regrowth"
    )  # fmt: skip


def test_all_faults_are_told_at_once_one_line_each(tmp_path):
    rows = [FULL | {"wash": "x", "width": "y"}, FULL | {"photo": "../b.jpg"}, FULL]
    settings = "viewing = 'D66'\ncolour = 'red'\n[treatments.plain]\nmethd = 'bottle'\n"

    faults = faults_of(tmp_path, rows, settings=settings)

    assert len(faults) == 7
    with pytest.raises(SheetError) as caught:
        read_study(tmp_path)
    lines = str(caught.value).split("\n")
    assert len(lines) == 7
    assert "study.toml, key title: The key is missing. Add title = … ." in lines[0]
    assert any("treatments.plain.methd: This key is not known. Did you mean method?" in line
               for line in lines)  # fmt: skip


def test_the_error_survives_a_change_of_process(tmp_path):
    with pytest.raises(SheetError) as caught:
        study_of(tmp_path, [FULL | {"wash": "x"}])

    again = pickle.loads(pickle.dumps(caught.value))

    assert str(again) == str(caught.value)
    assert again.faults == caught.value.faults


def test_one_hair_has_one_treatment(tmp_path):
    rows = series(washes=("before", "0", "1"))
    for row, treatment in zip(rows, ("", "plain", "levelled"), strict=True):
        row["treatment"] = treatment

    faults = faults_of(tmp_path, rows)

    assert [(f.code, f.place) for f in faults] == [("treatment-disagrees", "line 4")]


def test_the_treatment_is_taken_from_wash_0(tmp_path):
    rows = series(washes=("before", "0", "1"))
    for row, treatment in zip(rows, ("", "plain", ""), strict=True):
        row["treatment"] = treatment

    study = study_of(tmp_path, rows)

    assert [study.treatment_of(row) for row in study.rows] == ["plain"] * 3


def test_a_treatment_that_study_toml_does_not_know_is_refused(tmp_path):
    faults = faults_of(tmp_path, [FULL], settings=TITLE + "[treatments.plane]\n")

    assert faults[0].remedy == "Did you mean plane?"


@pytest.mark.parametrize("name", ["corners", "session", "plain_card"])
def test_rows_of_one_photo_must_agree(tmp_path, name):
    other = {"corners": "2,2 9,1 9,9 1,9", "session": "x", "plain_card": "other.jpg"}
    rows = [FULL, FULL | {"place": "1", name: other[name]}]

    assert {(f.column, f.place) for f in faults_of(tmp_path, rows)} == {(name, "line 4")}


def test_what_one_row_states_of_a_photo_or_session_holds_for_all(tmp_path):
    rows = [
        FULL | {"place": "1", "corners": "", "plain_card": ""},
        FULL,
        FULL | {"photo": "photos/b.jpg", "corners": "", "plain_card": ""},
        FULL | {"photo": "photos/c.jpg", "corners": "", "plain_card": "", "session": "other"},
    ]

    study = study_of(tmp_path, rows, settings=TITLE + '[light]\nplain_card = "of study.jpg"\n')

    assert [study.card_of(rows) for rows in study.photos.values()] == [
        "photos/card.jpg", "photos/card.jpg", "of study.jpg",
    ]  # fmt: skip


def test_a_session_has_one_card(tmp_path):
    rows = [FULL, FULL | {"photo": "photos/b.jpg", "plain_card": "other.jpg"}]

    assert [(f.code, f.place) for f in faults_of(tmp_path, rows)] == [("rows-disagree", "line 4")]


def test_a_width_needs_a_line(tmp_path):
    assert faults_of(tmp_path, [FULL | {"line": ""}])[0].code == "width-without-line"


def test_blank_rows_and_empty_columns_are_passed_over(tmp_path):
    write_study(tmp_path, series(), files=False)
    text = (tmp_path / "photos.csv").read_text().replace("\n", ",,\n").replace("T1_0", "T1_0", 1)
    (tmp_path / "photos.csv").write_text("\n" + text + ",,,,\n\n")

    assert [row.where for row in read_study(tmp_path).rows] == [
        f"photos.csv, line {n}" for n in (3, 4, 5)
    ]


@pytest.mark.parametrize(
    ("build", "told"),
    [
        (lambda f: (f / "photos.csv").unlink(), "no sheet in the study folder"),
        (lambda f: (f / "photos.csv").rename(f / "photos.ods"), "photos.ods is there"),
        (lambda f: (f / "photos.xlsx").write_bytes(b"x"), "There are two"),
        (lambda f: (f / "photos.csv").write_text("photo,wash\na,0\n"), "column subject is missing"),
        (lambda f: (f / "photos.csv").write_bytes(b"PK\x03\x04"), "is a workbook"),
        (lambda f: (f / "photos.csv").write_text(",".join(f"c{i}" for i in range(201)) + "\n"),
         "201 columns"),
        (lambda f: (f / "photos.csv").write_text(f"photo,subject,wash\n{'x' * 20_001},T,0\n"),
         "20001 characters"),
        (lambda f: (f / "photos.csv").write_text("photo,subject,wash\na\x07,T,0\n"), "control"),
        (lambda f: (f / "photos.csv").write_text("photo,subject,wash\na\ufffd,T,0\n"), "U+FFFD"),
        (lambda f: (f / "study.toml").unlink(), "no study.toml"),
        (lambda f: (f / "study.toml").write_text("title = 5\n"), "a text in quotes"),
        (lambda f: (f / "study.toml").write_bytes(b"title = '\xff'\n"), "not UTF-8"),
        (lambda f: (f / "study.toml").write_text("title = \n"), "line 1"),
        (lambda f: (f / "study.toml").write_bytes(b"#" * 5_000_001), "larger than 5 MB"),
    ],
)  # fmt: skip
def test_a_sheet_or_settings_that_cannot_be_read_are_refused(tmp_path, build, told):
    folder = write_study(tmp_path, series(), files=False)
    build(folder)

    with pytest.raises(SheetError) as caught:
        read_study(folder)

    assert told in str(caught.value)


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(SheetError, match="is not a folder"):
        read_study(tmp_path / "none")


def test_limits_stop_a_sheet_that_is_too_large(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series(), files=False)
    monkeypatch.setattr(table, "MAX_ROWS", 2)
    with pytest.raises(SheetError, match="too many rows"):
        read_study(folder)
    monkeypatch.setattr(table, "MAX_BYTES", 20)
    with pytest.raises(SheetError, match="too large"):
        read_study(folder)


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("subject", 12345678901234567890, "rounded"),
        ("subject", dt.datetime(2026, 1, 2), "turned-into-date"),
        ("date", dt.time(9, 5), "turned-into-date"),
        ("section", "#N/A", "spreadsheet-error"),
    ],
)
def test_a_workbook_cell_that_was_changed_by_the_spreadsheet_is_refused(
    tmp_path, name, value, code
):
    folder = write_study(tmp_path, series(), files=False)
    (folder / "photos.csv").unlink()
    row = {"photo": "photos/a.jpg", "subject": "T1", "wash": 0, "section": "", "date": ""}
    book = openpyxl.Workbook()
    book.active.append(list(row))
    book.active.append(list((row | {name: value}).values()))
    book.save(folder / "photos.xlsx")

    with pytest.raises(SheetError) as caught:
        read_study(folder)

    assert caught.value.faults[0].code == code
    assert "row 2, cell" in str(caught.value)


def test_a_workbook_with_text_beside_its_columns_is_refused(tmp_path):
    folder = write_study(tmp_path, series(), files=False)
    (folder / "photos.csv").unlink()
    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active.append(["a.jpg", "T1", 0, None, "45"])
    book.save(folder / "photos.xlsx")

    with pytest.raises(SheetError, match=r"row 2: .*beside the columns"):
        read_study(folder)


def test_a_workbook_too_wide_or_damaged_inside_is_refused(tmp_path, monkeypatch):
    folder = write_study(tmp_path, series(), files=False)
    (folder / "photos.csv").unlink()
    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active["ZZ3"] = "x"
    book.save(folder / "photos.xlsx")
    with pytest.raises(SheetError, match="too many columns"):
        read_study(folder)

    monkeypatch.setattr(workbook, "_MAX_UNPACKED", 100)
    with pytest.raises(SheetError, match="too large"):
        read_study(folder)


def rows_or_faults(folder):
    try:
        return read_study(folder).rows
    except SheetError as error:
        return error.faults


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_a_sheet_or_a_sheet_error(tmp_path_factory, data):
    """A closed list of exceptions: whatever the bytes, SheetError or rows."""
    folder = tmp_path_factory.mktemp("bytes")
    (folder / "study.toml").write_text(TITLE)
    (folder / "photos.csv").write_bytes(b"photo,subject,wash\n" * (data[:1] > b"\x80") + data)

    found = rows_or_faults(folder)

    assert found
    assert all(isinstance(f, SheetRow) or (f.says and f.remedy) for f in found)


@given(st.binary(max_size=300), st.integers(0, 400))
@settings(max_examples=60, deadline=None)
def test_any_damage_to_a_workbook_is_rows_or_a_sheet_error(tmp_path_factory, data, place):
    folder = tmp_path_factory.mktemp("book")
    (folder / "study.toml").write_text(TITLE)
    book = openpyxl.Workbook()
    book.active.append(["photo", "subject", "wash"])
    book.active.append(["a.jpg", "T1", 0])
    book.save(folder / "photos.xlsx")
    whole = (folder / "photos.xlsx").read_bytes()
    start = place * len(whole) // 400
    (folder / "photos.xlsx").write_bytes(whole[:start] + data + whole[start + len(data) :])

    found = rows_or_faults(folder)

    assert found
    assert all(isinstance(f, SheetRow) or (f.says and f.remedy) for f in found)


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp")),
                min_size=1, max_size=12).filter(lambda text: table.trim(text) == text
                                                and "\ufffd" not in text)  # fmt: skip


@given(
    st.lists(st.tuples(TEXTS, st.sampled_from(["before", "0", "12"]), TEXTS), min_size=1,
             max_size=6),
    st.sampled_from([",", ";", "\t"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read_whatever_the_text_and_separator(
    tmp_path_factory, cells, separator
):
    rows = [
        {"photo": f"photos/{i}.jpg", "subject": subject, "wash": wash, "free": free}
        for i, (subject, wash, free) in enumerate(cells)
    ]

    study = study_of(tmp_path_factory.mktemp("round"), rows, separator=separator)

    assert [row.subject for row in study.rows] == [
        unicodedata.normalize("NFC", row["subject"]) for row in rows
    ]
    assert [row.wash_text for row in study.rows] == [row["wash"] for row in rows]
    assert [row.extra["free"] for row in study.rows] == [row["free"] for row in rows]


@given(st.text(max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_text_is_a_value_or_a_cell_error(text):
    told = []
    for read in (values.wash, values.number, values.date, values.time, values.corners):
        try:
            read(text)
        except values.CellError as error:
            told.append(error.says)

    assert all(re.search(r"[.?]$", says) for says in told)


# columns that sheets in use have: none of them may vanish
CONTRACT = [
    "photo",
    "subject",
    "wash",
    "section",
    "place",
    "line",
    "treatment",
    "replicate",
    "roots",
    "width",
    "corners",
    "session",
    "plain_card",
    "date",
    "porosity_roots",
    "porosity_mid_lengths",
    "porosity_ends",
    "elasticity_roots",
    "elasticity_mid_lengths",
    "elasticity_ends",
    "white_percent",
    "strand_test",
    "learner",
    "assessor",
    "start",
    "finish",
    "next_visit",
    "notes",
    "pair",
    "hair_batch",
    "operator",
    "day",
    "scalp_check",
    "incompatibility_test",
    "lightened",
    "start_depth",
    "start_tone",
    "white_where",
    "rinsed",
    "aftercare",
]


def test_no_column_of_the_contract_is_missing():
    assert set(COLUMNS) <= set(SheetRow.__dataclass_fields__)
    assert set(CONTRACT) <= set(COLUMNS)


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


def test_faults_of_a_sheet_keep_the_places_they_name(tmp_path):
    (tmp_path / "study.toml").write_text('title = "One"\n', encoding="utf-8")
    (tmp_path / "photos.csv").write_text("photo,subject\na.jpg,T1\n", encoding="utf-8")
    with pytest.raises(SheetFaults) as refused:
        read_study(tmp_path)
    faults = refused.value

    assert faults.at("another.csv") is faults

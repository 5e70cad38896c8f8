"""Every fault of a sheet, a path and a study.toml in the catalogue: as listed there.

The makers' names differ from the study folder's contract in a few places: `wrap` renames study.csv
to photos.csv and study.xlsx to photos.xlsx, adds the columns and the study.toml that a study
needs, and puts the contract's keys into SHT-22. What a message must say follows: photos.csv for
study.csv, the cell that really holds the formula for SHT-23.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from faults import make_faults
from PIL import Image

from hairtone.errors import PhotoError, SheetError
from hairtone.study.files import Folder
from hairtone.study.sheet import read_study

HERE = Path(__file__).parent


def table(name):
    return list(csv.DictReader((HERE / name).read_text(encoding="utf-8").splitlines()))


CATALOGUE, COVERED = table("faults.csv"), table("covered_study.csv")
ROWS = [row for row in CATALOGUE if row["maker"] == "file" and row["id"][:3] in ("SHT", "PTH")]
SAYS = {"study.csv": "photos.csv", "study.xlsx": "photos.xlsx", "A1": "cell A2", "upper": "upper"}


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    Image.effect_noise((64, 48), 40).convert("RGB").save(folder / "good.jpg")
    (folder / "sheet.csv").write_text("photo,subject,wash\nphotos/good.jpg,T1,0\n")
    ids = ",".join(row["id"] for row in ROWS)
    files = [str(folder / name) for name in ("good.jpg", "sheet.csv", "studies")]
    assert make_faults.main([*files, "--only", ids, "--heavy"]) == 0
    return folder / "studies"


def wrap(folder: Path) -> Path:
    """The maker's folder as a study of the contract."""
    for old, new in (("study.csv", "photos.csv"), ("study.xlsx", "photos.xlsx")):
        if (folder / old).exists():
            (folder / old).rename(folder / new)
    settings = folder / "study.toml"
    if folder.name == "SHT-22":
        settings.write_bytes(b'\xef\xbb\xbftitle = "A study"\n')
    if not settings.exists():
        settings.write_text('title = "A study"\n')
    elif not (folder / "photos.csv").exists():
        (folder / "photos.csv").write_text("photo,subject,wash\nphotos/good.jpg,T1,0\n")
    if folder.name == "SHT-15":  # the contract's name of the column of dates
        sheet = folder / "photos.csv"
        sheet.write_text(sheet.read_text().replace("date_taken", "date"))
    return folder


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_faulty_sheet_has_the_outcome_of_the_catalogue(row, studies):
    folder = wrap(studies / row["id"])
    expected = json.loads((folder / "expect.json").read_text())["outcome"]

    if expected == "sheet-refused":
        with pytest.raises(SheetError) as caught:
            read_study(folder)
        told = str(caught.value)
        for word in filter(None, row["must_say"].split("; ")):
            assert SAYS.get(word, word).lower() in told.lower(), told
        assert all(fault.where and fault.remedy for fault in caught.value.faults)
        return

    study = read_study(folder)
    files = Folder(study.folder)
    found, refused = [], []
    for name in study.photos:
        try:
            found.append(files.find(name))
        except PhotoError as error:
            refused.append(error)
    if expected == "correct":
        assert not refused
        assert {row.subject for row in study.rows} == {"T1"}
        assert {row.wash for row in study.rows} == {0}
        return
    assert expected == "refused"
    assert len(refused) == 1
    assert refused[0].where
    assert refused[0].remedy
    assert SAYS.get(row["must_say"], row["must_say"]) in str(refused[0])
    assert [path.name for path in found] in (["good.jpg"], [])


def test_ids_stay_text_exactly_as_typed(studies):
    """SHT-14: 007, NA, None, TRUE, 1E5, 3-4 and 20 digits."""
    study = read_study(wrap(studies / "SHT-14"))

    first = study.rows[0].extra

    assert list(first.values()) == ["007", "NA", "None", "TRUE", "1E5", "3-4", "1234567890" * 2]


def test_each_row_about_sheet_store_run_and_clock_is_listed_with_its_test_or_the_reason_for_none():
    ours = {r["id"] for r in CATALOGUE if r["id"][:3] in ("SHT", "PTH", "STO", "RUN", "CLK", "PRV")}
    listed = [row["id"] for row in COVERED]

    assert len(listed) == len(set(listed))
    assert ours <= set(listed) <= {row["id"] for row in CATALOGUE}
    assert all(row["test"] or row["why_not"] for row in COVERED)


@pytest.mark.parametrize("row", [row for row in COVERED if row["test"]], ids=lambda row: row["id"])
def test_a_listed_test_exists(row):
    path, _, name = row["test"].partition("::")

    assert f"def {name}(" in (HERE.parent / path).read_text(encoding="utf-8")

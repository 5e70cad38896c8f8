"""Every fault of a photo file in the catalogue: refused, flagged or right, as listed there.

The catalogue's makers turn one good photo into each fault. Rows about charts, sheets, stores, runs
and reports belong to other rooms; ``covered.csv`` says which row is tested where.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from faults import make_faults
from photo.colours import worst_delta_e
from photo.pictures import camera_jpeg, picture

from hairtone.errors import PhotoError
from hairtone.photo.reader import read_photo

HERE = Path(__file__).parent


def table(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((HERE / name).read_text(encoding="utf-8").splitlines()))


ROWS = table("faults.csv")
COVERED = table("covered.csv")
OUR_CLASSES = ("IMG", "PIX", "COL")
OUR_OTHERS = ("SCN-17", "SCN-18", "SCN-22", "SCN-24", "PRV-01", "RPT-04")
FILE_ROWS = [
    row
    for row in ROWS
    if row["maker"] == "file" and (row["id"][:3] in OUR_CLASSES or row["id"] in OUR_OTHERS)
]
SAME = 0.5  # ΔE00; the catalogue's own tolerance for a scene stored in another way (COL-01)


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    """The makers' folders, one per fault, from a good photo of 800 x 600 pixels."""
    folder = tmp_path_factory.mktemp("faults")
    (folder / "good.jpg").write_bytes(camera_jpeg(picture(800, 600)))
    (folder / "sheet.csv").write_text("photo,subject,wash\nphotos/good.jpg,T1,0\n")
    ids = ",".join(row["id"] for row in FILE_ROWS)
    files = [str(folder / name) for name in ("good.jpg", "sheet.csv", "studies")]
    assert make_faults.main([*files, "--only", ids, "--heavy"]) == 0
    return folder / "studies"


@pytest.mark.parametrize("row", FILE_ROWS, ids=lambda row: row["id"])
def test_a_faulty_file_has_the_outcome_of_the_catalogue(row, studies):
    folder = studies / row["id"]
    if not folder.exists():
        pytest.skip(f"{row['id']} was not made: the library that writes it is not installed")
    expected = json.loads((folder / "expect.json").read_text())["outcome"]
    good = read_photo(folder / "photos" / "good.jpg")
    path = bad_file(folder)
    sha256 = registered(folder, path)
    if expected == "refused":
        with pytest.raises(PhotoError) as caught:
            read_photo(path, expected_sha256=sha256)
        assert_says(str(caught.value), row)
        assert caught.value.where == path.name
        assert caught.value.says
        assert caught.value.remedy
        return

    photo = read_photo(path, expected_sha256=sha256)
    doubts = [flag for flag in photo.flags if not flag.is_note]
    if expected == "flagged":
        text = " ".join(f"{flag.code} {flag}" for flag in doubts)
        assert_says(text, row)
        assert all(flag.remedy for flag in doubts)
        return
    assert expected == "correct"
    assert {flag.code for flag in doubts} <= {"colour-space-assumed"}  # the makers leave EXIF out
    assert worst_delta_e(good, photo) <= SAME


def bad_file(folder: Path) -> Path:
    others = [path for path in (folder / "photos").iterdir() if path.name != "good.jpg"]
    return others[0] if others else folder / "photos" / "bad.jpg"


def registered(folder: Path, path: Path) -> str | None:
    record = folder / "registered_sha256.json"
    if not record.exists():
        return None
    return json.loads(record.read_text())[f"photos/{path.name}"]


def assert_says(text: str, row: dict[str, str]) -> None:
    for word in filter(None, (part.strip() for part in row["must_say"].split(";"))):
        assert word.lower() in text.lower(), f"{row['id']} does not say {word!r}: {text}"


def test_the_catalogue_and_its_makers_agree():
    assert make_faults.check(HERE / "faults.csv") == 0


def test_each_row_of_a_file_fault_is_listed_with_its_test_or_the_reason_for_none():
    listed = [row["id"] for row in COVERED]
    ours = {row["id"] for row in ROWS if row["id"][:3] in (*OUR_CLASSES, "NUM", "SEC")}

    assert len(listed) == len(set(listed))
    assert ours <= set(listed)
    assert set(listed) <= {row["id"] for row in ROWS}
    assert all(row["test"] or row["why_not"] for row in COVERED)


@pytest.mark.parametrize("row", [row for row in COVERED if row["test"]], ids=lambda row: row["id"])
def test_a_listed_test_exists(row):
    path, _, name = row["test"].partition("::")
    text = (HERE.parent / path).read_text(encoding="utf-8")

    assert f"def {name}(" in text

"""Photos set against each other: one picture twice, times that cannot be."""

from __future__ import annotations

import numpy as np

from hairtone.result import TressResult
from hairtone.study import records as pack
from hairtone.study.records import RowResult
from hairtone.study.run import same_bytes, taken_at, with_series_flags
from hairtone.study.sheet import SheetRow


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

"""A small part of the golden run, and that its comparison sees what it must."""

from __future__ import annotations

import json

import pytest
from golden.golden import HERE, KEPT, canonical_json, compare, differences, masked, page_text

import hairtone as ht

PHOTOS = ("careless.jpg", "A_0.jpg", "deep.tif")


@pytest.mark.parametrize("name", PHOTOS)
def test_unchanged_results_of_a_photo(name):
    """As kept, to one unit of the last digit; after a wanted change: ``golden.py keep``."""
    kept = json.loads((KEPT / "photos" / "measure.json").read_text(encoding="utf-8"))
    (before,) = (photo for photo in kept["photos"] if photo["photo"].endswith(name))

    now = ht.measure(HERE / "photos" / name).to_dict()

    texts = [
        masked(canonical_json(json.dumps({**told, "photo": name})), HERE) for told in (before, now)
    ]
    assert [str(each) for each in differences("photo.json", *texts, exact=False)] == []


def test_a_unit_of_the_last_digit_is_forgiven_on_another_machine_only():
    before, now = "value,name\n1.25,a\n3.0,b\n", "value,name\n1.26,a\n3.2,b\n"

    (strict,) = compare({"t.csv": before}, {"t.csv": now}, exact=True).values()
    (kind,) = compare({"t.csv": before}, {"t.csv": now}, exact=False).values()

    assert [(d.column, d.old, d.new) for d in strict] == [
        ("value", "1.25", "1.26"), ("value", "3.0", "3.2"),
    ]  # fmt: skip
    assert [(d.old, d.new) for d in kind] == [("3.0", "3.2")]
    assert kind[0].moved == pytest.approx(0.2)


def test_rows_columns_words_and_files_that_come_and_go_are_told():
    before = {"a.csv": "x,y\n1,p\n2,q\n", "b.txt": "one 1\ntwo\n", "c.txt": "gone\n"}
    now = {"a.csv": "x,z\n1,p\n2,q\n3,r\n", "b.txt": "one 2\nthree\n", "d.txt": "new\n"}

    found = compare(before, now, exact=True)

    assert {(d.column, d.old, d.new) for d in found["a.csv"]} >= {
        ("y", "y", None),
        ("z", None, "z"),
    }
    assert ("row", None, "3,r") in {(d.column, d.old, d.new) for d in found["a.csv"]}
    assert [(d.old, d.new) for d in found["b.txt"]] == [("1", "2"), ("two", "three")]
    assert {found["c.txt"][0].new, found["d.txt"][0].old} == {None}


def test_a_leaf_of_json_is_told_by_its_way():
    before, now = ({"photos": [{"photo": "a.jpg", "lab": [1.0, b]}]} for b in (2.0, 2.5))

    (found,) = differences("m.json", json.dumps(before), json.dumps(now), exact=True)

    assert (found.where, found.column) == ("photos[a.jpg].lab[1]", "photos[].lab[]")


def test_paths_clock_versions_and_hashes_do_not_count():
    text = f"{HERE}/a.csv at 2026-03-04T10:20:30 by hairtone 0.3.0, numpy 2.4.6, {'0a' * 32}"

    assert (
        masked(text, HERE)
        == "<folder>/a.csv at <clock> by hairtone <version>, numpy <version>, <sha256>"
    )


def test_a_page_is_told_by_its_words_and_figures():
    page = '<style>b</style><p>Half <b>left</b></p><img alt="fade" src="data:image/svg+xml,%3Csvg">'

    words, figures = page_text(page)

    assert words == "Half left\n[figure: fade]\n"
    assert figures.endswith("fade\n")

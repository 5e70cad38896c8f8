"""A study's result: which doubts are a photo's own and which a hair's, and what the JSON tells."""

from __future__ import annotations

from dataclasses import replace

from folders import measured, write_study

from hairtone.errors import Flag, HairError

HAIRS = [
    {"photo": "photos/a.jpg", "subject": f"T{place}", "wash": "0", "place": place}
    for place in (1, 2, 3)
]


def flag(code):
    return Flag(code=code, says=f"{code} was seen.", remedy="See.")


def told(tmp_path, flags, error_at=None):
    """The JSON of a photo of three hairs with these flags."""
    outcome = measured(write_study(tmp_path, HAIRS))
    rows = tuple(
        replace(row, flags=tuple(map(flag, codes)))
        for row, codes in zip(outcome.rows, flags, strict=True)
    )
    if error_at is not None:
        error = HairError("hair-lost", "The hair is lost.", where="a.jpg", remedy="Find it.")
        rows = tuple(replace(r, error=error) if k == error_at else r for k, r in enumerate(rows))
    return replace(outcome, rows=rows).to_dict()["photos"][0]


def codes(entry):
    return [each["code"] for each in entry["flags"]]


def test_a_doubt_that_all_hairs_of_a_photo_share_is_the_photo_s(tmp_path):
    photo = told(tmp_path, [("blur", "shine"), ("blur",), ("blur", "sheen")])

    assert codes(photo) == ["blur"]
    assert [codes(hair) for hair in photo["tresses"]] == [
        ["blur", "shine"], ["blur"], ["blur", "sheen"],
    ]  # fmt: skip
    assert photo["status"] == "flagged"


def test_a_doubt_about_one_hair_is_not_the_photo_s(tmp_path):
    photo = told(tmp_path, [("shine",), (), ()])

    assert codes(photo) == []
    assert [hair["status"] for hair in photo["tresses"]] == ["flagged", "measured", "measured"]


def test_a_photo_with_one_refused_hair_is_flagged_and_tells_the_others(tmp_path):
    photo = told(tmp_path, [(), (), ()], error_at=1)

    assert photo["status"] == "flagged"
    assert photo["error"] is None
    assert [hair["status"] for hair in photo["tresses"]] == ["measured", "refused", "measured"]
    assert photo["tresses"][1]["error"]["code"] == "hair-lost"


def test_a_result_in_html_shows_hostile_text_as_text(tmp_path):
    rows = [{"photo": "photos/<script>.jpg", "subject": "T1", "wash": "0"}]
    folder = write_study(tmp_path, rows)
    (folder / rows[0]["photo"]).write_bytes(b"no chart")

    html = measured(folder)._repr_html_()

    assert "<script>" not in html
    assert "&lt;script&gt;.jpg" in html

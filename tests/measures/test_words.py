"""Words by bands: certain, between two, cannot tell; and a study's own file."""

from __future__ import annotations

import pytest

from hairtone.errors import SheetError
from hairtone.measures.words import CANNOT_TELL, read_bands


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.0, 1.2, "even"),
        (4.2, 8.1, "noticeably uneven"),
        (9.0, 40.0, "uneven"),
        (3.0, 5.0, "between a slight shift and noticeably uneven"),
        (1.5, 3.0, "between a very slight difference and a slight shift"),
        (0.4, 1.9, "between even and a very slight difference"),
        (1.3, 1.9, "a very slight difference, seen side by side only"),
        (1.0, 3.0, CANNOT_TELL),
    ],
)
def test_words_say_as_much_as_the_interval_allows(low, high, words):
    assert read_bands().words("evenness", low=low, high=high) == words


@pytest.mark.parametrize(
    ("percent", "word"),
    [(95, "fresh"), (90, "fresh"), (89, "settled"), (75, "settled"), (60, "softened"),
     (30, "softened by half"), (12, "a tint left"), (9, "gone"), (-3, "gone")],
)  # fmt: skip
def test_colour_left_takes_the_band_it_lies_in(percent, word):
    assert read_bands().word("colour_left", percent) == word


def test_a_study_may_hold_its_own_words(tmp_path):
    own = tmp_path / "bands.toml"
    own.write_text(
        '[evenness]\nbands = [[2, "good"], ["", "bad"]]\n'
        '[change]\nbands = [[2, "none"], ["", "some"]]\n'
        '[colour_left]\nbands = [[50, "little"], ["", "much"]]\n'
        "[limits]\nrefresh_percent = 60\ngone_percent = 20\ntone_drift = 3\n",
        encoding="utf-8",
    )

    found = read_bands(own)

    assert found.words("evenness", low=0, high=1) == "good"
    assert found.limits["refresh_percent"] == 60


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[evenness\n", "cannot be read"),
        ('[evenness]\nbands = [[2, "a"], ["", "b"]]\n', "'change' is missing"),
        ('[evenness]\nbands = [[4, "a"], [2, "b"], ["", "c"]]\n', "do not ascend"),
        ('[evenness]\nbands = [[4, "a"], [6, "b"]]\n', "needs the limit"),
    ],
)
def test_a_broken_file_is_told_with_its_name_and_the_remedy(tmp_path, text, says):
    path = tmp_path / "bands.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(SheetError, match=rf"bands\.toml: .*{says}.*Start from a copy"):
        read_bands(path)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(SheetError, match="cannot be read"):
        read_bands(tmp_path / "none.toml")

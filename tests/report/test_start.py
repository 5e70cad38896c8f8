"""The start panel without a browser: what its buttons do, and that errors are sentences."""

from __future__ import annotations

import pytest
from report.made import SCRIPT, made_analysis

from hairtone.errors import SheetError
from hairtone.report.cards import glances
from hairtone.report.findings import chips_html, findings_html, results_html
from hairtone.report.start import Start, start


def no_picture(path):
    return ""


def test_a_study_is_made_found_and_opened(tmp_path):
    panel = Start(tmp_path)

    panel.create("spring course")

    assert panel.studies() == ["spring course"]
    assert panel.folder == tmp_path / "spring course"
    assert (tmp_path / "spring course" / "photos").is_dir()


@pytest.mark.parametrize("name", ["", "  ", "../out", "a:b", "con"])
def test_a_name_that_is_no_folder_name_is_refused(tmp_path, name):
    with pytest.raises(SheetError):
        Start(tmp_path).create(name)

    assert list(tmp_path.iterdir()) == []


def test_only_studies_of_this_folder_are_opened(tmp_path):
    with pytest.raises(SheetError, match="outside"):
        Start(tmp_path).open("..")


def test_an_error_is_said_in_the_panel_as_text(tmp_path):
    panel = Start(tmp_path)

    def act():
        raise SheetError("x", f"It is {SCRIPT}.", remedy="Do this.")

    panel.guarded(act)()

    assert "Do this." in panel.message.value
    assert SCRIPT not in panel.message.value
    assert "&lt;script&gt;" in panel.message.value


def test_measuring_an_empty_study_says_what_is_missing(tmp_path):
    panel = Start(tmp_path)
    panel.create("spring")

    panel.guarded(panel.measure)()

    assert "lists no photos" in panel.message.value


def test_the_panel_shows_six_steps_and_opens_the_only_study(tmp_path):
    Start(tmp_path).create("spring")

    panel = start(tmp_path)

    headings = [child.children[0].value for child in panel.children[1:-1]]
    assert [heading[4] for heading in headings] == list("123456")
    assert panel.children[1].children[1].value == "spring"


def test_the_photo_card_is_put_where_it_can_be_seen(tmp_path):
    card = Start(tmp_path).put_photo_card()

    assert card.parent == tmp_path
    assert "24-patch chart" in card.read_text(encoding="utf-8")


def test_findings_are_escaped_and_the_worst_come_first():
    outcome = made_analysis(hostile=True).outcome

    text = findings_html(outcome, no_picture)

    assert SCRIPT not in text
    assert "&lt;script&gt;" in text
    assert text.index("No 24-patch chart was found") < text.index("Highlights cover 18 %")
    assert text.index("Highlights cover 18 %") < text.index("with nothing against them")


def test_many_sound_photographs_are_folded_away_and_none_is_lost():
    outcome = made_analysis().outcome

    text = findings_html(outcome, no_picture)

    assert f"{outcome.counts['measured']} with nothing against them" in text
    assert text.count("<tr>") == 1 + outcome.counts["flagged"] + outcome.counts["refused"]
    assert all(row.row.photo.removeprefix("photos/") in text for row in outcome.rows)


def test_results_are_escaped_and_hold_every_hair():
    text = results_html(made_analysis(hostile=True))

    assert SCRIPT not in text
    assert text.count("<h3>") == 3


def test_chips_carry_their_lightness_and_a_readable_ink():
    _, table, _ = next(iter(glances(made_analysis())))

    text = chips_html(table)

    assert text.count("<td style") == 30  # three zones, before and nine washes
    assert "no measuring device" in text

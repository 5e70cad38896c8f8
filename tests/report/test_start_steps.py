"""The panel's steps by their widgets: what is typed and pressed lands in the study."""

from __future__ import annotations

import ipywidgets as widgets
import numpy as np
import pytest
from PIL import Image
from report.made import made_analysis

from hairtone.report.sheet import Sheet
from hairtone.report.start import Start


@pytest.fixture
def panel(tmp_path):
    """A panel on a study with two photographs, its widgets made."""
    start = Start(tmp_path)
    start.create("spring")
    start.show()
    for name in ("T1_before.png", "T1_wash0.png"):
        pixels = np.full((300, 400, 3), 120, np.uint8)
        Image.fromarray(pixels).save(tmp_path / "spring" / "photos" / name)
    return start


def step(panel, number):
    return panel._steps[number - 1]


def every(widget):
    """The widget and all inside it."""
    yield widget
    for child in getattr(widget, "children", ()):
        yield from every(child)


def press(panel, number, words):
    buttons = [w for w in every(step(panel, number).box) if isinstance(w, widgets.Button)]
    next(b for b in buttons if b.description == words).click()


def sheet_of(panel):
    return Sheet(panel.study_folder)


def test_photographs_are_counted_and_listed(panel):
    press(panel, 2, "Look for photographs")

    assert "2 new photographs" in panel.message.value
    assert "<b>2</b> files" in step(panel, 2).where.value
    assert [row["photo"] for row in sheet_of(panel).rows] == [
        "photos/T1_before.png", "photos/T1_wash0.png"
    ]  # fmt: skip


def test_what_is_typed_into_the_form_is_saved(panel):
    press(panel, 2, "Look for photographs")
    cells = step(panel, 3)._cells[1][2]
    cells["subject"].value, cells["wash"].value = "head 2", "0"
    cells["section"].value = "back left"

    press(panel, 3, "Save the sheet")

    row = sheet_of(panel).find("photos/T1_wash0.png")
    assert (row["subject"], row["wash"], row["section"]) == ("head 2", "0", "back left")


def test_a_guess_keeps_what_was_typed_but_not_saved(panel):
    press(panel, 2, "Look for photographs")
    step(panel, 3)._cells[1][2]["subject"].value = "mine"

    press(panel, 3, "Guess from file names")

    rows = sheet_of(panel).rows
    assert [(row["subject"], row["wash"]) for row in rows] == [("T1", "before"), ("mine", "0")]


def test_a_wash_the_form_does_not_list_is_kept(panel):
    press(panel, 2, "Look for photographs")
    sheet = sheet_of(panel)
    sheet.set("photos/T1_wash0.png", {"wash": "47"})
    sheet.save()

    press(panel, 3, "Read it again")

    assert step(panel, 3)._cells[1][2]["wash"].value == "47"


def test_another_study_is_opened_from_the_list(panel):
    Start(panel.base).create("autumn")
    panel.refresh()

    step(panel, 1).choice.value = "autumn"

    assert panel.folder.name == "autumn"
    assert "autumn" in panel.message.value


def test_a_study_is_created_by_its_button(panel):
    step(panel, 1).name.value = "winter"

    press(panel, 1, "Create study")

    assert (panel.base / "winter" / "photos.csv").exists()
    assert step(panel, 1).choice.value == "winter"


def test_a_name_that_is_taken_is_told(panel):
    step(panel, 1).name.value = "spring"

    press(panel, 1, "Create study")

    assert "holds a study already" in panel.message.value


def test_the_photo_card_is_offered(panel):
    press(panel, 2, "How to photograph")

    assert (panel.base / "photo_card.html").exists()


def test_measuring_shows_progress_findings_and_results(panel, monkeypatch):
    made = made_analysis()

    def measure_study(study, *, workers, progress):
        progress(1, 2)
        progress(2, 2)
        return made.outcome

    press(panel, 2, "Look for photographs")
    press(panel, 3, "Guess from file names")
    monkeypatch.setattr("hairtone.study.run.measure_study", measure_study)
    monkeypatch.setattr("hairtone.study.analysis.analyse", lambda outcome: made)

    press(panel, 4, "Check and measure")

    assert "28 measured, 1 flagged, 1 refused" in panel.message.value
    assert step(panel, 4).count.value == "2 of 2"
    assert "No 24-patch chart was found" in step(panel, 4).findings.value
    assert "Colour taken up" in step(panel, 6).results.value


def test_the_report_is_saved_for_the_reader_chosen(panel, monkeypatch):
    asked = []

    def write_report(analysis, *, audience, out):
        asked.append((analysis, audience))
        return out / "report.html"

    panel.analysis = made_analysis()
    monkeypatch.setattr("hairtone.report.page.write_report", write_report)
    step(panel, 6).audience.value = "stylist"

    press(panel, 6, "Save the report")

    assert asked == [(panel.analysis, "stylist")]
    assert "spring/results/report.html" in step(panel, 6).link.value


def test_a_photograph_is_shown_and_its_line_kept_at_once(panel):
    press(panel, 2, "Look for photographs")
    lines = step(panel, 5)
    lines.photo.value = "photos/T1_wash0.png"

    press(panel, 5, "Show the photograph")
    lines.picker.set_line([[50, 20], [52, 250]])

    assert lines.place.children == (lines.picker,)
    assert sheet_of(panel).find("photos/T1_wash0.png")["line"] == "50,20 52,250"
    assert "The line is in the sheet" in panel.message.value


def test_a_line_is_there_again_when_the_photograph_is_shown_again(panel):
    press(panel, 2, "Look for photographs")
    lines = step(panel, 5)
    lines.photo.value = "photos/T1_wash0.png"
    press(panel, 5, "Show the photograph")
    lines.picker.set_line([[50, 20], [52, 250]], width=40)

    press(panel, 5, "Show the photograph")

    assert lines.picker.lines == [
        {"place": 1, "points": [[50, 20], [52, 250]], "width": 40, "mark": None}
    ]


def test_no_photograph_chosen_is_told(panel):
    press(panel, 5, "Show the photograph")

    assert "Choose a photograph first" in panel.message.value


def test_a_line_that_cannot_be_kept_is_told(panel):
    press(panel, 2, "Look for photographs")
    lines = step(panel, 5)
    lines.photo.value = "photos/T1_wash0.png"
    press(panel, 5, "Show the photograph")
    (panel.study_folder / "photos.csv").unlink()

    lines.picker.set_line([[50, 20], [52, 250]])

    assert "no sheet in the study folder" in panel.message.value


def test_title_and_chart_can_be_set(panel):
    panel.describe({"title": "Spring course"})

    assert 'title = "Spring course"' in (panel.study_folder / "study.toml").read_text("utf-8")

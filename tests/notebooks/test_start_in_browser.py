"""The start notebook as a person uses it: from an empty folder to a saved report."""

from __future__ import annotations

import csv
import shutil

import numpy as np
import pytest
from notebooks.lab import run_all, running_lab
from published import CHECKOUT
from report.browser import opened_browser, opened_page

PHOTOS = ("T1_before.jpg", "T1_wash0.jpg", "T1_wash1.jpg")


def press(page, words):
    page.get_by_role("button", name=words, exact=True).click()


def wait_for(page, words, *, seconds=60):
    page.locator(".hairtone-message", has_text=words).wait_for(timeout=seconds * 1000)


def rows_of(folder):
    with (folder / "photos.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def upload(page, source, target):
    """Send photographs through JupyterLab's own list of files, opened at the study's photos."""
    page.evaluate("jupyterapp.commands.execute('filebrowser:open-path', {path: 'spring/photos'})")
    page.locator(".jp-BreadCrumbs-item", has_text="photos").wait_for(timeout=20_000)
    with page.expect_file_chooser() as chosen:
        page.locator("[title*='Upload'], [data-jp-item-name='uploader'] button").first.click()
    chosen.value.set_files([str(source / name) for name in PHOTOS])
    for name in PHOTOS:
        page.locator(".jp-DirListing-item", has_text=name).wait_for(timeout=20_000)
        assert (target / name).read_bytes() == (source / name).read_bytes()


def points_on_hair(photo):
    """Three points on the tress of a photo, roots first."""
    import hairtone as ht

    found = ht.measure(photo).tresses[0].line
    return [found[int(share * (len(found) - 1))].round().tolist() for share in (0.15, 0.5, 0.85)]


def click_photo(page, points):
    """Click original pixels of the photograph in the picker."""
    picture = page.locator(".ht-pick svg")
    picture.scroll_into_view_if_needed()
    for point in points:
        place = page.evaluate(
            """([x, y]) => { const svg = document.querySelector(".ht-pick svg");
            const p = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
            return [p.x, p.y]; }""",
            point,
        )
        page.mouse.click(*place)


@pytest.mark.browser
@pytest.mark.notebook
@pytest.mark.slow
def test_from_an_empty_folder_to_a_saved_report(small_study, tmp_path):
    base, private = tmp_path / "base", tmp_path / "private"
    base.mkdir()
    private.mkdir()
    shutil.copyfile(CHECKOUT / "notebooks" / "start.ipynb", base / "start.ipynb")
    line = points_on_hair(small_study / "photos" / "T1_wash0.jpg")

    with (
        opened_browser() as browser,
        running_lab(base, private) as (address, token),
        opened_page(browser, height=1400, offline=False) as page,
    ):
        run_all(page, address, token, "start.ipynb")
        page.get_by_placeholder("name of a new study").fill("spring")
        press(page, "Create study")
        wait_for(page, "Study spring is there")
        upload(page, small_study / "photos", base / "spring" / "photos")
        press(page, "Look for photographs")
        wait_for(page, "3 new photographs")
        press(page, "Guess from file names")
        wait_for(page, "3 rows were filled")
        guessed = rows_of(base / "spring")
        press(page, "Check and measure")
        wait_for(page, "Done:", seconds=120)
        found = page.locator(".hairtone-findings tr").count()
        page.get_by_label("Photo").select_option("photos/T1_wash0.jpg")
        press(page, "Show the photograph")
        click_photo(page, line)
        wait_for(page, "The line is in the sheet")
        page.locator(".ht-pick polygon.edge").wait_for(timeout=20_000)
        press(page, "mark new growth")
        mark = [round(a + 0.2 * (b - a)) for a, b in zip(*line[:2], strict=True)]
        click_photo(page, [mark])
        page.locator(".ht-pick line.mark").wait_for(timeout=20_000)
        press(page, "Check and measure")
        wait_for(page, "Done:", seconds=120)
        press(page, "Save the report")
        wait_for(page, "The report is saved", seconds=60)
        page.screenshot(path=str(tmp_path / "panel.png"))
        run_all(page, address, token, "start.ipynb")  # a reload: the line is in the sheet
        page.get_by_label("Photo").select_option("photos/T1_wash0.jpg")
        press(page, "Show the photograph")
        page.locator(".ht-pick .dot").nth(2).wait_for(timeout=30_000)
        page.locator(".ht-pick line.mark").wait_for(timeout=30_000)
        page.locator(".ht-pick polygon.edge").wait_for(timeout=30_000)
        strangers = [url for url in page.asked if not url.startswith((address, "data:", "blob:"))]

    assert [(row["subject"], row["wash"]) for row in guessed] == [
        ("T1", "before"), ("T1", "0"), ("T1", "1")
    ]  # fmt: skip
    assert found == 1 + len(PHOTOS)  # a head and a row for each photograph
    drawn = next(row for row in rows_of(base / "spring") if row["wash"] == "0")["line"]
    read = np.array([[float(n) for n in pair.split(",")] for pair in drawn.split()])
    assert np.abs(read - line).max() <= 1.0  # within a pixel of the original
    marked = next(row for row in rows_of(base / "spring") if row["wash"] == "0")["regrowth"]
    assert np.abs(np.array([float(n) for n in marked.split(",")]) - mark).max() <= 1.5  # the click
    # rounds the place on the line to a pixel of its own
    report = (base / "spring" / "results" / "report.html").read_text(encoding="utf-8")
    assert "spring" in report
    assert "Colour taken up" in report
    assert not [url for url in strangers if url.startswith("http") and "127.0.0.1" not in url]

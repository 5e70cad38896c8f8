"""The photo card: one page of A4 that asks for nothing and fits every screen."""

from __future__ import annotations

import re

import pytest
from report.browser import browser_path, opened_browser, opened_page

from hairtone.locations import reference_path
from hairtone.report.page import write_pdf

CARD = reference_path("photo_card.html")


def test_it_runs_nothing_and_every_drawing_is_told_in_words():
    text = CARD.read_text(encoding="utf-8")

    assert "default-src 'none'" in text
    assert "<script" not in text
    assert "http" not in text.replace("http-equiv", "")
    drawings = re.findall(r"<svg [^>]*>", text)
    assert all("aria-label=" in tag or 'aria-hidden="true"' in tag for tag in drawings)


def test_the_protocol_names_what_the_card_asks_for():
    protocol = reference_path("protocol.md").read_text(encoding="utf-8")

    for words in ("45°", "locked", "dry", "24-patch chart", "three times", "plain card", "a code"):
        assert words in protocol


@pytest.mark.browser
def test_it_prints_on_one_page_of_a4(tmp_path):
    browser_path()
    page = tmp_path / "photo_card.html"
    page.write_bytes(CARD.read_bytes())

    data = write_pdf(page).read_bytes()

    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 1


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_it_fits_the_screen_without_a_network(width):
    with opened_browser() as browser, opened_page(browser, width=width) as page:
        page.goto(CARD.as_uri())

        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.said == []
        assert all(url.startswith("file:") for url in page.asked)

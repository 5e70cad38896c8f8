"""A Chromium-family browser for tests; they skip, saying so, where there is none."""

from __future__ import annotations

import contextlib
import shutil
import warnings

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage",
]  # fmt: skip


def browser_path():
    """Path of the browser, or a skip that says what is missing."""
    pytest.importorskip("playwright", reason="needs playwright")
    for name in NAMES:
        path = shutil.which(name)
        if path:
            return path
    return pytest.skip("needs a Chromium-family browser: apt-get install chromium")


@contextlib.contextmanager
def opened_browser():
    """A running browser; every page of it is closed at the end."""
    path = browser_path()
    from playwright.sync_api import sync_playwright

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # playwright's own pipes at the end
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=path, args=ARGUMENTS)
            try:
                yield browser
            finally:
                browser.close()


@contextlib.contextmanager
def opened_page(browser, *, width=1280, height=900, offline=True):
    """A page with what it said and asked for: ``page.said`` and ``page.asked``."""
    context = browser.new_context(viewport={"width": width, "height": height}, offline=offline)
    page = context.new_page()
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.said, page.asked = said, asked
    try:
        yield page
    finally:
        context.close()

"""The whole way in a real browser: new, photos, record, line, result, pages, remove."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from served import free_port, running_desk, stop

from hairtone.locations import demo_path
from hairtone.scene.demo import demo_scene
from hairtone.scene.render import render_scene, write_photo

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SLOW_MS = 120_000  # on a machine that tests keep busy
WIDE, NARROW = (1280, 900), (390, 844)


@pytest.fixture(scope="module")
def browser():
    from report.browser import opened_browser

    with opened_browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """Photos of one tress before, just coloured and after 4 washes, rendered small."""
    folder = tmp_path_factory.mktemp("photos")
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    scenario["size"] = [1088, 816]
    rows = list(csv.DictReader(io.StringIO(demo_path("photos.csv").read_text("utf-8"))))
    found = {}
    for number, row in enumerate(rows):
        if row["subject"] == rows[0]["subject"] and row["wash"] in ("before", "0", "4"):
            found[row["wash"]] = folder / f"IMG_{number:04d}.JPG"
            write_photo(render_scene(demo_scene(scenario, row, number=number)), found[row["wash"]])
    return found


@contextlib.contextmanager
def opened(browser, desk, size=WIDE):
    """A page that was let in; what it said and asked for is kept."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, locale="en-GB")
    page = context.new_page()
    page.set_default_timeout(SLOW_MS)
    page.said, page.asked = [], []
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("console", lambda said: said.type == "error" and page.said.append(said.text))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(desk.address)
    try:
        yield page
    finally:
        context.close()


def begin(page, desk, kind, code, *, age=""):
    page.goto(f"http://127.0.0.1:{desk.port}/desk/new")
    page.check(f"[name=kind][value='{kind}']")
    if age:
        page.check(f"[name=age][value={age}]")
    page.fill("#code", code)
    page.press("#code", "Enter")  # Enter works
    if age != "no":
        page.wait_for_url("**/photos")


def bring(page, file, stage, *, washes="", count):
    """Choose a photo, wait for its verdict, say what it shows."""
    page.set_input_files("input[type=file]", str(file))
    name = f"[data-shot='photos/{file.name}']"
    page.wait_for_selector(f"{name} .verdict b")
    page.check(f"{name} [name=stage][value='{stage}']")
    if washes:
        page.fill(f"{name} [name=count]", washes)
    page.click(f"{name} .stage button")
    page.wait_for_selector(f".kept .shot >> nth={count - 1}")


def nothing_wrong(page):
    assert page.said == []
    assert {url.split("/")[2].partition(":")[0] for url in page.asked
            if url.startswith("http")} == {"127.0.0.1"}  # fmt: skip


@pytest.mark.parametrize(("kind", "size"), [("person", WIDE), ("practice head", NARROW)])
def test_the_whole_way(browser, photos, tmp_path, kind, size):
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk, size) as page:
        assert "token" not in page.url
        page.wait_for_selector("text=A sample to try")
        begin(page, desk, kind, "X1", age="yes" if kind == "person" else "")
        bring(page, photos["before"], "before", count=1)
        bring(page, photos["0"], "0", count=2)
        bring(page, photos["4"], "n", washes="4", count=3)
        page.wait_for_selector(".frame svg polygon.chart >> nth=2")
        page.wait_for_selector(".frame svg polygon.hair >> nth=2")
        assert page.locator(".verdict.refused").count() == 0
        fill_record(page, kind, base / "X1")
        see_result(page, desk, kind)
        write_pages(page, base / "X1")
        remove(page, base / "X1")
        nothing_wrong(page)


def fill_record(page, kind, folder):
    page.click("nav >> text=Record")
    learner = "[data-field=learner]"
    page.fill(learner, "L7")
    page.press(learner, "Enter")
    page.wait_for_selector(".ask:has([data-field=learner]) .say:has-text('Saved')")
    page.click(".ask:has([data-field=start]) >> text=Now")
    page.wait_for_selector(".ask:has([data-field=start]) .say:has-text('Saved')")
    assert ",L7," in (folder / "photos.csv").read_text("utf-8-sig")
    if kind == "person":
        page.wait_for_selector("text=No allergy alert test is recorded.")
        page.check("[data-consent=measure]")
        page.wait_for_selector("text=Noted: agreed.")
    page.reload()
    assert page.input_value(learner) == "L7"
    assert re.fullmatch(r"\d\d:\d\d", page.input_value("[data-field=start]"))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def see_result(page, desk, kind):
    page.click("nav >> text=Result")
    page.wait_for_selector("[data-job]:visible, article.hair")
    page.reload()  # measuring goes on
    page.wait_for_selector("article.hair .answer p")
    answer = page.inner_text(".answer")
    assert "after 4 washes" in answer
    assert "Roots and ends" in answer
    page.wait_for_selector(".tall svg >> nth=2")
    tall = page.locator(".tall svg").first.bounding_box()["height"]
    assert abs(tall - 8 / 2.54 * 96) < 2  # 8 cm
    assert page.locator(".tall svg polygon.hair").count() == 3
    assert page.locator("svg.chips rect").count() == 9
    if kind == "person":
        assert "A new skin test, as the maker directs, comes first." in page.inner_text("main")
    page.goto(f"http://127.0.0.1:{desk.port}/desk")
    assert page.locator(".card .stripes rect").count() == 10


def write_pages(page, folder):
    page.click(".card .cover")
    page.click("[data-write=client]")
    page.wait_for_selector(".written a[href$='.pdf']")
    assert (folder / "results/page-client-X1.pdf").read_bytes().startswith(b"%PDF")
    page.click("[data-write=learner]")
    page.wait_for_selector(".written a[href*='learner']")


def remove(page, folder):
    page.goto(page.url.replace("/result", "/remove"))
    page.fill("#typed", "X1")
    page.press("#typed", "Enter")
    page.wait_for_url("**/desk")
    assert not folder.exists()


def test_a_line_is_drawn_on_the_photo_and_kept(browser, photos, tmp_path):
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk) as page:
        begin(page, desk, "practice head", "H1")
        bring(page, photos["0"], "0", count=1)
        page.click("text=Draw where the hair lies")
        page.wait_for_selector(".ht-pick svg image")
        box = page.locator(".ht-pick svg").bounding_box()
        for share in (0.2, 0.85):  # the tress hangs at 0.27 of the width
            page.mouse.click(box["x"] + 0.27 * box["width"], box["y"] + share * box["height"])
        page.wait_for_selector(".say:has-text('The line is saved.')")
        page.wait_for_selector(".ht-pick .edge")
        sheet = (base / "H1/photos.csv").read_text(encoding="utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(sheet)))

        assert len(rows[0]["line"].split()) == 2
        page.reload()
        page.wait_for_selector(".ht-pick .dot >> nth=1")
        nothing_wrong(page)


def test_no_one_under_16_and_no_name_is_taken(browser, tmp_path):
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk) as page:
        begin(page, desk, "person", "P1", age="no")
        page.wait_for_selector(".say.wrong:has-text('under 16')")
        page.check("[name=age][value=yes]")
        page.fill("#code", "Anna")
        page.press("#code", "Enter")
        page.wait_for_selector(".say.warn:has-text('looks like a name')")

        near = page.locator(".say.warn").bounding_box()["y"]
        button = page.locator("button:has-text('Begin')").bounding_box()["y"]
        assert abs(near - button) < 60  # beside the button that was pressed
        assert not list(base.iterdir())


def test_two_windows_never_overwrite_each_other(browser, tmp_path):
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk) as one:
        begin(one, desk, "practice head", "H1")
        one.click("nav >> text=Record")
        two = one.context.new_page()
        two.set_default_timeout(SLOW_MS)
        two.goto(one.url)
        one.fill("[data-field=product]", "copper")
        one.press("[data-field=product]", "Enter")
        one.wait_for_selector(".ask:has([data-field=product]) .say:has-text('Saved')")
        two.evaluate("document.querySelector('[data-field=product]').dataset.was = ''")
        two.fill("[data-field=product]", "red")
        two.press("[data-field=product]", "Enter")
        two.wait_for_selector("text=changed elsewhere to “copper”")

        assert 'product = "copper"' in (base / "H1/study.toml").read_text()
        two.click("text=Keep “red”")
        two.wait_for_selector(".ask:has([data-field=product]) .say:has-text('Saved')")
        assert 'product = "red"' in (base / "H1/study.toml").read_text()


def test_a_lost_desk_is_said_and_what_was_typed_comes_back(browser, tmp_path):
    base, private, port = tmp_path / "base", tmp_path / "private", free_port()
    base.mkdir()
    with contextlib.ExitStack() as opened_page:
        with running_desk(base, private, port=port) as desk:
            page = opened_page.enter_context(opened(browser, desk))
            begin(page, desk, "practice head", "H1")
            page.click("nav >> text=Record")
            page.wait_for_url("**/record")  # whole, its script included
            stop(desk.process)
            began = time.monotonic()
            page.wait_for_selector("#link:has-text('not running')")
            assert time.monotonic() - began < 5
            page.fill("[data-field=notes]", "typed meanwhile")
            page.dispatch_event("[data-field=notes]", "change")
            page.wait_for_selector(".ask:has([data-field=notes]) .say.wrong")
        with running_desk(base, private, port=port):
            page.wait_for_selector(".ask:has([data-field=notes]) .say:has-text('Saved')")

            assert page.input_value("[data-field=notes]") == "typed meanwhile"
            kept = (base / "H1/record-to-come.json").read_text(encoding="utf-8")
            assert "typed meanwhile" in kept


def test_measuring_survives_a_killed_worker(browser, photos, tmp_path):
    if not Path("/proc").is_dir():
        pytest.skip("needs /proc to find the worker")
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk) as page:
        begin(page, desk, "practice head", "H1")
        bring(page, photos["before"], "before", count=1)
        page.click("nav >> text=Result")
        page.wait_for_selector("[data-job]:visible")
        for pid in workers_of(desk.process.pid):
            os.kill(pid, signal.SIGKILL)
        page.wait_for_selector("article.hair .answer p")
        assert "before colouring" in page.inner_text(".answer")


def workers_of(parent):
    """Processes of the desk that measure: its children, and theirs."""
    parents = {}
    for pid in filter(str.isdigit, os.listdir("/proc")):
        with contextlib.suppress(OSError):
            parents[int(pid)] = int(
                Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[1]
            )
    children = [pid for pid, above in parents.items() if above == parent]
    return [*children, *(pid for pid, above in parents.items() if above in children)]


def test_the_pages_have_no_faults_of_access(browser, photos, tmp_path):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-core")
    base = tmp_path / "base"
    base.mkdir()
    with running_desk(base, tmp_path / "private") as desk, opened(browser, desk) as page:
        begin(page, desk, "person", "P1", age="yes")
        bring(page, photos["before"], "before", count=1)
        for address in ("", "/new", *(f"/s/P1/{name}" for name in
                        ("photos", "record", "result", "remove"))):  # fmt: skip
            page.goto(f"http://127.0.0.1:{desk.port}/desk{address}")
            if address.endswith("result"):
                page.wait_for_selector("article.hair")
            found = axe.Axe().run(page).response["violations"]

            assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found] == [], address


def test_hairtone_desk_ends_with_ctrl_c(tmp_path):
    if sys.platform == "win32":
        pytest.skip("a signal of POSIX systems")
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        pytest.skip("whoever started the tests ignores Ctrl-C, and so would the desk")
    (tmp_path / "base").mkdir()
    with running_desk(tmp_path / "base", tmp_path / "private") as desk:
        desk.process.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            desk.process.wait(30)

        assert desk.process.returncode is not None

"""The report: one offline page for each audience, every text escaped, readable by everyone."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from report.browser import opened_browser, opened_page
from report.made import SCRIPT, made_analysis

from hairtone.errors import StoreError
from hairtone.report import page as pdf
from hairtone.report.page import report_html, write_report
from hairtone.report.types import AUDIENCES, TABLES

WIDTHS = (1280, 390)


@pytest.fixture(scope="module")
def pages():
    """Text of the report for each audience; names and notes hold text that would like to run."""
    analysis = made_analysis(hostile=True)
    return {audience: report_html(analysis, audience=audience) for audience in AUDIENCES}


class Reader(HTMLParser):
    """Tags with their attributes, and the text that is shown."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self._skip = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._skip = tag == "style"

    def handle_endtag(self, tag):
        self._skip = False

    def handle_data(self, data):
        if not self._skip:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.mark.parametrize("audience", AUDIENCES)
def test_the_page_asks_for_nothing_and_runs_nothing(pages, audience):
    tags = Reader(pages[audience]).tags

    policy = next(a["content"] for t, a in tags if a.get("http-equiv"))
    assert policy.startswith("default-src 'none';")
    assert "script-src" not in policy
    assert not [t for t, _ in tags if t in ("script", "iframe", "object", "link", "form")]
    assert all(a["src"].startswith("data:image/") for t, a in tags if t == "img")
    assert not [name for _, a in tags for name in a if name.startswith("on")]


@pytest.mark.parametrize("audience", AUDIENCES)
def test_every_picture_says_in_words_what_it_shows(pages, audience):
    pictures = [a for t, a in Reader(pages[audience]).tags if t == "img"]

    assert len(pictures) >= 3
    assert all(len(picture["alt"]) > 20 for picture in pictures)


@pytest.mark.parametrize("audience", AUDIENCES)
def test_what_was_rejected_and_what_needs_care_is_there(pages, audience):
    text = Reader(pages[audience]).text

    assert "No 24-patch chart was found" in text
    assert "Put the whole chart beside the hair and photograph again." in text
    assert "Turn the lamps so that no bright band lies on the hair." in text
    assert "as the maker directs" in text


@pytest.mark.parametrize("audience", ["educator", "tester"])
def test_cautions_validity_and_methods_are_there(pages, audience):
    text = Reader(pages[audience]).text

    assert "allergy alert test is done exactly as the maker directs" in text
    assert "That does not prove that two colours are the same." in text
    assert "D65/10" in text
    assert "chart24-after-2014-11" in text
    assert "no measuring device" in text


def test_counts_add_up_to_the_rows_of_the_sheet(pages):
    text = Reader(pages["educator"]).text

    found = re.search(r"(\d+) photos: (\d+) fine, (\d+) usable with care, (\d+) rejected", text)
    total, *parts = map(int, found.groups())
    assert total == sum(parts) == 30


def test_the_educator_gets_the_answers_first_and_each_learner_a_sheet_to_sign(pages):
    text = Reader(pages["educator"]).text.replace(SCRIPT, "")

    places = [text.index(words) for words in (
        "of the colour is left", "All sections side by side", "Learner L1", "Were the photos good",
    )]  # fmt: skip
    assert places == sorted(places)
    assert "Assessor (code), date" in text
    assert "Learner's reflection" in text
    assert "start and finish 10:05 to 10:31" in text


CODE_WORDS = re.compile(r"\bΔE|\bcritical\b|\bresolved\b|\bflagged\b|SHA-256|\bCSV\b|wash 0|D65")


def test_the_client_gets_plain_answers_and_no_word_of_code(pages):
    page = pages["stylist"]
    screen_only = page.index('<section class="screen">')
    text = Reader(page[:screen_only]).text

    assert re.search(r"After 8 washes .* of the colour is left \(\d+ to \d+ %\)\.", text)
    assert re.search(r"It was down to half the colour after \d+ to \d+ washes\.", text)
    assert "Next visit: 2026-04-01" in text
    assert "a new skin test, as the maker directs, comes first" in text
    assert not CODE_WORDS.search(text)


def test_a_report_has_a_number_and_a_file_of_that_name(tmp_path):
    page = write_report(made_analysis(), audience="stylist", out=tmp_path)

    (number,) = set(re.findall(r"Report ([0-9A-F]{4}-[0-9A-F]{4})", page.read_text("utf-8")))
    behind = (tmp_path / f"report-{number}.txt").read_text("utf-8")
    assert "chart24-after-2014-11" in behind
    assert "ab" * 32 in behind  # the photos' SHA-256


def test_the_tester_gets_comparison_design_noise_and_exclusions(pages):
    text = Reader(pages["tester"]).text

    assert "(difference 2.60, 1.20 to 4.00; p 0.010 over 2 tests; 6 and 6 tresses)" in text
    assert "(difference 0.40" in text
    assert "Noise floor" in text
    assert "ΔL*" in text
    assert "grade (ISO 105-A05)" in text


@pytest.mark.parametrize("audience", AUDIENCES)
def test_hostile_text_is_text(pages, audience):
    page = pages[audience]

    assert SCRIPT not in page
    assert SCRIPT in Reader(page).text  # shown, not run


@pytest.mark.parametrize("audience", AUDIENCES)
def test_an_interval_stands_beside_every_difference_in_words(pages, audience):
    text = Reader(pages[audience]).text

    said = re.findall(r"the ends are [a-z ,]+ \(ΔE₀₀ \d+\.\d", text)
    with_interval = re.findall(r"the ends are [a-z ,]+ \(ΔE₀₀ \d+\.\d, \d+\.\d to \d+\.\d", text)
    assert len(said) == len(with_interval)
    assert audience == "stylist" or said


def test_the_report_is_written_with_every_table(tmp_path):
    page = write_report(made_analysis(), audience="stylist", out=tmp_path / "out")

    assert page.name == "report.html"
    assert {p.stem for p in page.parent.glob("*.csv")} == set(TABLES)
    assert not list(page.parent.glob("*.part"))


def test_a_report_for_nobody_is_a_slip():
    with pytest.raises(ValueError, match="Choose one of educator, stylist, tester"):
        report_html(made_analysis(), audience="everybody")


def test_a_study_of_nothing_measured_still_gets_its_report(tmp_path):
    import dataclasses

    full = made_analysis()
    rows = tuple(row for row in full.outcome.rows if row.error is not None)
    study = dataclasses.replace(full.outcome.study, rows=tuple(row.row for row in rows))
    outcome = dataclasses.replace(full.outcome, study=study, rows=rows)
    findings = dataclasses.replace(
        full.findings, hairs=(), comparisons=(), levellers=(), repeats=(), agreement={}
    )
    empty = dataclasses.replace(full, outcome=outcome, findings=findings, warnings=(), missing=())

    for audience in AUDIENCES:
        assert "No 24-patch chart was found." in report_html(empty, audience=audience)


def test_no_browser_is_said_in_one_line_with_a_remedy(tmp_path, monkeypatch):
    monkeypatch.setattr(pdf, "find_browser", lambda: None)

    with pytest.raises(StoreError, match="print it to PDF") as told:
        pdf.write_pdf(tmp_path / "report.html")

    assert told.value.code == "no-browser"


def test_a_browser_that_prints_nothing_is_told(tmp_path, monkeypatch):
    from pathlib import Path

    monkeypatch.setattr(pdf, "find_browser", lambda: Path("/bin/false"))
    page = tmp_path / "report.html"
    page.write_text("<p>a</p>", encoding="utf-8")

    with pytest.raises(StoreError, match="false made no PDF"):
        pdf.write_pdf(page)

    assert not (tmp_path / "report.pdf").exists()


@pytest.fixture(scope="module")
def browser():
    with opened_browser() as running:
        yield running


def opened_report(browser, folder, text, *, width):
    path = folder / "report.html"
    path.write_text(text, encoding="utf-8")
    return opened_page(browser, width=width), path.as_uri()


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("audience", AUDIENCES)
def test_it_opens_without_a_network_and_fits_the_screen(browser, pages, audience, width, tmp_path):
    opening, address = opened_report(browser, tmp_path, pages[audience], width=width)
    with opening as page:
        page.goto(address)
        wide = page.evaluate("document.documentElement.scrollWidth")
        broken = page.evaluate(
            "[...document.images].filter((i) => !i.complete || !i.naturalWidth).length"
        )

        assert page.said == []
        assert [url for url in page.asked if not url.startswith(("file:", "data:"))] == []
        assert wide <= width
        assert broken == 0


CONTRAST = """() => {
  const parse = (c) => c.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const low = [];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length) continue;
    const ink = light(parse(getComputedStyle(e).color));
    const [a, b] = [ink, light(ground(e))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < 4.5) low.push([e.tagName, e.textContent.slice(0, 30), ratio]);
  }
  return low;
}"""


@pytest.mark.browser
@pytest.mark.parametrize("audience", AUDIENCES)
def test_every_text_stands_out_from_its_ground(browser, pages, audience, tmp_path):
    """WCAG 2.1, 1.4.3: contrast of at least 4.5 : 1, the figures on colour chips included."""
    opening, address = opened_report(browser, tmp_path, pages[audience], width=1280)
    with opening as page:
        page.goto(address)

        assert page.evaluate(CONTRAST) == []


@pytest.mark.browser
def test_it_prints_to_a4(pages, tmp_path):
    from report.browser import browser_path

    browser_path()
    path = tmp_path / "report.html"
    path.write_text(pages["stylist"], encoding="utf-8")

    made = pdf.write_pdf(path)

    data = made.read_bytes()
    boxes = {
        tuple(round(float(n)) for n in box.split())
        for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", data)
    }
    assert boxes == {(0, 0, 595, 842)}  # A4 in points, ISO 216

"""A report as one self-contained file, or as a PDF printed by a browser."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hairtone.colorimetry import screen_colour
from hairtone.errors import StoreError
from hairtone.report import sentences, tester
from hairtone.report.blocks import ChipTable, FigureBlock, Grid, grid, shown
from hairtone.report.cards import (
    Card,
    Record,
    answer_of,
    class_chips,
    differences_of,
    make_card,
    record_of,
    short_bands,
)
from hairtone.report.figures import figure_differences, figure_uptakes
from hairtone.report.sentences import (
    CAUTIONS,
    CLIENT_CAUTION,
    MARKS,
    STATUS_WORDS,
    TITLES,
    VALIDITY,
)
from hairtone.report.tester import hashes_of, methods_of
from hairtone.report.types import AUDIENCES, TABLES, Audience
from hairtone.report.views import HairView, first_of_each_wash, views_of

if TYPE_CHECKING:
    from jinja2 import Environment

    from hairtone.study.analysis import Analysis
    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult

MOST_ANSWERS: Final = 8  # hairs whose answers stand on top of a page; our choice
MOST_CARDS: Final = 12  # hairs shown one by one; the rest is in the tables; our choice
MOST_ROWS: Final = 200  # lines of a table on the page; the CSV files hold all; our choice
MOST_NAMES: Final = 12  # photographs named with one doubt; our choice
_LEAST_TOP: Final = 4.0  # ΔE00 at the dark end of a study's maps, at least; our choice
REPORT_NAME = "report.html"
BROWSERS: Final = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
    "brave-browser",
)
_PLACES: Final = (  # where they lie when they are on no search path
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
_LONGEST_S: Final = 120  # a report of 12 hairs takes about 2 s; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """How many rows came out one way: a mark, a count, a word."""

    status: str
    mark: str
    count: int
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverSheet:
    """One sheet of paper to hand over: a client's, or a learner's.

    Attributes
    ----------
    name : str
        Code of the person or learner.
    cards : tuple of Card
        Their hair, section by section.
    """

    name: str
    cards: tuple[Card, ...]

    @property
    def banners(self) -> tuple[str, ...]:
        """What stands out in the record of any of them, once."""
        return tuple(dict.fromkeys(text for card in self.cards for text in card.record.banners))

    @property
    def next_visit(self) -> str:
        """ISO date of the next visit, or empty."""
        return next((c.record.next_visit for c in self.cards if c.record.next_visit), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What the templates fill in; all text plain, escaped by them.

    Attributes are named after the places of the template they go to.
    """

    audience: Audience
    title: str
    subtitle: str
    number: str
    answers: tuple[str, ...]
    strands: tuple[str, ...]
    tiles: tuple[Tile, ...]
    counts: str
    refused: Grid
    flagged: Grid
    warnings: tuple[str, ...]
    missing: tuple[str, ...]
    class_chips: ChipTable | None
    overview: FigureBlock | None
    sheets: tuple[HandoverSheet, ...]
    cards: tuple[Card, ...]
    more: tuple[str, ...]
    uptake: FigureBlock | None
    records: tuple[Record, ...]
    methods: Grid
    hashes: Grid
    cautions: tuple[str, ...] = CAUTIONS
    client_caution: str = CLIENT_CAUTION
    validity: tuple[str, ...] = VALIDITY
    files: str = ", ".join(f"{name}.csv" for name in TABLES)
    extra: dict[str, Any] = field(default_factory=dict)


def make_page(analysis: Analysis, *, audience: Audience) -> Page:
    """Return the page of a study for one audience.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    audience : str
        ``"educator"``, ``"stylist"`` or ``"tester"``.
    """
    outcome = analysis.outcome
    settings = outcome.study.settings
    views = views_of(analysis)
    measured = [view for view in views if view.photos]
    top = _map_top(analysis)
    cards = tuple(make_card(view, map_top=top, audience=audience) for view in measured[:MOST_CARDS])
    return Page(
        audience=audience,
        title=settings.title,
        subtitle=_subtitle(analysis, views, audience),
        number=report_number(outcome),
        answers=_answers(measured),
        strands=tuple(filter(None, (_strand(view) for view in measured[:MOST_CARDS]))),
        tiles=_tiles(outcome),
        counts=sentences.counts_sentence(outcome.counts),
        refused=_refused(outcome),
        flagged=_flagged(outcome),
        warnings=tuple(str(flag) for flag in analysis.warnings),
        missing=tuple(analysis.missing),
        class_chips=class_chips(measured[:MOST_CARDS]) if audience == "educator" else None,
        overview=_overview(measured) if audience == "educator" else None,
        sheets=_sheets(cards, measured, audience),
        cards=cards,
        more=_more(len(measured)),
        uptake=_uptake(measured) if audience == "educator" else None,
        records=tuple(record_of(view.rows, settings) for view in views[:MOST_CARDS]),
        methods=methods_of(outcome),
        hashes=hashes_of(outcome),
        extra=tester.blocks_of(analysis, views) if audience == "tester" else {},
    )


def _subtitle(analysis: Analysis, views: Sequence[HairView], audience: Audience) -> str:
    study = analysis.outcome.study
    parts = [TITLES[audience], sentences.counted(len(study.photos), "photograph")]
    if audience == "tester":
        parts += [sentences.counted(len(views), "hair"), study.settings.viewing]
    return " · ".join(parts)


def report_number(outcome: StudyResult) -> str:
    """Return a short number of a report: the same photos and settings give the same again.

    A file beside the report names it and holds the versions and hashes behind it.
    """
    hashes = sorted({row.sha256 for row in outcome.rows if row.sha256})
    text = " ".join([outcome.study.settings.title, outcome.viewing.name, *hashes])
    code = hashlib.sha256(text.encode()).hexdigest()[:8].upper()
    return f"{code[:4]}-{code[4:]}"


def _answers(views: Sequence[HairView]) -> tuple[str, ...]:
    """The answers of a study with few hairs, each after its name."""
    if len(views) > MOST_ANSWERS:
        return ()
    return tuple(f"{view.name}. {' '.join(answer_of(view))}" for view in views)


def _sheets(
    cards: Sequence[Card], views: Sequence[HairView], audience: Audience
) -> tuple[HandoverSheet, ...]:
    """Cards by person for a stylist, by learner (else by hair) for an educator."""
    if audience == "tester":
        return ()
    found: dict[str, list[Card]] = {}
    for card, view in zip(cards, views, strict=False):
        person = view.rows[0].row.subject
        key = person if audience == "stylist" else card.learner or card.name
        found.setdefault(key, []).append(card)
    return tuple(HandoverSheet(name=name, cards=tuple(group)) for name, group in found.items())


def _map_top(analysis: Analysis) -> float:
    """One scale for every map of the study: the largest difference of any two zones."""
    photos = (photo for hair in analysis.hairs for photo in hair.photos)
    return max([_LEAST_TOP, *(p.evenness.largest_difference.delta_e for p in photos)])


def _strand(view: HairView) -> str:
    """The hair just coloured (else its first photo) as the stops of a CSS gradient."""
    photo = sorted(view.photos, key=lambda photo: photo.row.row.wash != 0)[0]
    tenths = photo.profile.lab.reshape(10, -1, 3).mean(axis=1)
    codes = [[int(c) for c in screen_colour(lab)] for lab in tenths]
    return ",".join(f"rgb({r} {g} {b})" for r, g, b in codes)


def _tiles(outcome: StudyResult) -> tuple[Tile, ...]:
    return tuple(
        Tile(status=status, mark=MARKS[status], count=count, word=STATUS_WORDS[status])
        for status, count in outcome.counts.items()
    )


def _refused(outcome: StudyResult) -> Grid:
    refused = [row for row in outcome.rows if row.error is not None]
    rows = [
        (row.row.photo, row.row.place, row.error.says, row.error.remedy)
        for row in refused[:MOST_ROWS]
        if row.error is not None
    ]
    head = ("photo", "hair", "what was found", "what to do")
    caption = _counted("Photographs that were rejected", len(refused), "refused.csv")
    return grid(caption, head, rows, long=(0, 2, 3))


def _counted(caption: str, count: int, file: str) -> str:
    """The caption, and where the rest is when the page shows only a part."""
    if count <= MOST_ROWS:
        return caption
    return f"{caption}: {MOST_ROWS} of {count}; {file} holds all"


def _flagged(outcome: StudyResult) -> Grid:
    """Each doubt once, with the photos it concerns."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for row in outcome.rows:
        for flag in row.flags if row.error is None else ():
            if not flag.is_note:
                found.setdefault((flag.code, flag.says, flag.remedy), []).append(_name(row))
    rows = [(says, remedy, _listed(names)) for (_, says, remedy), names in found.items()]
    head = ("what was found", "what to do", "where")
    caption = _counted("Photographs to use with care", len(rows), "measurements.csv")
    return grid(caption, head, rows[:MOST_ROWS], long=(0, 1, 2))


def _listed(names: list[str]) -> str:
    more = len(names) - MOST_NAMES
    tail = f"; and {more} more" if more > 0 else ""
    return "; ".join(names[:MOST_NAMES]) + tail


def _name(row: RowResult) -> str:
    place = f", hair {row.row.place}" if row.row.place > 1 else ""
    return f"{row.row.photo}{place}"


def _overview(views: Sequence[HairView]) -> FigureBlock | None:
    """Roots to ends of every hair just coloured, side by side."""
    found = [
        (view, photo)
        for view in views
        for photo in first_of_each_wash(view)
        if photo.row.row.wash == 0
    ][:MOST_CARDS]
    if not found:
        return None
    labels = [f"{view.name} {photo.row.treatment or ''}".strip() for view, photo in found]
    bands = short_bands(found[0][0].bands.scales["evenness"])
    return shown(
        figure_differences(labels, differences_of([p for _, p in found]), bands=bands),
        caption="Roots against ends of every section, just coloured: the further left, the more "
        "even. A hollow mark is too small to be sure.",
        alt=" ".join(f"{v.name}: {sentences.evenness_sentence(p)}" for v, p in found),
    )


def _uptake(views: Sequence[HairView]) -> FigureBlock | None:
    found = [
        (view, view.measures.uptake)
        for view in views
        if view.measures is not None and view.measures.uptake is not None
    ][:MOST_CARDS]
    if not found:
        return None
    return shown(
        figure_uptakes([view.name for view, _ in found], [uptake for _, uptake in found]),
        caption="How much colour each zone took up. Marks far apart: the hair took it unevenly.",
        alt=" ".join(
            f"{view.name}: {sentences.uptake_sentences(uptake, None)[0]}" for view, uptake in found
        ),
    )


def _more(measured: int) -> tuple[str, ...]:
    left = measured - MOST_CARDS
    if left <= 0:
        return ()
    return (f"{left} more are not drawn here; the CSV files beside this page hold them all.",)


def report_html(analysis: Analysis, *, audience: Audience = "educator") -> str:
    """The report of a study as the text of one HTML file.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    audience : str, optional
        ``"educator"``, ``"stylist"`` or ``"tester"``.
    """
    if audience not in AUDIENCES:
        raise ValueError(f"No report for {audience!r}. Choose one of {', '.join(AUDIENCES)}.")
    page = make_page(analysis, audience=audience)
    template = _environment().get_template("report.html")
    style = files("hairtone.report").joinpath("templates/report.css").read_text(encoding="utf-8")
    return template.render(page=page, css=_markup(style))


def write_report(analysis: Analysis, *, audience: Audience = "educator", out: str | Path) -> Path:
    """Write report.html and the CSV files of a study, and return where the page lies.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    audience : str, optional
        ``"educator"``, ``"stylist"`` or ``"tester"``.
    out : str or Path
        Folder to write to; made when it does not exist.

    Raises
    ------
    StoreError
        The folder cannot be written; what was there is left as it was.
    """
    from hairtone.study.analysis import write_tables
    from hairtone.study.files import write_atomically
    from hairtone.study.outcome import write_pools

    folder = Path(out)
    text = report_html(analysis, audience=audience)
    write_tables(analysis.frames, folder)
    write_pools(analysis.outcome.pools, folder)
    write_atomically(folder / f"report-{report_number(analysis.outcome)}.txt", _behind(analysis))
    page = folder / REPORT_NAME
    write_atomically(page, text)
    return page


def _behind(analysis: Analysis) -> str:
    """Versions, settings and hashes behind a report, as plain lines."""
    outcome = analysis.outcome
    lines = [f"Report {report_number(outcome)}: {outcome.study.settings.title}", ""]
    for table in (methods_of(outcome), hashes_of(outcome)):
        lines += ["  ".join(cell.text for cell in row) for row in table.rows] + [""]
    return "\n".join(lines)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("hairtone.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _markup(style: str) -> str:
    """Our own style sheet, the only text that is put in as it is."""
    from markupsafe import Markup

    return Markup(style)


def find_browser() -> Path | None:
    """A Chromium-family browser of this machine, or None."""
    for name in BROWSERS:
        found = shutil.which(name)
        if found:
            return Path(found)
    return next((Path(place) for place in _PLACES if Path(place).is_file()), None)


def write_pdf(page: str | Path) -> Path:
    """Print a report to PDF beside it, and return the file.

    Parameters
    ----------
    page : str or Path
        The report, an HTML file.

    Raises
    ------
    StoreError
        ``no-browser``: none was found; ``not-printed``: it made no PDF.
    """
    page = Path(page).resolve()
    browser = find_browser()
    if browser is None:
        raise StoreError(
            "no-browser",
            "No Chromium-family browser was found, so no PDF was printed; the report is there.",
            where=page.name,
            remedy="Open the report in any browser and print it to PDF, or install chromium.",
        )
    target = page.with_suffix(".pdf")
    with tempfile.TemporaryDirectory(prefix="hairtone-print-") as private:
        made = Path(private) / "report.pdf"
        says = _print(browser, page, made, Path(private))
        if not made.is_file() or not made.read_bytes().startswith(b"%PDF"):
            raise StoreError(
                "not-printed",
                f"The browser {browser.name} made no PDF ({says}).",
                where=page.name,
                remedy="Open the report in a browser and print it to PDF.",
            )
        from hairtone.study.files import write_atomically

        write_atomically(target, made.read_bytes())
    return target


def _print(browser: Path, page: Path, made: Path, private: Path) -> str:
    """Run the browser without a window and without a network; what it said when it failed."""
    command = [
        str(browser),
        "--headless",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        f"--user-data-dir={private / 'profile'}",
        "--no-pdf-header-footer",
        f"--print-to-pdf={made}",
        page.as_uri(),
    ]
    if sys.platform.startswith("linux") and os.geteuid() == 0:
        command.insert(1, "--no-sandbox")  # as root there is no sandbox to be had
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=_LONGEST_S, check=False, stdin=subprocess.DEVNULL
        )
    except subprocess.TimeoutExpired:
        return f"it did not end within {_LONGEST_S} s"
    except OSError as error:
        return error.strerror or type(error).__name__
    lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
    return lines[-1][:200] if lines and done.returncode else f"exit status {done.returncode}"

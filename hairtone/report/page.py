"""A report as one self-contained file, or as a PDF printed by a browser."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hairtone.colorimetry import screen_colour
from hairtone.errors import StoreError
from hairtone.measures.words import read_bands
from hairtone.report import sentences, tester
from hairtone.report.blocks import Grid, Shown, grid, shown
from hairtone.report.cards import Card, Record, make_card, record_of
from hairtone.report.figures import figure_differences, figure_uptake_table, row_label
from hairtone.report.sentences import CAUTIONS, MARKS, STATUS_WORDS, TITLES, VALIDITY
from hairtone.report.tester import hashes_of, methods_of
from hairtone.report.types import AUDIENCES, TABLES, Analysis, Audience
from hairtone.report.views import HairView, Tables, hairs_of
from hairtone.uncertainty import ColourDifference

if TYPE_CHECKING:
    from jinja2 import Environment

    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult


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
class Page:
    """What the templates fill in; all text plain, escaped by them.

    Attributes are named after the places of the template they go to.
    """

    audience: Audience
    title: str
    subtitle: str
    strands: tuple[str, ...]
    tiles: tuple[Tile, ...]
    counts: str
    refused: Grid
    flagged: Grid
    warnings: tuple[str, ...]
    missing: tuple[str, ...]
    lead: tuple[str, ...]
    overview: Shown | None
    cards: tuple[Card, ...]
    more: tuple[str, ...]
    uptake: Shown | None
    records: tuple[Record, ...]
    methods: Grid
    hashes: Grid
    cautions: tuple[str, ...] = CAUTIONS
    validity: tuple[str, ...] = VALIDITY
    files: str = ", ".join(f"{name}.csv" for name in TABLES)
    extra: dict[str, Any] = field(default_factory=dict)


def make_page(analysis: Analysis, *, audience: Audience) -> Page:
    """The page of a study for one audience.

    Parameters
    ----------
    analysis : Analysis
        The study, analysed.
    audience : str
        ``"educator"``, ``"stylist"`` or ``"tester"``.
    """
    outcome = analysis.outcome
    settings = outcome.study.settings
    tables = Tables(analysis.frames, bands=_bands(outcome))
    hairs = [
        HairView(outcome=outcome, rows=rows, tables=tables) for rows in hairs_of(outcome).values()
    ]
    hairs = [hair for hair in hairs if _may_be_shown(hair)]
    shown_hairs = [hair for hair in hairs if hair.measured][:MOST_CARDS]
    top = _map_top(tables)
    return Page(
        audience=audience,
        title=settings.title,
        subtitle=f"{TITLES[audience]} · "
        f"{sentences.counted(len(outcome.study.photos), 'photograph')} · "
        f"{sentences.counted(len(hairs), 'hair')} · {settings.viewing}",
        strands=tuple(filter(None, (_strand(hair) for hair in shown_hairs))),
        tiles=_tiles(outcome),
        counts=sentences.counts_sentence(outcome.counts),
        refused=_refused(tables),
        flagged=_flagged(outcome),
        warnings=tuple(str(flag) for flag in analysis.warnings),
        missing=tuple(analysis.missing),
        lead=_lead(audience, outcome),
        overview=_overview(tables) if audience == "educator" else None,
        cards=tuple(make_card(hair, map_top=top, audience=audience) for hair in shown_hairs),
        more=_more(len([hair for hair in hairs if hair.measured])),
        uptake=_uptake(tables) if audience == "educator" else None,
        records=tuple(record_of(hair.rows, settings) for hair in hairs[:MOST_CARDS]),
        methods=methods_of(outcome),
        hashes=hashes_of(outcome),
        extra=tester.blocks_of(analysis, tables) if audience == "tester" else {},
    )


def _may_be_shown(hair: HairView) -> bool:
    return hair.outcome.study.settings.may_measure(hair.rows[0].row.subject)


def _bands(outcome: StudyResult) -> tuple[tuple[float, str], ...]:
    """The study's own bands where it holds a bands.toml, else those that come with hairtone."""
    own = outcome.study.folder / "bands.toml"
    bands = read_bands(own if own.is_file() else None).scales["evenness"]
    return tuple((limit, _short(word)) for limit, word in bands)


def _short(word: str) -> str:
    """A band's word short enough for the margin of a figure."""
    return word.split(",")[0].removeprefix("a ").removesuffix(" difference")


def _map_top(tables: Tables) -> float:
    """One scale for every map of the study: the largest difference of any two zones."""
    largest = [
        row["value"] for row in tables.rows("evenness") if row["measure"] == "largest_difference"
    ]
    return max([_LEAST_TOP, *largest])


def _strand(hair: HairView) -> str:
    """The hair just coloured (else its first photo) as the stops of a CSS gradient."""
    rows = sorted(hair.measured, key=lambda row: row.row.wash != 0)
    tenths = (rows[0].hair.get("tress") or {}).get("tenths") or []
    codes = [[int(c) for c in screen_colour(lab)] for lab in tenths if lab]
    return ",".join(f"rgb({r} {g} {b})" for r, g, b in codes) if len(codes) > 1 else ""


def _tiles(outcome: StudyResult) -> tuple[Tile, ...]:
    return tuple(
        Tile(status=status, mark=MARKS[status], count=count, word=STATUS_WORDS[status])
        for status, count in outcome.counts.items()
    )


def _refused(tables: Tables) -> Grid:
    rows = [
        (row["photo"], row.get("place"), row["says"], row["remedy"])
        for row in tables.rows("refused")[:MOST_ROWS]
    ]
    head = ("photo", "hair", "what was found", "what to do")
    caption = _counted("Photographs that were refused", len(tables.rows("refused")), "refused.csv")
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
    caption = _counted("Doubts about photographs", len(rows), "measurements.csv")
    return grid(caption, head, rows[:MOST_ROWS], long=(0, 1, 2))


def _listed(names: list[str]) -> str:
    more = len(names) - MOST_NAMES
    tail = f"; and {more} more" if more > 0 else ""
    return "; ".join(names[:MOST_NAMES]) + tail


def _name(row: RowResult) -> str:
    place = f", hair {row.row.place}" if row.row.place > 1 else ""
    return f"{row.row.photo}{place}"


def _lead(audience: Audience, outcome: StudyResult) -> tuple[str, ...]:
    if audience != "educator":
        return ()
    return (
        "Each hair was measured in sixty steps from roots to ends. “Roots to ends” is the "
        "difference between the first and the last zone; the smaller, the more even.",
    )


def _overview(tables: Tables) -> Shown | None:
    """Root-to-ends of every hair just coloured, side by side."""
    rows = [
        row
        for row in tables.rows("evenness")
        if row["measure"] == "root_to_ends" and str(row["wash"]) == "0"
    ][:MOST_CARDS]
    if not rows:
        return None
    differences = [
        ColourDifference(
            delta_e=row["value"], low=row["low"], high=row["high"], critical=row["critical"]
        )
        for row in rows
    ]
    labels = [f"{row_label(row).split(',')[0]} {row['treatment'] or ''}".strip() for row in rows]
    return shown(
        figure_differences(labels, differences, bands=tables.bands),
        caption="Roots to ends of every hair, just coloured.",
        alt=" ".join(f"{row['subject']}: {sentences.evenness_sentence(row)}" for row in rows),
    )


def _uptake(tables: Tables) -> Shown | None:
    rows = tables.rows("uptake")[: 3 * MOST_CARDS]
    if not rows:
        return None
    return shown(
        figure_uptake_table(rows),
        caption="How much colour each zone took up.",
        alt=" ".join(
            f"{row['subject']} {row['zone']}: ΔE₀₀ {sentences.number(row['delta_e'])}."
            for row in rows
        ),
    )


def _more(measured: int) -> tuple[str, ...]:
    left = measured - MOST_CARDS
    if left <= 0:
        return ()
    return (f"{left} more hairs are not drawn here; the CSV files beside this page hold them all.",)


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
    from hairtone.study.files import write_atomically
    from hairtone.study.pools import write_pools
    from hairtone.study.tables import write_tables

    folder = Path(out)
    text = report_html(analysis, audience=audience)
    write_tables(analysis.frames, folder)
    write_pools(analysis.outcome.pools, folder)
    page = folder / REPORT_NAME
    write_atomically(page, text)
    return page


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

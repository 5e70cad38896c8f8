"""One self-contained page per audience: no script, no outside request, prints on A4."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from hairtone.report.page import make_page
from hairtone.report.types import AUDIENCES, Analysis, Audience

if TYPE_CHECKING:
    from jinja2 import Environment

REPORT_NAME = "report.html"


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
    from hairtone.study.export import write_tables
    from hairtone.study.files import write_atomically
    from hairtone.study.pool_notes import write_pools

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

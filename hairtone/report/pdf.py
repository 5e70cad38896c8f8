"""The report as PDF, printed by a Chromium-family browser that is on this machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from hairtone.errors import StoreError

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

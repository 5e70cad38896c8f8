"""Open the start notebook in JupyterLab."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from hairtone.errors import StoreError

START = "start.ipynb"
_NO_NEWS = '{"fetchNews": "false", "checkForUpdates": false}'


def open_lab(folder: Path, *, browser: bool = True) -> int:
    """Copy the start notebook into a folder, open it in JupyterLab, and wait.

    Parameters
    ----------
    folder : Path
        Where studies are kept; made when it does not exist.
    browser : bool, optional
        Whether to open a browser window.

    Returns
    -------
    int
        Exit status of JupyterLab.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    target = folder / START
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copyfile(_start_notebook(), target)
    except OSError as error:
        raise StoreError(
            "folder-not-writable",
            f"The folder cannot be written ({error.strerror}).",
            where=str(folder.name or folder),
            remedy="Choose a folder of your own.",
        ) from None
    settings = Path(tempfile.mkdtemp(prefix="hairtone-lab-"))
    command = [sys.executable, "-m", "jupyter", "lab", f"--ServerApp.root_dir={folder.resolve()}"]
    command += [f"--LabApp.default_url=/doc/tree/{START}", *lab_arguments(settings)]
    command += [] if browser else ["--no-browser"]
    try:
        return subprocess.run(command, check=False).returncode
    finally:
        shutil.rmtree(settings, ignore_errors=True)


def lab_arguments(settings: Path) -> list[str]:
    """Return arguments under which JupyterLab asks nothing and fetches nothing.

    Parameters
    ----------
    settings : Path
        An empty folder for its settings.
    """
    quiet = settings / "@jupyterlab" / "apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text(_NO_NEWS, encoding="utf-8")
    return [
        "--LabApp.extension_manager=readonly",
        "--LabApp.news_url=",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        f"--LabApp.user_settings_dir={settings}",
    ]


def _start_notebook() -> Path:
    """The notebook of the installed package, else of the checkout."""
    package = Path(__file__).resolve().parents[1]
    for path in (package / "_notebooks" / START, package.parent / "notebooks" / START):
        if path.exists():
            return path
    raise FileNotFoundError(f"{START} is missing from this installation; install it again.")

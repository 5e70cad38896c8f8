"""The start notebook's panel: from a folder of photographs to a saved report, without code."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import wraps
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, cast

import ipywidgets as widgets

from hairtone.errors import HairtoneError, SheetError
from hairtone.report.sheet import Sheet, set_title_and_chart
from hairtone.report.types import AUDIENCES, Audience
from hairtone.study.new import new_study

if TYPE_CHECKING:
    from hairtone.study.analysis import Analysis
    from hairtone.study.outcome import StudyResult

SHEETS: Final = ("study.toml", "photos.csv", "photos.xlsx")


class Step(Protocol):
    """One part of the panel: a widget, and what to do when the study has changed."""

    box: widgets.Widget

    def refresh(self) -> None:
        """Show the study as it is now."""
        ...


class Start:
    """Everything the start notebook does; buttons call these methods, and so can a test.

    Parameters
    ----------
    base : str or Path, optional
        The folder in which studies lie; the notebook's own by default.
    """

    def __init__(self, base: str | Path = ".") -> None:
        self.base = Path(base).resolve()
        self.folder: Path | None = None
        self.outcome: StudyResult | None = None
        self.analysis: Analysis | None = None
        self.message = widgets.HTML()
        self.message.add_class("hairtone-message")
        self._steps: list[Step] = []

    def studies(self) -> list[str]:
        """Names of the folders here that hold a study, from the base folder down."""
        found = {path.parent for name in SHEETS for path in self.base.glob(f"*/{name}")}
        found |= {self.base} if any((self.base / name).is_file() for name in SHEETS) else set()
        return sorted(_name(path, self.base) for path in found)

    def create(self, name: str) -> Path:
        """Make a study folder with an empty sheet, and open it.

        Raises
        ------
        SheetError
            The name is no folder name, or the folder holds a study already.
        """
        from hairtone.study.paths import clean_name

        if not name.strip():
            raise SheetError(
                "no-name", "The study has no name.", remedy="Write one, such as spring-course."
            )
        clean = clean_name(name.strip())
        folder = self.base / clean
        (folder / "photos").mkdir(parents=True, exist_ok=True)
        new_study(folder, [])
        self.open(clean)
        return folder

    def open(self, name: str) -> None:
        """Work on a study from now on."""
        folder = (self.base / name).resolve()
        if folder != self.base and self.base not in folder.parents:
            raise SheetError(
                "outside", f"{name} lies outside this folder.", remedy="Choose a study listed here."
            )
        self.folder, self.outcome, self.analysis = folder, None, None
        self.refresh()

    def sheet(self) -> Sheet:
        """The sheet of the study that is open."""
        return Sheet(self.study_folder)

    @property
    def study_folder(self) -> Path:
        """The folder of the study that is open.

        Raises
        ------
        SheetError
            None is open.
        """
        if self.folder is None:
            raise SheetError(
                "no-study-open", "No study is open.", remedy="Choose or create one in step 1."
            )
        return self.folder

    def look_for_photos(self) -> list[str]:
        """Add photos that lie in the study and are not in its sheet yet; their names."""
        sheet = self.sheet()
        new = sheet.add_new_photos()
        if new:
            sheet.save()
        self.refresh()
        return new

    def put_photo_card(self) -> Path:
        """Put the printable photo card beside the studies, and return the file."""
        from hairtone.reference import reference_path
        from hairtone.study.files import write_atomically

        target = self.base / "photo_card.html"
        write_atomically(target, reference_path("photo_card.html").read_bytes())
        return target

    def describe(self, keys: dict[str, str]) -> None:
        """Set title, viewing and chart of the study."""
        set_title_and_chart(self.study_folder, keys)

    def measure(self, progress: Callable[[int, int], None] | None = None) -> StudyResult:
        """Measure what is new or changed, and analyse the study.

        Parameters
        ----------
        progress : callable, optional
            Gets (done, total) after each photo.
        """
        from hairtone.study.analysis import analyse
        from hairtone.study.run import measure_study
        from hairtone.study.sheet import read_study

        study = read_study(self.study_folder)
        workers = min(2, os.cpu_count() or 1)
        outcome = measure_study(study, workers=workers, progress=progress or False)
        self.outcome, self.analysis = outcome, analyse(outcome)
        self.refresh()
        return outcome

    def save_report(self, audience: Audience) -> Path:
        """Write report.html and the CSV files into the study's results."""
        from hairtone.report.html import write_report

        if self.analysis is None:
            self.measure()
        return write_report(
            cast("Analysis", self.analysis), audience=audience, out=self.study_folder / "results"
        )

    def refresh(self) -> None:
        """Show the study as it is now, in every step."""
        for step in self._steps:
            step.refresh()

    def say(self, text: str, *, kind: str = "done") -> None:
        """Say something below the steps, as plain text."""
        colour = {"done": "#1d5c4a", "wrong": "#8c1d2f", "busy": "#565b64"}[kind]
        lines = "<br>".join(escape(line) for line in text.splitlines())
        self.message.value = (
            f'<div role="status" style="border-left:5px solid {colour};padding:.3rem .8rem;'
            f'color:{colour};max-width:52rem">{lines}</div>'
        )

    def guarded(self, act: Callable[..., None]) -> Callable[..., None]:
        """The same act, its errors said in the panel and not as a traceback."""

        @wraps(act)
        def inner(*args: Any, **kwargs: Any) -> None:
            try:
                act(*args, **kwargs)
            except HairtoneError as error:
                self.say(str(error), kind="wrong")
            except OSError as error:
                self.say(f"{error.strerror or type(error).__name__}.", kind="wrong")

        return inner

    def show(self) -> widgets.Widget:
        """The panel, ready to be shown."""
        from hairtone.report import start_steps as steps

        made = [kind(self) for kind in steps.STEPS]
        self._steps = list(made)
        found = self.studies()
        if len(found) == 1:
            self.open(found[0])
        self.refresh()
        style = widgets.HTML(f"<style>{steps.STYLE}</style>")
        panel = widgets.VBox([style, *[step.box for step in made], self.message])
        panel.add_class("hairtone-start")
        return panel


def start(base: str | Path = ".") -> widgets.Widget:
    """The start panel for the studies in a folder.

    Parameters
    ----------
    base : str or Path, optional
        The folder in which studies lie; the notebook's own by default.
    """
    return Start(base).show()


def _name(path: Path, base: Path) -> str:
    return path.relative_to(base).as_posix() if path != base else "."


__all__ = ["AUDIENCES", "Start", "start"]

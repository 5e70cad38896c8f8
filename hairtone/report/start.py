"""The start notebook: one step after another for people who do not code."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import wraps
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, cast

import ipywidgets as widgets

from hairtone.errors import HairtoneError, SheetError
from hairtone.report.findings import findings_html, results_html, thumbnail
from hairtone.report.sheet import FORM_COLUMNS, Sheet, set_title_and_chart
from hairtone.report.types import AUDIENCES, Audience
from hairtone.study.new import new_study
from hairtone.study.sheet import ROOTS

if TYPE_CHECKING:
    from hairtone.study.analysis import Analysis
    from hairtone.study.outcome import StudyResult


STYLE: Final = """
.hairtone-start { max-width: 68rem; padding: 4px 8px 24px; }
.hairtone-step { border-top: 2px solid #8a4a1c; padding: 6px 0 12px; margin-top: 10px; }
.hairtone-start h2 { font: 600 19px Georgia, "DejaVu Serif", serif; margin: 2px 0; color: #23272e; }
.hairtone-start p, .hairtone-start li { font-size: 14px; line-height: 1.45; margin: 2px 0;
  max-width: 52rem; color: #23272e; white-space: normal; }
.hairtone-step > .widget-hbox { flex-flow: row wrap; }
.hairtone-step > .widget-hbox > button { flex: 0 0 auto; }
.hairtone-step .widget-text, .hairtone-step .widget-dropdown { max-width: 100%; }
.hairtone-rows { max-height: 420px; overflow: auto; }
.hairtone-rows > * { flex: 0 0 auto; min-height: 32px; }
.hairtone-findings td:nth-child(3) { white-space: nowrap; }
.hairtone-findings ul { margin: 0; padding-left: 18px; }
.hairtone-findings table { border-collapse: collapse; font-size: 13px; }
.hairtone-findings td, .hairtone-findings th { padding: 4px 10px 4px 0; vertical-align: top;
  border-bottom: 1px solid #cfc8bd; text-align: left; color: #23272e; background: #fff; }
.hairtone-findings img { width: 110px; height: auto; display: block; }
"""
_WASHES: Final = ["", "before", *[str(wash) for wash in range(31)]]
_WIDTHS: Final = {
    "photo": "190px", "subject": "100px", "wash": "86px", "section": "110px", "place": "56px",
    "treatment": "120px", "replicate": "88px", "roots": "84px",
}  # fmt: skip
SHEETS: Final = ("study.toml", "photos.csv", "photos.xlsx")


def step_box(title: str, says: str, *children: widgets.Widget) -> widgets.VBox:
    """A step: heading, a sentence, widgets."""
    head = widgets.HTML(f"<h2>{escape(title)}</h2><p>{escape(says)}</p>")
    box = widgets.VBox([head, *children])
    box.add_class("hairtone-step")
    return box


def button(start: Start, words: str, act: Callable[[], None]) -> widgets.Button:
    """A button; what goes wrong is said in the panel."""
    made = widgets.Button(
        description=words, layout=widgets.Layout(width="auto", align_self="flex-start")
    )
    made.on_click(start.guarded(lambda _: act()))
    return made


class StudyStep:
    """Choose or create a study."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.choice = widgets.Dropdown(description="Study", options=[])
        self.name = widgets.Text(placeholder="name of a new study", description="New")
        self.choice.observe(start.guarded(self._chosen), names="value")
        self._is_filling = False
        row = widgets.HBox([self.name, button(start, "Create study", self._create)])
        self.box = step_box(
            "1  The study",
            "A study is a folder with photographs and a sheet. Choose one, or create one.",
            self.choice,
            row,
        )

    def refresh(self) -> None:
        """List the studies there are."""
        self._is_filling = True
        try:
            names = self.start.studies()
            self.choice.options = [("choose …", ""), *[(name, name) for name in names]]
            folder = self.start.folder
            here = "" if folder is None else folder.relative_to(self.start.base).as_posix()
            self.choice.value = here if here in names else ""
        finally:
            self._is_filling = False

    def _chosen(self, change: dict[str, Any]) -> None:
        if change["new"] and not self._is_filling:
            self.start.open(change["new"])
            self.start.say(f"Study {change['new']} is open.")

    def _create(self) -> None:
        folder = self.start.create(self.name.value)
        self.start.say(f"Study {folder.name} is there. Now put the photographs into it (step 2).")


class PhotoStep:
    """Photographs dragged into the study's folder."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.where = widgets.HTML()
        self.box = step_box(
            "2  The photographs",
            "Each shows dry, combed hair and the whole 24-patch chart in one plane.",
            self.where,
            widgets.HBox(
                [
                    button(start, "Look for photographs", self._look),
                    button(start, "How to photograph", self._card),
                ]
            ),
        )

    def refresh(self) -> None:
        """Say where the photographs go and how many are there."""
        folder = self.start.folder
        if folder is None:
            self.where.value = "<p>Choose or create a study first.</p>"
            return
        photos = folder / "photos"
        count = sum(path.is_file() for path in photos.glob("*")) if photos.is_dir() else 0
        name = "photos" if folder == self.start.base else f"{folder.name} / photos"
        self.where.value = (
            f"<p>Open the folder <b>{escape(name)}</b> in the list of files on the left and drag "
            f"the photographs onto it, or press the upload arrow above the list. There are "
            f"<b>{count}</b> files in it now.</p>"
        )

    def _card(self) -> None:
        card = self.start.put_photo_card()
        self.start.say(
            f"The photo card, one page to print, is {card.name} in the list of files on the left."
        )

    def _look(self) -> None:
        new = self.start.look_for_photos()
        self.start.say(f"{len(new)} new photographs are in the sheet now.")


class SheetStep:
    """The sheet as a form, one line per hair in a photograph."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.rows = widgets.VBox([])
        self.rows.add_class("hairtone-rows")
        self._cells: list[tuple[str, int, dict[str, widgets.Widget]]] = []
        acts = widgets.HBox(
            [
                button(start, "Guess from file names", self._guess),
                button(start, "Save the sheet", self.save),
                button(start, "Read it again", self._again),
            ]
        )
        self.box = step_box(
            "3  The sheet",
            "Subject is a code for the hair, never a name. Wash is “before” for the hair before "
            "colouring, 0 for just coloured, then 1, 2, … You can also fill in photos.csv with a "
            "spreadsheet and press “Read it again”; it may hold more columns (porosity, strand "
            "test, times, next visit).",
            self.rows,
            acts,
        )

    def refresh(self) -> None:
        """Show the rows of the sheet."""
        if self.start.folder is None:
            self.rows.children, self._cells = [], []
            return
        head = widgets.HBox([widgets.HTML(f"<b>{n}</b>", layout=_width(n)) for n in FORM_COLUMNS])
        lines: list[widgets.Widget] = [head]
        self._cells = []
        for row in self.start.sheet().rows:
            cells = {name: _cell(name, row.get(name, "")) for name in FORM_COLUMNS}
            self._cells.append((row.get("photo", ""), int(row.get("place") or 1), cells))
            lines.append(widgets.HBox(list(cells.values())))
        self.rows.children = lines

    def save(self) -> None:
        """Write what the form holds."""
        sheet = self.start.sheet()
        for photo, place, cells in self._cells:
            filled = {name: cell.value for name, cell in cells.items() if name not in ("photo",)}
            sheet.set(photo, {k: v for k, v in filled.items() if v or k in sheet.header},
                      place=place)  # fmt: skip
        sheet.save()
        self.start.say("The sheet is saved.")

    def _guess(self) -> None:
        self.save()
        sheet = self.start.sheet()
        count = sheet.guess_from_names()
        sheet.save()
        self.refresh()
        self.start.say(f"{count} rows were filled from file names. Please look at every one.")

    def _again(self) -> None:
        self.refresh()
        self.start.say("The sheet was read again.")


def _width(name: str) -> widgets.Layout:
    return widgets.Layout(width=_WIDTHS[name], flex="0 0 auto")


def _cell(name: str, value: str) -> widgets.Widget:
    layout = _width(name)
    if name == "photo":
        return widgets.HTML(f"<span>{escape(value.removeprefix('photos/'))}</span>", layout=layout)
    known = {"wash": _WASHES, "roots": ["", *ROOTS]}.get(name)
    if known is not None:
        return widgets.Dropdown(
            options=known if value in known else [*known, value], value=value, layout=layout
        )
    return widgets.Text(value=value, layout=layout, placeholder=name)


class MeasureStep:
    """Check and measure, with progress and findings."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.bar = widgets.IntProgress(min=0, max=1, layout=widgets.Layout(width="320px"))
        self.count = widgets.HTML()
        self.findings = widgets.HTML()
        self.findings.add_class("hairtone-findings")
        row = widgets.HBox(
            [button(start, "Check and measure", self._measure), self.bar, self.count]
        )
        self.box = step_box(
            "4  Check and measure",
            "Every photograph is measured, flagged or refused, with the reason and what to do. "
            "What is measured once is kept; only what is new or changed is measured again.",
            row,
            self.findings,
        )

    def refresh(self) -> None:
        """Show the findings of the last run."""
        outcome = self.start.outcome
        self.findings.value = "" if outcome is None else findings_html(outcome, thumbnail)
        if outcome is None:
            self.bar.value, self.count.value = 0, ""

    def _measure(self) -> None:
        self.start.say("Measuring …", kind="busy")
        outcome = self.start.measure(self._progress)
        counts = ", ".join(f"{count} {word}" for word, count in outcome.counts.items())
        self.bar.value = self.bar.max
        self.start.say(f"Done: {counts}.")

    def _progress(self, done: int, total: int) -> None:
        self.bar.max, self.bar.value = max(total, 1), done
        self.count.value = f"{done} of {total}"


class LineStep:
    """Lines and corners by hand, where the program did not find the hair or the chart."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.photo = widgets.Dropdown(description="Photo", options=[""])
        self.place = widgets.VBox([])
        self.box = step_box(
            "5  Lines by hand, where needed",
            "For a head, or where the hair or the chart was not found: choose the photograph and "
            "click from roots to ends. Every change is kept in the sheet at once; then measure "
            "again.",
            widgets.HBox([self.photo, button(start, "Show the photograph", self._show)]),
            self.place,
        )
        self.picker: Any = None

    def refresh(self) -> None:
        """List the photographs of the sheet."""
        rows = [] if self.start.folder is None else self.start.sheet().rows
        names = list(dict.fromkeys(row.get("photo", "") for row in rows))
        if list(self.photo.options) != ["", *names]:
            self.photo.options = ["", *names]
            self.place.children = []

    def _show(self) -> None:
        from hairtone.report.picker import picker_for

        if not self.photo.value:
            self.start.say("Choose a photograph first.", kind="wrong")
            return
        self.picker = picker_for(self.start.study_folder, self.photo.value, self.start.say)
        self.place.children = [self.picker]


class ReportStep:
    """Results at a glance, and the saved report."""

    def __init__(self, start: Start) -> None:
        self.start = start
        words = {
            "educator": "teaching and assessment",
            "stylist": "a client: the colour over the washes",
            "tester": "a product test",
        }
        self.audience = widgets.Dropdown(
            description="Report for", options=[(words[name], name) for name in AUDIENCES]
        )
        self.results = widgets.HTML()
        self.link = widgets.HTML()
        self.box = step_box(
            "6  Results and report",
            "The report is one page that opens without a network and prints on A4; every number "
            "of it lies beside it as CSV.",
            self.results,
            widgets.HBox([self.audience, button(start, "Save the report", self._save)]),
            self.link,
        )

    def refresh(self) -> None:
        """Show chips and sentences of the study."""
        analysis = self.start.analysis
        self.results.value = "" if analysis is None else results_html(analysis)
        if analysis is None:
            self.link.value = ""

    def _save(self) -> None:
        page = self.start.save_report(self.audience.value)
        shown = page.relative_to(self.start.base).as_posix()
        self.link.value = (
            f"<p>Saved: <b>{escape(shown)}</b>. Open it from the list of files on the left: double "
            f"click shows it here, a right click downloads it.</p>"
        )
        self.start.say("The report is saved.")


STEPS: Final = (StudyStep, PhotoStep, SheetStep, MeasureStep, LineStep, ReportStep)


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
        from hairtone.study.files import clean_name

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
        from hairtone.report.page import write_report

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
        made = [kind(self) for kind in STEPS]
        self._steps = list(made)
        found = self.studies()
        if len(found) == 1:
            self.open(found[0])
        self.refresh()
        style = widgets.HTML(f"<style>{STYLE}</style>")
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

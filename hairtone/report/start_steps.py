"""The steps of the start panel, one class each: widgets that call `Start`."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any, Final

import ipywidgets as widgets

from hairtone.report.findings import findings_html, results_html, thumbnail
from hairtone.report.sheet import FORM_COLUMNS
from hairtone.report.types import AUDIENCES
from hairtone.study.rows import ROOTS

if TYPE_CHECKING:
    from hairtone.report.start import Start

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
        from hairtone.report.lines import picker_for

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

"""The command line: one thin door onto the package.

Exit status: 0 nothing refused (flags allowed), 1 some refused and the rest done, 2 nothing could
be done. Errors are one line each on standard error, never a traceback.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from hairtone.errors import HairtoneError

if TYPE_CHECKING:
    from hairtone.report.types import Audience
    from hairtone.result import PhotoResult
    from hairtone.study.run import StudyResult

VIEWING_NAMES = ("D65/10", "D65/2", "D50/2")
PHOTO_OPTIONS = ("viewing", "chart", "line", "roots", "corners")
SIDES = ("top", "bottom", "left", "right")
AUDIENCES = ("educator", "stylist", "tester")
DONE, SOME_REFUSED, NOTHING_DONE, STOPPED = 0, 1, 2, 130


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line and where help is."""

    def error(self, message: str) -> NoReturn:
        self.exit(NOTHING_DONE, f"hairtone: {message}. See: {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command and return its exit status.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments after the program's name; those of the process by default.
    """
    arguments = _parser().parse_args(argv)
    try:
        status = int(arguments.run(arguments))
        sys.stdout.flush()  # a reader that went away is noticed here, not while Python ends
        return status
    except HairtoneError as error:
        _say(error)
        return NOTHING_DONE
    except KeyboardInterrupt as error:
        print(f"hairtone: {error or 'Stopped by hand.'}", file=sys.stderr)
        return int(getattr(error, "exit_status", STOPPED))
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - stays open until the process ends
        return DONE
    except OSError as error:
        place = f"{Path(str(error.filename)).name}: " if error.filename else ""
        reason = error.strerror or type(error).__name__
        print(
            f"hairtone: {place}{reason}. Check the name, and whether you may open it.",
            file=sys.stderr,
        )
        return NOTHING_DONE


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="hairtone",
        description="Measure the colour of hair in photographs that show a 24-patch colour chart.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    parser.set_defaults(run=_welcome(parser))
    commands = parser.add_subparsers(metavar="COMMAND", parser_class=_Parser)
    _add_photo_commands(commands)
    _add_study_commands(commands)
    return parser


def _welcome(parser: argparse.ArgumentParser) -> Callable[[argparse.Namespace], int]:
    def run(arguments: argparse.Namespace) -> int:
        if arguments.version:
            from hairtone import __version__

            print(f"hairtone {__version__}")
            return DONE
        parser.print_help()
        return NOTHING_DONE

    return run


def _add_photo_commands(commands: Any) -> None:
    check = commands.add_parser(
        "check", help="say whether photos are good enough, and what to do if not"
    )
    check.add_argument("targets", nargs="+", metavar="PHOTO|STUDY", type=Path)
    check.add_argument("--json", action="store_true", help="findings as JSON")
    _add_photo_options(check)
    check.set_defaults(run=run_check)

    measure = commands.add_parser("measure", help="measure the colour from roots to ends")
    measure.add_argument("targets", nargs="+", metavar="PHOTO|STUDY", type=Path)
    measure.add_argument("--json", action="store_true", help="results as JSON")
    _add_photo_options(measure)
    measure.add_argument("--workers", type=_workers, default=1, metavar="N", help="processes")
    measure.add_argument("--cluster", metavar="ADDRESS", help="scheduler of a running cluster")
    measure.set_defaults(run=run_measure)

    charts = commands.add_parser("charts", help="list the charts that are known")
    charts.set_defaults(run=run_charts)


def _add_photo_options(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--viewing", choices=VIEWING_NAMES, help=f"light and observer, default {VIEWING_NAMES[0]}"
    )
    command.add_argument("--chart", help="name of a chart, or file of a chart you measured")
    command.add_argument(
        "--line", type=_points, metavar="'x,y x,y …'", help="root-to-ends line, roots first"
    )
    command.add_argument("--roots", choices=SIDES, help="the side of the photo where the roots are")
    command.add_argument(
        "--corners",
        type=_corners,
        metavar="'x,y x,y x,y x,y'",
        help="chart corners, clockwise from the first patch",
    )


def _add_study_commands(commands: Any) -> None:
    report = commands.add_parser("report", help="write the report and CSV files of a study")
    report.add_argument("study", type=Path)
    report.add_argument("--for", dest="audience", choices=AUDIENCES, default="educator")
    report.add_argument("--out", type=Path, metavar="DIR", help="default: results/ of the study")
    report.add_argument("--pdf", action="store_true", help="also print it to report.pdf")
    report.add_argument("--workers", type=_workers, default=1, metavar="N", help="processes")
    report.set_defaults(run=run_report)

    new = commands.add_parser("new", help="make a study folder with a sheet to fill in")
    new.add_argument("study", type=Path)
    new.add_argument("photos", nargs="+", metavar="PHOTO", type=Path)
    new.set_defaults(run=run_new)

    add = commands.add_parser("add", help="put later photos into a study")
    add.add_argument("study", type=Path)
    add.add_argument("photos", nargs="+", metavar="PHOTO", type=Path)
    add.add_argument("--wash", metavar="N", help="before, 0, 1, …; default: one more than the last")
    add.set_defaults(run=run_add)

    demo = commands.add_parser("demo", help="render the invented study, measure and report it")
    demo.add_argument("folder", nargs="?", type=Path, default=Path("hairtone-demo"), metavar="DIR")
    demo.add_argument("--workers", type=_workers, default=2, metavar="N", help="processes")
    demo.set_defaults(run=run_demo)

    purge = commands.add_parser("purge", help="remove one subject from a study's results")
    purge.add_argument("study", type=Path)
    purge.add_argument("--subject", required=True, metavar="CODE")
    purge.set_defaults(run=run_purge)

    desk = commands.add_parser("desk", help="open the page in the browser; no coding needed")
    desk.add_argument(
        "folder", nargs="?", type=Path, default=Path("hairtone-studies"), metavar="FOLDER"
    )
    desk.add_argument("--port", type=_port, default=None, metavar="N", help="port to listen on")
    desk.add_argument("--no-browser", action="store_true", help="open no browser window")
    desk.set_defaults(run=run_desk)

    lab = commands.add_parser("lab", help="open the start notebook in JupyterLab")
    lab.add_argument("folder", nargs="?", type=Path, default=Path(), metavar="DIR")
    lab.set_defaults(run=run_lab)


def run_check(arguments: argparse.Namespace) -> int:
    """Print what was found in each photo and what to do, and return the exit status."""
    results = _measure_targets(arguments)
    if arguments.json:
        print(_json(results, arguments))
    else:
        from hairtone.report.sentences import describe_check

        for result in results:
            print(describe_check(result))
    return _exit_status(results)


def run_measure(arguments: argparse.Namespace) -> int:
    """Measure photos or a whole study, print the colours, and return the exit status."""
    if any(target.is_dir() for target in arguments.targets):
        if len(arguments.targets) > 1:
            raise _usage("Give one study, or photos, not both.", "Measure them one after another.")
        _refuse_photo_options(arguments)
        return _measure_study(arguments.targets[0], arguments)
    results = _measure_targets(arguments)
    if arguments.json:
        print(_json(results, arguments))
    else:
        from hairtone.report.sentences import describe_measurement

        for result in results:
            if result.error is None:
                print(describe_measurement(result))
    for result in results:
        if result.error is not None:
            _say(result.error, photo=result.photo)
        for tress in result.tresses:
            if tress.error is not None:
                _say(tress.error.at(f"{result.photo}, hair {tress.name}"))
    return _exit_status(results)


def _measure_targets(arguments: argparse.Namespace) -> list[PhotoResult]:
    """Results of every photo named, and of every photo of a study named."""
    from hairtone.pipeline import measure

    results: list[PhotoResult] = []
    for target in arguments.targets:
        if target.is_dir():
            _refuse_photo_options(arguments)
            from hairtone.study.run import check_photos
            from hairtone.study.sheet import read_study

            study = read_study(target)
            if not arguments.json:
                print("\n".join(f"  {note}" for note in study.notes))
            results.extend(check_photos(study))
            continue
        results.append(
            measure(
                target,
                viewing=arguments.viewing or VIEWING_NAMES[0],
                chart=arguments.chart,
                line=arguments.line,
                roots=arguments.roots,
                corners=arguments.corners,
            )
        )
    return results


def _measure_study(folder: Path, arguments: argparse.Namespace) -> int:
    from hairtone.report.sentences import describe_study

    outcome = _measured_study(folder, workers=arguments.workers, cluster=arguments.cluster)
    if arguments.json:
        print(outcome.to_json())
    else:
        print(describe_study(outcome))
    return _study_status(outcome)


def _measured_study(folder: Path, *, workers: int = 1, cluster: str | None = None) -> StudyResult:
    from hairtone.study.run import measure_study
    from hairtone.study.sheet import read_study

    return measure_study(read_study(folder), workers=workers, cluster=cluster, progress=True)


def _study_status(outcome: StudyResult) -> int:
    counts = outcome.counts
    if counts["refused"] == 0:
        return DONE
    for error, photo in outcome.refusals():
        _say(error, photo=photo)
    return SOME_REFUSED if counts["measured"] + counts["flagged"] else NOTHING_DONE


def run_report(arguments: argparse.Namespace) -> int:
    """Measure what is missing, then write the report and the CSV files."""
    outcome = _measured_study(arguments.study, workers=arguments.workers)
    _write(outcome, arguments.audience, arguments.out, pdf=arguments.pdf, workers=arguments.workers)
    return _study_status(outcome)


def _write(
    outcome: StudyResult,
    audience: Audience,
    out: Path | None,
    *,
    pdf: bool = False,
    workers: int = 1,
) -> None:
    from hairtone.report.page import write_report
    from hairtone.study.analysis import analyse

    folder = out or outcome.study.folder / "results"
    page = write_report(analyse(outcome, workers=workers), audience=audience, out=folder)
    print(f"Report: {page}")
    if pdf:
        from hairtone.report.page import write_pdf

        print(f"PDF: {write_pdf(page)}")


def run_new(arguments: argparse.Namespace) -> int:
    """A study folder with copies of the photos and a sheet to fill in."""
    from hairtone.study.editing import new_study

    study = new_study(arguments.study, arguments.photos)
    print(f"Study: {study}. Fill in photos.csv, then: hairtone measure {study}")
    return DONE


def run_add(arguments: argparse.Namespace) -> int:
    """Later photos put into a study, the next wash and earlier values filled in."""
    from hairtone.study.editing import add_photos

    rows = add_photos(arguments.study, arguments.photos, wash=arguments.wash)
    for row in rows:
        hair = " ".join(filter(None, (row.get("subject", ""), row.get("section", ""))))
        print(f"{row['photo']}: {hair}, wash {row['wash']}")
    if arguments.wash is None:
        print("If it was washed more or less often, change the column wash of photos.csv.")
    return DONE


def run_demo(arguments: argparse.Namespace) -> int:
    """Render the invented study, measure it and write its report."""
    from hairtone.report.sentences import describe_study
    from hairtone.scene.demo import render_demo

    folder = arguments.folder
    print(f"Rendering an invented study into {folder} …")
    render_demo(folder, workers=arguments.workers)
    outcome = _measured_study(folder, workers=arguments.workers)
    print(describe_study(outcome))
    _write(outcome, "educator", None, workers=arguments.workers)
    return _study_status(outcome)


def run_charts(arguments: argparse.Namespace) -> int:
    """Print the charts that are known and how to add one, and return the exit status."""
    from hairtone.chart.reference import DEFAULT_CHART, known_references, load_reference

    for name in known_references():
        chosen = "  (assumed when none is named)" if name == DEFAULT_CHART else ""
        reference = load_reference(name)
        print(f"{name}{chosen}\n  edition: {reference.edition}\n  source: {reference.source}")
    print(
        "\nA chart you measured: a .csv file with the header patch,name and then wavelengths in nm "
        "(reflectances 0 to 1), or L,a,b with a first line '# viewing: D50/2'; 24 rows, dark skin "
        'first. Name it with --chart FILE, or as chart = "FILE" in study.toml.'
    )
    return DONE


def run_purge(arguments: argparse.Namespace) -> int:
    """Remove one subject from store, exports and caches."""
    from hairtone.study.editing import purge_subject
    from hairtone.study.sheet import read_study

    print(purge_subject(read_study(arguments.study), arguments.subject))
    return DONE


def run_desk(arguments: argparse.Namespace) -> int:
    """Serve the page in the browser until it is stopped."""
    from hairtone.desk.app import PORT, open_desk

    return open_desk(
        arguments.folder, port=arguments.port or PORT, browser=not arguments.no_browser
    )


def run_lab(arguments: argparse.Namespace) -> int:
    """Open the start notebook in JupyterLab."""
    from hairtone.desk.lab import open_lab

    return open_lab(arguments.folder)


def _json(results: list[PhotoResult], arguments: argparse.Namespace) -> str:
    from hairtone.colorimetry import viewing_named
    from hairtone.result import to_json

    stated = viewing_named(arguments.viewing or VIEWING_NAMES[0])
    return to_json(results, viewing=results[0].viewing if results else stated)


def _exit_status(results: list[PhotoResult]) -> int:
    refused = sum(result.status == "refused" for result in results)
    if refused == 0:
        return DONE
    return SOME_REFUSED if refused < len(results) else NOTHING_DONE


def _say(error: HairtoneError, *, photo: str = "") -> None:
    """One line on standard error for each thing that is wrong: where, what, remedy."""
    placed = error if error.where or not photo else error.at(photo)
    for each in getattr(placed, "faults", ()) or (placed,):
        print("hairtone: " + " ".join(str(each).split()), file=sys.stderr)


def _refuse_photo_options(arguments: argparse.Namespace) -> None:
    """A study states these itself: an option that is passed over would mislead."""
    for name in PHOTO_OPTIONS:
        if getattr(arguments, name) is not None:
            place = "study.toml" if name in ("viewing", "chart") else "its column of photos.csv"
            raise _usage(f"--{name} is for single photos.", f"For a study write it in {place}.")


def _usage(says: str, remedy: str) -> HairtoneError:
    return HairtoneError("usage", says, remedy=remedy)


def _points(text: str) -> list[list[float]]:
    """Points ``x,y x,y …`` of at least two."""
    try:
        points = [[float(number) for number in pair.split(",")] for pair in text.split()]
    except ValueError:
        points = []
    if len(points) < 2 or any(len(point) != 2 for point in points):
        raise argparse.ArgumentTypeError(f"{text!r} is no list of points such as '10,20 10,400'")
    return points


def _corners(text: str) -> list[list[float]]:
    points = _points(text)
    if len(points) != 4:
        raise argparse.ArgumentTypeError(
            f"{text!r} has {len(points)} points; a chart has 4 corners"
        )
    return points


def _port(text: str) -> int:
    number = int(text) if text.isdigit() else 0
    if not 1024 <= number <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port from 1024 to 65535")
    return number


def _workers(text: str) -> int:
    number = int(text) if text.isdigit() else 0
    if not 1 <= number <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes from 1 to 256")
    return number

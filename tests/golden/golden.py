"""Keep what hairtone puts out for stored photos, and compare it with what it puts out now.

::

    python tests/golden/golden.py keep [DIR] [--only PART …]
    python tests/golden/golden.py compare [DIR] [--with DIR] [--only PART …] [--summary]

``keep`` runs every part below and writes the outputs to DIR (default ``tests/golden/kept``).
``compare`` runs them anew and prints what is no longer as kept: file by file, line by line, then a
summary: which file, which column, how many values moved and by how much at most. Exit status 0:
nothing differs; 1: something does. ``--with`` compares two kept folders without running anything.

The parts, none of which stands on a module's place, only on commands and on ``hairtone.NAME``:

=========  ======================================================================================
photos     ``check`` and ``measure`` of single photos: JPEG, HEIC, 16-bit TIFF, camera RAW; a
           flagged one, refused ones; ``--line``, ``--corners``, ``--roots``, ``--viewing``,
           ``--chart``; wrong usage
series     a study of 36 rows in shuffled order, paired, one partner missing at one wash: measured,
           JSON, CSV files and the pages for educator, stylist and tester
hand       a study with lines, corners, new growth, a plain card, a reference tress, another
           viewing and words of its own; the same outputs
refused    studies that must not be measured: what is said about each of their faults
public     ``import hairtone as ht``: results, profiles, draws, measures
real       corners, held-out errors and draws of ten photographs of ``shared/photos``, where that
           folder lies beside the checkout
=========  ======================================================================================

Outputs are masked first: paths, clock, versions and hashes. On the machine that kept them they
must be equal to the last byte; on another one (other processor, other numpy) numbers may differ by
one unit of their last printed digit, and drawn figures are not compared.
"""

from __future__ import annotations

import argparse
import csv
import difflib
import gzip
import hashlib
import html
import io
import json
import math
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar
from urllib.parse import unquote_to_bytes

HERE = Path(__file__).resolve().parent
KEPT = HERE / "kept"
SHARED = HERE.parents[2] / "shared" / "photos"
AUDIENCES = ("educator", "stylist", "tester")
MACHINE = "machine.json"
LIBRARIES = ("numpy", "scipy", "opencv-python", "simplejpeg", "pillow", "pillow-heif", "rawpy")
MASKS = (  # pattern, what stands in its place
    (re.compile(r"\b[0-9a-f]{64}\b"), "<sha256>"),
    (re.compile(r"(?<=text )[0-9a-f]{16}\b"), "<source>"),
    (re.compile(r"\b(?=[0-9a-f]*[a-f])(?=[0-9a-f]*[0-9])[0-9a-f]{12}\b"), "<pool>"),
    (re.compile(r"(?<=hairtone )\d+\.\d+\.\d+[\w.+]*"), "<version>"),
    (re.compile(r'(?<="hairtone": ")[^"]*'), "<version>"),
    (re.compile(rf"\b({'|'.join(LIBRARIES)}) [\d.]+\w*"), r"\1 <version>"),
    (re.compile(r"\b20\d\d-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(\.\d+)?(Z|[+-]\d\d:\d\d)?"), "<clock>"),
)  # fmt: skip
NUMBER = re.compile(r"(?<![\w.])[-−+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
FLAT_LIST = re.compile(r"\[[^\[\]{}\"]*\]")  # a list of numbers
FIGURE = re.compile(r'<img\b[^>]*?\bsrc="data:([^"]*)"[^>]*>')
INLINE = r"</?(?:b|i|em|strong|span|sub|sup|code|a|abbr|small|mark)\b[^>]*>"

Outputs = dict[str, str]


# ---------------------------------------------------------------- running


@dataclass
class Runner:
    """Runs commands in a folder of its own and gathers what they put out, masked."""

    folder: Path
    outputs: Outputs = field(default_factory=dict)

    def keep(self, name: str, text: str) -> None:
        """Keep one output under a file name."""
        self.outputs[name] = masked(text, self.folder)

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run ``hairtone ARGUMENTS``."""
        return self.python("-m", "hairtone", *arguments)

    def python(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run this Python with the checkout's hairtone, one thread, no colours."""
        roots = [str(HERE.parents[1]), os.environ.get("PYTHONPATH", "")]
        threads = dict.fromkeys(
            ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
        )
        paths = os.pathsep.join(path for path in roots if path)
        environment = {**os.environ, **threads, "PYTHONPATH": paths, "TZ": "UTC"}
        return subprocess.run(
            [sys.executable, *arguments],
            cwd=self.folder, env=environment, capture_output=True, text=True, encoding="utf-8",
            check=False,
        )  # fmt: skip

    def log(self, name: str, *commands: Sequence[str]) -> None:
        """Keep what commands print, and their exit status, one below the other."""
        told = []
        for arguments in commands:
            done = self.command(*arguments)
            told += [f"$ hairtone {' '.join(arguments)}", done.stdout, done.stderr]
            told += [f"exit status {done.returncode}", ""]
        self.keep(name, "\n".join(part.rstrip("\n") for part in told) + "\n")


def run_parts(wanted: Sequence[str]) -> Outputs:
    """Return the masked outputs of the parts wanted, by file name."""
    outputs: Outputs = {}
    for part in wanted:
        with tempfile.TemporaryDirectory(prefix="golden-") as folder:
            runner = Runner(Path(folder).resolve())
            shutil.copytree(HERE / "photos", runner.folder / "photos")
            packed = runner.folder / "photos" / "camera.dng.gz"
            packed.with_suffix("").write_bytes(gzip.decompress(packed.read_bytes()))
            PARTS[part](runner)
            outputs |= {f"{part}/{name}": text for name, text in runner.outputs.items()}
    return outputs


def run_photos(runner: Runner) -> None:
    """Single photos through ``check`` and ``measure``."""
    kinds = [f"photos/{name}" for name in (
        "careless.jpg", "phone.heic", "deep.tif", "camera.dng", "A_0.jpg", "half_in_shadow.jpg",
        "no_chart.jpg", "bare_board.jpg",
    )]  # fmt: skip
    runner.log("check.txt", ["check", *kinds])
    runner.log(
        "measure.txt",
        ["measure", "photos/A_0.jpg", "photos/half_in_shadow.jpg"],
        ["charts"],
        ["--version"],
        ["measure", "photos/nowhere.jpg"],
        ["measure", "photos/A_0.jpg", "--line", "10,20"],
        ["measure", "photos/A_0.jpg", "--corners", "1,2 3,4 5,6"],
        ["measure", "photos/A_0.jpg", "--viewing", "moon"],
        ["check"],
        ["report", "nowhere"],
    )
    line = "126,150 131,469 127,790"
    corners = "592.6,346.7 985.7,337.5 992.0,596.0 599.1,606.4"
    for name, arguments in {
        "measure.json": ["measure", *kinds[:7]],
        "check.json": ["check", "photos/careless.jpg", "photos/no_chart.jpg"],
        "line.json": ["measure", "photos/A_before.jpg", "--line", line],
        "corners.json": [
            "measure", "photos/A_before.jpg", "--corners", corners, "--roots", "bottom",
        ],
        "viewing.json": [
            "measure", "photos/A_before.jpg", "--viewing", "D50/2",
            "--chart", "chart24-before-2014-11",
        ],
    }.items():  # fmt: skip
        runner.keep(name, canonical_json(runner.command(*arguments, "--json").stdout))


def run_study(name: str) -> Callable[[Runner], None]:
    """Return the part that measures a stored study and writes all its reports."""

    def run(runner: Runner) -> None:
        study = runner.folder / name
        shutil.copytree(HERE / "studies" / name, study)
        shutil.move(runner.folder / "photos", study / "photos")
        runner.log("measure.txt", ["measure", name])
        runner.keep(
            "measure.json", canonical_json(runner.command("measure", name, "--json").stdout)
        )
        tables: Outputs = {}
        for audience in AUDIENCES:
            out = f"out-{audience}"
            runner.log(f"{audience}.txt", ["report", name, "--for", audience, "--out", out])
            for path in sorted((runner.folder / out).glob("*.csv")):
                text = path.read_text(encoding="utf-8")
                if tables.setdefault(path.name, text) != text:
                    runner.keep(f"{audience}-{path.name}", text)
            page = runner.folder / out / "report.html"
            if page.exists():
                words, figures = page_text(page.read_text(encoding="utf-8"))
                runner.keep(f"page-{audience}.txt", words)
                runner.keep(f"figures-{audience}.txt", figures)
        for file, text in tables.items():
            runner.keep(file, text)

    return run


REFUSED = {  # name of a study -> its sheet; each must be refused, or what it holds would be lost
    "row-too-long": "photo,subject,wash\nphotos/A_0.jpg,A1,0,extra cell\n",
    "foreign-column": "foto,subject,wash\nphotos/A_0.jpg,A1,0\n",
    "no-wash": "photo,subject\nphotos/A_0.jpg,A1\n",
    "twice": "photo,subject,wash\nphotos/A_0.jpg,A1,0\nphotos/A_0.jpg,A2,0\n",
    "word-for-wash": "photo,subject,wash\nphotos/A_0.jpg,A1,after\nphotos/B_0.jpg,A1,-1\n",
    "missing-photo": "photo,subject,wash\nphotos/Z_0.jpg,A1,0\n",
    "day-first": "photo,subject,wash,date\nphotos/A_0.jpg,A1,0,04.03.2026\n",
}


def run_refused(runner: Runner) -> None:
    """Sheets with a fault: each is told in words and nothing is measured."""
    for name, sheet in REFUSED.items():
        study = runner.folder / name
        (study / "photos").mkdir(parents=True)
        for photo in ("A_0.jpg", "B_0.jpg"):
            shutil.copyfile(runner.folder / "photos" / photo, study / "photos" / photo)
        (study / "photos.csv").write_text(sheet, encoding="utf-8")
        (study / "study.toml").write_text('title = "Refused"\n', encoding="utf-8")
    settings = runner.folder / "settings"
    shutil.copytree(runner.folder / "twice", settings)
    (settings / "photos.csv").write_text(REFUSED["missing-photo"], encoding="utf-8")
    (settings / "study.toml").write_text('titel = "x"\nviewing = "D93/4"\n', encoding="utf-8")
    runner.log("sheets.txt", *(["measure", name] for name in (*REFUSED, "settings")))


def run_public(runner: Runner) -> None:
    """Results through the public names, in a process of their own."""
    shutil.copytree(HERE / "studies" / "hand", runner.folder / "hand")
    (runner.folder / "hand" / "photos").mkdir()
    for path in (runner.folder / "photos").glob("*.jpg"):
        shutil.copyfile(path, runner.folder / "hand" / "photos" / path.name)
    done = runner.python(str(HERE / "public_names.py"))
    runner.keep("public.txt", done.stdout + done.stderr)


def run_real(runner: Runner) -> None:
    """Ten real photographs, numbers only."""
    if not SHARED.exists():
        return
    done = runner.python(str(HERE / "ten_real_photos.py"), str(SHARED))
    runner.keep("real.json", canonical_json(done.stdout) if done.stdout else done.stderr)


PARTS: dict[str, Callable[[Runner], None]] = {
    "photos": run_photos,
    "series": run_study("series"),
    "hand": run_study("hand"),
    "refused": run_refused,
    "public": run_public,
    "real": run_real,
}


# ---------------------------------------------------------------- what is kept of an output


def masked(text: str, folder: Path) -> str:
    """Return text without what differs from run to run: paths, clock, versions, hashes."""
    text = text.replace(str(folder), "<folder>").replace(str(HERE.parents[1]), "<checkout>")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    for pattern, word in MASKS:
        text = pattern.sub(word, text)
    return text


def canonical_json(text: str) -> str:
    """Return a JSON document with one line a leaf, lists of numbers on one line."""
    try:
        document = json.loads(text)
    except ValueError:
        return text
    text = json.dumps(document, ensure_ascii=False, indent=1)
    return FLAT_LIST.sub(lambda found: " ".join(found[0].split()), text) + "\n"


def page_text(page: str) -> tuple[str, str]:
    """Return the words of a page line by line, and a line for each of its figures."""
    figures: list[str] = []

    def figure(found: re.Match[str]) -> str:
        data = found[1]
        content = unquote_to_bytes(data)
        said = re.search(r'\balt="([^"]*)"', found[0])
        name = html.unescape(said[1]) if said else ""
        figures.append(f"{hashlib.sha256(content).hexdigest()[:24]} {data[:16]} {name}")
        return f"\n[figure: {name}]\n"

    page = re.sub(r"<(style|script)\b.*?</\1>", "", page, flags=re.DOTALL)
    page = FIGURE.sub(figure, page)
    page = re.sub(r"</t[dh]>\s*<t[dh]\b[^>]*>", " | ", page)
    page = re.sub(INLINE, "", page)
    page = html.unescape(re.sub(r"<[^>]+>", "\n", page))
    lines = (" ".join(line.split()) for line in page.split("\n"))
    return "\n".join(line for line in lines if line) + "\n", "\n".join(figures) + "\n"


def this_machine() -> dict[str, str]:
    """Return what the last digits of a result depend on."""
    import numpy as np

    processor = platform.processor() or platform.machine()
    facts = Path("/proc/cpuinfo")
    if facts.exists():
        found = re.search(r"^model name\s*:\s*(.*)$", facts.read_text(), re.MULTILINE)
        processor = found[1] if found else processor
    return {"processor": processor, "numpy": np.__version__, "python": platform.python_version()}


def write_kept(folder: Path, outputs: Outputs, *, parts: Sequence[str]) -> None:
    """Write the outputs of some parts; what was kept of these parts before is replaced."""
    for part in parts:
        shutil.rmtree(folder / part, ignore_errors=True)
    for name, text in outputs.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    (folder / MACHINE).write_text(json.dumps(this_machine(), indent=1) + "\n", encoding="utf-8")


def read_kept(folder: Path, parts: Sequence[str]) -> Outputs:
    """Return the kept outputs of some parts."""
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for part in parts
        for path in sorted((folder / part).rglob("*"))
        if path.is_file()
    }


# ---------------------------------------------------------------- comparing


@dataclass(frozen=True)
class Difference:
    """One value that is not as kept: which column, where, the two values (None: absent)."""

    column: str
    where: str
    old: str | None
    new: str | None

    @property
    def moved(self) -> float | None:
        """By how much a number moved; None where it is not two numbers."""
        try:
            return abs(float(minus(self.new)) - float(minus(self.old)))
        except (TypeError, ValueError):
            return None

    def __str__(self) -> str:
        old = "(absent)" if self.old is None else self.old
        new = "(absent)" if self.new is None else self.new
        return f"  {self.where}: {old} -> {new}"


def minus(text: str | None) -> str:
    """Return a number's text with the sign that Python reads."""
    if text is None:
        raise TypeError
    return text.replace("−", "-")


def differences(name: str, old: str, new: str, *, exact: bool) -> list[Difference]:
    """Return what differs between two texts of one output."""
    if old == new:
        return []
    if Path(name).name.startswith("figures-"):
        return _figure_differences(old, new) if exact else []
    if name.endswith(".csv"):
        found = _table_differences(old, new)
    elif name.endswith(".json"):
        found = _json_differences(old, new)
    else:
        found = _text_differences(old, new)
    return [each for each in found if exact or not is_last_digit(each)]


def is_last_digit(difference: Difference) -> bool:
    """Whether two numbers differ by at most one unit of the last digit that is printed."""
    if difference.moved is None:
        return False
    decimals = min(_decimals(minus(v)) for v in (difference.old, difference.new))
    return difference.moved <= 1.000001 * 10.0**-decimals


def _decimals(number: str) -> int:
    mantissa, _, exponent = number.lower().partition("e")
    return len(mantissa.partition(".")[2]) - int(exponent or 0)


def _figure_differences(old: str, new: str) -> list[Difference]:
    found = []
    for line in difflib.ndiff(old.splitlines(), new.splitlines()):
        if line.startswith(("- ", "+ ")):
            pair = (line[2:], None) if line.startswith("-") else (None, line[2:])
            found.append(Difference("figure", "figure", *pair))
    return found


def _table_differences(old: str, new: str) -> list[Difference]:
    first, second = (list(csv.DictReader(io.StringIO(text))) for text in (old, new))
    heads = [list(rows[0]) if rows else next(csv.reader([text]), []) for rows, text in
             ((first, old), (second, new))]  # fmt: skip
    found = [Difference(c, "column", c, None) for c in heads[0] if c not in heads[1]]
    found += [Difference(c, "column", None, c) for c in heads[1] if c not in heads[0]]
    common = [column for column in heads[0] if column in heads[1]]
    for a, b in _aligned(first, second, common):
        if a is None or b is None:
            row = ",".join((a or b or {}).values())
            found.append(Difference("row", "row", row if a else None, row if b else None))
            continue
        where = " ".join(a[c] for c in common if a[c] == b[c] and not NUMBER.fullmatch(a[c]))
        found += [Difference(c, f"{where[:90]} | {c}", a[c], b[c]) for c in common if a[c] != b[c]]
    return found


Row = dict[str, str]
T = TypeVar("T")


def _aligned(
    first: list[Row], second: list[Row], columns: list[str]
) -> Iterator[tuple[Row | None, Row | None]]:
    """Pair rows of two tables by the cells that hold no decimal number, in order."""

    def key(row: Row) -> str:
        return "|".join(re.sub(r"-?\d+\.\d+", "#", row[c] or "") for c in columns[:8])

    yield from _paired(first, second, [key(r) for r in first], [key(r) for r in second])


def _paired(
    first: list[T], second: list[T], keys: list[str], others: list[str]
) -> Iterator[tuple[T | None, T | None]]:
    """Pair what has the same key in the same order; blocks of equal length are paired, too."""
    matcher = difflib.SequenceMatcher(None, keys, others, autojunk=False)
    for kind, a, b, c, d in matcher.get_opcodes():
        if kind == "equal" or b - a == d - c:
            yield from zip(first[a:b], second[c:d], strict=True)
        else:
            yield from ((item, None) for item in first[a:b])
            yield from ((None, item) for item in second[c:d])


def _json_differences(old: str, new: str) -> list[Difference]:
    try:
        first, second = (dict(_leaves(json.loads(text), "")) for text in (old, new))
    except ValueError:
        return _text_differences(old, new)
    found = []
    for path in dict.fromkeys((*first, *second)):
        if first.get(path) != second.get(path):
            column = re.sub(r"\[[^\]]*\]", "[]", path)
            found.append(Difference(column, path, first.get(path), second.get(path)))
    return found


def _leaves(value: object, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, entry in value.items():
            yield from _leaves(entry, f"{path}.{key}" if path else str(key))
    elif isinstance(value, list):
        for at, entry in enumerate(value):
            name = entry.get("photo", at) if isinstance(entry, dict) else at
            yield from _leaves(entry, f"{path}[{name}]")
    else:
        yield path, value if isinstance(value, str) else json.dumps(value)


def _text_differences(old: str, new: str) -> list[Difference]:
    first, second = old.splitlines(), new.splitlines()
    keys = [[NUMBER.sub("#", line) for line in lines] for lines in (first, second)]
    found = []
    for a, b in _paired(first, second, *keys):
        if a == b:
            continue
        if a is None or b is None or NUMBER.sub("#", a) != NUMBER.sub("#", b):
            found.append(Difference("words", "line", a, b))
            continue
        shape = NUMBER.sub("#", a)[:70]
        pairs = zip(NUMBER.findall(a), NUMBER.findall(b), strict=True)
        found += [Difference(shape, a[:110], x, y) for x, y in pairs if x != y]
    return found


def compare(kept: Outputs, now: Outputs, *, exact: bool) -> dict[str, list[Difference]]:
    """Return the differences of every output that is not as kept."""
    found: dict[str, list[Difference]] = {}
    for name in sorted({*kept, *now}):
        if name not in now or name not in kept:
            old, new = ("kept", None) if name in kept else (None, "written")
            found[name] = [Difference("file", "file", old, new)]
        elif different := differences(name, kept[name], now[name], exact=exact):
            found[name] = different
    return found


def print_differences(found: dict[str, list[Difference]], *, is_short: bool) -> None:
    """Print the differences file by file, then the summary by column."""
    if not is_short:
        for name, each in found.items():
            print(f"{name}")
            print("\n".join(str(difference) for difference in each))
    print(f"\n{'file':<28} {'column':<60} {'values':>6} {'at most':>10}")
    for name, each in found.items():
        by_column: dict[str, list[Difference]] = defaultdict(list)
        for difference in each:
            by_column[difference.column].append(difference)
        for column, group in by_column.items():
            moved = [d.moved for d in group if d.moved is not None and math.isfinite(d.moved)]
            most = f"{max(moved):.4g}" if moved else "text"
            print(f"{name:<28} {column[:60]:<60} {len(group):>6} {most:>10}")
    total = sum(len(each) for each in found.values())
    print(f"{total} differences in {len(found)} files." if total else "Nothing differs.")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; return its exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("action", choices=("keep", "compare"))
    parser.add_argument("folder", nargs="?", type=Path, default=KEPT, metavar="DIR")
    parser.add_argument("--only", nargs="+", choices=tuple(PARTS), default=tuple(PARTS))
    parser.add_argument("--with", dest="other", type=Path, metavar="DIR", help="another kept run")
    parser.add_argument("--out", type=Path, metavar="DIR", help="keep the new run there as well")
    parser.add_argument("--summary", action="store_true", help="print the summary alone")
    parser.add_argument("--digits", choices=("exact", "last"), help="default: by the machine")
    chosen = parser.parse_args(argv)
    if chosen.action == "keep":
        write_kept(chosen.folder, run_parts(chosen.only), parts=chosen.only)
        print(f"Kept {len(read_kept(chosen.folder, chosen.only))} outputs in {chosen.folder}.")
        return 0
    kept = read_kept(chosen.folder, chosen.only)
    now = read_kept(chosen.other, chosen.only) if chosen.other else run_parts(chosen.only)
    if chosen.out:
        write_kept(chosen.out, now, parts=chosen.only)
    if not SHARED.exists():
        kept = {name: text for name, text in kept.items() if not name.startswith("real/")}
    same = json.loads((chosen.folder / MACHINE).read_text(encoding="utf-8")) == this_machine()
    exact = same if chosen.digits is None else chosen.digits == "exact"
    print("Compared to the last byte." if exact else "Compared to one unit of the last digit.")
    found = compare(kept, now, exact=exact)
    print_differences(found, is_short=chosen.summary)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())

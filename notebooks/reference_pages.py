"""Pages of the reference that are written from the code's own tables, so that they cannot drift.

Each function returns one page in Markdown. `PAGES` names them all; build_reference.py writes
them beside the guides and the notebooks.
"""

from __future__ import annotations

import argparse
import ast
import inspect
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import hairtone
from hairtone import cli
from hairtone.locations import reference_path
from hairtone.study import settings, sheet
from hairtone.study.analysis import COLUMNS as TABLES

PACKAGE: Final = Path(hairtone.__file__).parent

STAGES: Final[dict[str, tuple[str, ...]]] = {
    "Read a photo": ("read_photo", "Photo", "Flag", "HairtoneError"),
    "Calibrate": (
        "calibrate", "CalibratedPhoto", "Calibration", "LightField", "find_chart", "ChartReading",
        "ChartReference", "known_references", "load_reference",
    ),
    "Find hair": ("Strand", "pick", "Picker", "map_hair", "HairMap"),
    "Take a profile": ("Profile", "zone_estimates", "span_estimate"),
    "Measure a photo": ("measure", "PhotoResult", "TressResult"),
    "Compare colours": (
        "LabEstimate", "ColourDifference", "colour_difference", "delta_e", "delta_e_94",
        "delta_e_ab", "delta_e_cmc", "lab_to_xyz", "xyz_to_lab",
    ),
    "Measure evenness, uptake and fade": (
        "measure_evenness", "find_patches", "measure_uptake", "find_porous_onset", "measure_fade",
        "change_curve", "fit_fade", "find_crossing", "measure_blend",
    ),
    "Compare treatments and plan a test": (
        "Reading", "compare_treatments", "leveller_effect", "measure_repeatability",
        "repeats_needed", "tresses_needed", "plan_design",
    ),
    "Run a study": ("new_study", "read_study", "measure_study", "analyse"),
    "Report": ("write_report", "open_study", "show"),
}  # fmt: skip

ROOMS: Final[dict[str, str]] = {
    "": "Whole photos, colours and errors",
    "photo": "Reading photos",
    "chart": "Finding and reading the chart",
    "calibration": "Calibration and light",
    "hair": "Finding hair and its colour along the length",
    "measures": "Evenness, uptake, fade, comparison",
    "study": "Studies",
    "report": "Reports",
    "desk": "The page in the browser",
    "spectra": "Spectra of hair, lights and cameras",
    "scene": "Rendered photos of known colour",
}

COLUMN_MEANINGS: Final[dict[str, str]] = {
    "photo": "the photo's file name, from the study folder down",
    "subject": "a code for the person, practice head or tress; never a name",
    "wash": "before, 0 (just coloured), then the number of washes since",
    "section": "which part of the head, or which strand",
    "place": "which hair of the photo, counted from the left",
    "line": "points of a line from roots to ends, in photo pixels",
    "treatment": "the treatment, as study.toml names it",
    "replicate": "which repeat: combed, laid and photographed again",
    "roots": "the side of the photo on which the roots lie",
    "width": "the widest that the section may be, in photo pixels",
    "regrowth": "the point of the line at which new growth ends",
    "corners": "the chart's corners, clockwise from the first patch",
    "session": "photos taken in one set-up of lamps and camera",
    "plain_card": "a photo of the bare board or a plain card in the same light",
    "date": "the day of the photo",
    "porosity_roots": "porosity as felt at the roots",
    "porosity_mid_lengths": "porosity as felt at the mid-lengths",
    "porosity_ends": "porosity as felt at the ends",
    "elasticity_roots": "elasticity in a gentle stretch of damp hair, at the roots",
    "elasticity_mid_lengths": "elasticity in a gentle stretch of damp hair, at the mid-lengths",
    "elasticity_ends": "elasticity in a gentle stretch of damp hair, at the ends",
    "white_percent": "share of white hair, in per cent",
    "strand_test": "what the strand test showed",
    "scalp_check": "whether the scalp was looked at before the service",
    "incompatibility_test": "whether a test for incompatible earlier treatments was done",
    "lightened": "whether the hair has been lightened",
    "start_depth": "depth before the service",
    "start_tone": "tone before the service",
    "white_where": "where the white hair is",
    "rinsed": "how the colour was rinsed",
    "aftercare": "advice given for afterwards",
    "learner": "a code for the learner",
    "assessor": "a code for the assessor",
    "start": "the time at which application to this section began",
    "finish": "the time at which application to this section ended",
    "next_visit": "the day of the next visit",
    "notes": "anything else",
    "pair": "what is compared side by side, such as two halves of one tress",
    "hair_batch": "the batch of the hair",
    "operator": "a code for who did the work",
    "day": "the day of a designed test",
}

_KINDS: Final = re.compile(r"^(Flag|Fault|CellError|[A-Z][a-z]+Error)$")
_CODE: Final = re.compile(r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")
_PYTHON_ERRORS: Final = {"ValueError", "TypeError", "OSError", "KeyError", "RuntimeError"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A flag or an error as the code states it, values shown as ``…``."""

    code: str
    kind: str
    says: str
    remedy: str
    room: str


@dataclass(frozen=True, slots=True)
class _Carrier:
    """A class, or a function that passes its arguments on to one, by parameter name."""

    kind: str
    names: tuple[str, ...]
    fixed: dict[str, ast.expr]


def collect_causes(package: Path = PACKAGE) -> list[Cause]:
    """Return every flag and error that the package's source states, sorted by room and code."""
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in package.rglob("*.py")}
    words = _constants(trees.values())
    carriers = _carriers(trees.values())
    causes: set[Cause] = set()
    for path, tree in trees.items():
        room = path.relative_to(package).parts[0] if path.parent != package else ""
        local_of = {None: words}
        for scope, node in _walk(tree, None):
            if scope not in local_of:
                local_of[scope] = words | _constants([scope])
            local = local_of[scope]
            for code, kind, says, remedy in _stated(scope, node, carriers, local):
                causes.add(Cause(code=code, kind=kind, says=says, remedy=remedy, room=room))
    order = list(ROOMS)
    return sorted(causes, key=lambda c: (order.index(c.room), c.code, c.says, c.remedy, c.kind))


def _walk(node: ast.AST, scope: ast.AST | None) -> Iterator[tuple[ast.AST | None, ast.AST]]:
    for child in ast.iter_child_nodes(node):
        yield scope, child
        inner = child if isinstance(child, ast.FunctionDef) else scope
        yield from _walk(child, inner)


def _constants(trees: Any) -> dict[str, list[ast.expr]]:
    """Values that a name is given, by name."""
    out: dict[str, list[ast.expr]] = {}
    for tree in trees:
        for node in tree.body if isinstance(tree, ast.Module) else ast.walk(tree):
            if isinstance(node, ast.AnnAssign):
                targets, value = [node.target], node.value
            elif isinstance(node, ast.Assign):
                targets, value = node.targets, node.value
            else:
                continue
            for target in targets:
                _bind(target, value, out)
    return out


def _bind(target: ast.expr, value: ast.expr | None, out: dict[str, list[ast.expr]]) -> None:
    if value is None:
        return
    if isinstance(target, ast.Name):
        out.setdefault(target.id, []).append(value)
    elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        for one, each in zip(target.elts, value.elts, strict=False):
            _bind(one, each, out)


def _carriers(trees: Any) -> dict[str, _Carrier]:
    """Functions with a parameter `code` that make a flag or an error of it."""
    out: dict[str, _Carrier] = {}
    for tree in trees:
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef):
                continue
            names = tuple(a.arg for a in node.args.args if a.arg != "self")
            if "code" not in names:
                continue
            made = [c for c in ast.walk(node) if isinstance(c, ast.Call) and _kind(c)]
            fixed = {k.arg: k.value for c in made for k in c.keywords if k.arg}
            kind = _kind(made[0]) if made else "SheetError"
            out[node.name] = _Carrier(kind, names, fixed)
    return out


def _kind(call: ast.Call) -> str:
    name = _name(call)
    return name if _KINDS.match(name) and name not in _PYTHON_ERRORS else ""


def _name(call: ast.Call) -> str:
    function = call.func
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _stated(
    scope: ast.AST | None,
    node: ast.AST,
    carriers: dict[str, _Carrier],
    words: dict[str, list[ast.expr]],
) -> Iterator[tuple[str, str, str, str]]:
    """Code, kind, sentence and remedy that a node states, if it states any."""
    if isinstance(node, ast.Tuple):  # a table or a return value: code, sentence, remedy
        texts = [_text(one, words) for one in node.elts[:3]]
        is_row = len(texts) > 1 and _CODE.match(texts[0]) and texts[1].endswith((".", "!"))
        if is_row and isinstance(node.elts[0], ast.Constant):
            yield texts[0], "error", texts[1], texts[2] if len(texts) > 2 else ""
        return
    if not isinstance(node, ast.Call):
        return
    kind, name = _kind(node), _name(node)
    if kind:
        carrier = _Carrier(kind, ("code", "says", "remedy"), {})
    elif name in carriers and len(node.args) + len(node.keywords) > 1:
        carrier = carriers[name]
    elif name == "cls":
        carrier = _Carrier("SheetError", ("code", "says", "remedy"), {})
    else:
        return
    given = dict(carrier.fixed) | dict(zip(carrier.names, node.args, strict=False))
    given |= {word.arg: word.value for word in node.keywords if word.arg}
    is_note = given.get("is_note")
    if carrier.kind == "Flag" and isinstance(is_note, ast.Constant) and is_note.value is True:
        kind = "note"
    else:
        kind = {"Flag": "flag", "Fault": "SheetError", "CellError": "SheetError"}.get(
            carrier.kind, carrier.kind
        )
    says, remedy = (_text(given.get(part), words) for part in ("says", "remedy"))
    if not says:
        return  # a call of the same name that states no cause
    for code in _codes(given.get("code"), scope, words):
        yield code, kind, says, remedy


def _codes(
    node: ast.expr | None, scope: ast.AST | None, words: dict[str, list[ast.expr]]
) -> set[str]:
    """Every code that an expression can be."""
    if node is None:
        return set()
    if isinstance(node, ast.Constant):
        return {node.value} if isinstance(node.value, str) and _CODE.match(node.value) else set()
    if isinstance(node, ast.IfExp):
        return _codes(node.body, scope, words) | _codes(node.orelse, scope, words)
    if isinstance(node, ast.Name):
        if isinstance(scope, ast.FunctionDef) and node.id in {a.arg for a in scope.args.args}:
            return set()  # passed in: the callers state it
        known = {c for value in words.get(node.id, []) for c in _codes(value, scope, {})}
        if known or scope is None:
            return known
        strings = [n.value for n in ast.walk(scope) if isinstance(n, ast.Constant)]
        return {s for s in strings if isinstance(s, str) and "-" in s and _CODE.match(s)}
    return set()


def _text(node: ast.expr | None, words: dict[str, list[ast.expr]], depth: int = 0) -> str:
    """A string expression as a reader would see it, values shown as ``…``."""
    if isinstance(node, ast.Constant):
        return str(node.value) if isinstance(node.value, str) else "…"
    if isinstance(node, ast.JoinedStr):
        parts = [
            _text(part.value, words, depth) if isinstance(part, ast.FormattedValue) else
            _text(part, words, depth) for part in node.values
        ]  # fmt: skip
        return "".join(parts)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _text(node.left, words, depth) + _text(node.right, words, depth)
    if isinstance(node, ast.IfExp):
        either = [_text(one, words, depth) for one in (node.body, node.orelse)]
        return " / ".join(dict.fromkeys(filter(None, either)))
    if isinstance(node, ast.Name) and depth < 3 and len(words.get(node.id, [])) == 1:
        return _text(words[node.id][0], words, depth + 1)
    return "" if node is None else "…"


def write_causes_page() -> str:
    """Return the page of every flag, note and error, with its sentence and what to do."""
    lines = [
        "# Flags and errors",
        "",
        "A *note* says something worth knowing and changes nothing. A *flag* says: usable with "
        "care. An error refuses the photo, the hair or the sheet. `…` stands for a value or a "
        "name. The code is what the column `flags`, `refused.csv` and JSON hold.",
        "",
    ]
    causes = collect_causes()
    for room, title in ROOMS.items():
        rows = [cause for cause in causes if cause.room == room]
        if rows:
            lines += [f"## {title}", "", *_table("code", "kind", "what it says", "what to do")]
            lines += [_row(f"`{c.code}`", c.kind, c.says, c.remedy) for c in rows] + [""]
    return "\n".join(lines)


def _table(*heads: str) -> list[str]:
    return [_row(*heads), "|" + "---|" * len(heads)]


def _row(*cells: str) -> str:
    flat = [" ".join(cell.split()).replace("|", "\\|").replace("<", "&lt;") for cell in cells]
    return "| " + " | ".join(flat) + " |"


def write_sheet_page() -> str:
    """Return the page of the sheet's columns."""
    lines = [
        "# The sheet: photos.csv or photos.xlsx",
        "",
        "One row for each hair in each photo. Any other column is kept as notes; one that nearly "
        "spells a name below is refused with a hint.",
        "",
        *_table("column", "what it holds", "what may stand in it"),
    ]
    for name, reader in sheet._READERS.items():
        needed = "**needed**; " if name in sheet._REQUIRED else ""
        lines.append(_row(f"`{name}`", COLUMN_MEANINGS[name], needed + describe_reader(reader)))
    return "\n".join([*lines, ""])


def describe_reader(reader: Callable[..., Any]) -> str:
    """Return what a cell's reader takes, in words."""
    words = reader.keywords if isinstance(reader, partial) else {}
    function = reader.func if isinstance(reader, partial) else reader
    if function is str:
        return "text"
    if "among" in words:
        return "one of " + ", ".join(words["among"])
    if "high" in words:
        return f"a number from {words['low']:g} to {words['high']:g}"
    if "most" in words:
        least, most = words["least"], words["most"]
        return f"{least} to {most} points x,y" if most > least else f"{least} point x,y"
    if "least" in words:
        return f"a whole number from {words['least']} up"
    first = (inspect.getdoc(function) or function.__name__).splitlines()[0].rstrip(".")
    return first[0].lower() + first[1:]


def write_settings_page() -> str:
    """Return the page of the keys of study.toml."""
    lines = [
        "# The settings: study.toml",
        "",
        "Only `title` is needed. A key that is not listed here is refused with a hint.",
        "",
    ]
    rows = list(setting_keys())
    for table in dict.fromkeys(table for table, *_ in rows):
        lines += [f"## {table or 'At the top'}", "", *_table("key", "what it takes", "default")]
        lines += [_row(f"`{k}`", takes, default) for t, k, takes, default in rows if t == table]
        lines.append("")
    return "\n".join(lines)


_TABLE_OF: Final = {
    "top": "", "light": "[light]", "readings": "[readings]", "ends": "[endpoints]",
    "margins": "[endpoints.margins]", "_treatment": "[treatments.NAME]",
    "_subject": "[subjects.CODE]", "_trim": "[[subjects.CODE.trims]]", "_known": "[[known]]",
}  # fmt: skip


def setting_keys() -> Iterator[tuple[str, str, str, str]]:
    """Yield table, key, what it takes and its default, as the reader of study.toml states them."""
    tree = ast.parse(inspect.getsource(settings))
    for function in tree.body:
        if not isinstance(function, ast.FunctionDef):
            continue
        loops = {
            ast.unparse(loop.target): ast.literal_eval(loop.iter)
            for loop in ast.walk(function)
            if isinstance(loop, ast.comprehension) and isinstance(loop.iter, ast.Tuple)
        }
        for call in ast.walk(function):
            if not (isinstance(call, ast.Call) and _name(call) == "take"):
                continue
            owner = ast.unparse(call.func).partition(".")[0]
            table = _TABLE_OF.get(owner, _TABLE_OF.get(function.name, ""))
            key = call.args[0]
            names = [key.value] if isinstance(key, ast.Constant) else loops.get(ast.unparse(key))
            for name in names or ["*measure*"]:
                yield table, str(name), _takes(call.args[1]), _default(call)


def _takes(reader: ast.expr) -> str:
    if isinstance(reader, ast.Call):
        words = ", ".join(getattr(settings, ast.unparse(reader.args[0])))
        return f"{'one of' if _name(reader) == '_one_of' else 'a list of'} {words}"
    function = getattr(settings, ast.unparse(reader))
    if function is settings._viewing:
        return "one of " + ", ".join(settings.VIEWINGS)
    known = {"_file_name": "a file inside the study folder", "_count": "a whole number from 0 up"}
    doc = known.get(function.__name__) or (inspect.getdoc(function) or "").splitlines()[0]
    return doc[0].lower() + doc[1:].rstrip(".")


def _default(call: ast.Call) -> str:
    if any(word.arg == "needed" for word in call.keywords):
        return "**needed**"
    text = ast.unparse(call.args[2])
    shown = {"True": "true", "False": "false", "viewing": "that of the study"}.get(text, text)
    return "" if text in ("None", "''", "()") else f"`{shown}`"


def command_parsers() -> dict[str, argparse.ArgumentParser]:
    """Return the parser of every command, by name."""
    parser = cli._parser()
    actions = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return {"": parser, **actions[0].choices}


def write_commands_page() -> str:
    """Return the page of the commands, as their own help states them."""
    lines = [
        "# Commands",
        "",
        "In a checkout `demo/run COMMAND …` stands for `hairtone COMMAND …`. The exit status is 0 "
        "where nothing was refused, 1 where some was, 2 where nothing could be done.",
        "",
    ]
    for name, parser in command_parsers().items():
        parser.formatter_class = partial(argparse.HelpFormatter, width=88)  # type: ignore[assignment]
        lines += [f"## {name or 'hairtone'}", "", "```text", parser.format_help().rstrip(), "```"]
        lines.append("")
    return "\n".join(lines)


def write_bands_page() -> str:
    """Return the page of the words that figures are put into."""
    text = reference_path("bands.toml").read_text(encoding="utf-8")
    lines = ["# Words and bands", "", *_preface(text), ""]
    lines += ["A study may hold its own `bands.toml`.", ""]
    for name, table in tomllib.loads(text).items():
        heading = re.search(rf"^\[{name}\]\s*#\s*(.+)$", text, re.MULTILINE)
        if "bands" in table:
            unit = heading[1] if heading else name
            lines += [f"## {name}", "", f"{unit}.", "", *_table("up to", "word")]
            lines += [_row(str(limit) or "above", word) for limit, word in table["bands"]] + [""]
    return "\n".join(lines + _limit_tables(text, only="limits"))


def write_limits_page() -> str:
    """Return the page of the limits that decide: measured, flagged or refused."""
    text = reference_path("limits.toml").read_text(encoding="utf-8")
    return "\n".join(["# Limits", "", *_preface(text), "", *_limit_tables(text)])


def _preface(text: str) -> list[str]:
    lines = text.splitlines()
    stop = next(n for n, line in enumerate(lines) if not line.startswith("#"))
    return [line.lstrip("# ") for line in lines[:stop]]


def _limit_tables(text: str, only: str = "") -> list[str]:
    lines: list[str] = []
    table = ""
    for line in text.splitlines():
        if head := re.match(r"\[(\w+)\]", line):
            table = head[1]
            if not only or table == only:
                lines += ["", f"## {table}", "", *_table("limit", "value", "why")]
        elif (not only or table == only) and (found := re.match(r"(\w+) = (\S+)\s*#\s*(.+)", line)):
            lines.append(_row(f"`{found[1]}`", found[2], found[3]))
    return [*lines, ""]


_TABLE_MEANINGS: Final[dict[str, str]] = {
    "measurements": "the colour of every zone of every hair",
    "evenness": "differences along one hair in one photo",
    "uptake": "colour taken up, against the hair before",
    "fade": "what each wash left",
    "fade_fit": "the fade curve of each zone",
    "crossing": "where roots and ends look alike",
    "comparison": "treatments against each other",
    "patches": "places that took more or less colour than the rest",
    "porous": "where porous lengths begin",
    "repeats": "scatter of repeats",
    "agreement": "photos against an instrument",
    "blend": "how well white hair is blended",
    "drift": "sessions in which the camera or the light changed",
    "refused": "photos and hairs that were refused, and why",
}


def write_tables_page() -> str:
    """Return the page of the CSV files that a report writes."""
    lines = [
        "# Tables",
        "",
        "A report writes each as `NAME.csv` (UTF-8, decimal point). `low` and `high`, alone or at "
        "the end of a name, are the ends of a 95 % interval; `critical` is what equal colours "
        "would show by chance in at most 5 of 100 repeats; `resolved` says whether the reading is "
        "above it. ΔE is CIEDE2000 unless the name says `ab`; `gsc` and `grade` are the grey "
        "scale of ISO 105-A05.",
        "",
    ]
    for name, columns in TABLES.items():
        meaning = _TABLE_MEANINGS.get(name, "")
        lines += [f"## {name}", "", f"{meaning[:1].upper()}{meaning[1:]}.", ""]
        lines += [" · ".join(f"`{column}`" for column in columns), ""]
    return "\n".join(lines)


def write_names_page() -> str:
    """Return the page of ``import hairtone as ht``: every public name, stage by stage."""
    lines = ["# import hairtone as ht", ""]
    for stage, names in STAGES.items():
        lines += [f"## [{stage}]({stage_page(stage)}.rst)", "", *_table("name", "what it gives")]
        for name in names:
            doc = inspect.getdoc(getattr(hairtone, name)) or ""
            lines.append(_row(f"`ht.{name}`", doc.partition("\n\n")[0]))
        lines.append("")
    return "\n".join(lines)


def stage_page(stage: str) -> str:
    """Return the file name, without its ending, of a stage's page."""
    return "ht_" + re.sub(r"\W+", "_", stage.lower())


PAGES: Final[dict[str, Callable[[], str]]] = {
    "names": write_names_page,
    "commands": write_commands_page,
    "sheet": write_sheet_page,
    "settings": write_settings_page,
    "causes": write_causes_page,
    "tables": write_tables_page,
    "bands": write_bands_page,
    "limits": write_limits_page,
}

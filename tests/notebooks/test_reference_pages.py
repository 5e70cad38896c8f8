"""The reference's pages of tables hold all that the code states."""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from pathlib import Path

import pytest

import hairtone
from hairtone import cli
from hairtone.locations import reference_path
from hairtone.study import sheet
from hairtone.study.analysis import COLUMNS as TABLES

PACKAGE = Path(hairtone.__file__).parent
SOURCE = Path(__file__).resolve().parents[2] / "notebooks" / "reference_pages.py"
# Second reading of the source, by pattern where the page walks the syntax tree.
STATED = re.compile(
    r"\b(?:(?!OS|Value|Type|Key)[A-Z][a-z]+Error|Flag|Fault|faults\.(?:add|stop))\(\s*(?:code=)?"
    r"[\"']([a-z][a-z0-9-]+)[\"'],"
)


@pytest.fixture(scope="module")
def pages():
    spec = importlib.util.spec_from_file_location("reference_pages", SOURCE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_every_code_that_the_package_states_is_on_the_page_with_its_sentence(pages):
    stated = {code for path in PACKAGE.rglob("*.py") for code in STATED.findall(path.read_text())}
    causes = pages.collect_causes()
    text = pages.write_causes_page()

    assert len(stated) > 150
    assert not stated - {cause.code for cause in causes}
    assert all(f"| `{code}` |" in text for code in stated)
    assert all(cause.says for cause in causes)


def test_every_column_of_the_sheet_is_on_its_page_with_a_meaning(pages):
    assert set(pages.COLUMN_MEANINGS) == set(sheet.COLUMNS)
    assert all(f"| `{name}` |" in pages.write_sheet_page() for name in sheet.COLUMNS)


def test_every_table_and_column_is_on_its_page(pages):
    text = pages.write_tables_page()

    for name, columns in TABLES.items():
        section = text.partition(f"\n## {name}\n")[2].partition("\n## ")[0]
        assert all(f"`{column}`" in section for column in columns), name
        assert pages._TABLE_MEANINGS[name]


def test_every_command_and_option_is_on_its_page(pages):
    text = pages.write_commands_page()
    source = Path(cli.__file__).read_text(encoding="utf-8")

    for command in re.findall(r"add_parser\(\s*\"([a-z]+)\"", source):
        assert f"## {command}\n" in text
    for option in re.findall(r"\"(--[a-z-]+)\"", source):
        assert option in text


def test_every_key_of_a_study_is_on_its_page(pages):
    keys = {(table, key) for table, key, *_ in pages.setting_keys()}
    source = Path(pages.settings.__file__).read_text(encoding="utf-8")

    assert set(re.findall(r"\.take\(\"(\w+)\"", source)) <= {key for _, key in keys}
    assert {("", "title"), ("[light]", "lamp"), ("[treatments.NAME]", "shade")} <= keys


def test_every_public_name_stands_in_one_stage(pages):
    names = [name for stage in pages.STAGES.values() for name in stage]

    assert sorted(names) == sorted(n for n in hairtone.__all__ if not n.startswith("_"))


@pytest.mark.parametrize("name", ["bands", "limits"])
def test_every_word_and_limit_is_on_its_page(pages, name):
    text = pages.PAGES[name]()
    tables = tomllib.loads(reference_path(f"{name}.toml").read_text(encoding="utf-8"))

    for table in tables.values():
        for key, value in table.items():
            words = [word for _, word in value] if key == "bands" else [f"`{key}`"]
            assert all(word in text for word in words)


def test_every_room_of_the_package_has_its_page(pages):
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}

    assert rooms | {""} == set(pages.ROOMS)

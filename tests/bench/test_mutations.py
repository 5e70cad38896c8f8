"""Small changes of a file: each parses, differs, and leaves words and types alone."""

from __future__ import annotations

import ast

import pytest
from bench.mutations import changes_of, covering, sample

SOURCE = '''"""Words 1."""

LIMIT: Final = 0.5  # a limit


def share(values: tuple[int, 2], least: float = 1.0) -> float:
    """Return 2 words."""
    if len(values) < 3 or least is None:
        raise ValueError(f"{len(values) + 1} values, 3 needed")
    note(values)
    return max(values) / sum(values, start=0)
'''


@pytest.fixture
def changes(tmp_path):
    (tmp_path / "room").mkdir()
    (tmp_path / "room" / "file.py").write_text(SOURCE, encoding="utf-8")
    return changes_of(tmp_path / "room" / "file.py", root=tmp_path)


def test_every_change_parses_and_alters_one_line(changes):
    for change in changes:
        ast.parse(change.text)
        pairs = zip(SOURCE.splitlines(), change.text.splitlines(), strict=True)
        assert [n for n, (a, b) in enumerate(pairs, start=1) if a != b] == [change.line]
        assert change.old != change.new


def test_numbers_conditions_calls_and_operators_are_changed(changes):
    wanted = {
        "LIMIT: Final = 0.75  # a limit",
        "def share(values: tuple[int, 2], least: float = 1.5) -> float:",
        "if len(values) < 4 or least is None:",
        "if (len(values) >= 3) or least is None:",
        "if (len(values) < 3 and least is None):",
        "if len(values) < 3 or (least is not None):",
        "pass",
        "return (max(values) * sum(values, start=0))",
        "return min(values) / sum(values, start=0)",
        "return max(values) / sum(values, start=1)",
        "return max(values) / sum(values)",
    }

    assert {change.new for change in changes} == wanted


def test_the_same_seed_draws_the_same_changes(tmp_path, changes):
    one, again, other = (
        [c.title for c in sample(tmp_path / "room", root=tmp_path, count=4, seed=seed)]
        for seed in (1, 1, 2)
    )

    assert one == again != other
    assert len(one) == 4


def test_a_line_run_at_import_has_all_tests_of_its_module_quickest_first(changes):
    lines = {7: ["slow"], 9: ["quick", "slow"]}
    took = {"slow": 2.0, "quick": 0.1}

    constant, _, condition = (next(c for c in changes if c.line == n) for n in (3, 6, 8))

    assert covering(constant, lines, took) == ["quick", "slow"]
    assert covering(condition, {8: ["slow"], **lines}, took) == ["slow"]

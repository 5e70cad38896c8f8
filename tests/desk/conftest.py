"""One desk for all tests of a file that do not stop it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
for place in (HERE, HERE.parent / "report", HERE.parent / "study"):
    if str(place) not in sys.path:  # helpers of these tests, and of their neighbours
        sys.path.insert(0, str(place))


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    from served import running_desk

    folder = tmp_path_factory.mktemp("desk")
    (folder / "base").mkdir()
    with running_desk(folder / "base", folder / "private") as running:
        yield running

"""Files written whole or not at all, with nothing left open or behind."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from hairtone.errors import StoreError
from hairtone.study import files

HANDLES = Path("/proc/self/fd")  # Linux: one entry a file that this process holds open


@pytest.mark.skipif(not HANDLES.exists(), reason="this system does not list open files")
def test_writing_leaves_no_file_open(tmp_path):
    files.write_atomically(tmp_path / "first.csv", "a")
    before = len(list(HANDLES.iterdir()))

    for number in range(20):
        files.write_atomically(tmp_path / f"{number}.csv", "a")
        files.sha256_of(tmp_path / f"{number}.csv")

    assert len(list(HANDLES.iterdir())) == before


def test_a_file_that_cannot_be_written_leaves_the_old_one_and_no_part(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    files.write_atomically(path, "old")

    def full(handle, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)

    with pytest.raises(StoreError, match="disk is full: 3 bytes"):
        files.write_atomically(path, "new")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.csv"]


def test_a_write_in_pieces_is_whole(tmp_path, monkeypatch):
    """A system may take a part of what it is handed; the rest follows."""
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: write(handle, bytes(data)[:3]))

    files.write_atomically(tmp_path / "a" / "b.csv", "Länge, wash")

    assert (tmp_path / "a" / "b.csv").read_bytes() == "Länge, wash".encode()


@pytest.mark.parametrize("code", [errno.EIO, errno.EACCES, errno.ENOSPC])
def test_every_failure_of_the_disk_has_a_remedy(tmp_path, code):
    error = files.storage_error(OSError(code, "x"), tmp_path / "results" / "a.csv", needed=5)

    assert error.where == "results/a.csv"
    assert error.remedy

"""Names of the sheet and where they lead."""

from __future__ import annotations

import os

import pytest

from hairtone.errors import PhotoError
from hairtone.study.files import Folder, clean_name


def test_a_name_is_found_where_it_lies_or_told_why_not(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos/a.jpg").write_bytes(b"1")
    (tmp_path / "photos/folder.jpg").mkdir()
    os.symlink("a.jpg", tmp_path / "photos/near.jpg")
    os.symlink("nowhere.jpg", tmp_path / "photos/broken.jpg")
    os.mkfifo(tmp_path / "photos/pipe.jpg")
    folder = Folder(tmp_path)

    assert folder.find(clean_name("photos\\a.jpg")) == tmp_path.resolve() / "photos/a.jpg"
    assert folder.find("photos/near.jpg").name == "a.jpg"
    for name, told in [
        ("a.jpg", "photos/a.jpg is there"),
        ("photos/folder.jpg", "not an ordinary file"),
        ("photos/pipe.jpg", "not an ordinary file"),
        ("photos/broken.jpg", "cannot be opened"),
        ("none/a.jpg", "not found"),
    ]:
        with pytest.raises(PhotoError, match=told):
            folder.find(name)


def test_a_folder_that_cannot_be_listed_holds_no_names(tmp_path, monkeypatch):
    def refuse(place):
        raise PermissionError(13, "denied", str(place))

    folder = Folder(tmp_path)
    monkeypatch.setattr(os, "listdir", refuse)

    assert folder._listing(tmp_path) == {}

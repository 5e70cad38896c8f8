"""The door to the start notebook: it is put there once, opened quietly, and never overwritten."""

from __future__ import annotations

import subprocess

import pytest

from hairtone.desk import lab
from hairtone.errors import StoreError


@pytest.fixture
def asked(monkeypatch):
    """Commands that would have been run, and what lay in the settings folder meanwhile."""
    commands = []

    def run(command, **kwargs):
        folder = next(a.split("=", 1)[1] for a in command if "user_settings_dir" in a)
        quiet = "@jupyterlab/apputils-extension/notification.jupyterlab-settings"
        with open(f"{folder}/{quiet}", encoding="utf-8") as file:
            commands.append((command, file.read()))
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(lab.subprocess, "run", run)
    return commands


def test_the_notebook_is_put_there_and_opened_without_news(tmp_path, asked):
    assert lab.open_lab(tmp_path / "mine") == 0

    command, settings = asked[0]
    assert (tmp_path / "mine" / "start.ipynb").exists()
    assert "--LabApp.default_url=/doc/tree/start.ipynb" in command
    assert "--LabApp.news_url=" in command
    assert '"fetchNews": "false"' in settings


def test_a_notebook_that_is_there_is_kept(tmp_path, asked):
    (tmp_path / "start.ipynb").write_text("mine", encoding="utf-8")

    lab.open_lab(tmp_path, browser=False)

    assert (tmp_path / "start.ipynb").read_text(encoding="utf-8") == "mine"
    assert "--no-browser" in asked[0][0]


def test_a_folder_that_cannot_be_made_is_told(tmp_path, asked):
    (tmp_path / "file").write_text("x", encoding="utf-8")

    with pytest.raises(StoreError, match="Choose a folder of your own"):
        lab.open_lab(tmp_path / "file" / "below")

    assert asked == []

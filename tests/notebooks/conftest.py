"""A small rendered study, measured once, for every notebook."""

from __future__ import annotations

import csv
import tomllib

import pytest

from hairtone.locations import demo_path

WASHES = ("before", "0", "1", "3", "6")
SUBJECTS = ("T1", "T2")


@pytest.fixture(scope="session")
def small_study(tmp_path_factory):
    """Two tresses of the invented salon, before and four washes; photos of 0.9 MP."""
    from hairtone.scene.demo import demo_scene
    from hairtone.scene.render import render_scene, write_photo

    folder = tmp_path_factory.mktemp("study") / "salon"
    (folder / "photos").mkdir(parents=True)
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    scenario["size"] = [1088, 816]
    with demo_path("photos.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    wanted = [
        (number, row)
        for number, row in enumerate(rows)
        if row["subject"] in SUBJECTS and row["wash"] in WASHES
    ]
    for number, row in wanted:
        photo = render_scene(demo_scene(scenario, row, number=number))
        write_photo(photo, folder / row["photo"])
    with (folder / "photos.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(row for _, row in wanted)
    settings = demo_path("study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(settings, encoding="utf-8")
    return folder

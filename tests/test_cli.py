"""The command line: exit statuses, one line an error, and JSON as the contract fixes it."""

from __future__ import annotations

import json
import subprocess
import sys

import cv2
import numpy as np
import pytest

from hairtone.cli import main
from hairtone.errors import HairtoneError
from hairtone.scene.draw import random_scene
from hairtone.scene.render import render_scene, write_photo

PHOTO_KEYS = {"photo", "sha256", "status", "flags", "error", "chart", "tresses"}
TRESS_KEYS = {
    "name", "place", "status", "flags", "error", "line", "zones", "tenths", "tenths_u95",
    "evenness",
}  # fmt: skip
EVENNESS_KEYS = {
    "root_to_ends", "mean_difference", "largest_difference", "root_to_ends_net", "dL", "dC", "dH",
    "patchiness", "grade", "words",
}  # fmt: skip
DIFFERENCE_KEYS = {"delta_e", "low", "high", "critical", "resolved"}


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    path = tmp_path_factory.mktemp("photos") / "tress.jpg"
    write_photo(render_scene(random_scene(4, protocol="careful", size=(1200, 900))), path)
    return path


@pytest.fixture(scope="module")
def bare_wall(tmp_path_factory):
    path = tmp_path_factory.mktemp("photos") / "wall.png"
    noise = np.random.default_rng(0).normal(120, 8, (600, 800, 3))
    cv2.imwrite(str(path), np.clip(noise, 0, 255).astype(np.uint8))
    return path


def errors_of(capsys):
    """Lines on standard error; none may be part of a traceback."""
    lines = capsys.readouterr().err.splitlines()
    assert not any("Traceback" in line for line in lines)
    return lines


def test_json_has_the_keys_of_the_contract(photo, capsys):
    assert main(["measure", str(photo), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    (told,) = document["photos"]
    (tress,) = told["tresses"]
    assert {"hairtone", "schema", "viewing", "photos"} <= set(document)
    assert set(told) >= PHOTO_KEYS
    assert set(tress) >= TRESS_KEYS
    assert set(tress["evenness"]) >= EVENNESS_KEYS
    assert set(tress["evenness"]["root_to_ends"]) >= DIFFERENCE_KEYS
    assert set(tress["zones"]) == {"roots", "mid_lengths", "ends"}
    assert (len(tress["tenths"]), len(tress["tenths_u95"])) == (10, 10)
    assert {"reference", "corners", "residual", "held_out"} <= set(told["chart"])


def test_an_edition_not_written_down_is_a_note_and_no_doubt(photo, capsys):
    main(["measure", str(photo), "--json"])
    assumed = json.loads(capsys.readouterr().out)["photos"][0]
    main(["measure", str(photo), "--json", "--chart", "chart24-after-2014-11"])
    stated = json.loads(capsys.readouterr().out)["photos"][0]

    notes = {flag["code"] for flag in assumed["flags"] if flag["note"]}
    assert "edition-assumed" in notes
    assert "edition-assumed" not in {flag["code"] for flag in stated["flags"]}
    assert assumed["status"] == stated["status"]


def test_a_viewing_is_carried_and_changes_the_figures(photo, capsys):
    zones = {}
    for viewing in ("D65/10", "D50/2"):
        main(["measure", str(photo), "--json", "--viewing", viewing])
        document = json.loads(capsys.readouterr().out)
        assert document["viewing"] == viewing
        zones[viewing] = document["photos"][0]["tresses"][0]["zones"]["roots"]["lab"]

    assert zones["D65/10"] != zones["D50/2"]


def test_a_photo_without_a_chart_is_refused_in_one_line(bare_wall, capsys):
    assert main(["measure", str(bare_wall)]) == 2

    (line,) = errors_of(capsys)
    assert line.startswith("hairtone: wall.png: ")


def test_one_bad_photo_of_two_costs_that_photo(photo, bare_wall, capsys):
    assert main(["measure", str(photo), str(bare_wall)]) == 1

    said = capsys.readouterr()
    assert "roots to ends" in said.out
    assert len(said.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["measure", "no-such.jpg"], "no-such.jpg"),
        (["measure"], "required"),
        (["measure", "a.jpg", "--line", "1,2"], "no list of points"),
        (["measure", "a.jpg", "--corners", "1,2 3,4"], "4 corners"),
        (["measure", "a.jpg", "--viewing", "moon"], "D65/10"),
        (["measure", "a.jpg", "--workers", "0"], "no number of processes"),
        (["report", "no-such-study"], "no-such-study"),
        (["dye", "a.jpg"], "measure"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(arguments, says, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    try:
        status = main(arguments)
    except SystemExit as stopped:  # argparse stops by itself
        status = stopped.code

    (line,) = errors_of(capsys)
    assert status == 2
    assert says in line


@pytest.mark.parametrize(
    ("content", "name"),
    [(b"", "empty.jpg"), (b"GIF89a, perhaps", "odd.png"), (b"\xff\xd8\xff", "x")],
)
def test_a_file_that_is_no_photo_is_refused_in_one_line(content, name, tmp_path, capsys):
    (tmp_path / name).write_bytes(content)

    assert main(["measure", str(tmp_path / name)]) == 2

    (line,) = errors_of(capsys)
    assert name in line


def test_check_gives_a_verdict_and_remedies(photo, bare_wall, capsys):
    assert main(["check", str(photo), str(bare_wall)]) == 1

    said = capsys.readouterr().out
    assert "tress.jpg: good enough" in said or "tress.jpg: usable with care" in said
    assert "wall.png: not usable" in said


def test_charts_lists_every_reference_and_how_to_add_one(capsys):
    assert main(["charts"]) == 0

    said = capsys.readouterr().out
    for name in ("chart24-after-2014-11", "chart24-before-2014-11", "chart24-average30"):
        assert name in said
    assert "patch,name" in said


def test_the_version_and_the_help_are_told(capsys):
    assert main(["--version"]) == 0
    assert main([]) == 2

    assert "hairtone 0." in capsys.readouterr().out


def study_of(photo, folder, rows):
    (folder / "photos").mkdir(parents=True)
    (folder / "photos" / "a.jpg").write_bytes(photo.read_bytes())
    (folder / "study.toml").write_text('title = "Three tresses"\n', encoding="utf-8")
    (folder / "photos.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def test_a_study_from_sheet_to_report(photo, tmp_path, capsys):
    folder = study_of(photo, tmp_path / "s t", ["photo,subject,wash", "photos/a.jpg,T1,0"])

    assert main(["measure", str(folder), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert main(["report", str(folder), "--for", "tester"]) == 0

    assert document["photos"][0]["tresses"][0]["row"]["subject"] == "T1"
    assert (folder / "results" / "report.html").is_file()
    assert (folder / "results" / "measurements.csv").is_file()


@pytest.mark.parametrize("command", ["measure", "report"])
def test_the_number_of_processes_reaches_the_run(command, photo, tmp_path, monkeypatch):
    folder = study_of(photo, tmp_path / "study", ["photo,subject,wash", "photos/a.jpg,T1,0"])
    asked = {}

    def keep(study, **options):
        asked.update(options)
        raise HairtoneError("stop", "Asked enough.", where="", remedy="None.")

    monkeypatch.setattr("hairtone.study.run.measure_study", keep)

    assert main([command, str(folder), "--workers", "3"]) == 2
    assert asked["workers"] == 3


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (["photo,wash", "photos/a.jpg,0"], "subject"),
        (["photo,subject,wash", "../a.jpg,T1,0"], "outside"),
    ],
)
def test_a_bad_sheet_costs_the_run(photo, tmp_path, capsys, rows, says):
    folder = study_of(photo, tmp_path / "study", rows)

    assert main(["measure", str(folder)]) == 2

    lines = errors_of(capsys)
    assert any(says in line for line in lines)


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_refused_hair_is_one_line_too(photo, capsys, form):
    assert main(["measure", str(photo), "--line", "10,10 30,30", *form]) == 2

    out, told = capsys.readouterr()
    (line,) = told.splitlines()
    assert line.startswith("hairtone: tress.jpg, hair 1: ")
    assert line.count("tress.jpg") == 1
    if form:
        (found,) = json.loads(out)["photos"]
        assert (found["status"], found["chart"], found["tresses"]) == ("refused", None, [])
        assert found["error"]["code"] == "hair-too-small"


@pytest.mark.parametrize("command", ["check", "measure", "report"])
def test_a_folder_that_is_no_study_is_told_how_to_become_one(command, tmp_path, capsys):
    assert main([command, str(tmp_path)]) == 2

    (line,) = errors_of(capsys)
    assert "hairtone new" in line


@pytest.mark.parametrize("command", ["check", "measure"])
@pytest.mark.parametrize(
    ("option", "place"),
    [
        (["--viewing", "D50/2"], "study.toml"),
        (["--chart", "chart24-average30"], "study.toml"),
        (["--line", "1,1 2,2"], "photos.csv"),
        (["--roots", "top"], "photos.csv"),
        (["--corners", "1,1 9,1 9,9 1,9"], "photos.csv"),
    ],
)
def test_an_option_that_a_study_would_pass_over_is_refused(
    command, option, place, tmp_path, capsys
):
    assert main([command, str(tmp_path), *option]) == 2

    (line,) = errors_of(capsys)
    assert f"{option[0]} is for single photos" in line
    assert place in line


def test_checking_a_study_tells_of_photos_that_are_not_there(photo, tmp_path, capsys):
    rows = ["photo,subject,wash", "photos/a.jpg,T1,0", "photos/A.jpg,T1,1", "photos/no.jpg,T1,2"]
    rows = [f"{row},{more}" for row, more in zip(rows, ("shelf", "", "", ""), strict=True)]
    folder = study_of(photo, tmp_path / "study", rows)

    assert main(["check", str(folder)]) == 1

    said = capsys.readouterr().out
    assert "photos/a.jpg: not usable" not in said
    assert "photos/A.jpg: not usable" in said
    assert "photos/no.jpg was not found" in said
    assert "kept as notes: shelf" in said


def test_a_reader_that_goes_away_ends_the_command_quietly():
    command = [sys.executable, "-m", "hairtone", "charts"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        running.stdout.close()  # as "| head" does once it has enough
        said = running.stderr.read()

    assert said == b""
    assert running.returncode == 0

"""Crops of photographs: only where the study shows them and consent covers the report's use."""

from __future__ import annotations

import base64
import dataclasses
import io

import numpy as np
import pytest
from PIL import Image
from report.made import made_analysis

from hairtone.report import notebook
from hairtone.report.page import report_html
from hairtone.report.pictures import HEIGHT_PX, pictures_of

RED = (200, 30, 30)
OUTLINE = [[50, 15], [70, 15], [70, 224], [50, 224]]


@pytest.fixture
def study(tmp_path):
    """A made analysis whose photographs exist: grey, red along the line, with a GPS note."""
    (tmp_path / "photos").mkdir()
    full = made_analysis()
    pixels = np.full((240, 320, 3), 90, np.uint8)
    pixels[15:225, 50:71] = RED
    exif = Image.Exif()
    exif[0x010E] = "SECRET PLACE"
    rows = []
    for row in full.outcome.rows:
        Image.fromarray(pixels).save(tmp_path / row.row.photo, quality=95, exif=exif)
        hair = {"tress": {**row.hair.get("tress", {}), "outline": OUTLINE}} if row.hair else {}
        rows.append(dataclasses.replace(row, hair=hair, sha256=""))
    return tmp_path, full, tuple(rows)


def with_consent(study, *, show, consent):
    folder, full, rows = study
    settings = full.outcome.study.settings
    subjects = {
        name: dataclasses.replace(subject, consent=consent)
        for name, subject in settings.subjects.items()
    }
    settings = dataclasses.replace(
        settings, show_photos=show, subjects=subjects if consent is not None else {}
    )
    plan = dataclasses.replace(full.outcome.study, folder=folder, settings=settings)
    outcome = dataclasses.replace(full.outcome, study=plan, rows=rows)
    by_key = {(row.row.photo, row.row.place): row for row in rows}
    hairs = tuple(
        dataclasses.replace(
            hair,
            photos=tuple(
                dataclasses.replace(p, row=by_key[p.row.row.photo, p.row.row.place])
                for p in hair.photos
            ),
        )
        for hair in full.hairs
    )
    findings = dataclasses.replace(full.findings, hairs=hairs)
    return dataclasses.replace(full, outcome=outcome, findings=findings)


def crops(analysis, audience):
    """Addresses of the crops of the first hair."""
    view = notebook.hairs(analysis)[0]
    return [crop.uri for crop in pictures_of(view, audience=audience)]


@pytest.mark.parametrize(
    ("audience", "show", "consent", "is_shown"),
    [
        ("educator", True, ("measure", "teach", "assess"), True),
        ("educator", True, ("measure", "teach"), False),
        ("educator", None, ("measure", "teach", "assess"), True),  # by consent, if nothing is said
        ("educator", False, ("measure", "teach", "assess"), False),
        ("stylist", True, ("measure",), True),
        ("tester", True, ("measure", "teach", "assess"), False),
        ("tester", True, ("measure", "publish"), True),
        ("tester", True, None, False),  # nothing on record
    ],
)
def test_crops_follow_the_study_and_the_consent(study, audience, show, consent, is_shown):
    found = crops(with_consent(study, show=show, consent=consent), audience)

    assert len(found) == (3 if is_shown else 0)  # before, just coloured, the last wash


def test_a_crop_holds_the_hair_and_none_of_the_cameras_notes(study):
    found = crops(with_consent(study, show=True, consent=("measure",)), "stylist")

    data = base64.b64decode(found[0].partition(",")[2])
    crop = Image.open(io.BytesIO(data))
    # 0.12 of the outline's 209 px, 25.08, left around it: from 24 to 96, cut by the frame above
    assert crop.size == (73, 240)
    assert crop.height <= HEIGHT_PX
    assert not crop.getexif()
    assert b"SECRET" not in data
    pixels = np.asarray(crop).astype(int)
    assert pixels[100, 36] == pytest.approx(RED, abs=8)  # JPEG twice
    assert pixels[100, 26].min() > 200  # the outline, white


def test_a_photo_that_is_gone_costs_only_its_crop(study):
    analysis = with_consent(study, show=True, consent=("measure",))
    (study[0] / "photos" / "T1_wash0.jpg").unlink()

    assert len(crops(analysis, "stylist")) == 2


def test_a_crop_reaches_the_page(study):
    text = report_html(with_consent(study, show=True, consent=("measure",)), audience="stylist")

    assert text.count('src="data:image/jpeg;base64,') == 9
    assert "The white line is what was measured." in text

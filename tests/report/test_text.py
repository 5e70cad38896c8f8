"""Lines for a terminal: verdict, findings, figures."""

from __future__ import annotations

import dataclasses

from report.made import made_analysis, profile_of

from hairtone.errors import ChartError, Flag
from hairtone.measures.evenness import measure_evenness
from hairtone.report.sentences import describe_check, describe_measurement, describe_study
from hairtone.result import PhotoResult, TressResult


def measured(**more):
    profile = profile_of("T2", "0")
    tress = TressResult(
        name="1", place=1, profile=profile, evenness=measure_evenness(profile), **more
    )
    return PhotoResult(photo="tress.jpg", tresses=(tress,))


def test_a_sound_photo_is_said_to_be_good_enough():
    assert describe_check(measured()).splitlines() == [
        "tress.jpg: fine",
        "  nothing found against it",
    ]


def test_a_refusal_comes_with_its_remedy():
    error = ChartError("chart-not-found", "No chart was found.", remedy="Show the whole chart.")

    text = describe_check(PhotoResult(photo="a.jpg", error=error))

    assert "a.jpg: not usable" in text
    assert "refused  No chart was found. Show the whole chart." in text


def test_flags_and_notes_are_told_apart():
    flags = (
        Flag(code="shine", says="It shines.", remedy="Turn it."),
        Flag(code="edition-assumed", says="Assumed.", is_note=True),
    )

    text = describe_check(measured(flags=flags))

    assert "flagged  hair 1: It shines. Turn it." in text
    assert "note     hair 1: Assumed." in text


def test_a_measurement_gives_each_zone_with_its_uncertainty():
    lines = describe_measurement(measured()).splitlines()

    zones = [line for line in lines if "±" in line]
    assert [line.split()[0] for line in zones] == ["roots", "mid-lengths", "ends"]
    assert any("roots to ends: ΔE₀₀" in line for line in lines)


def test_a_hair_that_was_refused_says_why():
    error = ChartError("x", "No hair.", remedy="Draw its line.")
    photo = PhotoResult(photo="a.jpg", tresses=(TressResult(name="1", place=1, error=error),))

    assert "hair 1: refused: No hair. Draw its line." in describe_measurement(photo)
    assert "refused  hair 1: No hair. Draw its line." in describe_check(photo)


def test_a_study_says_how_its_rows_came_out():
    outcome = made_analysis().outcome

    text = describe_study(dataclasses.replace(outcome, notes=("a note",)))

    assert text.splitlines()[0] == "  a note"
    assert "30 photos: 28 fine, 1 usable with care, 1 rejected" in text

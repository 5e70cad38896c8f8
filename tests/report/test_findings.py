"""Findings and chips in a notebook: every text escaped, worst first."""

from __future__ import annotations

from report.made import SCRIPT, made_analysis

from hairtone.report.cards import glances
from hairtone.report.notebook import chips_html, findings_html, results_html
from hairtone.report.views import views_of


def no_picture(path):
    return ""


def test_findings_are_escaped_and_the_worst_come_first():
    outcome = made_analysis(hostile=True).outcome

    text = findings_html(outcome, no_picture)

    assert SCRIPT not in text
    assert "&lt;script&gt;" in text
    assert text.index("No 24-patch chart was found") < text.index("Highlights cover 18 %")
    assert text.index("Highlights cover 18 %") < text.index("with nothing against them")


def test_many_sound_photographs_are_folded_away_and_none_is_lost():
    outcome = made_analysis().outcome

    text = findings_html(outcome, no_picture)

    assert f"{outcome.counts['measured']} with nothing against them" in text
    assert text.count("<tr>") == 1 + outcome.counts["flagged"] + outcome.counts["refused"]
    assert all(row.row.photo.removeprefix("photos/") in text for row in outcome.rows)


def test_results_are_escaped_and_hold_every_hair():
    text = results_html(made_analysis(hostile=True))

    assert SCRIPT not in text
    assert text.count("<h3>") == 3


def test_chips_carry_their_lightness_and_a_readable_ink():
    _, table, _ = next(iter(glances(views_of(made_analysis()))))

    text = chips_html(table)

    assert text.count("<td style") == 30  # three zones, before and nine washes
    assert "a likeness" in text

"""Every result draws itself: its value, its interval, and plain words where there is neither."""

from __future__ import annotations

import numpy as np
import pytest
from report.made import profile_of

from hairtone.colorimetry import delta_e
from hairtone.hair.map import HairMap
from hairtone.measures.agreement import measure_agreement
from hairtone.measures.blend import Blend
from hairtone.measures.comparison import Comparison, LevellerEffect
from hairtone.measures.design import measure_repeatability, plan_design
from hairtone.measures.evenness import Patch
from hairtone.measures.fade import change_curve, measure_fade
from hairtone.measures.fade_curve import Crossing, fit_zone_fade
from hairtone.measures.uptake import PorousOnset, measure_uptake
from hairtone.measures.zones import SectionComparison, zone_estimates
from hairtone.report import figures
from hairtone.report.figures_along import figure_hairmap
from hairtone.uncertainty import ColourDifference

WASHES = (0, 1, 2, 4, 6, 8)
APART = ColourDifference(delta_e=3.0, low=2.2, high=3.8, critical=0.7)


@pytest.fixture(scope="module")
def fade():
    ends = {w: zone_estimates(profile_of("T2", str(w)))["ends"] for w in WASHES}
    return measure_fade(zone_estimates(profile_of("T2", "before"))["ends"], ends, zone="ends")


def intervals(picture):
    """Ends of every level line that is drawn."""
    found = []
    for line in picture.axes[0].lines:
        x, y = line.get_data()
        if len(x) == 2 and y[0] == y[1]:
            found.append((float(x[0]), float(x[1])))
    return found


def words(picture):
    ax = picture.axes[0]
    texts = [text.get_text() for text in ax.texts]
    labels = [label.get_text() for label in ax.get_yticklabels()]
    return " ".join([ax.get_title(loc="left"), ax.get_xlabel(), *texts, *labels])


def test_uptake_is_drawn_zone_by_zone_with_its_intervals():
    uptake = measure_uptake(profile_of("T2", "before"), profile_of("T2", "0"))

    drawn = intervals(uptake.plot())

    wanted = [(u.difference.low, u.difference.high) for u in uptake.zones.values()]
    assert np.array(drawn) == pytest.approx(np.array(wanted))


def test_a_fade_shows_every_wash(fade):
    curve = next(line for line in fade.plot().axes[0].lines if line.get_label() == "ends")

    assert list(curve.get_xdata()) == list(WASHES)
    assert list(curve.get_ydata()) == [step.colour_left for step in fade.steps]


def test_a_fade_curve_tells_the_forecast_from_what_was_seen(fade):
    picture = fit_zone_fade(fade).plot()

    lines = {str(line.get_linestyle()): line.get_xdata() for line in picture.axes[0].lines[:2]}
    assert lines["-"].max() <= WASHES[-1] < lines[":"].min()
    assert "forecast" in words(picture)


def test_a_change_curve_levels_off_where_it_says():
    washes = np.array([1.0, 2.0, 4.0, 6.0, 8.0])
    curve = change_curve(washes, 8 * (1 - np.exp(-washes / 2.0)), sd=np.full(5, 0.2))

    line = curve.plot().axes[0].lines[0]

    # after five time constants 0.7 % is missing
    assert line.get_ydata()[-1] == pytest.approx(curve.final, rel=0.01)


def crossing(wash, low, high):
    return Crossing(wash=wash, low=low, high=high, share=0.9, words="roots and ends cross")


def test_a_crossing_is_drawn_or_its_absence_said():
    assert intervals(crossing(4.0, 3.0, 6.0).plot()) == [(3.0, 6.0)]
    assert "no crossing" in words(crossing(None, None, None).plot())


def test_a_missed_place_is_named_with_its_difference():
    picture = Patch(start=0.4, stop=0.5, difference=APART, kind="missed").plot()

    assert "missed, 40 to 50 % of the length" in words(picture)
    assert (APART.low, APART.high) in intervals(picture)


def test_sections_are_compared_pair_by_pair():
    sections = SectionComparison(
        differences={("back left", "back right"): APART}, largest=("back left", "back right")
    )

    assert "back left – back right" in words(sections.plot())


@pytest.mark.parametrize(("low", "is_hollow"), [(0.5, False), (-0.5, True)])
def test_a_leveller_that_is_not_resolved_is_hollow(low, is_hollow):
    effect = LevellerEffect(
        effect=2.0, low=low, high=3.5, pairs=1, is_general=False, words="in words"
    )

    picture = effect.plot()

    mark = next(line for line in picture.axes[0].lines if line.get_marker() == "o")
    assert (mark.get_markerfacecolor() == "#ffffff") is is_hollow
    assert "1 pair, these only" in words(picture)


def porous(onset, low, high):
    return PorousOnset(
        onset=onset, low=low, high=high, excess=3.0, excess_low=2.0, excess_high=4.0,
        is_resolved=onset is not None, against_felt="", words="in words",
    )  # fmt: skip


def test_a_porous_onset_is_drawn_or_said_to_be_untold():
    assert intervals(porous(0.4, 0.3, 0.5).plot()) == [(0.3, 0.5)]
    assert "do not show it" in words(porous(None, None, None).plot())


def test_an_unbounded_limit_runs_on():
    picture = figures.figure_intervals(["a"], [4.0], [(3.0, None)], says="washes")

    assert any(line.get_marker() == ">" for line in picture.axes[0].lines)
    assert intervals(picture)[0][1] > 4.0


def test_blend_and_agreement_show_their_limits():
    blend = Blend(blend=40.0, low=25.0, high=52.0, mm_per_px=0.08)
    rng = np.random.default_rng(3)
    photo = rng.normal(40, 5, (12, 3))
    agreement = measure_agreement(photo, photo + rng.normal(0.5, 0.4, (12, 3)))

    assert intervals(blend.plot()) == [(25.0, 52.0)]
    limits = np.column_stack([agreement.limit_low, agreement.limit_high])
    assert np.array(intervals(agreement.plot())[:3]) == pytest.approx(limits)


def test_repeats_show_scatter_within_between_and_together():
    rng = np.random.default_rng(4)
    groups = [rng.normal(mean, 0.3, 4) for mean in (0.0, 0.4, -0.2)]
    found = measure_repeatability(groups)

    text = words(found.plot())

    assert all(part.factor in text for part in (found.within, found.between, found.total))
    assert "standard deviation" in words(found.within.plot())


def test_a_plan_is_drawn_blinded():
    plan = plan_design(["plain", "levelled"], tresses=3, seed=1)

    text = words(plan.plot())

    assert "plain" not in text
    assert "levelled" not in text


def test_a_comparison_shows_difference_margin_and_verdict():
    comparison = Comparison(
        measure="root_to_ends", zone="", wash="0", treatment_a="a", treatment_b="b",
        difference=1.2, low=0.4, high=2.0, p=0.01, p_adjusted=0.01, margin=1.0, n_a=6, n_b=6,
        method="Welch t",
    )  # fmt: skip

    picture = comparison.plot()

    assert intervals(picture)[0] == (0.4, 2.0)
    assert "a against b" in words(picture)
    assert "roots to ends" in words(picture)
    assert "just coloured" in words(picture)
    assert "a reads higher than b" in [
        t.get_text() for t in picture.axes[0].child_axes[0].get_yticklabels()
    ]


def test_the_hair_map_keeps_its_scale_and_leaves_the_board_out():
    mask = np.zeros((40, 10), bool)
    mask[:, 3:7] = True
    found = HairMap(
        delta_e=np.where(mask, 3.0, 0.0).astype(np.float32), mask=mask, box=(0, 0, 10, 40),
        reference=np.array([40.0, 20.0, 15.0]),
    )  # fmt: skip

    image = figure_hairmap(found, top=6.0).axes[0].images[0]

    assert image.get_clim() == (0.0, 6.0)
    assert (~np.ma.getmaskarray(image.get_array()) == mask).all()


def test_roots_and_ends_are_drawn_with_the_washes_at_which_they_hold_the_same():
    rows = [
        {"zone": zone, "wash": wash, "amount": 20 - wash, "low": 18 - wash, "high": 22 - wash}
        for zone in ("roots", "ends")
        for wash in range(4)
    ]

    picture = figures.figure_amounts(rows, crossing=(1.5, None))

    assert {line.get_label() for line in picture.axes[0].lines} >= {"roots", "ends"}
    assert "too little uptake" in words(figures.figure_amounts([]))


def test_the_difference_drawn_is_ciede2000():
    """The uptake of the roots, straight from the profiles' own mean colours."""
    before, after = (profile_of("T1", wash) for wash in ("before", "0"))
    expected = delta_e(before.lab[:20].mean(axis=0), after.lab[:20].mean(axis=0))

    marks = [
        line for line in measure_uptake(before, after).plot().axes[0].lines
        if line.get_marker() == "o" and len(line.get_xdata()) == 1
    ]  # fmt: skip

    # zones may weigh bins by their pixels, all equal here; Lab's mean against light's: 0.02
    assert float(marks[0].get_xdata()[0]) == pytest.approx(float(expected), abs=0.05)

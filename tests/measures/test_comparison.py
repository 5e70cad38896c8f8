"""Comparison of treatments: second implementations, null rates, designs, colours, verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from hairtone.colorimetry import delta_e
from hairtone.errors import MeasureError
from hairtone.measures.comparison import compare_treatments, comparisons_frame, holm
from hairtone.measures.contrast import Reading

RNG = np.random.default_rng(0)
ONE, TWO = RNG.normal(3.0, 1.0, 7), RNG.normal(2.2, 1.7, 9)
PAIRED = ONE + RNG.normal(0.4, 0.5, 7)
SHOES = {  # wear of two materials, one foot each of ten boys; printed with the R package pbkrtest
    "A": [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3],
    "B": [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
}
BROWN = np.array([35.0, 12.0, 18.0])


def readings(values, *, paired=True, **keys):
    """`values` by treatment: one figure a tress, or pairs in the same order."""
    return [
        Reading(
            value=value,
            treatment=treatment,
            tress=f"{treatment}{at}",
            measure="x",
            pair=f"P{at}" if paired else "",
            **keys,
        )
        for treatment, figures in values.items()
        for at, value in enumerate(figures)
    ]


def called_different(make, studies, seed=0):
    """In how many studies of equal treatments a difference is shown."""
    rng = np.random.default_rng(seed)
    return sum(compare_treatments(make(rng))[0].is_resolved for _ in range(studies))


def upper_rate(studies, rate=0.06):
    """What a rate of 6 % stays under in 999 of 1000 sets of studies, exact binomial."""
    return stats.binom.ppf(0.999, studies, rate)


def test_pairs_agree_with_a_printed_paired_t():
    """pbkrtest, introduction: -0.41, t -3.35, p 0.00854, 9 df, -0.687 to -0.133."""
    (found,) = compare_treatments(readings(SHOES))

    assert found.method == "paired t"
    assert found.difference == pytest.approx(-0.41, abs=0.005)
    assert found.p == pytest.approx(0.00854, abs=0.5e-5)
    assert (found.low, found.high) == pytest.approx((-0.687, -0.133), abs=0.5e-3)
    assert found.df == 9


def test_welch_and_paired_t_agree_with_scipy():
    apart = stats.ttest_ind(ONE, TWO, equal_var=False)
    pairs = stats.ttest_rel(ONE, PAIRED)

    (found,) = compare_treatments(readings({"A": ONE, "B": TWO}, paired=False))
    (both,) = compare_treatments(readings({"A": ONE, "B": PAIRED}))

    assert found.p == pytest.approx(apart.pvalue, rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(apart.confidence_interval()))
    assert both.p == pytest.approx(pairs.pvalue, rel=1e-9)
    assert (both.low, both.high) == pytest.approx(tuple(pairs.confidence_interval()))


def test_equivalence_agrees_with_statsmodels():
    paired = ttost_paired(ONE, PAIRED, -1.0, 1.0)[0]
    apart = ttost_ind(ONE, TWO, -1.5, 1.5, usevar="unequal")[0]

    (both,) = compare_treatments(readings({"A": ONE, "B": PAIRED}), margin=1.0)
    (found,) = compare_treatments(
        readings({"A": ONE, "B": TWO}, paired=False), margins={"x": 1.5}, margin=9.0
    )

    assert both.p_equivalence == pytest.approx(paired, rel=1e-9)
    assert found.p_equivalence == pytest.approx(apart, rel=1e-9)


def test_holm_agrees_with_statsmodels():
    p = [0.01, 0.04, 0.03, 0.005, 0.6]

    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_the_order_of_readings_does_not_matter():
    rows = readings({"A": ONE, "B": PAIRED}) + readings({"C": TWO}, paired=False)
    shuffled = [rows[k] for k in np.random.default_rng(1).permutation(len(rows))]

    one, two = (compare_treatments(r, order=["A", "B", "C"]).to_frame() for r in (rows, shuffled))

    assert one.difference.to_list() == pytest.approx(two.difference.to_list())
    assert one.p.to_list() == pytest.approx(two.p.to_list())


def test_pairs_that_lack_a_partner_count_with_what_they_have():
    """Ten pairs of which two lack one side: closer to the truth of all than complete pairs alone,
    and never an error, down to one complete pair."""
    rng = np.random.default_rng(2)
    shared = rng.normal(0, 1, 10)
    rows = readings({"A": shared + rng.normal(1, 0.3, 10), "B": shared + rng.normal(0, 0.3, 10)})

    (found,) = compare_treatments([r for at, r in enumerate(rows) if at not in (3, 17)])

    assert found.method == "mixed model"
    assert (found.n_a, found.n_b) == (9, 9)
    assert found.low < 1 < found.high
    for lost in range(1, 10):
        (left,) = compare_treatments(rows[:10] + rows[10 + lost :])
        assert np.isfinite(left.difference)
        assert left.low is not None or left.missing


def test_three_zones_of_unpaired_tresses_keep_plain_means():
    rng = np.random.default_rng(3)
    rows, plain = [], {}
    for zone in ("roots", "mid_lengths", "ends"):
        values = {name: rng.normal(0, 1, 12) for name in ("A", "B")}
        rows += readings(values, paired=False, zone=zone)
        plain[zone] = values["A"].mean() - values["B"].mean()

    for found in compare_treatments(rows):
        assert found.difference == pytest.approx(plain[found.zone], abs=1e-9)


def test_photos_of_one_tress_do_not_count_as_tresses():
    """Twenty photos of two tresses each: still two tresses, and hardly anything is known."""
    rng = np.random.default_rng(3)
    rows = [
        Reading(value=true + rng.normal(0, 0.1), treatment=name, tress=f"{name}{true}",
                photo=f"{name}{true}.{k}", measure="x")
        for name, pair in {"A": [1.0, 3.0], "B": [2.0, 4.2]}.items()
        for true in pair
        for k in range(20)
    ]  # fmt: skip

    (found,) = compare_treatments(rows)

    assert (found.n_a, found.n_b) == (2, 2)
    assert not found.is_resolved
    assert found.high - found.low > 5


def sections_of_clients(rng):
    out = []
    for name in ("A", "B"):
        for client in range(4):
            own = rng.normal(0, 1)
            out += [
                Reading(value=own + rng.normal(0, 0.3), treatment=name, measure="x",
                        subject=f"{name}{client}", section=f"s{k}", tress=f"{name}{client}{k}")
                for k in range(4)
            ]  # fmt: skip
    return out


def boards(rng):
    out = []
    for name in ("A", "B"):
        for board in range(3):
            shift = rng.normal(0, 1)
            out += [
                Reading(value=shift + rng.normal(0, 0.3), treatment=name, measure="x",
                        photo=f"{name}{board}", tress=f"{name}{board}{k}")
                for k in range(4)
            ]  # fmt: skip
    return out


def unlike_numbers(rng):
    return readings({"A": rng.normal(0, 1.6, 12), "B": rng.normal(0, 0.6, 36)}, paired=False)


def pairs_with_gaps(rng):
    shared = rng.normal(0, 1, 9)
    rows = readings({"A": shared + rng.normal(0, 0.5, 9), "B": shared + rng.normal(0, 1, 9)})
    return [r for at, r in enumerate(rows) if at not in (1, 12)]


def noisier_photos(rng):
    """Evenness: equal gaps, one treatment's photos three times as noisy; lengths with draws."""
    out = []
    for name, noise in (("A", 0.9), ("B", 0.3)):
        for k in range(10):
            seen = np.array([rng.normal(1.5, 0.3), 0, 0]) + rng.normal(0, noise, 3)
            draws = np.linalg.norm(seen + rng.normal(0, noise, (128, 3)), axis=1)
            out.append(Reading(value=float(np.linalg.norm(seen)), draws=draws, treatment=name,
                               tress=f"{name}{k}", measure="root_to_ends"))  # fmt: skip
    return out


def leaning_camera(rng):
    """What a set-up misreads alike in all tresses of one treatment: only the draws know."""
    lean, worlds = rng.normal(0, 1), rng.normal(0, 1, 128)
    return [
        replace(r, value=float(r.value) + lean * (r.treatment == "A"),
                draws=float(r.value) + lean * (r.treatment == "A") + worlds * (r.treatment == "A"))
        for r in readings({"A": rng.normal(0, 0.5, 8), "B": rng.normal(0, 0.5, 8)}, paired=False)
    ]  # fmt: skip


def tiny(rng):
    return readings({"A": rng.normal(0, 1, 2), "B": rng.normal(0, 1, 2)}, paired=False)


def equal_colours(rng):
    return readings({n: BROWN + rng.normal(0, (1.2, 0.6, 0.8), (5, 3)) for n in "AB"}, paired=False)


@pytest.mark.parametrize(
    "make",
    [sections_of_clients, boards, unlike_numbers, pairs_with_gaps, noisier_photos, leaning_camera,
     tiny, equal_colours],
)  # fmt: skip
def test_equal_treatments_are_seldom_called_different(make):
    """200 null studies of the designs that went wrong; tests/bench/comparisons.py has the rest."""
    assert called_different(make, 200) <= upper_rate(200)


def test_a_study_of_45_tests_seldom_shows_a_difference():
    rng = np.random.default_rng(5)
    wrong = 0
    for _ in range(60):
        rows = []
        for wash in range(5):
            for zone in ("roots", "mid_lengths", "ends"):
                for measure in ("x", "y", "z"):
                    values = {n: rng.normal(0, 1, 4) for n in "AB"}
                    rows += [
                        replace(r, measure=measure)
                        for r in readings(values, paired=False, zone=zone, wash=str(wash))
                    ]
        found = compare_treatments(rows)
        assert found[0].tests == 45
        wrong += any(c.is_resolved for c in found)

    assert wrong <= upper_rate(60)


@pytest.mark.parametrize(("key", "word"), [("photo", "photo"), ("session", "session"),
                                           ("subject", "client")])  # fmt: skip
def test_treatments_that_stand_apart_have_a_difference_and_no_verdict(key, word):
    rows = [
        replace(r, **{key: f"only {r.treatment}"})
        for r in readings({"A": ONE, "B": TWO}, paired=False)
    ]

    (found,) = compare_treatments(rows, margin=1.0)

    assert found.difference == pytest.approx(ONE.mean() - TWO.mean())
    assert found.low is found.high is found.p is found.p_equivalence is None
    assert not found.is_resolved
    assert not found.is_equivalent
    assert f"one {word} only" in found.missing
    assert found.missing in found.verdict


def test_one_photo_for_each_tress_is_a_sound_design():
    rows = [replace(r, photo=r.tress, session="day 1") for r in readings({"A": ONE, "B": PAIRED})]

    (found,) = compare_treatments(rows)

    assert not found.missing
    assert found.p == pytest.approx(stats.ttest_rel(ONE, PAIRED).pvalue)


def test_two_single_tresses_of_one_photo_keep_the_interval_of_their_draws():
    rng = np.random.default_rng(6)
    common, own = rng.normal(0, 2, 400), rng.normal(0, 0.5, 400)
    rows = [
        Reading(value=5.0, draws=5 + common + own, treatment="A", tress="a", photo="p"),
        Reading(value=3.0, draws=3 + common, treatment="B", tress="b", photo="p"),
    ]

    (found,) = compare_treatments(rows)
    (apart,) = compare_treatments([replace(r, photo=r.tress) for r in rows])

    assert found.high - found.low == pytest.approx(2 * 1.96 * 0.5, rel=0.15)
    assert found.p is None
    assert "these two tresses" in found.missing
    assert apart.low is None


def test_errors_common_to_both_treatments_drop_out_of_the_draws():
    rng = np.random.default_rng(7)
    common = rng.normal(0, 5, 256)
    rows = readings({"A": ONE, "B": PAIRED})

    (plain,) = compare_treatments(rows)
    (drawn,) = compare_treatments([replace(r, draws=float(r.value) + common) for r in rows])

    assert drawn.high - drawn.low == pytest.approx(plain.high - plain.low, rel=1e-6)


def test_copper_against_ash_of_equal_length_is_no_equality():
    rng = np.random.default_rng(8)
    turn = np.array([0.0, 8, 0])
    copper, ash = BROWN + turn, BROWN - turn
    rows = readings(
        {"copper": copper + rng.normal(0, 0.4, (8, 3)), "ash": ash + rng.normal(0, 0.4, (8, 3))},
        paired=False,
    )

    (found,) = compare_treatments(rows, margin=2.0)

    assert found.is_resolved
    assert not found.is_equivalent
    assert found.low < float(delta_e(copper, ash)) < found.high
    assert "differ in colour" in found.verdict


def test_equal_colours_are_equal_within_the_margin():
    rng = np.random.default_rng(9)
    rows = readings({n: BROWN + rng.normal(0, 0.4, (12, 3)) for n in "AB"}, paired=False)

    (found,) = compare_treatments(rows, margin=1.0)

    assert found.is_equivalent
    assert found.low == 0
    assert found.verdict == "equal within the margin of 1"


def test_the_primary_endpoint_is_tested_as_it_is_and_the_others_share():
    rows = []
    for wash in ("0", "1", "2"):
        rows += readings({"A": ONE, "B": PAIRED}, wash=wash)

    found = compare_treatments(rows, primary="x at wash 0")
    shared = compare_treatments(rows)

    assert [c.is_primary for c in found] == [True, False, False]
    assert found[0].p_adjusted == found[0].p
    assert [c.p_adjusted for c in found[1:]] == pytest.approx([2 * found[0].p] * 2)
    assert "2 tests share" in found.sentence
    assert [c.tests for c in shared] == [3, 3, 3]
    assert shared[0].p_holm == shared[0].p_adjusted == pytest.approx(3 * found[0].p)


def test_an_endpoint_that_nobody_measured_is_told():
    with pytest.raises(MeasureError, match="No comparison is 'y at wash 0'; there are x"):
        compare_treatments(readings({"A": ONE, "B": PAIRED}), primary="y at wash 0")


def test_a_clear_difference_is_told_with_its_direction():
    rows = readings({"A": [5.0, 5.2, 4.9, 5.1], "B": [2.0, 2.3, 1.8, 2.1]})

    found = compare_treatments(rows, measure="x", margin=1.0)

    assert found[0].verdict == "A reads higher than B"
    assert repr(found) == "<Comparisons: 1 rows, 1 differ, 0 equal>"
    assert "A reads higher" in repr(found[0])


def test_neither_is_told_where_neither_is_shown():
    (found,) = compare_treatments(
        readings({"A": [1.0, 5.2, 4.9], "B": [5.0, 2.1, 4.9]}), margin=1.0
    )

    assert found.verdict.startswith("not resolved")


def test_a_treatment_with_one_tress_is_told_and_the_rest_computed():
    rows = readings({"A": [5.0, 5.2, 4.9], "B": [2.0, 2.3, 1.8], "C": [3.0]}, paired=False)

    found = {(c.treatment_a, c.treatment_b): c for c in compare_treatments(rows)}

    assert "C has 1 tress; 2 or more" in found["A", "C"].missing
    assert found["A", "C"].low is None
    assert found["A", "B"].is_resolved


def test_what_was_not_measured_is_left_out():
    rows = readings({"A": [*ONE, np.nan], "B": [*PAIRED, 4.0]})

    (found,) = compare_treatments(rows)

    assert (found.n_a, found.n_b) == (7, 8)


def test_treatments_come_in_the_order_of_the_study():
    (found,) = compare_treatments(readings({"B": [1.0, 2.0], "A": [1.0, 3.0]}), order=["A", "B"])

    assert (found.treatment_a, found.treatment_b) == ("A", "B")


def test_one_treatment_is_nothing_to_compare():
    with pytest.raises(MeasureError, match="Only A was measured"):
        compare_treatments(readings({"A": [1.0, 2.0]}))
    with pytest.raises(MeasureError, match="No treatment was measured"):
        compare_treatments([])


def test_a_reading_of_another_shape_is_a_programmers_slip():
    with pytest.raises(ValueError, match=r"shape \(2,\)"):
        Reading(value=[1.0, 2.0], treatment="A")
    with pytest.raises(ValueError, match="draws has shape"):
        Reading(value=1.0, treatment="A", draws=np.zeros((5, 3)))


def test_the_table_has_the_columns_of_the_contract():
    found = compare_treatments(readings({"A": [1.0, 2.0], "B": [2.0, 3.5]}))

    columns = comparisons_frame(found).columns.tolist()

    assert columns[:13] == ["measure", "zone", "wash", "treatment_a", "treatment_b", "difference",
                            "low", "high", "p_holm", "margin", "verdict", "n_a", "n_b"]  # fmt: skip
    assert {"method", "p", "p_adjusted", "p_equivalence", "df", "sd", "unit"} < set(columns)
    assert found[0].to_frame().shape[0] == 1
    assert "<table" in found._repr_html_()

"""Comparison of treatments: second implementations, null rates, power, equivalence, verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from hairtone.measures.significance import (
    compare_colours,
    holm,
    paired_difference,
    welch_difference,
)
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.multivariate import test_mvmean, test_mvmean_2indep
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from hairtone.errors import MeasureError
from hairtone.measures.comparison import compare_treatments, comparisons_frame
from hairtone.measures.mixed import Reading, fit_mixed

test_mvmean.__test__ = test_mvmean_2indep.__test__ = False  # the library's names, no tests
RNG = np.random.default_rng(0)
ONE, TWO = RNG.normal(3.0, 1.0, 7), RNG.normal(2.2, 1.7, 9)
PAIRED = ONE + RNG.normal(0.4, 0.5, 7)


def readings(values, *, paired=True, zone="ends", repeats=1, noise=0.0, rng=None):
    """`values` by treatment: one figure a tress, or pairs in the same order."""
    out = []
    for treatment, figures in values.items():
        for at, value in enumerate(figures):
            for photo in range(repeats):
                shaken = value + (rng.normal(0, noise) if rng is not None else 0.0)
                out.append(Reading(
                    value=shaken, treatment=treatment, tress=f"{treatment}{at}", zone=zone,
                    pair=f"P{at}" if paired else "", photo=str(photo),
                ))  # fmt: skip
    return out


def null_values(rng, count, *, paired=True):
    """Two treatments that do the same; tresses of a pair share most of what they are."""
    shared = rng.normal(0, 1.0, count) if paired else 0.0
    return {name: 5 + shared + rng.normal(0, 0.5, count) for name in ("A", "B")}


def lower_limit(called, trials):
    """One-sided 99 % lower limit of a rate, exact binomial."""
    return stats.beta.ppf(0.01, called, trials + 1 - called) if called else 0.0


def test_paired_t_agrees_with_scipy():
    second = stats.ttest_rel(ONE, PAIRED)

    found = paired_difference(ONE, PAIRED)

    assert found.p == pytest.approx(second.pvalue, rel=1e-9)
    assert found.interval() == pytest.approx(tuple(second.confidence_interval()), rel=1e-9)


def test_welch_t_agrees_with_scipy():
    second = stats.ttest_ind(ONE, TWO, equal_var=False)

    found = welch_difference(ONE, TWO)

    assert found.p == pytest.approx(second.pvalue, rel=1e-9)
    assert found.interval() == pytest.approx(tuple(second.confidence_interval()), rel=1e-9)


def test_equivalence_agrees_with_statsmodels():
    paired = ttost_paired(ONE, PAIRED, -1.0, 1.0)[0]
    apart = ttost_ind(ONE, TWO, -1.5, 1.5, usevar="unequal")[0]

    assert paired_difference(ONE, PAIRED).p_equivalent(1.0) == pytest.approx(paired, rel=1e-9)
    assert welch_difference(ONE, TWO).p_equivalent(1.5) == pytest.approx(apart, rel=1e-9)


def test_holm_agrees_with_statsmodels():
    p = [0.01, 0.04, 0.03, 0.005, 0.6]

    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_hotelling_agrees_with_statsmodels():
    rng = np.random.default_rng(1)
    one, two = rng.normal(size=(8, 3)), rng.normal(0.5, 1.0, size=(11, 3))
    apart, paired = test_mvmean_2indep(one, two), test_mvmean(one - two[:8])

    found, pairs = compare_colours(one, two), compare_colours(one, two[:8], paired=True)

    assert (found.t_squared, found.p) == pytest.approx((apart.t2, apart.pvalue), rel=1e-9)
    assert (pairs.t_squared, pairs.p) == pytest.approx((paired.t2, paired.pvalue), rel=1e-9)


def test_too_few_tresses_for_vectors_are_told():
    with pytest.raises(MeasureError, match=r"2 and 2 tresses are too few"):
        compare_colours(np.zeros((2, 3)), np.ones((2, 3)))


def test_the_mixed_model_of_balanced_pairs_is_the_paired_t():
    """Closed form: with one reading a tress and complete pairs, REML gives the paired contrast."""
    rng = np.random.default_rng(2)
    shared = rng.normal(0, 1.0, 14)
    a, b = shared + rng.normal(0.5, 0.4, 14), shared + rng.normal(0, 0.4, 14)
    plain = paired_difference(a, b)

    found = fit_mixed(readings({"A": a, "B": b})).difference(("A", "ends", ""), ("B", "ends", ""))

    assert found.difference == pytest.approx(plain.difference, abs=1e-6)
    assert found.standard_error == pytest.approx(plain.standard_error, rel=0.02)  # optimiser
    assert found.freedom == pytest.approx(plain.freedom)


def test_the_mixed_model_of_tresses_read_once_is_the_pooled_t():
    """Closed form, and scipy's Student t: nothing is shared and nothing repeated."""
    rng = np.random.default_rng(2)
    a, b = rng.normal(0.5, 1.0, 13), rng.normal(0, 1.0, 15)
    second = stats.ttest_ind(a, b)

    fit = fit_mixed(readings({"A": a, "B": b}, paired=False))
    found = fit.difference(("A", "ends", ""), ("B", "ends", ""))

    assert found.p == pytest.approx(second.pvalue, rel=1e-6)
    assert found.interval() == pytest.approx(tuple(second.confidence_interval()), rel=1e-6)


@pytest.mark.parametrize(("count", "paired"), [(3, True), (5, True), (5, False), (10, False)])
def test_equal_treatments_are_seldom_called_different(count, paired):
    """1500 null studies: the rate's one-sided 99 % lower limit must not lie above 5 %."""
    rng = np.random.default_rng(count)
    called = 0
    for _ in range(1500):
        values = null_values(rng, count, paired=paired)
        test = paired_difference if paired else welch_difference
        called += test(*values.values()).p < 0.05

    assert lower_limit(called, 1500) <= 0.05, called
    assert called > 20  # and the test is alive


def test_equal_treatments_under_the_mixed_model():
    """60 null studies of 12 pairs, two zones of unequal scatter, two photos each; the full 1000 are
    in tests/bench/science.py."""
    rng = np.random.default_rng(9)
    called = trials = 0
    for _ in range(60):
        values = null_values(rng, 12)
        ends = {name: v + rng.normal(0, 1.0, 12) for name, v in values.items()}
        rows = readings(values, zone="roots", repeats=2, noise=0.3, rng=rng)
        rows += readings(ends, zone="ends", repeats=2, noise=0.3, rng=rng)
        for found in compare_treatments(rows, measure="fade"):
            assert found.method == "mixed model"
            trials += 1
            called += found.is_resolved

    assert lower_limit(called, trials) <= 0.05, (called, trials)


def test_repeats_do_not_count_as_tresses():
    """Twenty photos of two tresses each: still two tresses, and hardly anything is known."""
    rng = np.random.default_rng(3)
    rows = readings(
        {"A": [1.0, 3.0], "B": [2.0, 4.2]}, paired=False, repeats=20, noise=0.1, rng=rng
    )

    (found,) = compare_treatments(rows, measure="fade")

    assert (found.n_a, found.n_b) == (2, 2)
    assert not found.is_resolved
    assert found.high - found.low > 5


def test_a_clear_difference_is_told_with_its_direction():
    (found,) = compare_treatments(readings({"A": [5.0, 5.2, 4.9, 5.1], "B": [2.0, 2.3, 1.8, 2.1]}),
                                  measure="fade", margin=1.0)  # fmt: skip

    assert found.method == "paired t"
    assert found.is_resolved
    assert not found.is_equivalent
    assert found.verdict == "A reads higher than B"
    assert found.bootstrap[0] <= found.difference <= found.bootstrap[1]


def test_equality_within_the_margin_is_told():
    (found,) = compare_treatments(
        readings({"A": [5.0, 5.2, 4.9, 5.1], "B": [5.1, 5.1, 4.9, 5.2]}), measure="x", margin=1.0
    )

    assert found.verdict == "equal within the margin of 1"


def test_neither_is_told_where_neither_is_shown():
    (found,) = compare_treatments(
        readings({"A": [1.0, 5.2, 4.9], "B": [5.0, 2.1, 4.9]}), measure="x", margin=1.0
    )

    assert found.verdict.startswith("not resolved")


def test_a_treatment_with_one_tress_is_told_and_the_rest_computed():
    rows = readings({"A": [5.0, 5.2, 4.9], "B": [2.0, 2.3, 1.8]}, paired=False)
    rows += readings({"C": [3.0]}, paired=False)

    found = {(c.treatment_a, c.treatment_b): c for c in compare_treatments(rows, measure="x")}

    assert found["A", "C"].verdict == "cannot tell: C has 1 tress; 2 or more are needed"
    assert found["A", "C"].low is None
    assert found["A", "B"].is_resolved


def test_p_is_raised_over_the_pairs_of_treatments():
    rows = readings(
        {"A": [5.0, 5.5, 4.6], "B": [4.0, 4.7, 3.7], "C": [3.9, 4.4, 4.0]}, paired=False
    )

    found = compare_treatments(rows, measure="x")

    assert [c.p_holm for c in found] == pytest.approx(holm([c.p for c in found]))


def test_treatments_come_in_the_order_of_the_study():
    rows = readings({"B": [1.0, 2.0], "A": [1.0, 3.0]})

    (found,) = compare_treatments(rows, measure="x", order=["A", "B"])

    assert (found.treatment_a, found.treatment_b) == ("A", "B")


def test_one_treatment_is_nothing_to_compare():
    with pytest.raises(MeasureError, match="Only A was measured"):
        compare_treatments(readings({"A": [1.0, 2.0]}), measure="x")
    with pytest.raises(MeasureError, match="No treatment was measured"):
        compare_treatments([], measure="x")


def test_the_table_has_the_columns_of_the_contract():
    found = compare_treatments(readings({"A": [1.0, 2.0], "B": [2.0, 3.5]}), measure="x")

    columns = comparisons_frame(found).columns[:13].tolist()

    assert columns == ["measure", "zone", "wash", "treatment_a", "treatment_b", "difference", "low",
                       "high", "p_holm", "margin", "verdict", "n_a", "n_b"]  # fmt: skip
    assert found[0].to_frame().shape[0] == 1

"""Repeats: certified and worked examples, how many are needed, plans."""

from __future__ import annotations

import numpy as np
import pytest
from published import read_shared
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from hairtone.errors import MeasureError
from hairtone.measures.design import (
    effect_seen,
    measure_repeatability,
    plan_design,
    power_of,
    repeat_covariance,
    repeats_for_standard_error,
    repeats_needed,
    scatter,
    tresses_needed,
)

SIRSTV = read_shared("strd_sirstv_data.csv")
CERTIFIED = {r["quantity"]: r["certified"] for r in read_shared("strd_sirstv_certified.csv")}
H5 = read_shared("jcgm100_h5.csv")


def with_mean_and_sd(mean, sd, count=5):
    """Values of exactly this mean and SD."""
    shape = np.arange(count) - (count - 1) / 2
    return mean + sd * shape / shape.std(ddof=1)


def test_scatter_agrees_with_nist_sirstv():
    """Certified F, sums of squares and repeatability SD, to 9 digits."""
    groups = [[r["value"] for r in SIRSTV if r["instrument"] == k] for k in range(1, 6)]

    found = measure_repeatability(groups)

    assert found.f == pytest.approx(CERTIFIED["F"], rel=1e-9)
    assert found.mean_square_between * 4 == pytest.approx(CERTIFIED["SS_between"], rel=1e-8)
    assert found.mean_square_within * 20 == pytest.approx(CERTIFIED["SS_within"], rel=1e-8)
    repeat = CERTIFIED["s_within = repeatability s_r"]
    assert found.within.sd == pytest.approx(repeat, rel=1e-9)
    assert found.p == pytest.approx(stats.f_oneway(*groups).pvalue, rel=1e-9)


def test_scatter_agrees_with_jcgm_100_h_5():
    """Ten days of five readings, Table H.9. Printed: 57 µV of the daily means, 85 µV within, 43 µV
    between days, F 2.25; half the last digit, F 0.02 because the guide rounds its parts first."""
    groups = [with_mean_and_sd(r["mean"], r["sd"]) for r in H5]

    found = measure_repeatability(groups)

    assert np.std([r["mean"] for r in H5], ddof=1) == pytest.approx(57, abs=0.5)
    assert found.within.sd == pytest.approx(85, abs=0.5)
    assert found.f == pytest.approx(2.25, abs=0.02)
    assert found.between.sd == pytest.approx(43, abs=0.5)
    whole = np.sqrt(found.mean_square_between / 50)
    assert whole == pytest.approx(18, abs=0.5)  # u of the mean of all


def test_limits_of_a_scatter_agree_with_the_chi_square_law():
    """s·sqrt(ν/χ²), scipy."""
    found = scatter(4.0, 9, factor="repeat", n=10)

    assert found.low == pytest.approx(2 * np.sqrt(9 / stats.chi2.ppf(0.975, 9)))
    assert found.high == pytest.approx(2 * np.sqrt(9 / stats.chi2.ppf(0.025, 9)))


def test_total_scatter_is_that_of_one_reading_anywhere():
    """Simulated groups: SD 1 between and 0.5 within are 1.118 together; 4 standard errors."""
    rng = np.random.default_rng(0)
    groups = [rng.normal(m, 0.5, 4) for m in rng.normal(0, 1.0, 400)]

    found = measure_repeatability(groups)

    assert found.total.sd == pytest.approx(np.hypot(1.0, 0.5), rel=4 / np.sqrt(2 * 400))
    assert found.between.sd == pytest.approx(1.0, rel=0.15)
    assert found.within.low < 0.5 < found.within.high
    assert found.to_frame().factor.tolist() == ["repeat", "between", "reproducibility"]


def test_groups_that_do_not_differ_scatter_by_nothing():
    found = measure_repeatability([[1.0, 2.0, 3.0], [1.0, 2.0, 3.0]])

    assert found.between.sd == 0.0
    assert found.between.high is None


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0], [2.0]], []])
def test_no_repeats_are_told(groups):
    with pytest.raises(MeasureError, match="tell no scatter of repeats"):
        measure_repeatability(groups)


def test_covariance_of_repeats_is_pooled_over_groups():
    rng = np.random.default_rng(0)
    true = np.diag([0.31, 0.2, 0.25]) ** 2
    groups = [rng.multivariate_normal(m, true, 4) for m in rng.normal(40, 10, (300, 3))]

    found, freedom = repeat_covariance(groups)

    assert freedom == 900
    assert np.diag(found) == pytest.approx(np.diag(true), rel=4 * np.sqrt(2 / 900))


def test_no_state_photographed_twice_is_told():
    with pytest.raises(MeasureError, match="No state of any hair was photographed twice"):
        repeat_covariance([[[40.0, 9, 15]], [[41.0, 9, 15]]])


@pytest.mark.parametrize(("sd", "count"), [(0.31, 4), (0.7, 11)])
def test_repeats_needed_for_half_a_unit(sd, count):
    """Smallest n with t(0.975, n-1)·s/sqrt(n) <= 0.5: checked by scipy's t on both sides."""

    def half(n):
        return stats.t.ppf(0.975, n - 1) * sd / np.sqrt(n)

    found = repeats_needed(sd, half_width=0.5)

    assert found == count
    assert half(count) <= 0.5 < half(count - 1)


@pytest.mark.parametrize("row", read_shared("lock_e1345_DERIVED.csv"))
def test_unchanged_repeats_for_a_standard_error(row):
    """n = (s/SE)², a lock: ASTM E1345 from memory."""
    found = repeats_for_standard_error(row["s"], standard_error=row["SE_goal"])

    assert found == row["n_required"]


@pytest.mark.parametrize(("effect", "count"), [(1.0, 17), (1.5, 9), (2.0, 6)])
def test_tresses_needed_agree_with_statsmodels(effect, count):
    """Two-sided 5 %, power 0.80."""
    exact = TTestIndPower().solve_power(effect_size=effect, alpha=0.05, power=0.8)

    assert tresses_needed(effect=effect) == count == int(np.ceil(exact))


@pytest.mark.parametrize("paired", [True, False])
def test_the_effect_that_a_plan_sees_is_the_one_its_tresses_are_needed_for(paired):
    found = effect_seen(9, paired=paired)

    assert power_of(9, effect=found, paired=paired) == pytest.approx(0.8, abs=1e-6)
    assert tresses_needed(effect=found * 1.001, paired=paired) == 9


def test_power_agrees_with_statsmodels_and_with_simulation():
    rng = np.random.default_rng(0)
    one, two = rng.normal(1.0, 1.0, (4000, 9)), rng.normal(0, 1.0, (4000, 9))
    seen = (stats.ttest_ind(one, two, axis=1).pvalue < 0.05).mean()

    found = power_of(9, effect=1.0)

    assert found == pytest.approx(TTestIndPower().power(1.0, 9, 0.05), rel=1e-6)
    assert seen == pytest.approx(found, abs=0.025)  # 3 standard errors of 4000 studies
    assert power_of(8, effect=1.0, paired=True) == pytest.approx(
        TTestPower().power(1.0, 8, 0.05), rel=1e-6
    )


@pytest.mark.parametrize(
    "call",
    [
        lambda: repeats_needed(0.0, half_width=0.5),
        lambda: repeats_needed(1.0, half_width=0.001),
        lambda: repeats_for_standard_error(1.0, standard_error=0.0),
        lambda: tresses_needed(effect=0.0),
        lambda: tresses_needed(effect=1.0, power=1.0),
    ],
)
def test_questions_without_an_answer_are_a_programmers_slip(call):
    with pytest.raises(ValueError, match=r"must be above 0|would be needed"):
        call()


def test_a_plan_deals_every_treatment_to_every_pair():
    plan = plan_design(["plain", "levelled"], tresses=6, blocks=["lot 1", "lot 2"], seed=4)

    key = plan.key_frame()

    assert (key.groupby("pair").treatment.nunique() == 2).all()
    assert (key.groupby("pair").block.nunique() == 1).all()
    assert plan.smallest_effect == pytest.approx(effect_seen(6, paired=True))
    assert (key.groupby("block").pair.nunique() == 3).all()
    assert sorted(key.order) == list(range(1, 13))
    assert key.subject.is_unique


def test_the_sheet_of_a_plan_is_blinded_and_complete():
    plan = plan_design(["plain", "levelled"], tresses=4, washes=[1, 4], replicates=2, seed=1)

    sheet = plan.to_frame()

    assert len(sheet) == 8 * 4 * 2
    assert sheet.photo.is_unique
    assert set(sheet.wash) == {"before", "0", "1", "4"}
    assert (
        not sheet.astype(str).map(lambda cell: "plain" in cell or "levelled" in cell).any(axis=None)
    )
    assert set(sheet.treatment) == {"A", "B"}


def test_the_same_seed_gives_the_same_plan_and_others_differ():
    plans = [plan_design(["a", "b"], tresses=8, seed=seed).key_frame() for seed in (3, 3, 4)]

    assert plans[0].equals(plans[1])
    assert not plans[0].equals(plans[2])


def test_letters_do_not_follow_the_order_of_treatments():
    named = {
        tuple(
            sorted(
                (t.letter, t.treatment) for t in plan_design(["a", "b"], tresses=2, seed=s).tresses
            )
        )
        for s in range(12)
    }

    assert len(named) == 2


@pytest.mark.parametrize(("names", "tresses"), [(["a"], 5), (["a", "a"], 5), (["a", "b"], 1)])
def test_plans_that_compare_nothing_are_refused(names, tresses):
    with pytest.raises(MeasureError, match="Plan two different treatments"):
        plan_design(names, tresses=tresses, seed=0)

"""The mixed model: published fits, closed forms, a second implementation, refusals."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import statsmodels
from published import read_shared
from scipy import stats

from hairtone.errors import MeasureError
from hairtone.measures.mixed import fit_mixed

OATS = read_shared("oats_yates_1935.csv")
VARIETIES = ("Golden Rain", "Marvellous", "Victory")
NITRO = (0.0, 0.2, 0.4, 0.6)
LEFT_OUT = {1, 2, 3, 5, 8, 13, 21, 34, 55}  # rows, as in the printed example


def pastes():
    """Davies and Goldsmith (1972), section 6.5, as a table of the statsmodels tests."""
    path = Path(statsmodels.__file__).parent / "regression" / "tests" / "results" / "pastes.csv"
    if not path.is_file():
        pytest.skip("this statsmodels comes without its test data")
    with path.open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def two_groups(rng, ones, twos, shared=()):
    """Readings of two treatments and the columns of mean and difference."""
    code = np.r_[np.full(len(ones), 0.5), np.full(len(twos), -0.5)]
    return np.r_[ones, twos], np.c_[np.ones(len(code)), code]


def test_nested_parts_agree_with_a_published_fit():
    """Printed by lme4 for these data, half the last digit: 60.0533, SE 0.6769, batch 1.657,
    residual 0.678, as the tests of statsmodels quote it."""
    rows = pastes()
    batch = [r["batch"] for r in rows]
    cask = [(r["batch"], r["cask"]) for r in rows]

    found = fit_mixed(
        [float(r["strength"]) for r in rows], np.ones((len(rows), 1)), groups=[batch, cask]
    )

    assert found.means[0] == pytest.approx(60.0533, abs=0.5e-4)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(0.6769, abs=0.5e-4)
    assert found.variances[0] == pytest.approx(1.657, abs=0.5e-3)
    assert found.variances[2] == pytest.approx(0.678, abs=0.5e-3)
    assert found.freedom([1.0]) == pytest.approx(9)  # closed form: ten batches


def test_unbalanced_plots_agree_with_a_published_kenward_roger_table():
    """Yates's oats without nine plots. Means, SEs and degrees of freedom (Kenward-Roger) as
    printed in the vignette "Sophisticated models" of the R package emmeans."""
    rows = [r for r in OATS if int(r["row"]) not in LEFT_OUT]
    fixed = [
        [r["variety"] == v for v in VARIETIES] + [r["nitro"] == n for n in NITRO[1:]] for r in rows
    ]
    found = fit_mixed(
        [r["yield"] for r in rows],
        np.array(fixed, float),
        groups=[[r["block"] for r in rows], [(r["block"], r["variety"]) for r in rows]],
    )

    printed = ((78.9, 7.29, 7.78), (97.0, 7.14, 7.19), (114.2, 7.14, 7.19), (124.1, 7.07, 6.95))
    for at, (mean, error, freedom) in enumerate(printed):
        contrast = np.r_[np.full(3, 1 / 3), np.arange(1, 4) == at]
        assert contrast @ found.means == pytest.approx(mean, abs=0.05)
        assert np.sqrt(found.variance(contrast)) == pytest.approx(error, abs=0.005)
        assert found.freedom(contrast) == pytest.approx(freedom, abs=0.005)


def test_complete_pairs_give_the_paired_t_whatever_the_scatter():
    rng = np.random.default_rng(0)
    shared = rng.normal(0, 1, 12)
    one, two = shared + rng.normal(0.5, 0.4, 12), shared + rng.normal(0, 1.1, 12)
    values, fixed = two_groups(rng, one, two)
    pairs = [*range(12), *range(12)]

    for scatter in (None, fixed[:, 1].tolist()):
        found = fit_mixed(values, fixed, groups=[pairs], scatter=scatter)

        assert found.means[1] == pytest.approx(one.mean() - two.mean(), abs=1e-9)
        assert found.variance([0, 1]) == pytest.approx((one - two).var(ddof=1) / 12, rel=1e-6)
        assert found.freedom([0, 1]) == pytest.approx(11, rel=1e-6)


def test_scatters_of_their_own_give_the_welch_t():
    rng = np.random.default_rng(1)
    one, two = rng.normal(0, 1.6, 12), rng.normal(0, 0.6, 36)
    values, fixed = two_groups(rng, one, two)
    second = stats.ttest_ind(one, two, equal_var=False)

    found = fit_mixed(values, fixed, scatter=fixed[:, 1].tolist())

    assert found.freedom([0, 1]) == pytest.approx(second.df, rel=1e-6)
    assert found.means[1] / np.sqrt(found.variance([0, 1])) == pytest.approx(
        second.statistic, rel=1e-6
    )


@pytest.mark.parametrize("seed", range(6))
def test_balanced_studies_give_plain_means(seed):
    """The design on which an unchecked optimiser returned wrong means: tresses over three zones."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 0.05, (24, 1)) + rng.normal(0, 1, (24, 3))
    cells = np.repeat([0, 1], 12)[:, None] * 3 + np.arange(3)
    fixed = np.eye(6)[cells.ravel()]
    tresses = np.repeat(np.arange(24), 3)

    found = fit_mixed(values.ravel(), fixed, groups=[tresses.tolist()])

    plain = [values.ravel()[cells.ravel() == cell].mean() for cell in range(6)]
    assert found.means == pytest.approx(plain, abs=1e-9)
    assert np.isfinite(found.log_likelihood)


def test_a_second_implementation_agrees():
    """statsmodels' MixedLM on pairs that lack partners, where it converges: llf and means."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(3)
    shared = rng.normal(0, 1.5, 16)
    one, two = shared + rng.normal(0.5, 0.5, 16), shared + rng.normal(0, 0.5, 16)
    values, fixed = two_groups(rng, one, two)
    kept = np.setdiff1d(np.arange(32), [0, 3, 20, 29])
    pairs = np.r_[np.arange(16), np.arange(16)][kept]

    found = fit_mixed(values[kept], fixed[kept], groups=[pairs.tolist()])
    second = MixedLM(values[kept], fixed[kept], groups=pairs).fit(reml=True)

    assert second.converged
    assert found.means == pytest.approx(second.fe_params, abs=1e-4)
    assert found.log_likelihood == pytest.approx(second.llf, abs=1e-5)
    assert found.variances[1] == pytest.approx(second.scale, rel=1e-3)


def test_weights_rebuild_the_means():
    rng = np.random.default_rng(4)
    values, fixed = two_groups(rng, rng.normal(size=8), rng.normal(size=6))
    pairs = [*range(8), *range(6)]

    found = fit_mixed(values, fixed, groups=[pairs])

    assert found.weights @ values == pytest.approx(found.means)


def test_the_unit_does_not_matter():
    rng = np.random.default_rng(5)
    values, fixed = two_groups(rng, rng.normal(size=9), rng.normal(size=7))
    pairs = [*range(9), *range(7)]
    one, two = (fit_mixed(s * values, fixed, groups=[pairs]) for s in (1.0, 1e4))

    assert two.means == pytest.approx(1e4 * one.means)
    assert two.variances == pytest.approx(1e8 * one.variances)


def test_parts_that_the_design_cannot_tell_apart_are_refused():
    values, fixed = two_groups(None, np.array([1.0, 2.0, 2.5]), np.array([2.0, 3.0, 1.0]))

    with pytest.raises(MeasureError, match="do not tell"):
        fit_mixed(values, fixed, groups=[[0, 1, 2, 3, 4, 5]])
    with pytest.raises(MeasureError, match="do not tell"):
        fit_mixed(values[:2], fixed[[0, 3]])

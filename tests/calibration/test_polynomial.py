"""Polynomials over the frame: their terms, and fits that outliers do not move."""

from __future__ import annotations

import numpy as np
import pytest

from hairtone.calibration.polynomial import COUNTS, fit_robust, middle_of, terms

RNG = np.random.default_rng(8)
POINTS = RNG.uniform(-1, 1, (400, 2))


def test_terms_are_all_products_order_by_order():
    """Every x^i y^j of orders 1 to 4, once each."""
    x, y = POINTS.T
    wanted = [x ** (order - j) * y**j for order in range(1, 5) for j in range(order + 1)]

    found = terms(POINTS, count=COUNTS[-1])

    assert found.shape == (400, 14)
    assert found == pytest.approx(np.stack(wanted, axis=1))
    for count in COUNTS:
        assert (terms(POINTS, count=count) == found[:, :count]).all()


@pytest.mark.parametrize("count", [1, 2, 7, 8])
def test_the_middle_is_the_median(count):
    values = RNG.normal(size=count)

    assert middle_of(values) == np.median(values)


def test_a_smooth_field_is_found_through_one_point_in_four_far_off():
    """Noise 0.01 over 300 good points and 6 unknowns: standard errors under 0.002."""
    design = terms(POINTS, count=5)
    truth = np.array([0.3, -0.2, 0.1, 0.05, -0.15])
    values = 1.5 + design @ truth + RNG.normal(0, 0.01, 400)
    values[::4] += RNG.uniform(0.2, 2.0, 100)

    found = fit_robust(design, values, ridge=10.0)

    assert found.level == pytest.approx(1.5, abs=0.006)
    assert found.coefficients == pytest.approx(truth, abs=0.01)
    assert found.weights[::4].max() == 0.0
    assert np.mean(found.weights[1::4]) > 0.85  # Tukey's weight on normal noise: 0.91 on average


def test_a_ridge_draws_coefficients_to_none_and_leaves_the_level():
    """Closed form of ridge regression, (X'X + (s/r)² I)⁻¹ X'y, where no point lies off.

    s is the spread of what is left: 1.4826 median |rest|.
    """
    x = np.linspace(-1, 1, 201)[:, None]
    values = 2.0 + 0.5 * x[:, 0] + np.tile([0.1, -0.1, 0.0], 67)

    strict = fit_robust(x, values, ridge=0.01)
    loose = fit_robust(x, values, ridge=100.0)

    assert loose.coefficients == pytest.approx([0.5], abs=0.01)
    assert strict.coefficients[0] < 0.5 * loose.coefficients[0]
    assert strict.level == pytest.approx(2.0, abs=0.02)
    rest = values - strict.level - x[:, 0] * strict.coefficients[0]
    spread = 1.4826 * np.median(np.abs(rest)) + 1e-4
    weights = np.maximum(1 - (rest / (4.685 * spread)) ** 2, 0) ** 2
    full = np.column_stack([np.ones(201), x])
    hold = np.diag([0.0, (spread / 0.01) ** 2])
    by_hand = np.linalg.solve(
        full.T @ (weights[:, None] * full) + hold, full.T @ (weights * values)
    )
    assert strict.coefficients[0] == pytest.approx(by_hand[1], rel=0.05)  # the rounds have settled

"""Shapiro and Wilk's test against SciPy's and against what must not change it."""

import numpy as np
import pytest
from charscreen.models.normality import shapiro_wilk
from scipy.stats import shapiro


@pytest.mark.parametrize("n", [4, 5, 6, 11, 12, 50, 500, 5000])
@pytest.mark.parametrize("kind", ["normal", "exponential", "random"])
def test_it_agrees_with_scipy(n, kind):
    values = getattr(np.random.default_rng(n), kind)(size=n)
    statistic, p = shapiro_wilk(values)
    expected = shapiro(values)
    # SciPy's normal quantiles carry nine digits, ours all; p at n = 5000 is the most sensitive.
    assert statistic == pytest.approx(expected.statistic, rel=2e-9)
    assert p == pytest.approx(expected.pvalue, rel=1e-5, abs=1e-12)


def test_order_place_and_unit_of_the_values_do_not_matter():
    values = np.random.default_rng(3).normal(size=40)
    W, p = shapiro_wilk(values)
    for other in (values[::-1], -values, 1e5 + 7.0 * values):
        assert shapiro_wilk(other) == pytest.approx((W, p), rel=1e-8)


def test_equal_values_do_not_speak_against_it():
    assert shapiro_wilk(np.full(9, 2.5)) == (1.0, 1.0)


@pytest.mark.parametrize("n", [3, 5001])
def test_numbers_of_values_outside_the_approximation_are_refused(n):
    with pytest.raises(ValueError, match=f"takes 4 to 5000 values, not {n}"):
        shapiro_wilk(np.arange(float(n)))

"""Propagation of uncertainty: algebra that has a closed form, bad input, balance readings."""

import numpy as np
import pytest
from charscreen.uncertainty import propagate, reading_uncertainty, shortest_interval


def test_sum_adds_in_quadrature():
    y, u = propagate(lambda a, b: a + b, [3.0, 4.0], [0.3, 0.4])
    assert y == 7.0
    assert u == pytest.approx(0.5, rel=1e-9)


def test_ratio_adds_relative_uncertainties():
    y, u = propagate(lambda a, b: a / b, [10.0, 4.0], [0.1, 0.08])
    assert y == 2.5
    assert u / y == pytest.approx(np.hypot(0.01, 0.02), rel=1e-4)


def test_full_correlation_cancels_in_a_ratio():
    _, u = propagate(lambda a, b: a / b, [10.0, 4.0], [0.1, 0.04], np.ones((2, 2)))
    assert u == pytest.approx(0.0, abs=1e-6)


def test_negative_correlation_adds_straight_in_a_ratio():
    r = np.array([[1.0, -1.0], [-1.0, 1.0]])
    y, u = propagate(lambda a, b: a / b, [10.0, 4.0], [0.1, 0.04], r)
    assert u / y == pytest.approx(0.02, rel=1e-4)


def test_rows_and_outputs_at_once():
    y, u = propagate(
        lambda a, b: np.stack([a + b, a - b]),
        [np.array([1.0, 2.0, np.nan]), np.array([5.0, 5.0, 5.0])],
        [np.array([3.0, 0.0, 1.0]), np.array([4.0, 4.0, 4.0])],
    )
    assert y.shape == u.shape == (2, 3)
    np.testing.assert_allclose(u[:, :2], [[5.0, 4.0], [5.0, 4.0]], rtol=1e-9)
    assert np.isnan(u[0, 2])


def test_missing_input_that_is_not_used_does_no_harm():
    y, u = propagate(lambda a, b: np.where(np.isnan(b), 2 * a, b), [1.0, np.nan], [0.1, np.nan])
    assert (y, u) == (2.0, pytest.approx(0.2, rel=1e-9))


@pytest.mark.parametrize(
    ("u", "r", "message"),
    [
        ([0.1], None, "2 values but 1 uncertainties"),
        ([0.1, -0.1], None, "negative"),
        ([0.1, 0.1], np.eye(3), r"\(3, 3\), not \(2, 2\)"),
        ([0.1, 0.1], np.array([[1, 0.5], [0.2, 1]]), "symmetric"),
        ([0.1, 0.1], np.array([[1, 2.0], [2.0, 1]]), "cannot all hold"),
    ],
)
def test_bad_input_is_refused(u, r, message):
    with pytest.raises(ValueError, match=message):
        propagate(lambda a, b: a + b, [1.0, 2.0], u, r)


def test_shortest_interval_of_a_skewed_sample_starts_at_its_foot():
    draws = np.random.default_rng(5).exponential(size=200_000)
    lo, hi = shortest_interval(draws, coverage=0.9)
    # The density falls from zero on, so the shortest 90 % run from 0 to ln 10.
    assert lo == pytest.approx(0.0, abs=0.01)
    assert hi == pytest.approx(np.log(10), rel=0.02)


@pytest.mark.parametrize("coverage", [0.0, 1.0, 95])
def test_coverage_is_a_share(coverage):
    with pytest.raises(ValueError, match="not between 0 and 1"):
        shortest_interval(np.arange(10.0), coverage=coverage)


def test_readability_counts_as_a_rectangle_in_each_reading():
    rng = np.random.default_rng(7)
    true = rng.uniform(5, 6, 100_000)
    tare = rng.uniform(1, 2, 100_000)
    shown = np.round(true, 1) - np.round(tare, 1)
    u = reading_uncertainty(readability_g=0.1, repeatability_g=0.0, readings=2)
    assert np.std(shown - (true - tare)) == pytest.approx(u, rel=0.02)

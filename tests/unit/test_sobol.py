"""Scrambled Sobol points against SciPy's, bit by bit."""

import warnings

import numpy as np
import pytest
from charscreen.mixed.sobol import DIRECTIONS, sobol_points
from scipy.stats import qmc


@pytest.mark.parametrize("dimensions", [1, 2, 6, len(DIRECTIONS), len(DIRECTIONS) + 1])
@pytest.mark.parametrize("count", [1, 2, 100, 2048])
def test_they_are_those_of_scipy(dimensions, count):
    ours, theirs = np.random.default_rng(7), np.random.default_rng(7)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # counts that are no power of two
        for _ in range(2):  # and both leave the generator alike
            points = sobol_points(dimensions, count, ours)
            expected = qmc.Sobol(d=dimensions, scramble=True, rng=theirs).random(count)
            np.testing.assert_array_equal(points, expected)
    assert ours.random() == theirs.random()
    assert points.min() >= 0.0
    assert points.max() < 1.0

"""Ranks in each draw and their counts, against SciPy's ranks one way round."""

import numpy as np
import pytest
from charscreen.rank.draw_ranks import count_ranks, draw_ranks
from scipy.stats import rankdata


@pytest.mark.parametrize("levels", [2, 5, 1_000_000])
def test_first_and_last_ranks_are_those_of_scipy_whatever_the_ties(levels):
    values = np.random.default_rng(levels).integers(-levels, levels, size=(300, 13)) / 8.0
    first, last = draw_ranks(values)
    assert (first == rankdata(-values, method="min", axis=1)).all()
    assert (last == rankdata(-values, method="max", axis=1)).all()


def test_all_alike_share_all_ranks():
    first, last = draw_ranks(np.array([[0.0, -0.0, 0.0], [3.0, 1.0, 2.0]]))
    assert first.tolist() == [[1, 1, 1], [1, 3, 2]]
    assert last.tolist() == [[3, 3, 3], [1, 3, 2]]


def test_counts_of_ranks_add_up_to_the_draws():
    first, _ = draw_ranks(np.array([[3.0, 1.0], [1.0, 3.0], [2.0, 1.0]]))
    assert count_ranks(first).tolist() == [[0, 2, 1], [0, 1, 2]]


def test_one_candidate_is_first():
    first, last = draw_ranks(np.zeros((2, 1)))
    assert first.tolist() == last.tolist() == [[1], [1]]

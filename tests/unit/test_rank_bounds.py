"""Short cuts of the comparison against the long way: bounds of medians, sources of some."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.sensitivity import median_bounds, thinning, weight_sensitivity


@pytest.mark.parametrize("n_draws", [1, 2, 7, 100, 101])
@pytest.mark.parametrize("n_parts", [1, 2, 3])
def test_the_median_of_a_weighted_sum_lies_within_the_bounds_of_its_parts(n_draws, n_parts):
    rng = np.random.default_rng(n_draws)
    parts = rng.standard_cauchy((n_draws, 40, n_parts)).round(1)
    low, high = median_bounds(parts)
    for weights in rng.dirichlet(np.ones(n_parts), size=20):
        median = np.median(parts @ weights, axis=0)
        assert (low @ weights <= median + 1e-12).all()
        assert (median <= high @ weights + 1e-12).all()


def test_the_choice_at_each_weight_is_that_of_all_medians():
    rng = np.random.default_rng(5)
    names = [f"c{k:02d}" for k in range(30)]
    first, second = (np.exp(rng.normal(0, 0.3, 30) + rng.normal(0, 0.2, (201, 30))) for _ in "ab")
    draws = pd.DataFrame(
        {f"m|{name}": first[:, k] for k, name in enumerate(names)}
        | {f"n|{name}": second[:, k] for k, name in enumerate(names)}
    )
    table = weight_sensitivity(draws, {"m": 1.0, "n": 1.0}, {"m": "more", "n": "more"})
    rows = table[table["quantity"] == "m"]
    assert len(rows) > 1
    for share in range(101):
        medians = np.median(first ** (share / 100) * second ** (1 - share / 100), axis=0)
        here = rows[(rows["from"] <= share) & (share <= rows["to"])]
        assert names[int(np.argmax(medians))] in set(here["candidate"])


@pytest.mark.parametrize(("n_draws", "step"), [(0, 1), (1, 1), (1000, 1), (1001, 2), (4000, 4)])
def test_of_many_draws_some_thousand_are_taken_evenly(n_draws, step):
    assert thinning(n_draws) == step
    assert len(np.arange(n_draws)[:: thinning(n_draws)]) <= 1000

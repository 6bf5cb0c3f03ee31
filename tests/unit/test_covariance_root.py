"""The root of a covariance of shared levels against the inverse of the whole matrix."""

import numpy as np
import pandas as pd
import pytest
from charscreen.propose.covariance import Levels, solve
from charscreen.propose.feasible import existing_lots

N = 30


def ties(rng):
    """Feedstocks, their slopes, firings of which some rows have none, and lots of one row each."""
    feed, firing = rng.integers(0, 4, N), rng.integers(-1, 6, N)
    return [
        (feed, np.ones(N)),
        (feed, rng.normal(size=N)),
        (firing, np.ones(N)),
        (np.arange(N), np.ones(N)),
    ]


def dense(levels, variances, own):
    """The same covariance written out."""
    total = np.diag(own)
    for variance, (codes, weights) in zip(variances, levels, strict=True):
        same = (codes[:, None] == codes) & (codes >= 0)
        total += variance * same * np.outer(weights, weights)
    return total


@pytest.mark.parametrize("variances", [[0.5, 0.1, 0.2, 0.3], [0.0, 0.0, 1e4, 0.0], [0.0] * 4])
def test_products_through_the_root_are_those_of_the_inverse(variances):
    rng = np.random.default_rng(1)
    levels, own = ties(rng), rng.uniform(0.01, 1.0, N)
    inverse = np.linalg.inv(dense(levels, variances, own))
    root = Levels(levels, N).root(np.array(variances), own)
    columns = rng.normal(size=(N, 5))
    made = root.times(columns)
    np.testing.assert_allclose(made.T @ made, columns.T @ inverse @ columns, rtol=1e-7, atol=1e-9)
    x, y = np.column_stack([np.ones(N), columns[:, 0]]), columns[:, 1]
    found = solve(root, x, y)
    expected = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y)
    np.testing.assert_allclose(found.b, expected, rtol=1e-7)
    np.testing.assert_allclose(found.gram @ found.gram.T, x.T @ inverse @ x, rtol=1e-7)
    of_rest = made.T @ found.rest
    np.testing.assert_allclose(of_rest, columns.T @ inverse @ (y - x @ expected), atol=1e-7)


def test_without_shared_levels_rows_stand_by_themselves():
    own = np.array([0.5, 2.0])
    root = Levels([], 2).root(np.zeros(0), own)
    np.testing.assert_allclose(root.times(np.eye(2)), np.diag(own**-0.5))


def test_of_many_lots_at_hand_those_like_the_leaders_are_looked_at():
    rows = pd.DataFrame(
        {
            "feedstock": ["a", "b", "c", "a", "b"],
            "activation": ["none", "none", "none", "KOH", "none"],
            "aliquot": ["R1", "R2", "R3", "R4", "R5"],
        }
    )
    leaders = pd.DataFrame({"feedstock": ["a", "b", "a"], "activation": ["KOH", "none", "none"]})
    assert list(existing_lots(rows, leaders, most=5)["aliquot"]) == ["R1", "R2", "R3", "R4", "R5"]
    assert list(existing_lots(rows, leaders, most=3)["aliquot"]) == ["R2", "R4", "R5"]
    assert list(existing_lots(rows, leaders, most=4)["aliquot"]) == ["R1", "R2", "R4", "R5"]

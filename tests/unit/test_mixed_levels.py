"""Sums over levels against the same sums with whole matrices of zeros and entries."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed.crossproducts import group_levels
from charscreen.mixed.levels import (
    cross_levels,
    cross_pairs,
    nested_in,
    own_products,
    sum_by_level,
    sum_runs,
)
from charscreen.mixed.likelihood import sum_columns
from charscreen.mixed.random_part import read_random


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(4)
    n = 60
    frame = pd.DataFrame(
        {"firing": rng.integers(0, 5, n).astype(str), "lot": rng.integers(0, 9, n).astype(str),
         "x": rng.normal(size=n)}
    ).astype({"firing": object})  # fmt: skip
    frame.loc[::7, "firing"] = None
    return frame


def whole(term):
    """Z of a term, (n, levels)."""
    Z = np.zeros((len(term.codes), len(term.levels)))
    used = np.flatnonzero(term.codes >= 0)
    Z[used, term.codes[used]] = term.values[used]
    return Z


@pytest.mark.parametrize("codes", [[], [0, 0, 2], [1, 1, 3], [1], [4, 4, 4]])
def test_runs_of_equal_codes(codes):
    rows = np.random.default_rng(1).normal(size=(len(codes), 2))
    expected = np.zeros((5, 2))
    np.add.at(expected, codes, rows)
    codes = np.array(codes, dtype=int)
    np.testing.assert_allclose(sum_runs(codes, rows, 5), expected)
    np.testing.assert_allclose(sum_columns(codes, rows.T, 5), expected.T)


def test_sums_and_products_are_those_of_whole_matrices(data):
    terms, flags = read_random(["firing", "lot", "firing|x"], data)
    assert flags == []
    root = np.sqrt(np.random.default_rng(2).uniform(0.5, 2.0, len(data)))
    columns = np.random.default_rng(3).normal(size=(len(data), 3))
    for one in terms:
        Z1 = whole(one) * root[:, None]
        np.testing.assert_allclose(sum_by_level(one, columns, root), Z1.T @ columns)
        np.testing.assert_allclose(own_products(one, root), np.diag(Z1.T @ Z1))
        for two in terms:
            Z2 = whole(two) * root[:, None]
            np.testing.assert_allclose(cross_levels(one, two, root), Z1.T @ Z2, atol=1e-12)
            pairs, _ = cross_pairs(one, two, root)
            touched = (whole(one) != 0).T.astype(int) @ (whole(two) != 0)
            assert list(pairs) == list(np.flatnonzero(touched.ravel()))


def test_a_level_within_one_of_another_term():
    frame = pd.DataFrame(
        {"lot": ["a", "a", "b", "c", "d"], "firing": ["F1", "F1", "F2", "F1", None]}
    )
    (lot, firing), _ = read_random(["lot", "firing"], frame)
    assert list(nested_in(lot, firing)) == [0, 1, 0, -1]
    assert nested_in(firing, lot) is None


@pytest.mark.parametrize("ratio", [1.01, 4.0, 100.0, 5000.0])
def test_few_cross_products_stand_for_many(ratio):
    d = 0.3 * ratio ** np.random.default_rng(5).random(300)
    d[[3, 7]] = d[11]  # equal ones, and the ends, must not divide by zero
    d_group, shares = group_levels(d)
    assert len(d_group) < 60
    assert (d_group[0], d_group[-1]) == (d.min(), d.max())
    for phi in [0.0, *np.geomspace(1e-6, 1e8, 40)]:
        weight = phi / (1.0 + phi * d)
        np.testing.assert_allclose(phi / (1.0 + phi * d_group) @ shares, weight, rtol=1e-12)
        logs = np.log1p(phi * d_group) @ shares
        np.testing.assert_allclose(logs, np.log1p(phi * d), rtol=0, atol=1e-12 * (1 + logs.max()))


@pytest.mark.parametrize("d", [[2.0, 3.0, 2.0], [0.0, *np.linspace(1, 2, 50)], [1.0]])
def test_few_kinds_of_cross_products_and_a_zero_stay_as_they_are(d):
    d_group, shares = group_levels(np.array(d))
    assert d_group.tolist() == sorted(set(d))
    assert set(shares.ravel()) <= {0.0, 1.0}
    assert (d_group @ shares).tolist() == d


def test_no_level_makes_no_group():
    d_group, shares = group_levels(np.zeros(0))
    assert d_group.shape == (0,)
    assert shares.shape == (0, 0)

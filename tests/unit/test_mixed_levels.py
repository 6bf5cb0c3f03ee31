"""Sums over levels against the same sums with whole matrices of zeros and entries."""

import numpy as np
import pandas as pd
import pytest
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

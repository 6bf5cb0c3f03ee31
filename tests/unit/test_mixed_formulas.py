"""Plain formulas read by ourselves against the same ones read by formulaic."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import fit_mixed
from charscreen.mixed.formulas import _by_formulaic, _plain_terms, read_columns

PLAIN = [
    "y ~ 1",
    "y ~ feed",
    "y ~ 1 + t",
    "y ~ t + feed + on",
    "y ~ 1 + feed + feed:on + t + on",
    "y ~ 1 + feed + feed:on + on + side + side:t + t + count",
    "y ~ 1 + alone + t",
]
OTHERS = [
    "y ~ 0 + feed",
    "y ~ feed - 1",
    "y ~ feed * t",
    "y ~ feed + I(t ** 2)",
    "np.log(y) ~ feed",
    "y ~ feed + feed:on",
    "y ~ on + on:feed",
    "y ~ feed + side + feed:side",
    "y ~ t + t:on + on",
    "y ~ holes",
    "y ~ ordered",
    "y ~ numbers_with_holes",
    "y ~ flag",
    "y ~ mixed",
    "y ~ t + t",
    "y ~ `two words`",
]


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(2)
    n = 40
    return pd.DataFrame(
        {
            "y": rng.normal(5.0, 1.0, n),
            "feed": rng.permutation(np.resize(["straw", "Husk", "nut shell", "10"], n)),
            "side": rng.permutation(np.resize(["left", "right"], n)),
            "alone": "one",
            "t": rng.normal(size=n),
            "on": rng.permutation(np.resize([0.0, 1.0], n)),
            "count": rng.integers(1, 5, n),
            "flag": rng.random(n) > 0.5,
            "holes": np.resize(["a", None, "b"], n),
            "numbers_with_holes": np.resize([1.0, np.nan, 3.0], n),
            "ordered": pd.Categorical(np.resize(["b", "a"], n), ["b", "a", "c"]),
            "mixed": np.resize(np.array(["a", 1], dtype=object), n),
            "two words": rng.normal(size=n),
        }
    )


def _listed(pieces):
    """Terms with their columns one by one: a term without any may say so in several ways."""
    return [(name, factors, list(range(at.start, at.stop))) for name, factors, at in pieces]


@pytest.mark.parametrize("formula", PLAIN)
def test_plain_formulas_give_what_formulaic_gives(data, formula):
    assert _plain_terms(formula, data) is not None
    ours, theirs = read_columns(formula, data), _by_formulaic(formula, data)
    assert ours.response_name == theirs.response_name
    assert ours.names == theirs.names
    assert _listed(ours.pieces) == _listed(theirs.pieces)
    assert set(ours.required) == set(theirs.required)
    assert ours.categories == theirs.categories
    assert ours.numeric == pytest.approx(theirs.numeric)
    np.testing.assert_array_equal(ours.y, theirs.y)
    np.testing.assert_allclose(ours.full, theirs.full, rtol=0, atol=1e-15)
    few = data.iloc[[3, 0]].reset_index(drop=True)
    np.testing.assert_allclose(ours.matrix(few), theirs.matrix(few), rtol=0, atol=1e-15)


@pytest.mark.parametrize("formula", OTHERS)
def test_other_formulas_are_left_to_formulaic(data, formula):
    assert _plain_terms(formula, data) is None


def test_a_fit_is_the_same_read_either_way(data, monkeypatch):
    formula = "y ~ 1 + feed + feed:on + t + on"
    plain = fit_mixed(formula, data, ["side"])
    monkeypatch.setattr("charscreen.mixed.formulas._plain_terms", lambda *_: None)
    other = fit_mixed(formula, data, ["side"])
    pd.testing.assert_series_equal(plain.fixed_effects, other.fixed_effects, rtol=1e-12)
    pd.testing.assert_frame_equal(plain.test_terms(), other.test_terms(), rtol=1e-9)
    pd.testing.assert_frame_equal(
        plain.estimated_means("feed"), other.estimated_means("feed"), rtol=1e-9
    )

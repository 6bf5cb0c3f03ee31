"""Formulas, column types and names that a user may bring, and hollows of the deviance."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import MixedModelError, fit_mixed
from charscreen.mixed.marginality import bare_powers, contains, powers
from mixed_data import screen
from scipy.optimize import minimize

RANDOM = ["firing", "lot"]


@pytest.mark.parametrize(
    ("outer", "inner", "expected"),
    [
        (("I(t ** 2)",), ("t",), True),
        (("I(t ** 3)",), ("I(t ** 2)",), True),
        (("I(t ** 3)",), ("I(t * t)",), True),
        (("t",), ("I(t ** 2)",), False),
        (("I(((t - 700) / 100) ** 2)",), ("center(t)",), True),
        (("I(`my t` ** 2)",), ("my t",), True),
        (("a", "I(t ** 2)"), ("a", "t"), True),
        (("a", "t"), ("I(t ** 2)",), False),
        (("I(s * t)",), ("s",), True),
        (("np.log(t)",), ("t",), False),
        (("I(1 / t)",), ("t",), False),
        (("a", "b"), ("a",), True),
        (("a",), (), True),
        (("a",), ("a",), False),
    ],
)
def test_which_terms_contain_which(outer, inner, expected):
    assert contains(powers(outer), powers(inner)) is expected


def test_a_logarithm_beside_its_column_is_a_term_of_its_own():
    data = screen()
    fit = fit_mixed("y ~ T + np.log(T)", data, RANDOM)
    t_squared = fit.fixed_effects**2 / np.diag(fit.fixed_effects_cov_kr)
    table = fit.test_terms().set_index("term")
    np.testing.assert_allclose(table["F"], t_squared[table.index], rtol=1e-5)


def test_a_power_outside_a_call_is_pointed_out():
    assert bare_powers("y ~ a + x**2 + I(x ** 3) + poly(x, 2)") == ["x**2"]
    assert bare_powers("y ~ (a + b)**2") == []
    fit = fit_mixed("y ~ T + T**2", screen(), RANDOM)
    assert any("write I(T**2)" in flag for flag in fit.flags)


def test_terms_do_not_depend_on_where_a_polynomial_has_its_origin():
    data = screen()
    raw = fit_mixed("y ~ feed * T + I(T ** 2) + I(T ** 3)", data, RANDOM)
    shifted = fit_mixed(
        "y ~ feed * center(T) + I(((T - 700) / 50) ** 2) + I(((T - 700) / 50) ** 3)", data, RANDOM
    )
    for name in ("F", "df_den"):
        np.testing.assert_allclose(raw.test_terms()[name], shifted.test_terms()[name], rtol=2e-5)


def test_columns_may_have_spaces():
    data = screen()
    named = data.rename(columns={"firing": "char firing", "lot": "char lot", "T": "peak T"})
    named = named.rename(columns={"feed": "feed stock", "weight": "my weight"})
    plain = fit_mixed(
        "y ~ feed + I(T ** 2) + T", data, ["firing", "firing:lot", "feed|T"], weights="weight"
    )
    spaced = fit_mixed(
        "y ~ `feed stock` + I(`peak T` ** 2) + `peak T`",
        named,
        ["char firing", "char firing : char lot", "feed stock | peak T"],
        weights="my weight",
    )
    assert spaced.random == ["char firing", "char firing:char lot", "feed stock|peak T"]
    np.testing.assert_allclose(spaced.variance_components, plain.variance_components, rtol=1e-7)
    pd.testing.assert_frame_equal(
        spaced.estimated_means("feed stock").rename(columns={"feed stock": "feed"}),
        plain.estimated_means("feed"),
        rtol=1e-6,
    )
    pd.testing.assert_frame_equal(
        spaced.predict(named.head(3), "conditional"),
        plain.predict(data.head(3), "conditional"),
        rtol=1e-6,
    )


KINDS = {
    "category": {"feed": "category", "firing": "category"},
    "object": {"feed": object, "lot": object},
    "nullable": {"feed": "string", "y": "Float64", "crucible": "Int64"},
    "small": {"crucible": "int8", "T": "float32"},
}


@pytest.mark.parametrize("kind", KINDS)
def test_types_of_columns_do_not_matter(kind):
    data = screen()
    formula = "y ~ feed * T + crucible"
    plain = fit_mixed(formula, data, RANDOM)
    other = data.astype(KINDS[kind])
    fit = fit_mixed(formula, other, RANDOM)
    np.testing.assert_allclose(fit.fixed_effects, plain.fixed_effects, rtol=1e-6)
    np.testing.assert_allclose(
        fit.estimated_means("feed")["se"], plain.estimated_means("feed")["se"], rtol=1e-6
    )
    np.testing.assert_allclose(
        fit.predict(other.head(4))["mean"], plain.predict(data.head(4))["mean"], rtol=1e-6
    )


@pytest.mark.parametrize("index", ["repeated", "shuffled", "two levels"])
def test_the_index_of_the_rows_does_not_matter(index):
    data = screen()
    other = {
        "repeated": lambda: data.set_axis([0] * len(data)),
        "shuffled": lambda: data.set_axis(np.random.default_rng(1).permutation(len(data)) * 3 - 7),
        "two levels": lambda: data.set_index(["firing", "lot"], drop=False),
    }[index]()
    fit = fit_mixed("y ~ feed * poly(T, 2)", other, RANDOM)
    plain = fit_mixed("y ~ feed * poly(T, 2)", data, RANDOM)
    np.testing.assert_allclose(fit.fixed_effects, plain.fixed_effects, rtol=1e-9)
    assert fit.residuals.index.equals(other.index)
    assert fit.predict(other).index.equals(other.index)


def test_true_and_false_are_levels():
    data = screen().assign(again=lambda d: d["activation"] == "KOH")
    fit = fit_mixed("y ~ again * feed", data, RANDOM)
    words = fit_mixed("y ~ activation * feed", data, RANDOM)
    means = fit.estimated_means("again").set_index("again")
    expected = words.estimated_means("activation").set_index("activation")
    for flag, word in ((True, "KOH"), (False, "none")):
        assert means.loc[flag, "mean"] == pytest.approx(expected.loc[word, "mean"], rel=1e-9)
        assert means.loc[flag, "df"] == pytest.approx(expected.loc[word, "df"], rel=1e-6)


def test_a_level_without_rows_is_named_as_that():
    data = screen().assign(
        feed=lambda d: pd.Categorical(d["feed"], categories=["d", "c", "b", "a", "never"])
    )
    fit = fit_mixed("y ~ feed", data, RANDOM)
    assert any("no row has such a level" in flag and "never" in flag for flag in fit.flags)
    assert fit.estimated_means("feed")["feed"].tolist() == ["d", "c", "b", "a"]
    plain = fit_mixed("y ~ feed", screen(), RANDOM)
    assert fit.test_terms()["F"].iloc[0] == pytest.approx(plain.test_terms()["F"].iloc[0])


@pytest.mark.parametrize(("of_y", "of_x"), [(1e-14, 1e-12), (1e20, 1e9)])
def test_units_of_any_size(of_y, of_x):
    data = screen()
    scaled = data.assign(y=data["y"] * of_y, T=data["T"] * of_x)
    random = ["firing", "feed|T"]
    plain, fit = (fit_mixed("y ~ feed + T", rows, random) for rows in (data, scaled))
    assert fit.random == plain.random
    np.testing.assert_allclose(fit.test_terms()["F"], plain.test_terms()["F"], rtol=1e-6)
    np.testing.assert_allclose(fit.test_terms()["df_den"], plain.test_terms()["df_den"], rtol=1e-5)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"random": [3]}, "must be the name of a column, a:b or a|x, not 3"),
        ({"random": [""]}, "must be the name of a column"),
        ({"random": ["firing:"]}, "'firing:' is not of the form a, a:b or a|x"),
        ({"random": ["feed|"]}, "not of the form"),
        ({"formula": "y ~ feed + (1|firing)"}, "Random terms are given beside the formula"),
        ({"formula": "word ~ feed"}, "must be one column of numbers"),
        ({"weights": "word"}, "weights must be positive numbers; 64 are not"),
        ({"formula": None}, "must be a text such as y ~ x"),
        ({"formula": "y ~ I(feed"}, "cannot be used"),
        ({"formula": 'y ~ __import__("os")'}, "cannot be used"),
        ({"data": pd.concat([screen(), screen()[["feed"]]], axis=1)}, "two columns are named feed"),
        ({"data": {"y": [1.0, 2.0]}}, "data must be a pandas DataFrame, not dict"),
    ],
)
def test_more_bad_input_is_refused_with_a_reason(change, message):
    data = screen().assign(word="many")
    given = {"formula": "y ~ feed", "data": data, "random": RANDOM} | change
    with pytest.raises(MixedModelError, match=message.replace("|", r"\|").replace("(", r"\(")):
        fit_mixed(**given)


def test_questions_to_a_fit_are_checked():
    data = screen()
    fit = fit_mixed("y ~ feed * activation + T", data, ["firing", "feed|T"])
    assert fit.estimated_means(["feed", "feed"]).equals(fit.estimated_means("feed"))
    with pytest.raises(MixedModelError, match="at least one factor"):
        fit.compare([])
    rows = np.eye(len(fit.fixed_effects))[[1, 2, 1]]
    with pytest.raises(ValueError, match="must be independent"):
        fit.df(rows)
    for ask in (fit.predict, lambda _, coverage: fit.estimated_means("feed", coverage=coverage)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            ask(data.head(2), coverage=1.0)
    with pytest.raises(MixedModelError, match="column T has a value that is empty or no number"):
        fit.predict(data.head(2).assign(T="hot"))
    with pytest.raises(ValueError, match="whole number"):
        fit.posterior(10.5, seed=1)
    none = fit.predict(data.head(0), "conditional")
    assert len(none) == 0
    assert list(none.columns) == list(fit.predict(data.head(1)).columns)


def test_a_number_that_was_meant_as_a_factor_is_explained():
    fit = fit_mixed("y ~ crucible", screen(), RANDOM)
    with pytest.raises(MixedModelError, match=r"where it is written C\(crucible\)"):
        fit.estimated_means("crucible")


def unbalanced(seed: int) -> pd.DataFrame:
    """A few firings of few lots, with a covariate and feeds at random."""
    rng = np.random.default_rng(seed)
    rows = [
        (firing, f"{firing}.{lot}", rng.choice(list("abc")), 700.0 + 50 * (firing % 3))
        for firing in range(rng.integers(3, 9))
        for lot in range(rng.integers(1, 5))
        for _ in range(rng.integers(1, 4))
    ]
    data = pd.DataFrame(rows, columns=["firing", "lot", "feed", "T"])
    data["z"] = rng.normal(size=len(data))
    effects = {n: rng.choice([0.0, 0.3, 1.0, 3.0]) * rng.normal(size=99) for n in ("firing", "lot")}
    data["y"] = rng.normal(size=len(data))
    for name, values in effects.items():
        data["y"] += values[pd.factorize(data[name])[0]]
    return data


@pytest.mark.parametrize("seed", range(24))
def test_no_start_finds_a_deeper_hollow(seed):
    """A variance may have one hollow of the deviance at zero and a deeper one away from it."""
    data = unbalanced(seed)
    rng = np.random.default_rng(seed)
    random = ["firing|z", "lot", "firing", "feed|T"][: rng.integers(2, 5)]
    fit = fit_mixed("y ~ T + I(T ** 2)", data, random)
    products = fit._products
    bounds = [(0.0, 1e4)] * products.K
    least = min(
        minimize(
            products.deviance,
            np.exp(rng.normal(-0.7, 1.3, products.K)),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
        ).fun
        for _ in range(10)
    )
    assert products.deviance(fit._theta)[0] <= least + 1e-6
    assert fit.converged


@pytest.mark.parametrize(
    ("formula", "change", "words"),
    [
        ("y ~ feed", {"y": [1e200] + [1.0] * 7}, "y exceeds 1e+"),
        ("y ~ 0", {}, "the right side of 'y ~ 0' has no column"),
        ("y ~ 0 + none", {"none": 0.0}, "every column of the model matrix is zero"),
        ("np.log(y) ~ feed", {"y": [-1.0] + [2.0] * 7}, "in 1 row"),
        ("y ~ np.log(x)", {"x": [1.0, 0.0, 2.0, 0.0, *[3.0] * 4]}, r"log\(x\) is not a finite"),
    ],
)
def test_what_a_formula_cannot_be_fitted_to_is_said(formula, change, words):
    data = pd.DataFrame(
        {"y": [1.0, 2.0, 4.0, 3.0, 5.0, 2.5, 3.5, 1.5], "feed": list("abababab"),
         "x": np.arange(1.0, 9.0)}
    ).assign(**change)  # fmt: skip
    with pytest.raises(MixedModelError, match=words):
        fit_mixed(formula, data)

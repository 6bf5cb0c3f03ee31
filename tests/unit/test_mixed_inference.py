"""Degrees of freedom, adjusted covariance, tests of terms, means, pairs and predictions."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import MixedModelError, fit_mixed
from charscreen.mixed.inference import pooled_df
from charscreen.mixed.tukey import studentised_range_tail
from mixed_data import screen
from scipy.stats import f as f_dist
from scipy.stats import f_oneway, studentized_range
from scipy.stats import t as student


def dense_parts(fit):
    """V^-1, the matrices of the variances (residual last) and X, all n x n or n x p."""
    n = fit.n_observations
    matrices = []
    for term in fit._terms:
        z = np.zeros((n, len(term.levels)))
        used = term.codes >= 0
        z[np.flatnonzero(used), term.codes[used]] = term.values[used]
        matrices.append(z @ z.T)
    matrices.append(np.diag(1.0 / fit._weights))
    V = sum(v * m for v, m in zip(fit.variance_components, matrices, strict=True))
    return np.linalg.inv(V), matrices, fit._fixed.X


def dense_kenward_roger(fit):
    """Adjusted covariance and covariance of the variances, written down from the paper's terms.

    Kenward & Roger (1997), Biometrics 53, 983-997, from memory; V linear in the variances.
    """
    inverse, matrices, X = dense_parts(fit)
    phi = np.linalg.inv(X.T @ inverse @ X)
    P = [-X.T @ inverse @ m @ inverse @ X for m in matrices]
    count = len(matrices)
    information = np.empty((count, count))
    Q = {}
    for i in range(count):
        for j in range(count):
            Q[i, j] = X.T @ inverse @ matrices[i] @ inverse @ matrices[j] @ inverse @ X
            information[i, j] = (
                np.trace(inverse @ matrices[i] @ inverse @ matrices[j])
                - 2 * np.trace(phi @ Q[i, j])
                + np.trace(phi @ P[i] @ phi @ P[j])
            )
    W = 2 * np.linalg.inv(information)
    middle = sum(
        W[i, j] * (Q[i, j] - P[i] @ phi @ P[j]) for i in range(count) for j in range(count)
    )
    return phi + 2 * phi @ middle @ phi, W, phi, P


@pytest.mark.parametrize(
    ("formula", "random", "weights"),
    [
        ("y ~ feed + activation", ["firing", "lot", "second"], None),
        ("y ~ activation * T", ["feed", "feed|T", "firing"], None),
        ("y ~ feed", ["firing", "lot"], "weight"),
    ],
)
def test_kenward_roger_agrees_with_dense_algebra(formula, random, weights):
    fit = fit_mixed(formula, screen(3).iloc[:-5], random, weights=weights)
    adjusted, W, phi, P = dense_kenward_roger(fit)
    scale = np.sqrt(np.outer(np.diag(phi), np.diag(phi)))
    np.testing.assert_allclose(fit.fixed_effects_cov_kr / scale, adjusted / scale, atol=1e-6)
    for c in np.eye(len(phi)):
        slope = np.array([-c @ phi @ p @ phi @ c for p in P])
        df = 2 * (c @ phi @ c) ** 2 / (slope @ W @ slope)
        assert fit.df(c) == pytest.approx(df, rel=1e-6)


def test_satterthwaite_agrees_with_numeric_derivatives():
    fit = fit_mixed("y ~ feed + activation", screen(3).iloc[:-5], ["firing", "lot"])
    _, matrices, X = dense_parts(fit)
    y = fit._fixed.y
    at = fit.variance_components.to_numpy()

    def parts(v):
        inverse = np.linalg.inv(sum(a * m for a, m in zip(v, matrices, strict=True)))
        information = X.T @ inverse @ X
        beta = np.linalg.solve(information, X.T @ inverse @ y)
        gap = y - X @ beta
        deviance = (
            -np.linalg.slogdet(inverse)[1] + np.linalg.slogdet(information)[1] + gap @ inverse @ gap
        )
        return deviance, np.linalg.inv(information)

    step = 1e-3 * at
    count = len(at)
    hessian = np.empty((count, count))
    for i in range(count):
        for j in range(count):
            total = 0.0
            for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                v = at.copy()
                v[i] += a * step[i]
                v[j] += b * step[j]
                total += a * b * parts(v)[0]
            hessian[i, j] = total / (4 * step[i] * step[j])
    A = 2 * np.linalg.inv(hessian)
    for c in np.eye(X.shape[1]):
        slope = []
        for i in range(count):
            v, w = at.copy(), at.copy()
            v[i] += step[i]
            w[i] -= step[i]
            slope.append((c @ (parts(v)[1] - parts(w)[1]) @ c) / (2 * step[i]))
        slope = np.array(slope)
        df = 2 * (c @ parts(at)[1] @ c) ** 2 / (slope @ A @ slope)
        assert fit.df(c, "satterthwaite") == pytest.approx(df, rel=1e-3)


def test_a_contrast_may_be_named():
    fit = fit_mixed("y ~ T + activation", screen(), ["firing", "lot"])
    by_name = fit.df(pd.Series({"T": 1.0}))
    assert by_name == fit.df(
        np.eye(len(fit.fixed_effects))[list(fit.fixed_effects.index).index("T")]
    )
    with pytest.raises(ValueError, match="no coefficient nosuch"):
        fit.df(pd.Series({"nosuch": 1.0}))
    with pytest.raises(ValueError, match="needs 3 numbers, not 2"):
        fit.df([1.0, 0.0])
    with pytest.raises(ValueError, match="kenward_roger"):
        fit.df([1.0, 0.0, 0.0], "normal")


def test_terms_respect_marginality_and_do_not_depend_on_the_coding():
    data = screen()
    fit = fit_mixed("y ~ activation * T", data, ["firing", "lot"])
    main = fit_mixed("y ~ activation + T", data, ["firing", "lot"])
    shifted = fit_mixed("y ~ activation * T", data.assign(T=data["T"] - 700), ["firing", "lot"])
    for method in ("kenward_roger", "satterthwaite"):
        one = fit.test_terms(method).set_index("term")
        two = shifted.test_terms(method).set_index("term")
        pd.testing.assert_frame_equal(one, two, rtol=1e-5)
        assert one.index.tolist() == ["activation", "T", "activation:T"]
        # The interaction is the last word on itself: F is t squared.
        t = fit.fixed_effects.iloc[-1] / np.sqrt(
            (fit.fixed_effects_cov_kr if method == "kenward_roger" else fit.fixed_effects_cov).iloc[
                -1, -1
            ]
        )
        assert one.loc["activation:T", "F"] == pytest.approx(t**2, rel=1e-9)
    assert main.test_terms()["term"].tolist() == ["activation", "T"]


def test_a_square_contains_its_line():
    data = screen()
    fit = fit_mixed("y ~ T + I(T ** 2)", data, ["firing"])
    moved = fit_mixed("y ~ T + I(T ** 2)", data.assign(T=data["T"] - 700), ["firing"])
    one, two = fit.test_terms(), moved.test_terms()
    np.testing.assert_allclose(one["F"], two["F"], rtol=1e-5)


def test_pooled_df():
    assert pooled_df(np.array([7.0, 7.0])) == pytest.approx(7.0)
    assert pooled_df(np.array([1.5, 9.0])) == 2.0
    # Mean of two squared t: E = (5/3 + 10/8) / 2 = df / (df - 2) solved for df.
    mean = (5 / 3 + 10 / 8) / 2
    assert pooled_df(np.array([5.0, 10.0])) == pytest.approx(2 * mean / (mean - 1))


def test_means_weigh_other_factors_equally_and_take_covariates_at_their_mean():
    data = screen()
    fit = fit_mixed("y ~ feed + activation + T", data, ["firing", "lot"])
    b = fit.fixed_effects
    means = fit.estimated_means("feed").set_index("feed")
    middle = b["Intercept"] + b["T"] * data["T"].mean() + 0.5 * b["activation[T.none]"]
    assert means.loc["a", "mean"] == pytest.approx(middle)
    at = fit.estimated_means("feed", at={"T": 800.0}).set_index("feed")
    assert at.loc["a", "mean"] - means.loc["a", "mean"] == pytest.approx(
        b["T"] * (800.0 - data["T"].mean())
    )
    both = fit.estimated_means(["feed", "activation"])
    assert list(both.columns) == ["feed", "activation", "mean", "se", "df", "lo", "hi"]
    assert len(both) == 8
    wide = fit.estimated_means("feed", coverage=0.99)
    assert (wide["hi"] > means["hi"].to_numpy()).all()
    for wrong, words in (("nosuch", "no factor nosuch"), ("T", "no factor T")):
        with pytest.raises(MixedModelError, match=words):
            fit.estimated_means(wrong)
    with pytest.raises(MixedModelError, match="no covariate nosuch"):
        fit.estimated_means("feed", at={"nosuch": 1.0})


def test_a_mean_that_was_never_seen_is_empty():
    data = screen()
    data = data[~((data["feed"] == "b") & (data["activation"] == "KOH"))]
    fit = fit_mixed("y ~ feed * activation", data, ["firing", "lot"])
    assert any("1 of 3 columns" in flag for flag in fit.flags)
    cells = fit.estimated_means(["feed", "activation"]).set_index(["feed", "activation"])
    assert np.isnan(cells.loc[("b", "KOH"), ["mean", "se", "df", "lo", "hi"]].astype(float)).all()
    assert cells["mean"].isna().sum() == 1
    overall = fit.estimated_means("feed").set_index("feed")["mean"]
    assert overall.isna().tolist() == [False, True, False, False]
    pairs = fit.compare("feed")
    assert pairs["p"].isna().sum() == 3


def test_pairs_and_their_adjustment():
    fit = fit_mixed("y ~ feed", screen(), ["firing", "lot"])
    plain = fit.compare("feed", adjust="none")
    tukey = fit.compare("feed")
    holm = fit.compare("feed", adjust="holm")
    means = fit.estimated_means("feed")["mean"].to_numpy()
    assert plain.loc[0, "difference"] == pytest.approx(means[0] - means[1])
    np.testing.assert_allclose(
        plain["p"], 2 * student.sf(np.abs(plain["t"]), plain["df"]), rtol=1e-9
    )
    np.testing.assert_allclose(
        tukey["p"],
        studentized_range.sf(np.sqrt(2) * np.abs(tukey["t"]), 4, tukey["df"]),
        atol=1e-7,
    )
    ordered = np.sort(plain["p"])
    np.testing.assert_allclose(
        np.sort(holm["p"]),
        np.minimum(np.maximum.accumulate(ordered * np.arange(6, 0, -1)), 1.0),
    )
    with pytest.raises(ValueError, match="adjust must be one of"):
        fit.compare("feed", adjust="nosuch")


@pytest.mark.parametrize("groups", [2, 3, 12, 40])
@pytest.mark.parametrize("df", [1.3, 3.0, 7.7, 30.0, 120.0, 5000.0])
def test_studentised_range_against_scipy(groups, df):
    q = np.array([0.0, 0.5, 2.0, 3.5, 6.0])
    found = studentised_range_tail(q, groups, np.full(5, df))
    np.testing.assert_allclose(found, studentized_range.sf(q, groups, df), atol=1e-7)


def test_studentised_range_of_two_is_student_t():
    q = np.array([0.7, 3.0, 5.0])
    for df in (0.6, 4.0, 1e5):
        np.testing.assert_allclose(
            studentised_range_tail(q, 2, np.full(3, df)),
            2 * student.sf(q / np.sqrt(2), df),
            rtol=1e-5,
        )


def test_population_prediction_is_the_estimated_mean_and_a_new_lot_scatters_more():
    data = screen()
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    new = pd.DataFrame({"feed": ["a", "b"]}, index=[7, 9])
    found = fit.predict(new)
    means = fit.estimated_means("feed").iloc[:2]
    for column in ("mean", "se", "df", "lo", "hi"):
        np.testing.assert_allclose(found[column], means[column], rtol=1e-9)
    assert found.index.tolist() == [7, 9]
    total = found["se"] ** 2 + fit.variance_components.sum()
    np.testing.assert_allclose(found["se_new"], np.sqrt(total), rtol=1e-9)
    assert (found["lo_new"] < found["lo"]).all()
    assert (found["df_new"] > found["df"]).all()


def test_conditional_prediction_agrees_with_dense_algebra():
    data = screen(7).iloc[:-3]
    fit = fit_mixed("y ~ activation", data, ["firing", "lot", "feed|T"])
    assert not fit.singular
    found = fit.predict(data.iloc[:9], "conditional")
    np.testing.assert_allclose(found["mean"], fit.fitted_values.iloc[:9], rtol=1e-9)
    # Henderson's equations, n x n free but dense: error variance of x b + z u.
    X = fit._fixed.X
    Z = []
    for term in fit._terms:
        z = np.zeros((len(data), len(term.levels)))
        z[np.arange(len(data)), term.codes] = term.values
        Z.append(z)
    variance = fit.variance_components
    prior = np.concatenate(
        [np.full(z.shape[1], variance["residual"] / v) for z, v in zip(Z, variance, strict=False)]
    )
    W = np.hstack([X, *Z])
    left = W.T @ W
    left[X.shape[1] :, X.shape[1] :] += np.diag(prior)
    error = variance["residual"] * np.linalg.inv(left)
    np.testing.assert_allclose(
        found["se"] ** 2, np.einsum("ni,ij,nj->n", W[:9], error, W[:9]), rtol=1e-6
    )
    np.testing.assert_allclose(found["se_new"] ** 2, found["se"] ** 2 + variance["residual"])
    assert (found["df"] > 1).all()


def test_an_unknown_level_is_a_new_one():
    fit = fit_mixed("y ~ feed", screen(), ["firing", "lot"])
    new = pd.DataFrame({"feed": ["a"], "firing": ["next"], "lot": ["next"]})
    conditional = fit.predict(new, "conditional")
    population = fit.predict(new)
    assert conditional["mean"].iloc[0] == pytest.approx(population["mean"].iloc[0])
    scatter = fit.variance_components[["firing", "lot"]].sum()
    assert conditional["se"].iloc[0] ** 2 - scatter == pytest.approx(
        fit.estimated_means("feed", "satterthwaite")["se"].iloc[0] ** 2, rel=1e-6
    )


def test_prediction_refuses_what_it_cannot_know():
    fit = fit_mixed("y ~ feed + T", screen(), ["firing"])
    for new, words in (
        (pd.DataFrame({"feed": ["z"], "T": [700.0]}), "no level z"),
        (pd.DataFrame({"feed": ["a"]}), "column T of the formula is missing"),
        (pd.DataFrame({"feed": ["a"], "T": [np.nan]}), "empty or no number"),
    ):
        with pytest.raises(MixedModelError, match=words):
            fit.predict(new)
    with pytest.raises(MixedModelError, match="column firing"):
        fit.predict(pd.DataFrame({"feed": ["a"], "T": [700.0]}), "conditional")
    with pytest.raises(ValueError, match="population or conditional"):
        fit.predict(pd.DataFrame({"feed": ["a"], "T": [700.0]}), "lot")


def test_zero_variance_keeps_finite_answers():
    data = screen()
    data["y"] -= data.groupby("firing")["y"].transform("mean")  # firings agree by construction
    fit = fit_mixed("y ~ activation + feed", data, ["firing", "lot"])
    assert fit.singular
    assert fit.variance_components["firing"] == 0.0
    for method in ("kenward_roger", "satterthwaite"):
        table = fit.test_terms(method)
        assert np.isfinite(table[["F", "df_num", "df_den", "p"]].to_numpy()).all()
        assert (
            np.isfinite(fit.estimated_means("feed", method)[["se", "df", "lo", "hi"]]).all().all()
        )
    assert np.isfinite(fit.predict(data, "conditional").to_numpy()).all()


def firing_groups(kinds: str, cells: list[int]) -> pd.DataFrame:
    """Invented cells: one firing per letter, the letter a factor of the firing."""
    rng = np.random.default_rng(3)
    rows = []
    for i, (kind, count) in enumerate(zip(kinds, cells, strict=True)):
        firing = "abc".index(kind) + rng.normal()
        rows += [(kind, f"C{i}", firing + rng.normal(0, 0.3)) for _ in range(count)]
    return pd.DataFrame(rows, columns=["kind", "firing", "y"])


@pytest.mark.parametrize("kinds", ["aabc", "aabbc"])
def test_one_or_two_degrees_of_freedom_are_those_of_the_firing_means(kinds):
    """Balanced: the joint test is the analysis of variance of the firings' means."""
    data = firing_groups(kinds, [3] * len(kinds))
    fit = fit_mixed("y ~ kind", data, ["firing"])
    row = fit.test_terms("kenward_roger").iloc[0]
    means = data.groupby(["kind", "firing"])["y"].mean().reset_index()
    expected = f_oneway(*[group["y"] for _, group in means.groupby("kind")])
    assert row["df_den"] == pytest.approx(len(kinds) - 3, rel=1e-8)
    assert row["F"] == pytest.approx(expected.statistic, rel=1e-6)
    assert row["p"] == pytest.approx(expected.pvalue, rel=1e-6)


@pytest.mark.parametrize("cells", [[3, 2, 4, 1], [1, 5, 2, 4, 3]])
def test_hardly_any_degrees_of_freedom_unbalanced(cells):
    """Below two the match has no F: the answer is finite, careful and free of the coding."""
    data = firing_groups("aabc" if len(cells) == 4 else "aabbc", cells)
    found = []
    for names in ("abc", "cab"):
        renamed = data.assign(kind=data["kind"].map(dict(zip("abc", names, strict=True))))
        fit = fit_mixed("y ~ kind", renamed, ["firing"])
        row = fit.test_terms("kenward_roger").iloc[0]
        wald_p = f_dist.sf(row["F"], row["df_num"], 1e6)
        assert 0.5 < row["df_den"] < 2.0
        assert wald_p < row["p"] < 1.0
        found.append((row["F"], row["df_den"], row["p"]))
    np.testing.assert_allclose(found[0], found[1], rtol=1e-6)


@pytest.mark.parametrize("level", ["population", "conditional"])
def test_predictions_do_not_hang_on_the_order_of_the_random_terms(level):
    data = screen()
    found = [
        fit_mixed("y ~ feed", data, terms).predict(data.head(6), level)
        for terms in (["firing", "lot", "second"], ["lot", "second", "firing"])
    ]
    pd.testing.assert_frame_equal(*found, rtol=1e-5)

"""Fitting: against dense algebra, empty groups, slopes, weights, and what is refused or dropped."""

import subprocess
import sys
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import MixedModelError, fit_mixed, optimise
from charscreen.mixed.likelihood import Likelihood
from charscreen.mixed.random_part import drop_unidentified, read_random
from mixed_data import screen

TERMS = ["firing", "lot"]


def dense(fit, data):
    """Deviance, estimates, covariance, modes at the fitted variances, by n x n algebra."""
    X = fit._fixed.X
    y = fit._fixed.y
    n, p = X.shape
    V = np.diag(fit.variance_components["residual"] / fit._weights)
    Z = {}
    for term in fit._terms:
        z = np.zeros((n, len(term.levels)))
        used = term.codes >= 0
        z[np.flatnonzero(used), term.codes[used]] = term.values[used]
        Z[term.name] = z
        V = V + fit.variance_components[term.name] * z @ z.T
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    beta = np.linalg.solve(information, X.T @ inverse @ y)
    gap = y - X @ beta
    deviance = (
        np.linalg.slogdet(V)[1]
        + np.linalg.slogdet(information)[1]
        + gap @ inverse @ gap
        + (n - p) * np.log(2 * np.pi)
    )
    modes = {name: fit.variance_components[name] * z.T @ inverse @ gap for name, z in Z.items()}
    return deviance, beta, np.linalg.inv(information), modes


MODELS = [
    ("y ~ feed + activation", ["firing", "lot", "second"], None),
    ("y ~ activation * T", ["feed", "feed|T", "firing:crucible", "firing"], None),
    ("y ~ feed", ["firing", "lot"], "weight"),
    ("y ~ T", [], "weight"),
]


@pytest.mark.parametrize(("formula", "random", "weights"), MODELS)
def test_agrees_with_dense_algebra(formula, random, weights):
    data = screen()
    fit = fit_mixed(formula, data, random, weights=weights)
    assert fit.random == random
    assert fit.converged
    deviance, beta, covariance, modes = dense(fit, data)
    assert fit.reml_deviance == pytest.approx(deviance, abs=1e-7)
    np.testing.assert_allclose(fit.fixed_effects, beta, rtol=1e-8)
    np.testing.assert_allclose(fit.fixed_effects_cov, covariance, rtol=1e-7, atol=1e-12)
    fitted = fit._fixed.X @ beta
    for term in fit._terms:
        np.testing.assert_allclose(fit.random_effects[term.name], modes[term.name], atol=1e-8)
        used = term.codes >= 0
        fitted[used] += modes[term.name][term.codes[used]] * term.values[used]
    np.testing.assert_allclose(fit.fitted_values, fitted, atol=1e-8)
    np.testing.assert_allclose(fit.residuals, data["y"] - fitted, atol=1e-8)


@pytest.mark.parametrize(("formula", "random", "weights"), MODELS[:3])
def test_no_other_variances_do_better(formula, random, weights):
    fit = fit_mixed(formula, screen(), random, weights=weights)
    best, _ = fit._products.deviance(fit._theta)
    rng = np.random.default_rng(0)
    for _ in range(200):
        other = np.abs(fit._theta * np.exp(rng.normal(0, 0.5, len(random))) + rng.normal(0, 0.05))
        assert fit._products.deviance(other)[0] >= best - 1e-9


def test_gradient_and_batch_agree_with_the_deviance():
    fit = fit_mixed(MODELS[0][0], screen(), MODELS[0][1])
    products = fit._products
    theta = np.array([0.7, 0.4, 1.3])
    value, gradient = products.deviance(theta)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-5
        rise = products.deviance(theta + step)[0] - products.deviance(theta - step)[0]
        assert gradient[k] == pytest.approx(rise / 2e-5, rel=1e-6)
    core = products.batch(np.array([theta, 2 * theta]))
    assert core.log_density[0] == pytest.approx(-0.5 * value, abs=1e-9)
    assert core.log_density[1] == pytest.approx(-0.5 * products.deviance(2 * theta)[0], abs=1e-9)


def test_levels_of_unequal_size_use_the_same_numbers_without_grouping(monkeypatch):
    data = screen().iloc[:-3]
    grouped = fit_mixed("y ~ feed", data, ["firing", "lot"])
    monkeypatch.setattr("charscreen.mixed.crossproducts.OUTER_LIMIT", 0)
    plain = fit_mixed("y ~ feed", data, ["firing", "lot"])
    assert plain._products.core_sums is None
    np.testing.assert_allclose(plain.variance_components, grouped.variance_components, rtol=1e-6)
    assert plain.posterior(20, seed=1).variance.to_numpy() == pytest.approx(
        grouped.posterior(20, seed=1).variance.to_numpy(), rel=1e-3
    )


def test_an_empty_group_is_no_level_and_drops_no_row():
    data = screen()
    fit = fit_mixed("y ~ feed + activation", data, ["second", "lot"])
    assert fit.n_observations == len(data)
    assert list(fit.random_effects["second"].index) == ["A0", "A1", "A2"]
    crossed = fit_mixed("y ~ feed", data, ["second:firing", "lot"])
    assert not any(
        "None" in name or "nan" in name for name in crossed.random_effects["second:firing"].index
    )


def test_a_slope_reports_centre_and_scale_and_does_not_depend_on_the_unit():
    data = screen()
    fit = fit_mixed("y ~ T", data, ["feed", "feed|T"])
    assert fit.centres == {"feed|T": pytest.approx(data["T"].mean())}
    assert fit.scales == {"feed|T": pytest.approx(data["T"].std())}
    kelvin = fit_mixed("y ~ T", data.assign(T=data["T"] * 1.8 + 32), ["feed", "feed|T"])
    np.testing.assert_allclose(kelvin.variance_components, fit.variance_components, rtol=1e-5)


@pytest.mark.parametrize(("scale", "shift"), [(1e-6, 0.0), (1e5, 1e7)])
def test_unit_and_origin_of_the_response_do_not_matter(scale, shift):
    data = screen()
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    other = fit_mixed("y ~ feed", data.assign(y=shift + scale * data["y"]), ["firing", "lot"])
    np.testing.assert_allclose(
        other.variance_components / scale**2, fit.variance_components, rtol=1e-5
    )


def dropped(fit, name):
    return [flag for flag in fit.flags if f"'{name}'" in flag and "dropped" in flag]


def test_levels_that_cannot_be_told_apart_are_dropped_and_named():
    data = screen()
    single = data.groupby("lot", as_index=False).first()
    fit = fit_mixed("y ~ T", single, ["firing", "lot"])
    assert fit.random == ["firing"]
    assert "one observation" in dropped(fit, "lot")[0]

    twin = fit_mixed("y ~ T", data.assign(batch=data["lot"]), ["lot", "batch"])
    assert twin.random == ["lot"]
    assert "coincide with those of 'lot'" in dropped(twin, "batch")[0]

    spanned = fit_mixed("y ~ C(firing)", data, ["firing", "lot"])
    assert spanned.random == ["lot"]
    assert "fixed part already describes" in dropped(spanned, "firing")[0]

    alone = fit_mixed("y ~ feed", data[data["firing"] == "C0"], ["firing", "crucible"])
    assert "one level" in dropped(alone, "firing")[0]

    constant = fit_mixed("y ~ feed", data.assign(T=700.0), ["firing", "feed|T"])
    assert "does not vary" in dropped(constant, "feed|T")[0]


def test_fixed_columns_that_cannot_be_told_apart_are_dropped_and_named():
    data = screen()
    fit = fit_mixed("y ~ T + I(2 * T) + feed", data, ["firing"])
    assert any("'I(2 * T)' dropped" in flag for flag in fit.flags)
    plain = fit_mixed("y ~ T + feed", data, ["firing"])
    assert fit.reml_deviance == pytest.approx(plain.reml_deviance, abs=1e-8)
    one = fit_mixed("y ~ T + feed", data[data["feed"] == "a"], ["firing"])
    assert any("'feed' dropped: its factor has one level" in flag for flag in one.flags)


BAD = [
    ({"formula": "y ~ T", "change": {"y": 1.0}}, "is the same in all"),
    ({"formula": "y ~ nosuch"}, "nosuch"),
    ({"formula": "~ T"}, "left side"),
    ({"formula": "y ~ T +* feed"}, "cannot be used"),
    ({"formula": "y ~ T", "random": ["nosuch"]}, "no column nosuch"),
    ({"formula": "y ~ T", "random": ["lot", "lot"]}, "given twice"),
    ({"formula": "y ~ T", "random": ["feed|second"]}, "not a number"),
    ({"formula": "y ~ T", "holes": "y"}, "empty values in y (2, first at position 0)"),
    ({"formula": "y ~ feed", "holes": "feed"}, "empty values in feed"),
    ({"formula": "np.log(y - 2) ~ T"}, "logarithm needs positive"),
    ({"formula": "y ~ C(lot) * C(crucible) + C(row)"}, "cannot carry"),
    ({"formula": "y ~ T", "weights": [1.0, 2.0]}, "2 weights for 64 rows"),
    ({"formula": "y ~ T", "weights": np.r_[0.0, np.ones(63)]}, "positive"),
    ({"formula": "y ~ T", "weights": "nosuch"}, "no column nosuch"),
    ({"formula": "y ~ T", "change": {"y": lambda d: 3.0 + 2.0 * d["T"]}}, "no scatter"),
    ({"formula": "y ~ T", "rows": 0}, "no rows"),
]


@pytest.mark.parametrize(("case", "message"), BAD, ids=[message for _, message in BAD])
def test_bad_input_is_refused_with_a_reason(case, message):
    data = screen().assign(row=range(64)).assign(**case.get("change", {}))
    data = data.iloc[: case.get("rows", len(data))]
    if "holes" in case:
        data.loc[data.index[:2], case["holes"]] = None
    with pytest.raises(MixedModelError) as caught:
        fit_mixed(
            case["formula"], data, case.get("random", ["firing"]), weights=case.get("weights")
        )
    assert message in str(caught.value)


def test_random_text_levels_keep_their_names():
    data = pd.DataFrame({"run": [1.0, 2.0, np.nan, 1.0], "b": ["x", "y", "x", None]})
    terms, flags = read_random(["run", "run:b"], data)
    assert flags == []
    assert terms[0].levels == ["1", "2"]
    assert terms[0].codes.tolist() == [0, 1, -1, 0]
    assert terms[1].levels == ["1:x", "2:y"]
    assert terms[1].codes.tolist() == [0, 1, -1, -1]


def test_no_random_term_leaves_a_core_of_fixed_columns():
    products = Likelihood([], np.eye(4)[:, :1], np.array([0.0, 1.0, 2.0, 3.0]), np.ones(4))
    value, gradient = products.deviance(np.zeros(0))
    assert gradient.shape == (0,)
    assert value == pytest.approx(3 * np.log(14.0))


def test_importing_it_loads_nothing_heavy():
    code = (
        "import sys, charscreen.mixed; "
        "print([m for m in ('statsmodels', 'matplotlib', 'scipy.stats', 'formulaic') "
        "if m in sys.modules])"
    )
    scripts = Path(__file__).parents[2] / "scripts"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=scripts, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_lots_that_repeat_exactly_are_flagged_not_believed():
    data = screen()
    data["y"] = data.groupby("lot")["y"].transform("first")
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    assert not fit.converged
    assert any("residual is negligible beside 'lot'" in flag for flag in fit.flags)
    assert np.isfinite(fit.posterior(100, seed=1).variance.to_numpy()).all()


def test_a_ratio_close_to_zero_becomes_zero_where_that_is_no_worse():
    data = screen()
    data["y"] -= data.groupby("firing")["y"].transform("mean")  # no scatter between firings
    products = fit_mixed("y ~ 1", data, TERMS)._products
    near = np.array([0.5 * optimise.NEGLIGIBLE, 0.8])
    assert list(optimise._settle_zeros(products, near)) == [0.0, 0.8]
    assert list(optimise._settle_zeros(products, near * [4.0, 1.0])) == [4.0 * near[0], 0.8]


def test_a_variance_that_three_groupings_share_is_not_blamed_on_one():
    """Derived: with the mean taken out, Z Z' of the three add up to twice the identity."""
    data = pd.DataFrame({"y": [1.0, 3.0, 2.0, 5.0], "a": list("uuvv"), "b": list("uvuv"),
                         "c": list("uvvu")})  # fmt: skip
    terms, _ = read_random(["a", "b", "c"], data)
    kept, (flag,) = drop_unidentified(terms, np.ones(4), np.full((4, 1), 0.5))
    assert [term.name for term in kept] == ["a", "b"]
    assert "cannot tell its variance from that of the other terms and the residual" in flag
    twin, _ = read_random(["a", "d"], data.assign(d=list("ppqq"), b=None))
    _, (flag,) = drop_unidentified(twin, np.ones(4), np.full((4, 1), 0.5))
    assert "its levels coincide with those of 'a'" in flag


def test_a_search_that_stops_short_is_flagged():
    data = screen()
    near = {name: 1.01 * ratio for name, ratio in fit_mixed("y ~ feed", data, TERMS).ratios.items()}
    with mock.patch.multiple(
        optimise,
        _polish=lambda products, theta: theta,
        _descend=lambda products, theta, finely=False: theta,
        _off_zero=lambda products, theta, value: None,
    ):
        fit = fit_mixed("y ~ feed", data, TERMS, start=near)
    assert not fit.converged
    assert "the search for the variances did not converge; do not rely on this fit" in fit.flags


@pytest.mark.parametrize("lost", [0, 3])
@pytest.mark.parametrize("random", [["firing", "lot"], ["firing", "lot", "second"]])
def test_every_order_of_elimination_gives_the_same_likelihood(random, lost, monkeypatch):
    """By classes of equal firings, by level, and without any sums kept: one answer."""
    data = screen().iloc[: 64 - lost]
    theta = np.array([[0.7, 0.4, 1.3], [0.0, 0.5, 0.0], [60.0, 90.0, 5.0]])[:, : len(random)]
    found = []
    for limit, half in ((4_000_000, False), (4_000_000, True), (0, False)):
        monkeypatch.setattr("charscreen.mixed.crossproducts.OUTER_LIMIT", limit)
        products = fit_mixed("y ~ feed", data, random)._products
        if half:
            products._class_own = None
        elif limit and not lost:
            assert products._class_own is not None
        density = products.batch(theta).log_density
        np.testing.assert_allclose(
            density, [-0.5 * products.deviance(row)[0] for row in theta], rtol=0, atol=1e-6
        )
        found.append(density)
    np.testing.assert_allclose(found[1], found[0], atol=1e-7)
    np.testing.assert_allclose(found[2], found[0], atol=1e-7)


def test_effects_of_ratios_that_no_draw_took_are_passed_over():
    products = fit_mixed("y ~ feed", screen(), TERMS)._products
    theta = np.array([[0.7, 0.4], [1.5, 0.2], [0.1, 2.0]])
    core = products.batch(theta, keep=True)
    every = products.core_effects(theta, core, np.arange(3))
    some = products.core_effects(theta, core, np.array([1, 1, 2]))
    np.testing.assert_allclose(some, every[[1, 1, 2]], rtol=1e-12)

"""Leaving rows out: the closed form against fits without them, and the full likelihood."""

import numpy as np
import pytest
from charscreen.mixed import fit_mixed
from mixed_data import screen
from scipy.stats import multivariate_normal


def dense_without(fit, keep):
    """Coefficients and predictions of all rows from the rows kept, at the fitted variances."""
    n = fit.n_observations
    V = np.diag(fit.variance_components["residual"] / fit._weights)
    signal = np.zeros((n, n))
    for term, variance in zip(fit._terms, fit.variance_components, strict=False):
        z = np.zeros((n, len(term.levels)))
        used = term.codes >= 0
        z[np.flatnonzero(used), term.codes[used]] = term.values[used]
        signal += variance * z @ z.T
    V = V + signal
    X, y = fit._fixed.X, fit._fixed.y
    inverse = np.linalg.inv(V[np.ix_(keep, keep)])
    beta = np.linalg.solve(X[keep].T @ inverse @ X[keep], X[keep].T @ inverse @ y[keep])
    return beta, X @ beta + signal[:, keep] @ inverse @ (y[keep] - X[keep] @ beta)


@pytest.mark.parametrize("weights", [None, "weight"])
@pytest.mark.parametrize("level", ["firing", "lot"])
def test_leaving_out_a_group_is_what_a_fit_without_it_gives(level, weights):
    data = screen().iloc[:-3]
    fit = fit_mixed("y ~ feed + T", data, ["firing", "lot", "second"], weights=weights)
    for name in data[level].unique()[:3]:
        rows = np.flatnonzero(data[level] == name)
        keep = np.setdiff1d(np.arange(len(data)), rows)
        beta, predicted = dense_without(fit, keep)
        errors, shift, cook = fit.deletion.leave_out(rows)
        np.testing.assert_allclose(errors, fit._fixed.y[rows] - predicted[rows], rtol=1e-6)
        np.testing.assert_allclose(fit.fixed_effects - shift, beta, rtol=1e-7, atol=1e-9)
        information = np.linalg.inv(fit.fixed_effects_cov.to_numpy())
        assert cook == pytest.approx(shift @ information @ shift / len(shift), rel=1e-6)


def test_leverage_is_the_slope_of_the_fit_in_its_own_row():
    data = screen()
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    assert fit.deletion.leverage.min() > 0
    assert fit.deletion.leverage.max() < 1
    # The conditional fit is linear in y at fixed ratios: fitted = y - P y.
    P = (1 - fit.deletion.leverage) * fit.variance_components["residual"]
    np.testing.assert_allclose(fit.deletion.standardised() * np.sqrt(P), fit.residuals, atol=1e-9)


def test_what_rests_on_a_group_alone_is_empty():
    data = screen()
    data["feed"] = np.where(data["lot"] == "C0L0", "only", data["feed"])
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    errors, shift, cook = fit.deletion.leave_out(np.flatnonzero(data["feed"] == "only"))
    assert np.isnan(errors).all()
    assert np.isnan(shift).all()
    assert np.isnan(cook)


def test_ml_deviance_is_the_least_of_the_dense_likelihood():
    data = screen()
    fit = fit_mixed("y ~ feed", data, ["firing", "lot"])
    X, y, unit = fit._fixed.X, fit._fixed.y, np.eye(len(data))
    firing, lot = (
        (data[name].to_numpy()[:, None] == data[name].to_numpy()).astype(float)
        for name in ("firing", "lot")
    )

    def deviance(ratios):
        V = unit + ratios[0] ** 2 * firing + ratios[1] ** 2 * lot
        inverse = np.linalg.inv(V)
        beta = np.linalg.solve(X.T @ inverse @ X, X.T @ inverse @ y)
        s2 = (y - X @ beta) @ inverse @ (y - X @ beta) / len(y)
        return -2 * multivariate_normal(X @ beta, s2 * V).logpdf(y)

    from scipy.optimize import minimize

    least = minimize(deviance, fit._theta, method="Nelder-Mead").fun
    assert fit.ml_deviance == pytest.approx(least, abs=1e-3)

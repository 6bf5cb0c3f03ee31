"""Linear mixed models against statsmodels on random data, where that one converges."""

import warnings

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from charscreen.mixed import fit_mixed
from hypothesis import assume, given, settings
from hypothesis import strategies as st


def made_up(seed: int, firings: int, ratio: float) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, 7, firings)
    firing = np.repeat(np.arange(firings), sizes)
    x = rng.normal(size=firing.size)
    coating = rng.choice(["a", "b", "c"], firing.size)
    y = 1.0 + 0.5 * x + ratio * rng.normal(size=firings)[firing] + rng.normal(size=firing.size)
    return pd.DataFrame({"y": y, "x": x, "coating": coating, "firing": firing})


@given(
    seed=st.integers(0, 10**6),
    firings=st.integers(4, 12),
    ratio=st.sampled_from([0.0, 0.3, 1.0, 3.0]),
)
@settings(max_examples=15, deadline=None, derandomize=True)
def test_never_above_statsmodels_deviance_and_equal_where_it_converged(seed, firings, ratio):
    data = made_up(seed, firings, ratio)
    assume(data["coating"].nunique() == 3)
    ours = fit_mixed("y ~ x + coating", data, ["firing"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm("y ~ x + coating", data, groups=data["firing"]).fit(reml=True)
    assert ours.converged
    # Its restricted likelihood is of the same form; ours must be at least as good.
    assert ours.reml_deviance <= -2.0 * theirs.llf + 1e-6
    if ours.singular or not theirs.converged or -2.0 * theirs.llf > ours.reml_deviance + 1e-7:
        return
    names = ours.fixed_effects.index
    np.testing.assert_allclose(
        ours.fixed_effects, theirs.fe_params.reindex(names), rtol=1e-3, atol=1e-4
    )
    # Its own standard errors mix in the Hessian of the variances; so from its variances.
    X = theirs.model.exog
    same = np.equal.outer(data["firing"].to_numpy(), data["firing"].to_numpy())
    V = theirs.scale * np.eye(len(data)) + float(np.asarray(theirs.cov_re)[0, 0]) * same
    covariance = np.linalg.inv(X.T @ np.linalg.solve(V, X))
    errors = pd.Series(np.sqrt(np.diag(covariance)), theirs.model.exog_names).reindex(names)
    np.testing.assert_allclose(np.sqrt(np.diag(ours.fixed_effects_cov)), errors, rtol=5e-3)
    np.testing.assert_allclose(ours.variance_components["residual"], theirs.scale, rtol=1e-2)


@given(seed=st.integers(0, 10**6), weighted=st.booleans())
@settings(max_examples=10, deadline=None, derandomize=True)
def test_without_random_terms_it_is_least_squares(seed, weighted):
    data = made_up(seed, 6, 0.0)
    assume(data["coating"].nunique() == 3)
    weight = np.random.default_rng(seed).uniform(0.2, 3.0, len(data)) if weighted else None
    ours = fit_mixed("y ~ x * coating", data, weights=weight)
    if weighted:
        theirs = smf.wls("y ~ x * coating", data, weights=weight).fit()
    else:
        theirs = smf.ols("y ~ x * coating", data).fit()
    theirs_by_name = pd.Series(theirs.params).reindex(ours.fixed_effects.index)
    se_by_name = pd.Series(theirs.bse).reindex(ours.fixed_effects.index)
    np.testing.assert_allclose(ours.fixed_effects, theirs_by_name, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(np.sqrt(np.diag(ours.fixed_effects_cov)), se_by_name, rtol=1e-7)
    for row in np.eye(len(se_by_name)):
        assert abs(ours.df(row) - theirs.df_resid) < 1e-8 * theirs.df_resid

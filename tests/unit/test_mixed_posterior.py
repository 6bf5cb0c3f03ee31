"""Posterior draws: exact cases, a quadrature, reproducibility, calibration."""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import fit_mixed
from charscreen.mixed.ratios import effective_size, from_normal, tail_shape, to_normal
from mixed_data import screen
from scipy.stats import binom, genpareto, kstest
from scipy.stats import t as student


def test_shapes_names_and_the_same_seed_the_same_draws():
    fit = fit_mixed("y ~ feed + activation", screen(), ["firing", "lot", "second"])
    one, two, other = (fit.posterior(300, seed=s) for s in (5, 5, 6))
    assert one.fixed.shape == (300, len(fit.fixed_effects))
    assert list(one.fixed.columns) == list(fit.fixed_effects.index)
    assert list(one.variance.columns) == ["firing", "lot", "second", "residual"]
    for name, modes in reversed(fit.random_effects.items()):
        assert list(one.random[name].columns) == list(modes.index)
        assert one.random[name].shape == (300, len(modes))
    pd.testing.assert_frame_equal(one.fixed, two.fixed)
    pd.testing.assert_frame_equal(one.random["lot"], two.random["lot"])
    # In whatever order the effects are asked for.
    pd.testing.assert_frame_equal(one.random["firing"], two.random["firing"])
    assert not np.allclose(one.fixed, other.fixed)
    assert one.effective_size >= 1000
    assert one.pareto_k < 0.7
    assert one.flags == []
    with pytest.raises(ValueError, match="positive"):
        fit.posterior(0, seed=1)
    with pytest.raises(ValueError, match="positive"):
        fit.posterior(10, seed=1, prior_scale=0.0)


def test_without_random_terms_it_is_the_conjugate_answer():
    data = screen()
    fit = fit_mixed("y ~ T", data)
    draws = fit.posterior(20000, seed=1)
    se = np.sqrt(np.diag(fit.fixed_effects_cov))
    df = len(data) - 2
    for j, name in enumerate(fit.fixed_effects.index):
        t = (draws.fixed[name] - fit.fixed_effects[name]) / se[j]
        assert kstest(t, student(df).cdf).pvalue > 0.001
    scaled = df * fit.variance_components["residual"] / draws.variance["residual"]
    assert scaled.mean() == pytest.approx(df, abs=4 * np.sqrt(2 * df / 20000))
    assert dict(draws.random) == {}


def test_one_way_layout_agrees_with_quadrature():
    """Balanced groups: the ratio's posterior is one-dimensional and known in closed form."""
    rng = np.random.default_rng(4)
    groups, each, scale = 6, 4, 0.7
    y = rng.normal(0, 0.8, groups)[:, None] + rng.normal(size=(groups, each))
    data = pd.DataFrame({"y": y.ravel(), "g": np.repeat(np.arange(groups), each)})
    draws = fit_mixed("y ~ 1", data, ["g"]).posterior(40000, seed=2, prior_scale=scale)
    between = each * ((y.mean(1) - y.mean()) ** 2).sum()
    within = ((y - y.mean(1, keepdims=True)) ** 2).sum()
    ratio = np.exp(np.linspace(-10, 6, 4001))
    lift = 1 + each * ratio**2
    log_density = (
        -0.5 * (groups - 1) * np.log(lift)
        - 0.5 * (groups * each - 1) * np.log(within + between / lift)
        - 2.0 * np.log1p((ratio / scale) ** 2 / 3)
    )
    weight = np.exp(log_density - log_density.max()) * ratio  # the grid is even in the log
    weight /= weight.sum()
    found = np.sqrt(draws.variance["g"] / draws.variance["residual"])
    for probability in (0.05, 0.25, 0.5, 0.75, 0.95):
        exact = np.interp(probability, np.cumsum(weight), ratio)
        share = (found < exact).mean()
        # About 1500 effective points: the standard error of a share is below 0.013.
        assert share == pytest.approx(probability, abs=0.02)
    # Mean effect of a group: shrinkage averaged over the ratio.
    shrink = (weight * (1 - 1 / lift)).sum()
    expected = shrink * (y.mean(1) - y.mean())
    spread = draws.random["g"].std() / np.sqrt(1000)
    assert (np.abs(draws.random["g"].mean() - expected) < 4 * spread).all()
    assert draws.fixed["Intercept"].mean() == pytest.approx(y.mean(), abs=0.03)


def test_given_the_ratios_effects_follow_the_dense_normal():
    """Effects, coefficients and residual variance at one fixed set of ratios."""
    from charscreen.mixed.posterior import EffectDraws, draw_core

    data = screen(2).iloc[:-3]
    fit = fit_mixed("y ~ feed", data, ["firing", "lot", "second"])
    theta = np.array([1.1, 0.6, 0.8])
    n = 20000
    ratios, rng = np.tile(theta, (n, 1)), np.random.default_rng(3)
    core, sigma2 = draw_core(fit._products, ratios, np.zeros(n, dtype=int), np.arange(n), rng)
    fixed = core[:, fit._products.q :]
    random = EffectDraws(fit, ratios, core, np.sqrt(sigma2), rng)
    Z = []
    for term in fit._terms:
        z = np.zeros((len(data), len(term.levels)))
        used = term.codes >= 0
        z[np.flatnonzero(used), term.codes[used]] = 1.0
        Z.append(z)
    Q, _ = np.linalg.qr(fit._fixed.X)
    W = np.hstack([Q, *Z])
    precision = W.T @ W
    p = Q.shape[1]
    precision[p:, p:] += np.diag(np.repeat(theta**-2.0, [z.shape[1] for z in Z]))
    e = fit._fixed.y - Q @ (Q.T @ fit._fixed.y)
    e /= fit._unit
    mean = np.linalg.solve(precision, W.T @ e)
    residual = e @ e - mean @ W.T @ e
    nu = len(data) - p
    found = np.hstack([fixed, *[random[name] / fit._unit for name in fit.random]])
    assert (residual / sigma2).mean() == pytest.approx(nu, rel=0.01)
    standard = (found - mean) / np.sqrt(sigma2)[:, None]
    covariance = np.linalg.inv(precision)
    assert np.abs(standard.mean(0) / np.sqrt(np.diag(covariance))).max() < 5 / np.sqrt(n)
    scale = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    assert np.abs((np.cov(standard.T) - covariance) / scale).max() < 0.06


def test_calibration_of_contrasts_and_effects():
    """Ratios drawn from the prior, effects from the ratios: the truth's ranks are uniform."""
    rng = np.random.default_rng(11)
    sets, inside, ranks = 60, [], []
    base = screen(1, firings=6, crucibles=4, cells=2)
    x = np.where(base["feed"] == "a", 1.0, 0.0)
    firing, firings = pd.factorize(base["firing"])
    lot, lots = pd.factorize(base["lot"])
    for k in range(sets):
        ratio = np.abs(rng.standard_t(3, size=2))
        u = ratio[0] * rng.normal(size=len(firings))
        v = ratio[1] * rng.normal(size=len(lots))
        y = 1.0 + 0.5 * x + u[firing] + v[lot] + rng.normal(size=len(base))
        data = pd.DataFrame({"y": y, "x": x, "firing": base["firing"], "lot": base["lot"]})
        draws = fit_mixed("y ~ x", data, ["firing", "lot"]).posterior(999, seed=k)
        effect = draws.random["firing"]
        slope_rank = (draws.fixed["x"] < 0.5).mean()
        effect_rank = (effect.iloc[:, 0] - effect.iloc[:, 1] < u[0] - u[1]).mean()
        ranks.append((slope_rank, effect_rank))
        inside.append([abs(r - 0.5) < 0.4 for r in (slope_rank, effect_rank)])
    ranks = np.array(ranks)
    for j in range(2):
        assert kstest(ranks[:, j], "uniform").pvalue > 0.005
        low, high = binom.ppf([0.005, 0.995], sets, 0.8)
        assert low <= np.array(inside)[:, j].sum() <= high


def test_too_few_effective_points_are_flagged(monkeypatch):
    monkeypatch.setattr("charscreen.mixed.ratios.ENOUGH", 1e9)
    monkeypatch.setattr("charscreen.mixed.posterior.ENOUGH", 1e9)
    monkeypatch.setattr("charscreen.mixed.ratios.ROUNDS", (256, 512))
    draws = fit_mixed("y ~ feed", screen(), ["firing", "lot"]).posterior(50, seed=1)
    assert any("effective points" in flag for flag in draws.flags)


def test_scale_of_the_proposal_is_inverted_exactly():
    unit = np.array([0.3, 2.0])
    theta = np.array([[1e-6, 1e-3], [0.2, 1.0], [5.0, 40.0]])
    normal = to_normal(theta, unit)
    back, slope = from_normal(normal, unit)
    np.testing.assert_allclose(back, theta, rtol=1e-9)
    step = 1e-5
    up, _ = from_normal(normal + step, unit)
    down, _ = from_normal(normal - step, unit)
    numeric = np.log((up - down) / (2 * step)).sum(axis=1)
    np.testing.assert_allclose(slope, numeric, atol=1e-6)


@pytest.mark.parametrize("shape", [0.1, 0.5, 0.9])
def test_pareto_shape_is_recovered(shape):
    weights = 1.0 + genpareto(shape).rvs(20000, random_state=1)
    assert tail_shape(weights / weights.sum()) == pytest.approx(shape, abs=0.12)


def test_equal_weights_have_no_tail():
    assert tail_shape(np.full(500, 1 / 500)) == -np.inf


@pytest.mark.parametrize(
    ("weights", "points"), [([0.25] * 4, 4.0), ([1.0, 0.0, 0.0], 1.0), ([0.5, 0.3, 0.2], 1 / 0.38)]
)
def test_effective_number_of_points(weights, points):
    """One over the sum of squares: n for n equal weights, 1 where one has it all."""
    assert effective_size(np.array(weights)) == pytest.approx(points)

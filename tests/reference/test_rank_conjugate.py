"""Ranking by draws against a conjugate case whose answers are one-dimensional integrals.

One random effect with known variances: candidate i has effect a_i ~ N(0, tau²) and n_i readings of
standard deviation sigma about mu + a_i, mu known. Given the readings the effects are independent
normal with mean m_i = tau² / (tau² + sigma²/n_i) (ybar_i - mu) and variance
v_i = tau² sigma²/n_i / (tau² + sigma²/n_i). Then

    p_best_i        = integral of phi_i(x) prod over j of Phi_j(x) dx
    expected rank_i = 1 + sum over j of Phi((m_j - m_i) / sqrt(v_i + v_j))
    expected loss_i = E max - m_i,   E max = integral of x d(prod over j of Phi_j(x))

all derived here. Draws are quasi-random normals, so that 2^18 of them answer to three digits.
"""

import numpy as np
import pandas as pd
import pytest
from charscreen.mixed import fit_mixed
from charscreen.rank import rank_statistics
from scipy.integrate import quad
from scipy.stats import norm, qmc

TAU, SIGMA, MU = 0.25, 0.20, 5.0
READINGS = [4, 1, 2, 3, 6]
MEANS = [5.31, 5.45, 5.22, 5.05, 4.80]


@pytest.fixture(scope="module")
def posterior():
    """Mean and standard deviation of each effect."""
    noise = SIGMA**2 / np.array(READINGS)
    weight = TAU**2 / (TAU**2 + noise)
    return weight * (np.array(MEANS) - MU), np.sqrt(weight * noise)


@pytest.fixture(scope="module")
def found(posterior):
    mean, sd = posterior
    points = qmc.Sobol(len(mean), scramble=True, rng=np.random.default_rng(7)).random(2**18)
    return rank_statistics(mean + sd * norm.ppf(points))


def test_chance_to_be_best(posterior, found):
    mean, sd = posterior
    for i in range(len(mean)):
        others = np.arange(len(mean)) != i
        exact, _ = quad(
            lambda x, i=i, o=others: (
                norm.pdf(x, mean[i], sd[i]) * np.prod(norm.cdf(x, mean[o], sd[o]))
            ),
            -2,
            2,
            points=[mean[i]],
            epsabs=1e-10,
        )
        assert found["p_best"][i] == pytest.approx(exact, abs=5e-4)
    assert found["p_best"].max() < 0.5  # the case decides nothing by itself


def test_expected_rank(posterior, found):
    mean, sd = posterior
    for i in range(len(mean)):
        ahead = [
            norm.cdf((mean[j] - mean[i]) / np.hypot(sd[i], sd[j]))
            for j in range(len(mean))
            if j != i
        ]
        assert found["expected_rank"][i] == pytest.approx(1 + sum(ahead), rel=5e-4)


def test_expected_loss(posterior, found):
    mean, sd = posterior
    # E max = b - integral from a to b of prod Phi_j(x) dx for b above all, a below all.
    inside, _ = quad(lambda x: np.prod(norm.cdf(x, mean, sd)), -2, 2, epsabs=1e-10, limit=200)
    exact = 2 - inside - mean
    assert found["expected_loss"].to_numpy() == pytest.approx(exact, abs=5e-4 * exact.max())
    best = found["expected_loss"].idxmin()
    assert found["expected_loss"][best] == pytest.approx(exact[best], rel=2e-3)


def test_interval_and_estimate(posterior, found):
    mean, sd = posterior
    assert found["estimate"].to_numpy() == pytest.approx(mean, abs=5e-4)
    assert found["estimate_lo"].to_numpy() == pytest.approx(mean - 1.644854 * sd, abs=1e-3)
    assert found["estimate_hi"].to_numpy() == pytest.approx(mean + 1.644854 * sd, abs=1e-3)


def test_the_mixed_model_draws_agree_where_data_fix_the_variances():
    # Forty balanced groups of thirty readings all but fix both variances and the mean: the
    # posterior of the five best is then the conjugate one at these values, to within what the
    # variances leave open (a tenth of a standard deviation) and the noise of 8000 draws.
    rng = np.random.default_rng(3)
    groups, n = 40, 30
    effects = rng.normal(0, TAU, groups)
    data = pd.DataFrame({"group": np.repeat([f"g{k:02d}" for k in range(groups)], n)})
    data["y"] = MU + np.repeat(effects, n) + rng.normal(0, SIGMA, groups * n)
    fit = fit_mixed("y ~ 1", data, random=["group"])
    draws = fit.posterior(n=8000, seed=1)
    values = draws.random["group"].to_numpy() + draws.fixed[["Intercept"]].to_numpy()
    ours = rank_statistics(values)
    means = data.groupby("group")["y"].mean().to_numpy()
    variances = fit.variance_components
    noise = variances["residual"] / n
    weight = variances["group"] / (variances["group"] + noise)
    centre = means.mean()
    mean, sd = centre + weight * (means - centre), np.sqrt(weight * noise)
    points = qmc.Sobol(groups, scramble=True, rng=np.random.default_rng(5)).random(2**15)
    exact = rank_statistics(mean + sd * norm.ppf(points))
    assert ours["p_best"].to_numpy() == pytest.approx(exact["p_best"].to_numpy(), abs=0.02)
    assert ours["expected_rank"].to_numpy() == pytest.approx(
        exact["expected_rank"].to_numpy(), abs=0.1
    )

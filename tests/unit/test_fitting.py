import numpy as np
import pytest
from charscreen.capacitance.fitting import fit_exponential, fit_separable
from scipy.optimize import curve_fit


def two_exponentials(x, p):
    return np.stack([np.exp(-p[0] * x), np.exp(-p[1] * x)], axis=1)


@pytest.mark.parametrize("start", [[3.0, 0.3], [1.0, 0.02], [8.0, 0.5]])
def test_agrees_with_a_full_least_squares_fit(start):
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 20.0, 80)
    y = 0.7 * np.exp(-2.0 * x) + 0.3 * np.exp(-0.1 * x) + 1e-3 * rng.standard_normal(80)
    fit = fit_separable(two_exponentials, x, y, start=start)
    best, cov = curve_fit(
        lambda x, a, b, k1, k2: a * np.exp(-k1 * x) + b * np.exp(-k2 * x),
        x, y, p0=[0.7, 0.3, 2.0, 0.1], xtol=1e-12, ftol=1e-12,
    )  # fmt: skip
    np.testing.assert_allclose([*fit.linear, *fit.nonlinear], best, rtol=1e-5)
    np.testing.assert_allclose(fit.se, np.sqrt(np.diag(cov)), rtol=1e-4)
    assert fit.rss == pytest.approx(np.sum((two_exponentials(x, best[2:]) @ best[:2] - y) ** 2))


def test_without_nonlinear_parameters_it_is_a_line():
    x = np.arange(5.0)
    y = 2.0 + 3.0 * x + np.array([0.1, -0.1, 0.0, -0.1, 0.1])
    fit = fit_separable(lambda x, p: np.stack([np.ones_like(x), x], axis=1), x, y)
    slope, intercept = np.polyfit(x, y, 1)
    np.testing.assert_allclose(fit.linear, [intercept, slope])
    s2 = fit.rss / 3.0
    assert fit.se[1] == pytest.approx(np.sqrt(s2 / 10.0))
    # n ln(RSS/n) + 2k + 2k(k + 1)/(n - k - 1), k = 3: two parameters and the scatter.
    assert fit.aicc == pytest.approx(5 * np.log(fit.rss / 5) + 6 + 24.0 / 1.0)


def test_exact_readings_have_no_scatter():
    t = np.arange(0.0, 10.0)
    fit = fit_exponential(t, 2.0 * np.exp(-t / 3.0), method="curve")
    assert (fit.voltage_0_V, fit.tau_s) == pytest.approx((2.0, 3.0), rel=1e-9)
    assert fit.tau_s_se == pytest.approx(0.0, abs=1e-9)


def test_refusals():
    x = np.arange(3.0)
    with pytest.raises(ValueError, match="fewer readings"):
        fit_separable(two_exponentials, x, x, start=[1.0, 2.0])
    with pytest.raises(ValueError, match="finite"):
        fit_separable(two_exponentials, x, np.array([1.0, np.nan, 2.0]), start=[1.0, 2.0])
    t = np.arange(20.0)
    with pytest.raises(ValueError, match="does not fall"):
        fit_exponential(t, np.exp(0.1 * t), method="curve")

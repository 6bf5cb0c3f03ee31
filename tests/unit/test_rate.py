import numpy as np
import pytest
from charscreen.capacitance import analyse_constant_current
from charscreen.capacitance.rate import count_currents, fit_rate
from scipy.stats import binom

CURRENTS = np.array([1e-3, 2e-3, 5e-3, 10e-3])


def test_power_law_is_given_back():
    fit = fit_rate(CURRENTS, 0.5 * (CURRENTS / 3e-3) ** -0.12, reference_A=3e-3)
    assert fit.capacitance_F == pytest.approx(0.5, rel=1e-12)
    assert fit.exponent == pytest.approx(0.12, rel=1e-12)
    assert (fit.n_currents, fit.extrapolated, fit.bends) == (4, False, False)


@pytest.mark.parametrize("alpha", [0.8, 0.9, 1.0])
def test_constant_phase_element_follows_it(alpha):
    # Derived: V = V₀ - I·t^α/Q gives t(U) = (Q·(V₀ - U)/I)^(1/α), so C ~ I^(1 - 1/α).
    q, found = 0.4, []
    for current in CURRENTS:
        t = np.linspace(0.0, (q / current) ** (1 / alpha), 4001)
        v = 1.0 - current * t**alpha / q
        i = np.full(len(t), -current)
        table = analyse_constant_current(t, v, i, upper_voltage_V=1.0)
        found.append(table["capacitance_F"].iloc[0])
    fit = fit_rate(CURRENTS, found, reference_A=4e-3)
    assert fit.exponent == pytest.approx(1.0 / alpha - 1.0, abs=1e-5)
    span = (0.6 * q / 4e-3) ** (1 / alpha) - (0.2 * q / 4e-3) ** (1 / alpha)
    assert fit.capacitance_F == pytest.approx(4e-3 * span / 0.4, rel=1e-5)
    assert not fit.bends


def test_stated_uncertainty_covers_the_truth():
    hits, n = 0, 300
    for seed in range(n):
        rng = np.random.default_rng(seed)
        c = 0.5 * (CURRENTS / 20e-3) ** -0.1 * (1.0 + 0.01 * rng.standard_normal(4))
        fit = fit_rate(CURRENTS, c, reference_A=20e-3, se_a=0.01 * c)
        assert fit.extrapolated
        hits += abs(fit.capacitance_F - 0.5) < 1.96 * fit.se_a
    assert hits >= binom.ppf(0.001, n, 0.95)


def test_two_tests_carry_what_is_stated():
    c = np.array([0.5, 0.45])
    fit = fit_rate([1e-3, 4e-3], c, reference_A=2e-3, se_a=[0.005, 0.0045], se_b=[0.01, 0.009])
    assert fit.capacitance_F == pytest.approx(np.sqrt(0.5 * 0.45))
    assert fit.se_a == pytest.approx(fit.capacitance_F * 0.01 / np.sqrt(2.0))
    assert fit.se_b == pytest.approx(fit.capacitance_F * 0.02)  # shared, so it does not shrink
    assert fit.exponent_se == pytest.approx(0.01 * np.sqrt(2.0) / np.log(4.0))


def test_course_that_bends_is_told():
    c = np.array([0.5, 0.5, 0.3, 0.05])
    assert fit_rate(CURRENTS, c, reference_A=2e-3, se_a=0.01 * c).bends


def test_currents_that_count_as_one():
    assert count_currents([5e-3, 5.1e-3, 5.2e-3]) == 1
    assert count_currents([1e-3, 5e-3, 5.1e-3]) == 2
    with pytest.raises(ValueError, match="two different currents"):
        fit_rate([5e-3, 5.1e-3], [0.5, 0.5], reference_A=5e-3)
    with pytest.raises(ValueError, match="above zero"):
        fit_rate([5e-3, 1e-3], [0.5, -0.5], reference_A=5e-3)

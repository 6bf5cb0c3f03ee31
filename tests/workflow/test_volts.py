"""A real discharge, the open data set Stat2Data/Volts, through the whole graph."""

import numpy as np
import pytest
from charscreen.files import read_csv
from workflow.conftest import Screen
from workflow.volts import LOAD_OHM, TAU_S, V0_V, make_volts_screen, read_volts


def test_published_figures_follow_from_the_data():
    time_s, voltage_V = read_volts()
    assert len(time_s) == 50
    slope, intercept = np.polyfit(time_s, np.log(voltage_V), 1)
    # Half a unit of the last digit given.
    assert np.exp(intercept) == pytest.approx(V0_V, abs=5e-5)
    assert -1.0 / slope == pytest.approx(TAU_S, abs=5e-6)


def test_real_discharge_goes_through_the_graph(tmp_path):
    screen = Screen(make_volts_screen(tmp_path / "volts"))
    screen.must_run("collect")
    results = read_csv(screen.results / "collect" / "test_results.csv")
    assert list(results["test"]) == ["volts"]
    row = results.iloc[0]
    assert row["method"] == "through_resistor"
    # The load is nominal, so only its product with the farads means anything: the time constant.
    # Tolerance: the rounding of the published figure. The cell has no measured series resistance.
    tau_s = row["capacitance_F"] * LOAD_OHM
    assert tau_s == pytest.approx(TAU_S, abs=5e-6)
    assert row["capacitance_F_se"] > 0
    # The time constant drifts over the record, which one exponential cannot follow.
    assert "exponential" in row["quality"]
    cells = read_csv(screen.results / "collect" / "cells.csv")
    assert cells["capacitance_F"].iloc[0] == pytest.approx(row["capacitance_F"], rel=1e-9)

import pandas as pd
from charscreen.report.electricity_text import electricity_text

SETTINGS = {
    "capacitance": {
        "window": [0.8, 0.4],
        "skip_cycles": 1,
        "method_order": ["constant_current", "direct"],
        "leakage_time_s": 900,
    }
}


def words(tests, cells=None, **settings):
    config = {"capacitance": SETTINGS["capacitance"] | settings}
    cells = pd.DataFrame() if cells is None else cells
    return electricity_text({"test_results": pd.DataFrame(tests), "cells": cells}, config)


def test_only_methods_that_were_used_are_described():
    text = words([{"test": "T1", "method": "direct", "quality": None}])
    assert "1 test was evaluated (farads typed in by the user: 1)." in text
    assert "loop" not in text
    assert "Monte Carlo" not in text
    assert "robust" not in text


def test_rule_on_outliers_and_slow_loggers_are_named():
    text = words(
        [
            {"test": "T1", "method": "constant_current", "cycles_outlying": 2, "quality": ""},
            {"test": "T2", "method": "constant_current", "cycles_outlying": 0,
             "quality": "resistance not resolved"},
        ]
    )  # fmt: skip
    assert "between 0.8 and 0.4 of the upper voltage" in text
    assert "over 3.5 robust standard deviations" in text
    assert "here 2 cycles" in text
    assert "In 1 test the logger was too slow" in text


def test_resistance_that_was_not_seen_is_told():
    flags = ["first step not seen", "series resistance from another test; too few points",
             "first step not resolved; not one exponential"]  # fmt: skip
    text = words([{"method": "through_resistor", "quality": flag} for flag in flags])
    assert "For 1 test that step is not to be seen and R_s is that of another test" in text
    assert "For 1 test R_s is not known: it counts as zero" in text
    assert "For 1 test the step lies between readings too far apart" in text
    assert "1 decay is not one exponential" in text


def test_leakage_and_loops():
    text = words([{"method": m} for m in ("voltammetry", "open_circuit", "held_voltage")])
    assert "middle 80 % of the sweep" in text
    assert "AICc chooses" in text
    assert "the current 15 min after the hold began" in text


def test_reference_current_and_draws():
    cells = pd.DataFrame(
        {
            "capacitance_at": ["reference", "reference, extrapolated", "tests' currents"],
            "uncertainty_by": ["propagation", "Monte Carlo", None],
        }
    )
    text = words([{"method": "direct"}], cells, reference_current_A_per_g=0.5)
    assert "brought to 0.5 A per gram of carbon of both electrodes" in text
    assert "For 1 cell the reference lies beyond the currents tested" in text
    assert "For 1 cell it could not be done" in text
    assert "for 1 cell with a mass known to worse than 5 % by Monte Carlo" in text


def test_what_the_step_of_a_resistor_could_not_tell_is_counted():
    flags = ["series resistance from another test", "first step not seen",
             "first step not resolved", "not one exponential"]  # fmt: skip
    tests = [{"test": f"T{k}", "method": "through_resistor", "quality": flag}
             for k, flag in enumerate(flags)]  # fmt: skip
    text = words(tests)
    assert "For 1 test that step is not to be seen and R_s is that of another test" in text
    assert "For 1 test R_s is not known: it counts as zero" in text
    assert "For 1 test the step lies between readings too far apart" in text
    assert "1 decay is not one exponential" in text
    plain = words([{"test": "T1", "method": "through_resistor", "quality": ""}], method_order=[])
    assert "ln V against time" in plain
    for part in ("another test of the cell", "counts as zero", "too far apart", "exponential:",
                 "the first method of this order"):  # fmt: skip
        assert part not in plain


def test_cycles_that_are_not_used_are_told():
    tests = [{"test": "T1", "method": "voltammetry", "quality": ""}]
    assert "The first cycle of a series is not used." in words(tests)
    assert "The first 3 cycles of a series are not used." in words(tests, skip_cycles=3)
    assert "of a series" not in words(tests, skip_cycles=0)
    assert "30 min after the hold began" in words(
        [{"test": "T1", "method": "held_voltage"}], leakage_time_s=None
    )

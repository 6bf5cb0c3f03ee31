"""Whatever is in a record, a test gives figures or a reason: never a fault, never infinity."""

import warnings

import numpy as np
import pytest
from cell_models import cycle_rc, decay_rc, sweep_rc
from charscreen.capacitance.evaluate import LeftOut, evaluate
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.traces.reading import Trace
from hypothesis import given, settings
from hypothesis import strategies as st

METHODS = ("constant_current", "through_resistor", "voltammetry", "open_circuit", "held_voltage")
INSTRUMENT = {
    "voltage_percent": 0.1, "voltage_offset_mV": 1, "current_percent": 0.2,
    "time_resolution_s": 0.01, "load_percent": 1.0, "stopwatch_s": 0.3,
}  # fmt: skip
SETTINGS = {"window": [0.8, 0.4], "skip_cycles": 1, "method_order": ["constant_current"],
            "leakage_time_s": 1800}  # fmt: skip


class OneTest:
    """What `evaluate` needs of a test."""

    def __init__(self, method, rng):
        self.test = {
            "test": "T1", "cell": "C1", "method": method, "trace": "a.csv",
            "current_mA": rng.choice([None, 5.0]), "load_ohm": rng.choice([None, 100.0]),
            "scan_rate_mV_per_s": rng.choice([None, 20.0]),
            "meter_ohm": rng.choice([None, 1e6]), "capacitance_F": rng.choice([None, 0.4]),
        }  # fmt: skip
        self.cell = {"cell": "C1", "upper_voltage_V": 1.0, "electrode_1_mg": 5.0,
                     "electrode_2_mg": 5.0}  # fmt: skip
        self.flags, self.questions = [], []

    def question(self, message, column, value=None):
        self.questions.append(message)


def nonsense(rng):
    """Arrays that no cell gives, or hardly."""
    n = int(rng.choice([1, 2, 3, 5, 8, 30, 300]))
    t = np.sort(rng.random(n)) * 10.0 ** rng.uniform(-2, 6)
    t = np.round(t) if rng.random() < 0.2 else t
    x = np.linspace(0.0, 1.0, n)
    shapes = [
        rng.standard_normal(n), np.zeros(n), np.full(n, 0.9), 1.0 - x, np.exp(-5.0 * x),
        np.abs(np.sin(20.0 * x)), -x, 0.5 * rng.integers(0, 3, n), np.cumsum(rng.normal(size=n)),
        np.where(np.arange(n) % 7 < 3, 1.0, 0.0), np.round(np.exp(-5.0 * x), 1),
    ]  # fmt: skip
    currents = [
        None, np.zeros(n), np.full(n, -5e-3), 0.01 * rng.standard_normal(n),
        np.where(np.arange(n) < n // 2, 5e-3, 0.0),
    ]  # fmt: skip
    return t, shapes[rng.integers(len(shapes))], currents[rng.integers(len(currents))]


def piece_of_a_test(rng):
    """Any part of a record of a cell, sampled and disturbed anyhow."""
    noise = float(rng.choice([0.0, 1e-3, 0.05, 0.3]))
    step = float(rng.choice([0.5, 2.0, 10.0, 30.0]))
    kind = rng.integers(3)
    if kind == 0:
        t, v, i = cycle_rc(step_s=step, noise_V=noise, rest_samples=int(rng.integers(5)))
    elif kind == 1:
        t, v = decay_rc(
            capacitance_F=0.4, load_ohm=100.0, series_ohm=2.0, times_s=np.arange(0.0, 200.0, step),
            before_s=np.arange(-9.0, 0.0)[: rng.integers(9)],
        )  # fmt: skip
        v, i = v + noise * rng.standard_normal(len(v)), None
    else:
        t, v, i = sweep_rc(step_s=min(step, 5.0), noise_V=noise)
    first = int(rng.integers(len(t)))
    part = slice(first, int(rng.integers(first, len(t))) + 1) if rng.random() < 0.5 else slice(None)
    return t[part], v[part], None if i is None else i[part]


@pytest.mark.parametrize("method", METHODS)
@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_any_record_gives_figures_or_a_reason(method, seed):
    rng = np.random.default_rng(seed)
    record = nonsense(rng) if rng.random() < 0.5 else piece_of_a_test(rng)
    row = dict.fromkeys(TEST_RESULT_COLUMNS)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            evaluate(
                OneTest(method, rng), row, Trace(*record), instrument=INSTRUMENT,
                settings=SETTINGS, others=[],
            )  # fmt: skip
        except LeftOut:
            return
    for name, value in row.items():
        if isinstance(value, float):
            assert np.isfinite(value), name
        if value is not None and "_se" in name:
            assert value >= 0, name
    for name in ("capacitance_F", "esr_ohm", "leakage_current_mA", "power_max_W"):
        assert row[name] is None or row[name] > 0, name

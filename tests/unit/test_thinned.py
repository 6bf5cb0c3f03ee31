"""Records cut down for pictures: what is kept, what is marked as fitted."""

from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from cell_models import cycle_rc, decay_rc
from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.thinned import BUCKETS, COLUMNS, _extremes, thin, write_thinned
from charscreen.traces.parts import Trace


def thin_cycles(n_cycles, **cell):
    t, v, i = cycle_rc(n_cycles=n_cycles, **cell)
    cycles, _ = constant_current_rows(t, v, i, upper_voltage_V=1.0)
    assert len(cycles) == n_cycles
    return thin(Trace(t, v, i), cycles, method="constant_current", window_V=(0.8, 0.4)), v


def test_ends_and_extremes_are_kept_of_a_long_record():
    record, v = thin_cycles(2, step_s=0.05)
    assert len(record["time_s"]) < 3 * BUCKETS
    assert (np.diff(record["time_s"]) > 0).all()
    assert record["voltage_V"].max() == v.max()
    assert record["voltage_V"].min() == v.min()
    assert record["time_s"][0] == 0


@pytest.mark.parametrize("n", [2 * BUCKETS + 1, 5 * BUCKETS - 3, 10 * BUCKETS + 7])
def test_lowest_and_highest_of_each_bucket_are_kept_and_nothing_else(n):
    values = np.random.default_rng(n).normal(size=n)
    edges = [k * n // BUCKETS for k in range(BUCKETS + 1)]
    expected = {0, n - 1}
    for a, b in pairwise(edges):
        expected |= {a + int(values[a:b].argmin()), a + int(values[a:b].argmax())}
    fitted = np.zeros(n, dtype=bool)
    fitted[n // 3 : n // 2] = True
    expected |= {n // 3 - 1, n // 3, n // 2 - 1, n // 2}
    assert list(_extremes(values, fitted)) == sorted(expected)


def test_fitted_parts_lie_in_the_window_of_discharges():
    record, _ = thin_cycles(2, rest_samples=10)
    fitted = record["fitted"]
    assert fitted.any()
    assert (record["current_A"][fitted] < 0).all()
    assert ((record["voltage_V"][fitted] <= 0.8) & (record["voltage_V"][fitted] >= 0.4)).all()
    # One stretch for each discharge.
    assert np.count_nonzero(np.diff(fitted.astype(int)) == 1) == 2


def test_of_many_cycles_the_last_three_are_shown():
    record, _ = thin_cycles(12, step_s=0.2)
    falls = np.count_nonzero(np.diff((record["current_A"] < 0).astype(int)) == 1)
    assert falls == 3
    assert record["time_s"][-1] == pytest.approx(3 * 198, rel=0.02)


def test_a_discharge_through_a_resistor_and_a_loop():
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=np.arange(0.0, 90.0),
                    before_s=np.arange(-20.0, 0.0))  # fmt: skip
    record = thin(Trace(t - t[0], v), [], method="through_resistor", window_V=(0.8, 0.4))
    assert np.isnan(record["current_A"]).all()
    assert not record["fitted"][:19].any()
    assert record["fitted"][22:].all()
    phase = np.linspace(0, 4, 4001)
    v = np.abs(phase % 2 - 1)
    loop = thin(Trace(phase * 50, v, np.where(phase % 2 < 1, -1e-3, 1e-3)), [],
                method="voltammetry", window_V=(0.8, 0.4))  # fmt: skip
    fitted = loop["voltage_V"][loop["fitted"]]
    assert fitted.min() >= 0.1
    assert fitted.max() <= 0.9


def test_a_hold_is_marked_where_its_current_is_read_and_a_decline_from_its_top():
    t = np.arange(0.0, 3700.0, 10.0)
    v = np.minimum(1.0, t / 100.0)
    hold = Trace(t, v, np.where(t < 100.0, 5e-3, 2e-5))
    for read_at_s, since in ((1800.0, 1800.0), (600.0, 600.0), (7200.0, 3600.0 - 10.0)):
        record = thin(hold, [], method="held_voltage", window_V=(0.8, 0.4), read_at_s=read_at_s)
        marked = record["time_s"][record["fitted"]]
        # A twentieth of the time since the hold began, before and after.
        assert marked.min() >= 100.0 + 0.95 * since - 20.0
        assert marked.max() <= 100.0 + 1.05 * since + 20.0
    fall = Trace(t, np.where(t < 100.0, t / 100.0, np.exp(-(t - 100.0) / 9e3)))
    record = thin(fall, [], method="open_circuit", window_V=(0.8, 0.4))
    assert record["time_s"][record["fitted"]].min() == pytest.approx(100.0, abs=20.0)


def test_written_in_single_precision_and_empty(tmp_path):
    record, _ = thin_cycles(1)
    write_thinned({"T1": record, "T2": record}, tmp_path / "a.parquet")
    frame = pl.read_parquet(tmp_path / "a.parquet")
    assert frame.columns == list(COLUMNS)
    assert frame["test"].n_unique() == 2
    assert frame.schema["voltage_V"] == pl.Float32
    assert frame["fitted"].any()
    write_thinned({}, tmp_path / "b.parquet")
    empty = pl.read_parquet(tmp_path / "b.parquet")
    assert (empty.columns, empty.height) == (list(COLUMNS), 0)

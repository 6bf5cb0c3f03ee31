import csv
import itertools

import numpy as np
import pytest
from cell_models import cycle_rc, decay_rc, sweep_rc
from charscreen.capacitance.reduce import reduce_tests, write_rows_csv
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.findings import LEAVES_OUT, QUESTIONS

MAP = {
    "delimiter": ",",
    "decimal": ".",
    "skip_lines": 0,
    "comment": "#",
    "time": {"column": "t", "unit": "s"},
    "voltage": {"column": "v", "unit": "V"},
    "current": {"column": "i", "unit": "A", "positive_is": "charge"},
}
MAPS = {
    "plain": MAP,
    "turned": MAP | {"current": MAP["current"] | {"positive_is": "discharge"}},
    "bare": {key: value for key, value in MAP.items() if key != "current"},
}
ON_SAMPLING = "resistance rests on the sampling interval"
INSTRUMENT = {
    "voltage_percent": 0.1, "voltage_offset_mV": 1, "current_percent": 0.2,
    "time_resolution_s": 0.01, "load_percent": 1.0, "stopwatch_s": 0.3,
}  # fmt: skip
SETTINGS = {
    "window": [0.8, 0.4], "skip_cycles": 1, "leakage_time_s": 1800.0,
    "method_order": ["constant_current", "through_resistor", "voltammetry", "direct"],
}  # fmt: skip
CELL = {
    "row": 2, "cell": "C1", "run": "R1", "electrode_1_mg": 6.0, "electrode_2_mg": 6.5,
    "electrode_1_gross_mg": None, "electrode_1_collector_mg": None, "binder_percent": 10.0,
    "additive_percent": 10.0, "area_cm2": 1.0, "upper_voltage_V": 1.0,
}  # fmt: skip
TEST_COLUMNS = (
    "test", "cell", "method", "trace", "trace_map", "start_s", "end_s", "step", "cycle",
    "current_mA", "load_ohm", "load_tolerance_percent", "meter_ohm", "capacitance_F",
    "capacitance_F_se", "esr_ohm", "esr_ohm_se", "scan_rate_mV_per_s", "note", "exclude_reason",
    "accepted",
)  # fmt: skip


def a_test(**values):
    row = dict.fromkeys(TEST_COLUMNS) | {
        "row": 2, "test": "T1", "cell": "C1", "method": "constant_current", "trace": "a.csv",
        "trace_map": "plain",
    }  # fmt: skip
    return row | values


@pytest.fixture
def folder(tmp_path):
    """Folder of traces with one good record of three cycles."""
    write_trace(tmp_path / "a.csv", *cycle_rc(n_cycles=4, rest_samples=2))
    return tmp_path


def write_trace(path, t, v, i=None):
    lines = ["t,v,i" if i is not None else "t,v"]
    columns = (t, v) if i is None else (t, v, i)
    lines += [",".join(f"{x:.9g}" for x in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join(lines) + "\n")


def run(folder, tests, readings=(), cells=(CELL,)):
    rows, _, findings = reduce_tests(
        list(tests), list(cells), list(readings), column_maps=MAPS, instrument=INSTRUMENT,
        settings=SETTINGS, trace_folder=folder,
    )  # fmt: skip
    return rows, findings


def cycles_of(folder):
    """Cycles of the good record."""
    return reduce_tests(
        [a_test()], [CELL], [], column_maps=MAPS, instrument=INSTRUMENT, settings=SETTINGS,
        trace_folder=folder,
    )[1]  # fmt: skip


def left_out(folder, test, **more):
    """The one finding that leaves the one test out."""
    rows, findings = run(folder, [test], **more)
    assert rows == []
    (finding,) = [f for f in findings if f.severity == LEAVES_OUT]
    assert (finding.table, finding.row) == ("tests", test["row"])
    return finding


def test_constant_current_row(folder):
    rows, findings = run(folder, [a_test()])
    assert findings == []
    (row,) = rows
    assert tuple(row) == TEST_RESULT_COLUMNS
    assert (row["test"], row["cell"], row["method"]) == ("T1", "C1", "constant_current")
    assert row["cycles"] == 3  # the first of four is not steady
    assert row["n_points"] == sum(c["n_points"] for c in cycles_of(folder) if c["cycle"] > 1) > 30
    for name in ("capacitance_F", "capacitance_charge_F", "capacitance_energy_F"):
        assert row[name] == pytest.approx(0.5, rel=1e-6)
        # Gain of voltage 0.1 % and current 0.2 %, and the clock: common to all cycles.
        assert row[f"{name}_se_b"] / row[name] == pytest.approx(np.sqrt(5e-6), rel=0.01)
        assert row[f"{name}_se_a"] > 0  # 10 mV in every row pass for the meter's digits
        joint = np.hypot(row[f"{name}_se_a"], row[f"{name}_se_b"])
        assert row[f"{name}_se"] == pytest.approx(joint, rel=1e-9)
    assert row["esr_ohm"] == pytest.approx(2.0, rel=1e-4)
    assert row["esr_ohm_se"] > 0
    assert row["current_mA"] == pytest.approx(5.0)
    assert row["drop_first_sample_V"] == pytest.approx(0.02)
    assert row["coulombic_efficiency_percent"] == pytest.approx(100.0)
    assert row["retention_percent"] == pytest.approx(100.0)
    assert row["upper_voltage_V"] == 1.0
    assert row["quality"] == ON_SAMPLING  # one sample a second


def test_turned_sign_convention_changes_nothing(folder):
    t, v, i = cycle_rc(n_cycles=4, rest_samples=2)
    write_trace(folder / "b.csv", t, v, -i)
    (a, b), findings = run(
        folder, [a_test(), a_test(test="T1", row=2, trace="b.csv", trace_map="turned")]
    )
    assert findings == []
    assert a == b


def test_scatter_between_cycles_counts(folder):
    t, v, i = cycle_rc(n_cycles=5)
    cycle = np.maximum(0, (np.arange(len(t)) - 1) // 198)
    gain = 1.0 + 0.02 * np.array([0, 1, -1, 1, -1])[np.minimum(cycle, 4)]
    write_trace(folder / "b.csv", t, v, i * gain)
    ((row,), _) = run(folder, [a_test(trace="b.csv")])
    expected = 0.5 * 0.02 * np.std([1, -1, 1, -1], ddof=1) / 2.0
    assert row["capacitance_F_se"] == pytest.approx(
        np.hypot(expected, 0.5 * np.sqrt(5e-6)), rel=0.01
    )


def test_single_cycle_is_used_and_flagged(folder):
    write_trace(folder / "b.csv", *cycle_rc(n_cycles=1))
    ((row,), _) = run(folder, [a_test(trace="b.csv")])
    assert row["cycles"] == 1
    assert row["quality"] == f"first cycle only; {ON_SAMPLING}"
    assert row["retention_percent"] is None


def test_voltage_only_uses_the_current_of_the_table(folder):
    t, v, _ = cycle_rc(n_cycles=3)
    write_trace(folder / "b.csv", t, v)
    test = a_test(trace="b.csv", trace_map="bare", current_mA=5.0)
    ((row,), findings) = run(folder, [test])
    assert findings == []
    assert row["capacitance_F"] == pytest.approx(0.5, rel=1e-6)
    assert row["quality"] == f"current not logged; {ON_SAMPLING}"
    finding = left_out(folder, test | {"current_mA": None})
    assert finding.column == "current_mA"
    assert "was not logged. Write it in current_mA" in finding.message


def test_through_resistor_from_trace_and_by_stopwatch(folder):
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=np.arange(0.0, 90.0, 1.0))
    write_trace(folder / "b.csv", t, v)
    logged = a_test(method="through_resistor", trace="b.csv", trace_map="bare", load_ohm=100.0)
    by_hand = a_test(
        test="T2", row=3, method="through_resistor", trace=None, trace_map=None, load_ohm=100.0,
        load_tolerance_percent=1.0,
    )  # fmt: skip
    readings = [
        {"row": k, "test": "T2", "time_s": float(t[k]), "voltage_V": float(v[k]),
         "current_mA": None}
        for k in (60, 0, 10, 20, 30, 45)
    ]  # fmt: skip
    (a, b), findings = run(folder, [logged, by_hand], readings)
    assert findings == []
    for row in (a, b):
        assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-6)
        assert row["esr_ohm"] is None
        assert row["capacitance_charge_F"] is None
        # Derived: from 0.8 to 0.4 V through 100 Ω takes τ·ln 2, so the mean is 0.4 V/(R·ln 2).
        assert row["current_mA"] == pytest.approx(4.0 / np.log(2.0))
        assert row["quality"] == "first step not seen"
    # The resistor's 1 %, and an offset of 1 mV, which bends a decay from 1 to 0.1 V a little.
    assert 0.004 < a["capacitance_F_se"] < 0.0045
    assert b["capacitance_F_se"] > 0.4 * np.hypot(0.01 / np.sqrt(3), 0.3 / 60)


def test_resistor_unlike_the_logged_current_is_questioned(folder):
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=np.arange(0.0, 90.0, 1.0))
    write_trace(folder / "b.csv", t, v, -v / 100.0)
    test = a_test(method="through_resistor", trace="b.csv", load_ohm=100.0)
    _, findings = run(folder, [test])
    assert not [f for f in findings if f.column == "load_ohm"]
    rows, findings = run(folder, [test | {"load_ohm": 120.0}])
    (finding,) = [f for f in findings if f.column == "load_ohm"]
    assert (finding.severity, finding.value) == (QUESTIONS, "120")
    assert "voltage over current of the record is 100 Ω" in finding.message
    assert len(rows) == 1


def test_decay_of_two_time_constants_is_questioned(folder):
    t = np.arange(0.0, 200.0, 1.0)
    write_trace(folder / "b.csv", t, 0.5 * np.exp(-t / 30.0) + 0.5 * np.exp(-t / 120.0))
    test = a_test(method="through_resistor", trace="b.csv", trace_map="bare", load_ohm=100.0,
                  accepted="old cell")  # fmt: skip
    ((row,), findings) = run(folder, [test])
    assert "not one exponential" in row["quality"]
    (finding,) = findings
    assert (finding.severity, finding.accepted) == (QUESTIONS, "old cell")
    assert "early part" in finding.message


def by_hand(method, times, voltages, folder, **values):
    """The row of a test read by hand, and the findings on it."""
    readings = [
        {"test": "T1", "time_s": float(t), "voltage_V": float(v), "current_mA": None}
        for t, v in zip(times, voltages, strict=True)
    ]
    test = a_test(method=method, trace=None, trace_map=None, **values)
    (row,), findings = run(folder, [test], readings)
    return row, [(f.column, f.value, f.message) for f in findings]


def test_readings_without_a_part_in_the_result_are_told(folder):
    t = np.arange(0.0, 160.0, 20.0)
    v = np.exp(-t / (0.5 * 200.0))
    row, findings = by_hand("through_resistor", t, v, folder, load_ohm=200.0)
    assert (row["n_points"], findings) == (8, [])
    late = np.where(np.arange(8) == 1, 1000.0, t)
    row, findings = by_hand("through_resistor", late, v, folder, load_ohm=200.0)
    assert row["n_points"] == 7
    assert row["capacitance_F"] == pytest.approx(0.5, rel=1e-3)
    ((column, value, message),) = findings
    assert (column, value) == ("test", "T1")
    assert message == (
        "1 of 8 readings is not used: that at 1000 s. A discharge counts down to 5 % of its "
        "highest voltage and until the voltage rises again. Check times and voltages."
    )


def test_readings_before_the_resistor_have_a_part(folder):
    """A cell of 20 Ω at rest until 30 s: those readings give the first step."""
    t = np.arange(0.0, 160.0, 10.0)
    v = np.where(t < 30, 1.0, 200 / 220 * np.exp(-(t - 25) / (0.5 * 220)))
    row, findings = by_hand("through_resistor", t, v, folder, load_ohm=200.0)
    assert findings == []
    assert row["n_points"] == 13


def test_open_circuit_readings_before_the_highest_are_told(folder):
    t = np.arange(0.0, 9.0) * 3600.0
    v = 0.9 - 0.002 * np.sqrt(t)
    v[2] = 0.98
    row, findings = by_hand("open_circuit", t, v, folder)
    assert row["n_points"] == 7
    ((_, _, message),) = findings
    assert message.startswith("2 of 9 readings are not used: those at 0 and 3600 s.")


def test_typed_farads_too_small_for_the_carbon_are_questioned(folder):
    test = a_test(method="direct", trace=None, capacitance_F=0.31 / 60, capacitance_F_se=0.001)
    (row,), (finding,) = run(folder, [test])
    assert row["n_points"] is None
    assert (finding.severity, finding.column) == (QUESTIONS, "capacitance_F")
    assert finding.value == f"{0.31 / 60:.12g}"
    assert "2.1 F per gram of one electrode" in finding.message
    assert "Check the farads typed" in finding.message


def test_direct(folder):
    test = a_test(
        method="direct", trace=None, trace_map=None, capacitance_F=0.42, capacitance_F_se=0.01,
        esr_ohm=1.6,
    )  # fmt: skip
    ((row,), findings) = run(folder, [test])
    assert findings == []
    assert (row["capacitance_F"], row["capacitance_F_se"], row["esr_ohm"]) == (0.42, 0.01, 1.6)
    assert row["cycles"] is None
    bare = left_out(folder, test | {"capacitance_F": None})
    assert (bare.column, "Write it in capacitance_F" in bare.message) == ("capacitance_F", True)


def test_voltammetry(folder):
    write_trace(folder / "b.csv", *sweep_rc(n_scans=3))
    test = a_test(method="voltammetry", trace="b.csv", scan_rate_mV_per_s=20.0)
    ((row,), findings) = run(folder, [test])
    assert findings == []
    assert (row["cycles"], row["quality"]) == (2, "")  # the first of three is not steady
    assert row["capacitance_F"] == pytest.approx(0.397, abs=5e-4)
    assert row["scan_rate_mV_per_s"] == pytest.approx(20.0)
    # Mean current ν·C; drift of two steady scans cannot be told.
    assert row["current_mA"] == pytest.approx(20.0 * row["capacitance_F"], rel=1e-6)
    assert row["rectangularity"] > 0.97
    assert row["esr_ohm"] is None
    (found, _) = run(folder, [test | {"scan_rate_mV_per_s": None}])
    assert found[0]["quality"] == "scan rate from the record"
    assert found[0]["capacitance_F"] == pytest.approx(row["capacitance_F"], rel=1e-6)
    assert "the current in the trace" in left_out(folder, test | {"trace_map": "bare"}).message
    assert "positive_is" in left_out(folder, test | {"trace_map": "turned"}).message


def test_scan_rate_in_a_wrong_unit_is_questioned(folder):
    write_trace(folder / "b.csv", *sweep_rc(n_scans=3))
    test = a_test(method="voltammetry", trace="b.csv", scan_rate_mV_per_s=0.02)
    _, findings = run(folder, [test])
    (finding,) = [f for f in findings if f.column == "scan_rate_mV_per_s"]
    assert finding.severity == QUESTIONS
    assert "says 0.02 mV/s, which was used; the record sweeps at 20 mV/s" in finding.message
    t, v, i = sweep_rc(n_scans=3)
    write_trace(folder / "b.csv", t * 3600.0, v, i)
    _, findings = run(folder, [test | {"scan_rate_mV_per_s": None}])
    assert any("0.00556 mV/s, which is unusual" in f.message for f in findings)


def test_scans_at_another_rate_are_left_aside(folder):
    t, v, i = sweep_rc(n_scans=3)
    t2, v2, i2 = sweep_rc(n_scans=3, rate_V_s=0.1, step_s=0.01)
    whole = (np.append(t, t[-1] + t2[1:]), np.append(v, v2[1:]), np.append(i, i2[1:]))
    write_trace(folder / "b.csv", *whole)
    test = a_test(method="voltammetry", trace="b.csv", scan_rate_mV_per_s=100.0)
    ((row,), findings) = run(folder, [test])
    assert findings == []
    assert "other scan rates in the file" in row["quality"]
    assert row["cycles"] == 2
    # Derived: i = ν·C·(1 - k·exp(-t/2 s)) with k = 2/(1 + exp(-5)) turns its sign at t₀; the size
    # is integrated from 1 to 9 s of the sweep of 10 s.
    k = 2.0 / (1.0 + np.exp(-5.0))
    first, turn, last = (x + 2.0 * k * np.exp(-x / 2.0) for x in (1.0, 2.0 * np.log(k), 9.0))
    assert row["capacitance_F"] == pytest.approx(0.4 * (last - 2.0 * turn + first) / 8.0, rel=2e-3)


def test_open_circuit_takes_the_capacitance_of_the_cell(folder):
    time = np.arange(0.0, 36000.0, 20.0)
    charge = np.arange(0.0, 200.0, 20.0)
    t = np.append(charge, 200.0 + time)
    v = np.append(charge / 200.0, np.exp(-time / (0.5 * 1e5)))
    i = np.append(np.full(10, 2.5e-3), np.zeros(len(time)))
    write_trace(folder / "b.csv", t, v, i)
    alone = a_test(test="T2", row=3, method="open_circuit", trace="b.csv")
    ((row,), findings) = run(folder, [alone])
    assert findings == []
    assert row["quality"] == "no capacitance of this cell"
    assert row["capacitance_F"] is None
    assert row["time_to_half_s"] == pytest.approx(0.5e5 * np.log(2.0), rel=1e-3)
    assert row["leakage_resistance_ohm"] is None
    # The order of the rows does not matter: other methods are evaluated first.
    (row, other), _ = run(folder, [alone, a_test()])
    assert (row["test"], other["method"]) == ("T2", "constant_current")
    assert row["leakage_resistance_ohm"] == pytest.approx(1e5, rel=1e-3)
    assert row["self_discharge_model"] == "leakage"
    ((row,), _) = run(folder, [alone | {"capacitance_F": 0.25, "capacitance_F_se": 0.01}])
    assert row["leakage_resistance_ohm"] == pytest.approx(2e5, rel=1e-3)
    assert row["capacitance_F"] is None  # typed for the leakage, not a result of this test


def test_held_voltage_with_and_without_logged_current(folder):
    t = np.arange(0.0, 3600.0, 10.0)
    i = 2e-5 + 1e-3 * np.exp(-t / 300.0)
    write_trace(folder / "b.csv", t, np.ones(len(t)), i)
    test = a_test(method="held_voltage", trace="b.csv")
    ((row,), findings) = run(folder, [test])
    assert findings == []
    truth = 1e3 * (2e-5 + 1e-3 * np.exp(-6.0))
    assert row["leakage_current_mA"] == pytest.approx(truth, rel=0.01)
    assert row["leakage_time_s"] == 1800.0
    # 1 kΩ in series: its voltage is logged instead of the current.
    write_trace(folder / "c.csv", t, 1e3 * i)
    test = a_test(method="held_voltage", trace="c.csv", trace_map="bare", load_ohm=1e3)
    ((row,), _) = run(folder, [test])
    assert row["leakage_current_mA"] == pytest.approx(truth, rel=0.01)
    assert row["quality"].startswith("current from the charging resistor")
    assert left_out(folder, test | {"load_ohm": None}).column == "load_ohm"


def test_resistor_takes_the_resistance_of_another_test(folder):
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=100.0, series_ohm=2.0, times_s=np.arange(0.0, 90.0, 1.0)
    )
    write_trace(folder / "b.csv", t, v)
    test = a_test(test="T2", row=3, method="through_resistor", trace="b.csv", trace_map="bare",
                  load_ohm=100.0)  # fmt: skip
    ((alone,), _) = run(folder, [test])
    assert alone["quality"] == "first step not seen"
    assert abs(alone["capacitance_F"] - 0.4) < 2.0 * alone["capacitance_F_se"]
    (row, other), _ = run(folder, [test, a_test()])
    assert row["quality"] == "series resistance from another test"
    assert other["esr_ohm"] == pytest.approx(2.0, rel=1e-3)
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-4)
    assert row["esr_ohm"] is None
    typed = a_test(test="T3", row=4, method="direct", trace=None, trace_map=None,
                   capacitance_F=0.4, esr_ohm=2.0, esr_ohm_se=0.1)  # fmt: skip
    row, direct = run(folder, [test, typed])[0]
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-6)
    assert (direct["esr_ohm_se"], direct["esr_ohm_se_b"]) == (0.1, 0.1)


def test_cycles_are_handed_on(folder):
    rows, cycles, _ = reduce_tests(
        [a_test()], [CELL], [], column_maps=MAPS, instrument=INSTRUMENT, settings=SETTINGS,
        trace_folder=folder,
    )  # fmt: skip
    assert [c["cycle"] for c in cycles] == [1, 2, 3, 4]
    assert [c["use"] for c in cycles] == ["first", "steady", "steady", "steady"]
    assert {c["test"] for c in cycles} == {"T1"}
    assert rows[0]["cycles"] == 3
    steady = [c["capacitance_F"] for c in cycles[1:]]
    assert rows[0]["capacitance_F"] == pytest.approx(np.mean(steady))


def test_one_failure_leaves_the_rest(folder):
    tests = [a_test(end_s=405.0), a_test(test="T2", row=3, trace="missing.csv"),
             a_test(test="T3", row=4, start_s=405.0)]  # fmt: skip
    rows, findings = run(folder, tests)
    assert [row["test"] for row in rows] == ["T1", "T3"]
    (finding,) = findings
    assert (finding.row, finding.column, finding.value) == (3, "trace", "missing.csv")
    assert finding.message.startswith("'missing.csv': the file there is no such file")


@pytest.mark.parametrize(
    ("method", "says"),
    [
        ("open_circuit", "a current flows to the end of the record"),
        ("held_voltage", "the voltage is nowhere held"),
        ("spin_test", "method spin_test is not known."),
    ],
)
def test_record_that_does_not_suit_its_method(folder, method, says):
    assert says in left_out(folder, a_test(method=method)).message


def test_flipped_sign_is_told(folder):
    finding = left_out(folder, a_test(trace_map="turned"))
    assert "Change positive_is in the column map" in finding.message


def test_no_discharge_and_window_not_reached(folder):
    t, v, i = cycle_rc(n_cycles=1)
    up = slice(0, int(np.argmax(i < 0)))
    write_trace(folder / "b.csv", t[up], v[up], i[up])
    assert "no discharge was found" in left_out(folder, a_test(trace="b.csv")).message
    part = slice(0, int(np.argmax(i < 0)) + 40)
    write_trace(folder / "b.csv", t[part], v[part], i[part])
    says = left_out(folder, a_test(trace="b.csv")).message
    assert "does not cover the window 0.8 to 0.4 V" in says
    assert "upper_voltage_V of cell 'C1' (1 V)" in says


def test_unknown_map_and_cell_and_nothing_to_read(folder):
    finding = left_out(folder, a_test(trace_map="plian"))
    assert "Did you mean 'plain'?" in finding.message
    assert finding.column == "trace_map"
    assert "not in the table cells" in left_out(folder, a_test(cell="C9")).message
    assert "neither a trace nor readings" in left_out(folder, a_test(trace=None)).message
    resistor = a_test(method="through_resistor")
    assert left_out(folder, resistor).column == "load_ohm"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"current": 1000.0}, "A per gram of carbon, which is unusual"),
        ({"time": 1 / 3000.0}, "a discharge takes 0.033 s, which is unusual"),
        ({"time": 600.0}, "which is unusual. Check the unit of time"),
    ],
)
def test_implausible_scales_are_questioned(folder, change, says):
    t, v, i = cycle_rc(n_cycles=3)
    write_trace(folder / "b.csv", t * change.get("time", 1.0), v, i * change.get("current", 1.0))
    rows, findings = run(folder, [a_test(trace="b.csv")])
    assert len(rows) == 1
    assert {f.severity for f in findings} == {QUESTIONS}
    assert any(says in f.message for f in findings)


def test_current_of_table_and_trace_disagree(folder):
    _, findings = run(folder, [a_test(current_mA=50.0)])
    (finding,) = findings
    assert (finding.column, finding.value) == ("current_mA", "50")
    assert "the trace holds 5 mA" in finding.message


def test_leak_is_questioned(folder):
    t, v, i = cycle_rc(n_cycles=3)
    write_trace(folder / "b.csv", t, v, np.where(i > 0, 1.3 * i, i))
    ((row,), findings) = run(folder, [a_test(trace="b.csv")])
    assert "coulombic efficiency under 90 %" in row["quality"]
    assert "comes back: the cell leaks" in findings[0].message


def test_two_tests_on_one_part_count_once(folder):
    rows, (finding,) = run(folder, [a_test(), a_test(test="T2", row=3)])
    assert [row["test"] for row in rows] == ["T1"]
    assert (finding.severity, finding.row) == (LEAVES_OUT, 3)
    assert "test 'T1' reads the same rows of 'a.csv'. Correct the file name" in finding.message
    rows, (finding,) = run(folder, [a_test(), a_test(test="T2", row=3, accepted="as a check")])
    assert len(rows) == 2
    assert (finding.severity, finding.accepted) == (QUESTIONS, "as a check")


def test_one_part_for_two_cells_is_believed_for_neither(folder):
    cells = [CELL, CELL | {"cell": "C2", "row": 3}]
    tests = [a_test(), a_test(test="T2", row=3, cell="C2", start_s=300.0)]
    rows, findings = run(folder, tests, cells=cells)
    assert rows == []
    assert [(f.severity, f.id) for f in findings] == [(LEAVES_OUT, "T1"), (LEAVES_OUT, "T2")]
    assert "test 'T2' reads the same rows" in findings[0].message


def test_parts_of_one_file_that_touch_are_two_tests(folder):
    tests = [a_test(end_s=400.0), a_test(test="T2", row=3, start_s=400.0)]
    rows, findings = run(folder, tests)
    assert len(rows) == 2
    assert findings == []


def test_a_file_of_many_tests_is_read_once(folder, monkeypatch):
    from charscreen.traces import reading

    calls = []
    real = reading.read_bytes
    monkeypatch.setattr(reading, "read_bytes", lambda path: calls.append(path) or real(path))
    ends = [0.0, 202.0, 404.0, 606.0, 808.0]
    tests = [
        a_test(test=f"T{k}", start_s=a, end_s=b)
        for k, (a, b) in enumerate(itertools.pairwise(ends))
    ]
    with (folder / "a.csv").open("a") as stream:
        stream.write("9000,0.1")
    rows, findings = run(folder, tests)
    assert len(calls) == 1
    assert len(rows) == 4
    # What concerns the whole file is said once.
    assert [("cut off" in f.message, f.id) for f in findings] == [(True, "T0")]


def test_doubts_of_the_reader_name_the_file(folder):
    with (folder / "a.csv").open("a") as stream:
        stream.write("9000,0.1")
    rows, findings = run(folder, [a_test(accepted="known")])
    assert len(rows) == 1
    (finding,) = findings
    assert finding.message.startswith("'a.csv': The last line is cut off")
    assert finding.accepted == "known"


def test_table_is_written_whole(tmp_path):
    rows = [{"a": "x,y", "b": 1 / 3, "c": None}, {"a": None, "b": float("nan"), "c": 3}]
    write_rows_csv(rows, ("a", "b", "c"), tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(newline="") as stream:
        assert list(csv.reader(stream)) == [
            ["a", "b", "c"], ["x,y", "0.3333333333", ""], ["", "", "3"],
        ]  # fmt: skip

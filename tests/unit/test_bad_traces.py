"""Bad traces: each is a finding with a remedy and leaves out its own test alone."""

import os

import numpy as np
import pytest
from cell_models import cycle_rc
from charscreen.capacitance.reduce import reduce_tests
from charscreen.findings import LEAVES_OUT, QUESTIONS

MAPS = {
    "plain": {"time": {"column": "t"}, "voltage": {"column": "v"}, "current": {"column": "i"}},
    "wrong": {"time": {"column": "t"}, "voltage": {"column": "volt"}},
    "twice": {"time": {"column": "t"}, "voltage": {"column": "t"}, "current": {"column": "i"}},
    "millivolt": {
        "time": {"column": "t"},
        "voltage": {"column": "v", "unit": "mV"},
        "current": {"column": "i"},
    },
    "numbers": {"time": {"column": 1}, "voltage": {"column": 2}, "current": {"column": 3}},
    "numbers_s": {
        "time": {"column": 1, "unit": "s"},
        "voltage": {"column": 2},
        "current": {"column": 3},
    },
    "turned": {
        "time": {"column": "t"},
        "voltage": {"column": "v"},
        "current": {"column": "i", "positive_is": "discharge"},
    },
}
SETTINGS = {"window": [0.8, 0.4], "skip_cycles": 1, "method_order": ["constant_current"]}
CELL = {
    "cell": "C1", "run": "R1", "electrode_1_mg": 5.0, "electrode_2_mg": 5.0,
    "electrode_1_gross_mg": None, "electrode_1_collector_mg": None,
    "electrode_2_gross_mg": None, "electrode_2_collector_mg": None,
    "binder_percent": 0.0, "additive_percent": 0.0, "upper_voltage_V": 1.0,
}  # fmt: skip


def write(path, t, v, i, header="t,v,i"):
    """One trace as delimited text."""
    rows = zip(t, v, i, strict=True)
    lines = [",".join(f"{x:.9g}" for x in row) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n")


@pytest.fixture
def reduce_with_good(tmp_path):
    """Evaluates a bad trace beside a good one; gives the bad one's row and findings."""
    write(tmp_path / "good.csv", *cycle_rc(n_cycles=3))

    def run(trace="bad.csv", trace_map="plain", cells=(CELL,), **more):
        tests = [
            {"test": "good", "cell": "C1", "method": "constant_current", "trace": "good.csv",
             "trace_map": "plain"},
            {"test": "bad", "cell": cells[-1]["cell"], "method": "constant_current",
             "trace": trace, "trace_map": trace_map} | more,
        ]  # fmt: skip
        rows, _, findings = reduce_tests(
            tests, list(cells), [], column_maps=MAPS, instrument=None, settings=SETTINGS,
            trace_folder=tmp_path,
        )  # fmt: skip
        by_test = {row["test"]: row for row in rows}
        assert by_test["good"]["capacitance_F"] == pytest.approx(0.5, rel=1e-6)
        assert not [f for f in findings if f.id == "good"]
        return by_test.get("bad"), findings

    run.folder = tmp_path
    return run


def says(result, text):
    """The test is left out by one finding that says this, with what to do."""
    row, findings = result
    assert row is None
    (finding,) = [f for f in findings if f.severity == LEAVES_OUT]
    assert text in finding.message
    assert finding.id == "bad"
    assert any(word in finding.message for word in ("Correct", "Check", "Export", "Change", "Log"))


def asks(result, text):
    """The test is kept and questioned so."""
    row, findings = result
    assert row is not None
    assert {f.severity for f in findings} == {QUESTIONS}
    assert text in " ".join(f.message for f in findings)


def test_wrong_column_map(reduce_with_good):
    write(reduce_with_good.folder / "bad.csv", *cycle_rc())
    result = reduce_with_good(trace_map="wrong")
    says(result, "the file has no column 'volt' for voltage")
    assert "Columns found: 't', 'v', 'i'" in result[1][0].message


def test_row_number_read_as_voltage(reduce_with_good):
    t, _, i = cycle_rc()
    write(reduce_with_good.folder / "bad.csv", t, np.arange(len(t)), i)
    says(reduce_with_good(), "far above upper_voltage_V of cell 'C1' (1 V)")


def test_one_column_for_two_quantities(reduce_with_good):
    write(reduce_with_good.folder / "bad.csv", *cycle_rc())
    says(reduce_with_good(trace_map="twice"), "time and voltage name the same column t")


def test_volts_read_as_millivolts(reduce_with_good):
    write(reduce_with_good.folder / "bad.csv", *cycle_rc())
    says(reduce_with_good(trace_map="millivolt"), "the unit (V or mV) of the voltage")


def test_five_amperes_on_ten_milligrams(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=3)
    write(reduce_with_good.folder / "bad.csv", t, v, i * 1e3)
    asks(reduce_with_good(), "the current is 500 A per gram of carbon")


@pytest.mark.parametrize("step_s", [1.0, 0.5, 5.0])
def test_minutes_read_as_seconds(reduce_with_good, step_s):
    t, v, i = cycle_rc(n_cycles=3, step_s=step_s)
    write(reduce_with_good.folder / "bad.csv", t / 60.0, v, i)
    asks(reduce_with_good(), "if the file's time were in min")


def test_minutes_read_as_seconds_without_an_even_step(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=3)
    rng = np.random.default_rng(1)
    kept = np.sort(rng.permutation(len(t))[: len(t) // 2])
    kept = np.union1d(kept, np.flatnonzero(np.diff(i) != 0))
    write(reduce_with_good.folder / "bad.csv", t[kept] / 60.0, v[kept], i[kept])
    asks(reduce_with_good(), "Check the units of time (seconds or minutes)")


def test_header_that_says_minutes(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=3)
    write(reduce_with_good.folder / "bad.csv", t / 60, v, i, header="time (min),U/V,I/A")
    asks(reduce_with_good(trace_map="numbers_s"), "the header says time (min) for time")
    row, findings = reduce_with_good(trace_map="numbers")
    assert row["capacitance_F"] == pytest.approx(0.5, rel=1e-4)
    assert findings == []


def test_sign_of_the_current(reduce_with_good):
    write(reduce_with_good.folder / "bad.csv", *cycle_rc())
    says(reduce_with_good(trace_map="turned"), "Change positive_is in the column map")


def test_same_part_as_another_test(reduce_with_good):
    says(reduce_with_good(trace="good.csv"), "test 'good' reads the same rows of 'good.csv'")


def test_truncated_last_line_costs_that_line(reduce_with_good):
    path = reduce_with_good.folder / "bad.csv"
    write(path, *cycle_rc(n_cycles=4))
    path.write_text(path.read_text()[:-9])
    result = reduce_with_good()
    asks(result, "The last line is cut off and was not used")
    assert result[0]["capacitance_F"] == pytest.approx(0.5, rel=1e-6)


def test_binary_file(reduce_with_good):
    (reduce_with_good.folder / "bad.csv").write_bytes(os.urandom(20_000))
    says(reduce_with_good(), "is not text (binary file)")


def test_file_of_two_gigabytes_is_refused_unread(reduce_with_good):
    path = reduce_with_good.folder / "bad.csv"
    with path.open("wb") as stream:
        stream.truncate(2 * 1024**3)  # a hole in the file: takes no room on the disk
    says(reduce_with_good(), "holds more than 100 MB (2147 MB found)")


def test_no_discharge(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=1)
    up = slice(0, int(np.argmax(v)) + 1)
    write(reduce_with_good.folder / "bad.csv", t[up], v[up], i[up])
    says(reduce_with_good(), "no discharge was found")


def test_voltage_that_never_reaches_the_window(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=2)
    write(reduce_with_good.folder / "bad.csv", t, 0.5 + v / 2, i)
    says(reduce_with_good(), "does not cover the window 0.8 to 0.4 V")


def test_gap_and_clipped_voltage(reduce_with_good):
    t, v, i = cycle_rc(n_cycles=3, step_s=0.2)
    cut = (np.arange(len(t)) > 200) & (np.arange(len(t)) < 300)
    write(reduce_with_good.folder / "bad.csv", t[~cut], v[~cut], i[~cut])
    asks(reduce_with_good(), "a gap of 20 s after 40 s, while a row usually comes every 0.2 s")
    write(reduce_with_good.folder / "bad.csv", t, np.minimum(v, 0.9), i)
    asks(reduce_with_good(), "the voltage stands at its highest value, 0.9 V")

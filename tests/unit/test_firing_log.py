"""Kiln records: one firing's figures from closed forms, faults of logs, what counts of a firing."""

import numpy as np
import pytest
from charscreen.findings import QUESTIONS
from charscreen.firing_log import (
    FIRING_COLUMNS,
    SUMMARY_COLUMNS,
    read_kiln_log,
    summarise_firing,
    summarise_firings,
)
from charscreen.graph import logs_of, planned_firings
from hypothesis import given, settings
from hypothesis import strategies as st

KILN = {"time": {"column": "min", "unit": "min"}, "temperature": {"column": "T"}}


def programme(peak=700.0, hold=60.0, ramp=2.0, cooling=2.5, start=20.0, end=100.0):
    """Corners of a firing: straight up, held, straight down. [s], [°C]"""
    top = (peak - start) / ramp
    minutes = [0.0, top, top + hold, top + hold + (peak - end) / cooling]
    return 60.0 * np.array(minutes), np.array([start, peak, peak, end])


def summary(time_s, temperature_C, set_point_C):
    table = summarise_firing(time_s, temperature_C, set_point_C=set_point_C)
    assert tuple(table.columns) == SUMMARY_COLUMNS
    assert len(table) == 1
    return table.iloc[0]


def test_a_programme_gives_its_own_figures():
    row = summary(*programme(), 700.0)
    assert row["peak_temperature_C"] == 700.0
    assert row["overshoot_C"] == 0.0
    assert row["ramp_C_per_min"] == pytest.approx(2.0)
    assert row["cooling_C_per_min"] == pytest.approx(2.5)
    # 10 °C at 2 °C/min, the hold, 10 °C at 2.5 °C/min.
    assert row["time_within_10C_min"] == pytest.approx(5 + 60 + 4)
    assert row["hold_min"] == pytest.approx(60.0)
    assert row["duration_min"] == pytest.approx(340 + 60 + 240)
    assert row["thermocouples"] == 1
    assert np.isnan(row["thermocouple_spread_C"])


@settings(max_examples=60, deadline=None)
@given(
    peak=st.floats(300, 1000),
    hold=st.floats(5, 300),
    ramp=st.floats(0.5, 20),
    cooling=st.floats(0.3, 10),
    n=st.integers(2, 400),
)
def test_more_readings_of_the_same_lines_change_nothing(peak, hold, ramp, cooling, n):
    time, temperature = programme(peak, hold, ramp, cooling)
    more = np.union1d(time, np.linspace(time[0], time[-1], n))
    dense = summary(more, np.interp(more, time, temperature), peak)
    sparse = summary(time, temperature, peak)
    for name in ("hold_min", "ramp_C_per_min", "cooling_C_per_min", "severity_log10_min"):
        assert dense[name] == pytest.approx(sparse[name], rel=1e-6), name
    assert sparse["hold_min"] == pytest.approx(hold, rel=1e-6)


def test_severity_of_an_hour_at_400():
    """Derived: 60 min at 400 °C, log10 R0 = log10(60) + 300/14.75/ln 10 = 10.611."""
    row = summary([0, 3600], [400.0, 400.0], 400.0)
    assert row["severity_log10_min"] == pytest.approx(10.611, abs=0.0005)
    assert row["severity_log10_min"] == pytest.approx(np.log10(60) + 300 / 14.75 / np.log(10))
    assert np.isnan(row["ramp_C_per_min"])
    assert np.isnan(row["cooling_C_per_min"])


def test_severity_of_a_ramp_is_the_closed_integral():
    # Derived: ∫ exp((T-100)/w) dt over a straight line is w/rate times the difference of ends.
    row = summary([0, 100 * 60], [100.0, 300.0], 300.0)
    expected = np.log10(14.75 / 2.0 * (np.exp(200 / 14.75) - 1.0))
    assert row["severity_log10_min"] == pytest.approx(expected, rel=1e-12)


def test_an_overshoot_is_seen_and_the_hold_is_that_of_the_set_point():
    minutes = [0, 340, 350, 360, 410, 530]
    row = summary(60.0 * np.array(minutes), [20, 700, 760, 700, 700, 400], 700.0)
    assert row["peak_temperature_C"] == 760.0
    assert row["overshoot_C"] == 60.0
    # Up 5 min, over 10/6 min and back 10/6 min, 50 min held, down 4 min; less 5 and 4.
    assert row["time_within_10C_min"] == pytest.approx(5 + 2 * 10 / 6 + 50 + 4)
    assert row["hold_min"] == pytest.approx(50 + 2 * 10 / 6)


def test_a_set_point_that_was_missed_counts_the_hold_at_the_peak():
    row = summary(*programme(peak=670.0), 700.0)
    assert row["time_within_10C_min"] == 0.0
    assert row["overshoot_C"] == 0.0
    assert row["hold_min"] == pytest.approx(60.0)
    assert row["ramp_C_per_min"] == pytest.approx(2.0)


def test_an_overshoot_without_a_plan_leaves_the_plateau_as_hold():
    minutes = [0, 340, 345, 350, 410, 530]
    row = summary(60.0 * np.array(minutes), [20, 700, 715, 700, 700, 400], None)
    # Derived: 60 min at 700 °C and back from 710 in 10/3 min, less the 4 min that cooling would
    # take for these 10 °C.
    assert row["hold_min"] == pytest.approx(60 + 10 / 3 - 4, abs=0.01)
    assert row["held_at_C"] == pytest.approx(700.0, abs=0.01)
    assert row["peak_temperature_C"] == 715.0


def test_a_hold_far_from_the_set_point_is_found():
    """One thermocouple at the set point after an overshoot, the other 40 °C lower."""
    minutes = 60.0 * np.array([0, 390, 395, 405, 410, 470, 590])
    one = np.array([20, 800, 845, 845, 800, 800, 500.0])
    row = summary(minutes, np.column_stack([one, one - 40]), 800.0)
    # The mean passes 790 to 810 twice, up and down: that is no hold.
    assert row["time_within_10C_min"] < 15
    assert row["held_at_C"] == pytest.approx(780.0, abs=1.0)
    assert row["hold_min"] == pytest.approx(60.0, abs=7.0)


def test_a_longer_dwell_on_the_way_is_no_hold_where_the_expected_one_is_there():
    minutes = 60.0 * np.array([0, 315, 435, 460, 490, 610])
    values = [20, 650, 650, 700, 700, 400]
    table = summarise_firing(minutes, values, set_point_C=700.0, expected_hold_min=30.0)
    assert table["hold_min"].item() == pytest.approx(30.0, abs=2.0)
    assert table["held_at_C"].item() == 700.0


def test_without_a_plan_the_peak_is_the_reference():
    row = summary(*programme(), None)
    assert row["hold_min"] == pytest.approx(60.0)
    assert np.isnan(row["overshoot_C"])
    assert np.isnan(row["time_within_10C_min"])


def test_several_thermocouples_give_their_mean_and_their_spread():
    time, temperature = programme()
    grid = np.arange(0, time[-1], 60.0)
    middle = np.interp(grid, time, temperature)
    both = np.column_stack([middle + 6.0, middle - 6.0])
    row = summary(grid, both, 700.0)
    assert row["peak_temperature_C"] == pytest.approx(700.0)
    assert row["thermocouple_spread_C"] == pytest.approx(12.0)
    assert row["thermocouples"] == 2
    # One that was not read for a while is bridged, one that was never read does not count.
    both[100:110, 0] = np.nan
    row = summary(grid, np.column_stack([both, np.full(len(grid), np.nan)]), 700.0)
    assert row["peak_temperature_C"] == pytest.approx(700.0)
    assert row["thermocouples"] == 2


def test_faults_of_a_thermocouple_are_dropped_and_counted():
    time, temperature = programme()
    grid = np.arange(0, time[-1], 30.0)
    values = np.interp(grid, time, temperature)
    clean = summary(grid, values, 700.0)
    values[300] += 400.0  # one reading, up and back within a minute
    values[500] = 9999.0
    row = summary(grid, values, 700.0)
    assert row["values_dropped"] == 2
    assert row["peak_temperature_C"] == pytest.approx(clean["peak_temperature_C"])
    assert row["severity_log10_min"] == pytest.approx(clean["severity_log10_min"], rel=1e-6)


def test_a_real_peak_between_hourly_readings_is_kept():
    row = summary([0, 3600, 7200, 10800], [20.0, 400.0, 700.0, 300.0], 700.0)
    assert row["peak_temperature_C"] == 700.0
    assert row["values_dropped"] == 0


def test_a_log_that_ends_hot_has_no_cooling():
    time, temperature = programme()
    row = summary(time[:3], temperature[:3], 700.0)
    assert np.isnan(row["cooling_C_per_min"])
    assert row["hold_min"] == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("time", "temperature", "words"),
    [
        ([0, 60, 30], [20, 30, 40], "time falls from 60 to 30 s"),
        ([0, 60], [20, 30, 40], "do not match"),
        ([0, 60], [20, np.nan], "fewer than two moments"),
        ([], [], "fewer than two moments"),
    ],
)
def test_records_that_cannot_be_used_say_why(time, temperature, words):
    with pytest.raises(ValueError, match=words):
        summarise_firing(np.array(time, float), np.array(temperature, float), set_point_C=700)


# --- logs


def log_file(folder, text, name="F1.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_units_of_a_log(tmp_path):
    path = log_file(tmp_path, "min,T\n0,32\n10,212\n")
    (time, temperature), notes = read_kiln_log(
        path, KILN | {"temperature": {"column": "T", "unit": "F"}}
    )
    assert notes == []
    assert time == pytest.approx([0, 600])
    assert temperature == pytest.approx(np.array([[0.0], [100.0]]))
    (_, kelvin), _ = read_kiln_log(path, KILN | {"temperature": {"column": "T", "unit": "K"}})
    assert kelvin[0, 0] == pytest.approx(32 - 273.15)


def test_two_thermocouples_with_decimal_commas_and_clock_times(tmp_path):
    text = "Kiln 3\nclock;upper;lower\n08:00:00;20,5;19,5\n08:01:00;24,5;23,5\n"
    column_map = {
        "delimiter": ";",
        "decimal": ",",
        "skip_lines": 1,
        "time": {"column": "clock"},
        "temperature": {"column": ["upper", 3]},
    }
    (time, temperature), notes = read_kiln_log(log_file(tmp_path, text), column_map)
    assert notes == []
    assert time == pytest.approx([0, 60])
    assert temperature == pytest.approx(np.array([[20.5, 19.5], [24.5, 23.5]]))


@pytest.mark.parametrize(
    ("text", "column_map", "words"),
    [
        ("min,T\n0,20\n", KILN, "Fewer than two of its rows"),
        ("min,temp\n0,20\n9,30\n", KILN, "no column 'T' for temperature"),
        ("min,T\n0,20\nx,30\n9,y\n4,z\n", KILN, "is not a number"),
        ("min,T\n0,20\n9,30\n5,40\n4,50\n3,60\n", KILN, "Time falls back in 3"),
        ("", KILN, "The file"),
        ("min,T\n0,20\n", {"time": {"column": "min"}}, "names no temperature"),
    ],
)
def test_logs_that_cannot_be_used(tmp_path, text, column_map, words):
    record, notes = read_kiln_log(log_file(tmp_path, text), column_map)
    assert record is None
    assert any(words in note for note in notes), notes
    assert notes[-1].endswith("The log is not used.")
    assert not any("test is left out" in note for note in notes)


def test_a_log_that_is_still_being_written(tmp_path):
    """The last line is cut: what stands before it counts."""
    text = "min,T\n" + "".join(f"{i},{20 + i}\n" for i in range(50)) + "50,7"
    record, notes = read_kiln_log(log_file(tmp_path, text), KILN)
    assert record is not None
    assert len(record[0]) >= 50
    assert record[1][:50, 0] == pytest.approx(20.0 + np.arange(50))
    assert len(notes) <= 1


# --- what counts of a firing

DESIGN = [
    {"firing": "F1", "parent": None, "peak_temperature_C": 700.0, "hold_min": 60.0,
     "ramp_C_per_min": 2.0, "activation_firing": "A1", "activation_temperature_C": 750.0,
     "activation_hold_min": 30.0},
]  # fmt: skip
TYPED = {"firing": "F1", "kind": "carbonise", "date": None, "peak_temperature_C": 704.0,
         "hold_min": 61.0, "ramp_C_per_min": None, "log": None, "log_map": None}  # fmt: skip


def write_log(folder, **kind):
    time, temperature = programme(**kind)
    rows = "".join(f"{t / 60:g},{y:g}\n" for t, y in zip(time, temperature, strict=True))
    log_file(folder, "min,T\n" + rows)


def firings_of(folder, typed=(TYPED,), readings=(), limits=None):
    table, findings = summarise_firings(
        list(typed),
        list(readings),
        planned_firings(DESIGN),
        logs=folder,
        column_maps={"kiln": KILN},
        limits=limits,
    )
    assert tuple(table.columns) == FIRING_COLUMNS
    return table.set_index("firing"), findings


def test_what_is_planned_for_each_firing():
    assert planned_firings(DESIGN) == [
        {"firing": "A1", "kind": "activate", "peak_temperature_C": 750.0, "hold_min": 30.0,
         "ramp_C_per_min": None},
        {"firing": "F1", "kind": "carbonise", "peak_temperature_C": 700.0, "hold_min": 60.0,
         "ramp_C_per_min": 2.0},
    ]  # fmt: skip
    # An aliquot only carries the firing of its parent.
    assert planned_firings([DESIGN[0] | {"parent": "R1", "activation_firing": None}]) == []


def test_typed_values_count_without_a_log_and_the_plan_without_typed_values(tmp_path):
    table, findings = firings_of(tmp_path)
    assert findings == []
    row = table.loc["F1"]
    assert (row["peak_temperature_C"], row["peak_from"]) == (704.0, "typed")
    assert (row["hold_min"], row["hold_from"]) == (61.0, "typed")
    assert (row["ramp_C_per_min"], row["ramp_from"]) == (2.0, "planned")
    assert row["overshoot_C"] == 4.0
    row = table.loc["A1"]
    assert (row["peak_temperature_C"], row["peak_from"]) == (750.0, "planned")
    assert (row["hold_min"], row["hold_from"]) == (30.0, "planned")


def test_a_log_counts_before_what_was_typed(tmp_path):
    write_log(tmp_path, peak=709.0, hold=66.0, ramp=2.1)
    table, findings = firings_of(tmp_path, [TYPED | {"log": "F1.csv", "log_map": "kiln"}])
    assert findings == []
    row = table.loc["F1"]
    assert (row["peak_temperature_C"], row["peak_from"]) == (pytest.approx(709.0), "log")
    # The band is that of the set point, 700: the hold lies 9 °C above it.
    assert row["hold_from"] == "log"
    assert row["hold_min"] == pytest.approx(66.0, abs=1.0)
    assert row["ramp_C_per_min"] == pytest.approx(2.1)
    assert row["typed_peak_temperature_C"] == 704.0
    assert row["planned_peak_temperature_C"] == 700.0
    assert row["log"] == "F1.csv"


def test_a_log_that_says_other_than_what_was_typed_is_asked_about(tmp_path):
    write_log(tmp_path, peak=760.0)
    table, findings = firings_of(tmp_path, [TYPED | {"log": "F1.csv", "log_map": "kiln"}])
    assert table.loc["F1", "peak_temperature_C"] == 760.0
    (only,) = findings
    assert (only.table, only.id, only.column) == ("firings", "F1", "peak_temperature_C")
    assert only.severity == QUESTIONS
    assert "typed is 704 °C, the log shows 760 °C" in only.message
    # Where nothing was typed it is the plan that it is held against.
    bare = TYPED | {"log": "F1.csv", "log_map": "kiln", "peak_temperature_C": None}
    (only,) = firings_of(tmp_path, [bare])[1]
    assert "a peak of 760 °C where 700 °C was planned" in only.message
    assert not firings_of(tmp_path, [bare], limits={"peak_off_C": 70.0})[1]


def test_a_log_without_a_hold_does_not_take_the_hold_away(tmp_path):
    write_log(tmp_path, hold=0.5)
    log = TYPED | {"log": "F1.csv", "log_map": "kiln"}
    table, (only,) = firings_of(tmp_path, [log])
    assert (table.loc["F1", "hold_min"], table.loc["F1", "hold_from"]) == (61.0, "typed")
    assert table.loc["F1", "logged_hold_min"] == pytest.approx(0.5)
    assert table.loc["F1", "peak_from"] == "log"
    assert (only.table, only.id, only.column) == ("firings", "F1", "hold_min")
    assert "only 0.5 min where 61 min was typed. The models keep the 61 min" in only.message
    table, (only,) = firings_of(tmp_path, [log | {"hold_min": None}])
    assert (table.loc["F1", "hold_min"], table.loc["F1", "hold_from"]) == (60.0, "planned")
    # A firing that was held as briefly as its log says is none to ask about.
    table, findings = firings_of(tmp_path, [log | {"hold_min": 1.0}])
    assert findings == []
    assert table.loc["F1", "hold_from"] == "log"


def test_a_log_that_cannot_be_read_leaves_what_was_typed(tmp_path):
    log_file(tmp_path, "min,T\n0,a\n1,b\n2,c\n")
    table, findings = firings_of(tmp_path, [TYPED | {"log": "F1.csv", "log_map": "kiln"}])
    assert table.loc["F1", "peak_from"] == "typed"
    assert findings
    assert {f.severity for f in findings} == {QUESTIONS}
    assert all(f.message.startswith("F1.csv: ") for f in findings)


def by_hand(minutes):
    time, temperature = programme()
    return [
        {"firing": "F1", "time_min": float(m), "temperature_C": float(y)}
        for m, y in zip(minutes, np.interp(minutes, time / 60, temperature), strict=True)
    ]


def test_hand_readings_count_where_they_cover_the_hold(tmp_path):
    table, findings = firings_of(
        tmp_path, readings=by_hand([0, 120, 240, 335, 340, 350, 360, 370, 380, 390, 400, 440, 500])
    )
    assert findings == []
    row = table.loc["F1"]
    assert (row["peak_temperature_C"], row["peak_from"]) == (700.0, "readings")
    assert (row["hold_min"], row["hold_from"]) == (pytest.approx(60.0, abs=0.5), "readings")
    table, _ = firings_of(tmp_path, readings=by_hand([0, 120, 240, 340, 400, 500]))
    row = table.loc["F1"]
    assert (row["peak_temperature_C"], row["peak_from"]) == (700.0, "readings")
    assert (row["hold_min"], row["hold_from"]) == (61.0, "typed")
    assert "too far apart" in row["note"]


def test_thermocouples_that_differ_are_asked_about(tmp_path):
    time, temperature = programme()
    text = "min,a,b\n" + "".join(
        f"{t / 60:g},{y:g},{y - 40:g}\n" for t, y in zip(time, temperature, strict=True)
    )
    log_file(tmp_path, text)
    maps = {"kiln": KILN | {"temperature": {"column": ["a", "b"]}}}
    typed = TYPED | {"log": "F1.csv", "log_map": "kiln", "peak_temperature_C": 680.0}
    table, findings = summarise_firings(
        [typed], [], planned_firings(DESIGN), logs=tmp_path, column_maps=maps
    )
    assert table.set_index("firing").loc["F1", "peak_temperature_C"] == pytest.approx(680.0)
    assert ["thermocouples differ by 40 °C" in f.message for f in findings] == [True]


def test_logs_are_listed_once():
    named = {"log": "b.csv", "log_map": "kiln"}
    rows = [TYPED | named, TYPED | named | {"log": "a.csv"}, TYPED | {"log": "c.csv"}, TYPED]
    rows.append(TYPED | named)
    assert logs_of(rows) == ["config/traces/a.csv", "config/traces/b.csv"]

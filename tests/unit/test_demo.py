"""The invented demo: deterministic, of the size it should be, and right where it claims physics."""

import csv
import gzip
import io
import json
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import yaml
from charscreen.demo.bench import make_cells
from charscreen.demo.circuit import Cell, Phase, constant_current, held_voltage, through_load
from charscreen.demo.feedstocks import FEEDSTOCKS
from charscreen.demo.protocols import cycle_cell, discharge_through
from charscreen.demo.scenario import make_scenario
from charscreen.demo.truth import SCATTER, fraction, logit, make_truth
from charscreen.demo.weighing import make_chains
from charscreen.demo.write import NotTheDemo, make_files, write_demo
from charscreen.firing_log import read_kiln_log, summarise_firing
from scipy.integrate import solve_ivp

ROOT = Path(__file__).resolve().parents[2]
SEED = 7


@pytest.fixture(scope="module")
def made():
    """Files and truth of one seed that is not the committed demo's."""
    return make_files(SEED)


def rows_of(files: dict, table: str) -> list[dict]:
    """Rows of one of the made tables."""
    return list(csv.DictReader(io.StringIO(files[f"{table}.csv"].decode("utf-8"))))


def test_same_seed_gives_same_bytes_and_another_seed_others(made):
    files, truth = made
    again, truth_again = make_files(SEED)
    assert list(files) == list(again)
    assert files == again
    assert truth == truth_again
    other, _ = make_files(SEED + 1)
    assert other["masses.csv"] != files["masses.csv"]


def test_committed_demo_is_what_the_script_makes():
    truth = json.loads((ROOT / "tests/reference/demo_truth.json").read_text(encoding="utf-8"))
    files, made_truth = make_files(truth["seed"])
    # Voltages come out of LAPACK and may differ in the last digit elsewhere: text tables only.
    for table in ("feedstocks", "design", "firings", "masses", "cells"):
        assert (ROOT / f"config/{table}.csv").read_bytes() == files[f"{table}.csv"], table
    assert (ROOT / "config/config.yaml").read_bytes() == files["config.yaml"]
    traces = {path.name for path in (ROOT / "config/traces").iterdir()}
    assert traces == {name.removeprefix("traces/") for name in files if "/" in name}
    for name, values in made_truth["candidates"].items():
        expected = {k: v for k, v in truth["candidates"][name].items() if v is not None}
        assert {k: values[k] for k in expected} == pytest.approx(expected, rel=1e-6)


def test_committed_demo_stays_small():
    size = sum(path.stat().st_size for path in (ROOT / "config").rglob("*") if path.is_file())
    assert size < 3_000_000


@pytest.mark.parametrize("seed", [SEED, 11, 12, 13])
def test_counts_hold_for_any_seed(seed):
    files, truth = make_files(seed)
    design, tests, firings = (rows_of(files, name) for name in ("design", "tests", "firings"))
    lots = [row for row in design if not row["parent"]]
    assert len(rows_of(files, "feedstocks")) == 12
    assert len(lots) == 72
    char = [row["firing"] for row in firings if row["kind"] == "carbonise"]
    assert len(char) == 12
    assert set(Counter(row["firing"] for row in lots).values()) == {6}
    for firing in char:
        members = [row for row in lots if row["firing"] == firing]
        assert [row["role"] for row in members].count("reference") == 1
        assert len({row["feedstock"] for row in members}) == 6
        assert sorted(row["crucible"] for row in members) == list("123456")
        assert len({(row["peak_temperature_C"], row["hold_min"]) for row in members}) == 1
    conditions = Counter((row["peak_temperature_C"], row["hold_min"]) for row in lots)
    assert len(conditions) == 6
    assert set(conditions.values()) == {12}
    koh = [row for row in design if row["activation"] == "KOH"]
    assert 30 <= len(koh) <= 42
    assert max(Counter(row["activation_firing"] for row in koh).values()) <= 6
    assert 150 <= len(tests) <= 190
    assert len(files) < 200
    assert sum(map(len, files.values())) < 3_000_000
    tested = {name for name, values in truth["candidates"].items() if values["lots"]}
    assert len(tested) > 50


def test_activation_crosses_the_char_firings(made):
    design = [row for row in rows_of(made[0], "design") if row["activation_firing"]]
    for firing in {row["activation_firing"] for row in design}:
        members = [row for row in design if row["activation_firing"] == firing]
        assert len({row["firing"] for row in members}) >= 3


def test_the_dirt_of_real_life_is_there(made):
    files, _ = made
    design, masses, cells, tests = (
        rows_of(files, name) for name in ("design", "masses", "cells", "tests")
    )
    overshot = [r for r in rows_of(files, "firings") if r["peak_temperature_C"] == "760"]
    assert len(overshot) == 1
    assert "overshot" in overshot[0]["note"]
    planned = {r["peak_temperature_C"] for r in design if r["firing"] == overshot[0]["firing"]}
    assert planned == {"700"}
    assert len([row for row in design if row["exclude_reason"]]) == 1
    heavier = [
        row
        for row in masses
        if row["char_g"] and row["feed_dry_g"] and float(row["char_g"]) > float(row["feed_dry_g"])
    ]
    assert len(heavier) == 1
    weighed = [row for row in masses if row["feed_ar_g"]]
    no_drying = [row for row in weighed if not row["feed_dry_g"]]
    assert {bool(row["moisture_ar_percent"]) for row in no_drying} == {True, False}
    assert any(row["char_gross_g"] and row["char_tare_g"] for row in masses)
    assert any(row["char_ash_d_percent"] for row in masses)
    assert {row["run"] for row in design} > {row["run"] for row in cells}
    assert len({row["cell"] for row in cells} - {row["cell"] for row in tests}) == 1
    assert len([row for row in cells if row["accepted"]]) == 1
    assert any(row["electrode_1_gross_mg"] and not row["electrode_1_mg"] for row in cells)
    assert sum(not row["moisture_ar_percent"] for row in rows_of(files, "feedstocks")) == 0


def test_each_method_and_layout_occurs_and_each_trace_exists(made):
    files, _ = made
    tests = rows_of(files, "tests")
    maps = yaml.safe_load(files["config.yaml"])["column_maps"]
    assert {row["method"] for row in tests} == {"constant_current", "through_resistor", "direct"}
    firings = rows_of(files, "firings")
    used = {row["trace_map"] for row in tests} | {row["log_map"] for row in firings}
    assert used - {""} == set(maps)
    traces = {f"traces/{row['trace']}" for row in tests if row["trace"]}
    traces |= {f"traces/{row['log']}" for row in firings if row["log"]}
    assert traces == {name for name in files if name.startswith("traces/")}
    by_hand = {row["test"] for row in rows_of(files, "readings")}
    without = {row["test"] for row in tests if not row["trace"] and row["method"] != "direct"}
    assert by_hand == without
    for row in tests:
        if row["trace_map"] == "voltage_only" and row["method"] == "constant_current":
            assert float(row["current_mA"]) > 0


def test_kiln_records_show_what_was_typed(made, tmp_path):
    """Logs and hand readings agree with the typed values, the overshot firing's above all."""
    files, _ = made
    firings = rows_of(files, "firings")
    maps = yaml.safe_load(files["config.yaml"])["column_maps"]
    plans = {}
    for row in rows_of(files, "design"):
        plans[row["firing"]] = float(row["peak_temperature_C"])
        if row["activation_firing"]:
            plans[row["activation_firing"]] = float(row["activation_temperature_C"])
    logged = [row for row in firings if row["log"]]
    assert len(logged) == 3
    assert any(row["peak_temperature_C"] == "760" for row in logged)
    for row in logged:
        path = tmp_path / row["log"]
        path.write_bytes(files[f"traces/{row['log']}"])
        record, notes = read_kiln_log(path, maps[row["log_map"]])
        assert notes == []
        found = summarise_firing(*record, set_point_C=plans[row["firing"]]).iloc[0]
        assert found["peak_temperature_C"] == pytest.approx(
            float(row["peak_temperature_C"]), abs=1.5
        )
        assert found["hold_min"] == pytest.approx(float(row["hold_min"]), abs=5)
        assert found["ramp_C_per_min"] == pytest.approx(float(row["ramp_C_per_min"]), rel=0.01)
    (by_hand,) = {row["firing"] for row in rows_of(files, "firing_readings")}
    assert by_hand not in {row["firing"] for row in logged}


def test_ids_and_labels(made):
    files, _ = made
    for table, key in (("design", "run"), ("cells", "cell"), ("tests", "test")):
        ids = [row[key] for row in rows_of(files, table)]
        assert len(set(ids)) == len(ids)
        assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", text) for text in ids)
    settings = yaml.safe_load(files["config.yaml"])
    assert settings["data_are_invented"] is True
    assert "invented" in settings["title"]


def test_packed_traces_can_be_unpacked(made):
    files, _ = made
    packed = [data for name, data in files.items() if name.endswith(".gz")]
    assert packed
    head = gzip.decompress(packed[0]).decode("utf-8").splitlines()
    assert head[1].split(",")[1:3] == ["part", "round"]


def test_ladder_equals_numerical_integration():
    # The circuit's own equations in plain form, integrated by SciPy; no matrix of the module used.
    cell = Cell(0.5, 1.2, 2.0, 4e4)
    current, n = 0.012, cell.rungs
    node_F, rung_ohm = cell.capacitance_F / n, cell.pore_ohm / n
    start = np.array([0.05, 0.04, 0.03, 0.02, 0.01])

    def slope(_, v):
        inflow = np.r_[current, (v[:-1] - v[1:]) / rung_ohm]
        outflow = np.r_[(v[:-1] - v[1:]) / rung_ohm, 0.0]
        return (inflow - outflow - v / (n * cell.leakage_ohm)) / node_F

    times = np.linspace(0.0, 30.0, 61)
    # Stiff: the fast modes of the ladder decay within milliseconds.
    known = solve_ivp(slope, (0, 30), start, method="LSODA", t_eval=times, rtol=1e-10, atol=1e-13)
    phase = Phase(cell, constant_current(current), start)
    np.testing.assert_allclose(phase.nodes(times), known.y.T, rtol=0, atol=1e-8)
    voltage = phase.terminal(times)[0]
    expected = known.y[0] + current * (cell.series_ohm + rung_ohm)
    np.testing.assert_allclose(voltage, expected, rtol=0, atol=1e-8)


def test_long_constant_current_slope_is_current_over_capacitance():
    cell = Cell(0.4, 1.0, 3.0)
    phase = Phase(cell, constant_current(0.008), np.zeros(cell.rungs))
    voltage = phase.terminal(np.array([30.0, 40.0]))[0]
    assert np.diff(voltage)[0] / 10.0 == pytest.approx(0.008 / 0.4, rel=1e-9)


def test_load_and_hold_end_where_they_must():
    cell = Cell(0.4, 1.0, 3.0)
    full = np.full(cell.rungs, 0.9)
    voltage, current = Phase(cell, through_load(cell, 100.0), full).terminal(np.array([0.0]))
    # At the first moment only the entry resistance stands in series with the load.
    assert current[0] == pytest.approx(-0.9 / (100.0 + cell.entry_ohm), rel=1e-12)
    assert voltage[0] == pytest.approx(0.9 * 100.0 / (100.0 + cell.entry_ohm), rel=1e-12)
    held = Phase(cell, held_voltage(cell, 0.8), full)
    np.testing.assert_allclose(held.nodes(np.array([500.0])), 0.8, rtol=1e-9)


def test_late_discharge_through_a_resistor_is_one_exponential():
    cell = Cell(0.4, 1.0, 3.0)
    record = discharge_through(
        cell, load_ohm=200.0, upper_V=0.9, last_s=200.0, interval_s=1.0, lead_s=3.0
    )
    assert record.voltage_V[:3] == pytest.approx([0.9] * 3, abs=1e-6)
    late = record.time_s > 20.0
    slope = np.polyfit(record.time_s[late], np.log(record.voltage_V[late]), 1)[0]
    # For the slowest mode of a ladder the pores count with about a third of their resistance,
    # against a load 50 to 200 times as large: 1 % covers it.
    expected = 1.0 / (0.4 * (200.0 + 1.0 + 3.0 / 3.0))
    assert -slope == pytest.approx(expected, rel=0.01)


def test_cycles_reach_their_voltages_and_balance_charge():
    cell = Cell(0.4, 1.0, 3.0, 5e4)
    record = cycle_cell(
        cell, current_A=0.01, upper_V=0.9, cycles=3, interval_s=0.5, rest_s=2.0, log_steps=True
    )
    assert np.all(np.diff(record.time_s) > 0)
    assert set(record.cycle) == {1, 2, 3}
    for cycle in (2, 3):
        inside = record.cycle == cycle
        up = inside & (record.current_A > 0)
        down = inside & (record.current_A < 0)
        assert record.voltage_V[up].max() == pytest.approx(0.9, abs=1e-6)
        assert record.voltage_V[down].min() == pytest.approx(0.0, abs=1e-6)
        # What went in comes out but for the leakage, which is small here.
        charged, discharged = np.ptp(record.time_s[up]), np.ptp(record.time_s[down])
        assert 0.97 < discharged / charged < 1.0
    # Reversal at a step: the drop is at least twice the current times the entry resistance.
    last_up = np.flatnonzero((record.cycle == 2) & (record.current_A > 0))[-1]
    drop = record.voltage_V[last_up] - record.voltage_V[last_up + 1]
    assert drop >= 2 * 0.01 * cell.entry_ohm * 0.99


def test_truth_and_scatter_agree_with_what_was_simulated():
    # Over many screens the mean of (simulated - true) logit yield is zero and its variance that
    # of firing and lot together. 20 seeds of 72 lots; the firings limit the precision.
    deviations = []
    for seed in range(20):
        scenario, truth = make_scenario(seed), make_truth(seed)
        chains = make_chains(scenario, truth)
        for lot in scenario.lots:
            if not lot.parent:
                chain = chains[lot.run]
                value = logit(chain.char_g / chain.feed_dry_g)
                value -= truth.logit_char_yield(
                    lot.feedstock, lot.firing.done_C, lot.firing.planned_hold_min
                )
                deviations.append(value)
    scatter = SCATTER["char_yield"]
    variance = scatter["firing"] ** 2 + scatter["lot"] ** 2
    # 240 firings: standard error of the mean 0.006, of the variance about 7 %; four of each.
    assert np.mean(deviations) == pytest.approx(0.0, abs=4 * 0.006)
    assert np.var(deviations) == pytest.approx(variance, rel=0.28)


def test_truth_is_consistent(made):
    _, truth = made
    known = {item.feedstock: item for item in FEEDSTOCKS}
    assert len(truth["candidates"]) == 11 * 12 + 6
    for name, values in truth["candidates"].items():
        char, activation = values["char_yield_d_percent"], values["activation_yield_percent"]
        item = known[re.sub(r"_\d+C_.*", "", name)]
        assert item.ash_d_percent < char < 60
        assert (activation is not None) == name.endswith("_KOH3")
        carbon = 10 * char * (1 if activation is None else activation / 100)
        assert values["carbon_g_per_kg_d"] == pytest.approx(carbon, rel=1e-6)
        device = values["electrode_F_per_g"] / 4 * carbon
        assert values["device_F_per_kg_d"] == pytest.approx(device, rel=1e-6)
    assert fraction(logit(0.3)) == pytest.approx(0.3)


def test_true_cells_scatter_about_their_lot_as_stated():
    # Cell within lot: 20 seeds with about 160 cells each, so about 1900 degrees of freedom and
    # a standard error of the variance of 3.3 %; four of them.
    squares, freedom = 0.0, 0
    for seed in range(20):
        by_lot = {}
        for cell in make_cells(make_scenario(seed), make_truth(seed)):
            per_gram = sum(1000.0 / mass for mass in cell.carbon_mg)
            value = np.log(cell.circuit.capacitance_F * per_gram)
            by_lot.setdefault(cell.lot.run, []).append(value)
        for values in by_lot.values():
            squares += np.var(values) * len(values)
            freedom += len(values) - 1
    assert squares / freedom == pytest.approx(SCATTER["capacitance"]["cell"] ** 2, rel=0.14)


def test_refuses_a_folder_with_real_data(tmp_path):
    config = tmp_path / "config"
    config.mkdir()
    (config / "README.md").write_text("kept", encoding="utf-8")
    (config / "config.yaml").write_text("title: My screen\n", encoding="utf-8")
    (config / "masses.csv").write_text("run\nR1\n", encoding="utf-8")
    with pytest.raises(NotTheDemo, match="does not say 'data_are_invented: true'"):
        write_demo(seed=1, folder=tmp_path, truth_file=tmp_path / "truth.json")
    (config / "config.yaml").unlink()
    with pytest.raises(NotTheDemo, match=r"holds masses\.csv but no config\.yaml"):
        write_demo(seed=1, folder=tmp_path, truth_file=tmp_path / "truth.json")
    assert (config / "masses.csv").read_text(encoding="utf-8") == "run\nR1\n"
    assert not (tmp_path / "truth.json").exists()
    (config / "masses.csv").unlink()
    assert write_demo(seed=1, folder=tmp_path, truth_file=tmp_path / "truth.json") > 100
    assert (config / "README.md").read_text(encoding="utf-8") == "kept"


def test_command_line_writes_over_its_own_demo_and_clears_old_traces(tmp_path):
    command = [sys.executable, ROOT / "scripts/make_demo.py", "--folder", tmp_path, "--seed"]
    first = subprocess.run([*command, "3"], capture_output=True, text=True)
    assert (first.returncode, first.stderr) == (0, "")
    stray = tmp_path / "config/traces/T999.csv"
    stray.write_text("old", encoding="utf-8")
    second = subprocess.run([*command, "4"], capture_output=True, text=True)
    assert second.returncode == 0
    assert not stray.exists()
    assert json.loads((tmp_path / "demo_truth.json").read_text(encoding="utf-8"))["seed"] == 4
    (tmp_path / "config/config.yaml").write_text("title: mine\n", encoding="utf-8")
    third = subprocess.run([*command, "5"], capture_output=True, text=True)
    assert third.returncode == 1
    assert "Traceback" not in third.stderr
    assert "nothing was written" in third.stderr

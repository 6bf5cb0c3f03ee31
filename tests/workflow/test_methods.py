"""Every test method through the whole graph, and what is redone when a setting changes."""

import numpy as np
import polars as pl
import pytest
from cell_models import cycle_rc, decay_rc, sweep_rc
from charscreen.files import read_csv
from tiny_screen import CONFIG, write_screen

TESTS = """\
test,cell,method,trace,trace_map,load_ohm,scan_rate_mV_per_s,capacitance_F,capacitance_F_se
T01,C01,constant_current,T01.csv,plain,,,,
T11,C01,constant_current,T11.csv,plain,,,,
T02,C01,through_resistor,T02.csv,voltage_only,100,,,
T03,C03,direct,,,,,0.31,0.01
T04,C02,voltammetry,T04.csv,plain,,20,,
T05,C01,open_circuit,T05.csv,voltage_only,,,,
T06,C02,held_voltage,T06.csv,plain,,,,
"""


def write_trace(screen, name, *columns):
    rows = (",".join(f"{x:.9g}" for x in row) for row in zip(*columns, strict=True))
    head = "time_s,voltage_V,current_A" if len(columns) == 3 else "time_s,voltage_V"
    (screen.config / "traces" / name).write_text("\n".join([head, *rows]) + "\n")


@pytest.fixture
def screen(empty_screen):
    """The tiny screen with a test of each method; cell C01 is 0.4 F and 2 Ω."""
    write_screen(empty_screen.folder, tests=TESTS, readings=None)
    cell = {"capacitance_F": 0.4, "series_ohm": 2.0}
    slow = cycle_rc(**cell, n_cycles=3, upper_V=0.9, current_A=2e-3, step_s=0.5, rest_samples=4)
    fast = cycle_rc(**cell, n_cycles=3, upper_V=0.9, current_A=8e-3, step_s=0.1, rest_samples=4)
    write_trace(empty_screen, "T01.csv", *slow)
    write_trace(empty_screen, "T11.csv", *fast)
    write_trace(
        empty_screen, "T02.csv",
        *decay_rc(**cell, load_ohm=100.0, start_V=0.9, times_s=np.arange(1.0, 90.0, 1.0)),
    )  # fmt: skip
    write_trace(empty_screen, "T04.csv", *sweep_rc(upper_V=0.9, n_scans=3, series_ohm=2.0))
    t = np.arange(0.0, 86400.0, 60.0)
    write_trace(empty_screen, "T05.csv", t, 0.9 * np.exp(-t / (0.4 * 2e5)))
    t = np.arange(0.0, 3600.0, 5.0)
    write_trace(empty_screen, "T06.csv", t, np.full(len(t), 0.9), 3e-5 + 1e-3 * np.exp(-t / 120.0))
    return empty_screen


def test_every_method_goes_through_the_graph(screen):
    screen.must_run("collect")
    collect = screen.results / "collect"
    rows = read_csv(collect / "test_results.csv").set_index("test")
    assert list(rows.index) == ["T01", "T02", "T03", "T04", "T05", "T06", "T11"]
    assert rows["capacitance_F"].loc[["T01", "T11"]].tolist() == pytest.approx([0.4, 0.4], rel=1e-4)
    # The step of the discharge through a resistor is not in its record; T01 knows the resistance.
    assert rows["quality"]["T02"] == "series resistance from another test"
    assert rows["capacitance_F"]["T02"] == pytest.approx(0.4, rel=1e-3)
    assert rows["capacitance_F"]["T04"] == pytest.approx(0.4, rel=0.02)
    assert rows["leakage_resistance_ohm"]["T05"] == pytest.approx(2e5, rel=1e-3)
    assert rows["leakage_current_mA"]["T06"] == pytest.approx(0.03, rel=0.01)
    # What does not apply is empty, never zero.
    assert rows.loc["T05", ["capacitance_F", "esr_ohm", "energy_J", "cycles"]].isna().all()
    assert not (rows.select_dtypes("number") == 0).loc["T03"].any()
    assert rows["n_points"]["T02"] == 89
    assert rows["n_points"].isna().tolist() == [False, False, True, *[False] * 4]
    cycles = pl.read_parquet(collect / "cycles.parquet")
    counts = dict(cycles.group_by("test").len().iter_rows())
    assert counts == {"T01": 3, "T11": 3, "T04": 3}
    cells = read_csv(collect / "cells.csv").set_index("cell")
    assert cells["n_currents"]["C01"] == 2
    assert cells["leakage_method"].tolist() == ["open_circuit", "held_voltage", None]
    assert screen.planned("collect") == {}


def test_methods_that_disagree_reach_the_findings(screen):
    screen.edit("tests", lambda lines: [*lines, "T12,C01,direct,,,,,0.31,0.01"])
    screen.must_run("collect")
    found = read_csv(screen.results / "collect" / "findings.csv")
    found = found[(found["table"] == "cells") & (found["column"] == "cell")]
    assert (found["row"].item(), found["value"].item()) == (2, "C01")
    assert (
        found["message"]
        .item()
        .startswith("constant_current (T01 and T11) gives 0.4 F and direct (T12) 0.31 F")
    )


def test_reference_current_reads_no_trace_again(screen):
    screen.must_run("collect")
    config = CONFIG + "capacitance: {reference_current_A_per_g: 0.5}\n"
    (screen.config / "config.yaml").write_text(config)
    planned = screen.planned("collect")
    assert "summarise_cells" in planned
    assert "reduce_traces" not in planned
    screen.must_run("collect")
    cells = read_csv(screen.results / "collect" / "cells.csv").set_index("cell")
    assert cells["capacitance_at"]["C01"] == "reference"
    assert cells["current_A_per_g"]["C01"] == 0.5

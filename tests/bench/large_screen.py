"""A screen of any size with invented data, for the benches that measure how the workflow grows."""

import csv
from pathlib import Path

import numpy as np
import polars as pl

FEEDSTOCKS, LOTS_PER_FIRING, CELLS_PER_LOT = 24, 6, 2
CONFIG = """\
title: A large screen (invented data)
data_are_invented: true
kiln: {crucibles: 6, crucible_volume_mL: 250, max_temperature_C: 1000}
balances:
  bench: {readability_g: 0.01}
  fine: {readability_g: 0.0001}
default_balance: bench
electrode_balance: fine
column_maps:
  plain:
    time: {column: time_s}
    voltage: {column: voltage_V}
    current: {column: current_A}
plan: {firings: 12, reference: waste00, reference_every: 1}
"""


def write_large_screen(
    folder: Path,
    *,
    n_cells: int,
    n_rows: int = 10_000,
    n_cycles: int = 5,
    n_feedstocks: int = FEEDSTOCKS,
    seed: int = 1,
) -> list[Path]:
    """Write config/ of a screen of so many cells, one constant-current test each.

    Lots are spread over firings of six, feedstocks over firings, three temperatures and two holds;
    every other firing's lots are activated. Firings, lots and cells scatter by 10, 8 and 10 %.

    Returns
    -------
    list of Path
        The trace files.
    """
    rng = np.random.default_rng(seed)
    config = folder / "config"
    (config / "traces").mkdir(parents=True)
    (config / "config.yaml").write_text(CONFIG, encoding="utf-8")
    n_lots = -(-n_cells // CELLS_PER_LOT)
    n_firings = -(-n_lots // LOTS_PER_FIRING)
    lot_firing = np.arange(n_lots) // LOTS_PER_FIRING
    firing_T = np.array([600, 700, 800])[rng.permutation(n_firings) % 3]
    firing_hold = np.array([30, 60])[rng.permutation(n_firings) % 2]
    rounds = n_lots // n_feedstocks + 1
    feed = np.concatenate([rng.permutation(n_feedstocks) for _ in range(rounds)])
    feed = feed[:n_lots]
    koh = lot_firing % 2 == 1
    effect = rng.normal(0, 0.25, n_feedstocks)
    bent = rng.normal(0, 0.1, n_firings)[lot_firing] + rng.normal(0, 0.08, n_lots)
    log_c = np.log(90) + effect[feed] + 0.4 * koh + (firing_T[lot_firing] - 700) / 1000 + bent
    char = 30 * np.exp(-(firing_T[lot_firing] - 700) / 1000 + rng.normal(0, 0.05, n_lots))
    _write_feedstocks(config, n_feedstocks)
    _write_tables(config, n_lots, n_cells, feed, lot_firing, firing_T, firing_hold, koh, char, rng)
    farads = np.exp(np.repeat(log_c, CELLS_PER_LOT)[:n_cells] + rng.normal(0, 0.1, n_cells))
    return _write_traces(config / "traces", farads, n_rows, n_cycles, rng)


def add_cell(folder: Path, *, n_rows: int = 10_000, n_cycles: int = 5) -> None:
    """Append one more cell of the last lot, with its test and trace, to a written screen."""
    config = folder / "config"
    last = config / "cells.csv"
    lines = last.read_text().splitlines()
    run = lines[-1].split(",")[1]
    last.write_text("\n".join([*lines, f"EXTRA,{run},6,6,10,5,1.13,1"]) + "\n")
    tests = config / "tests.csv"
    row = "TEXTRA,EXTRA,constant_current,TEXTRA.csv,plain"
    tests.write_text(tests.read_text() + row + "\n")
    rng = np.random.default_rng(2)
    made = _write_traces(folder, np.array([100.0]), n_rows, n_cycles, rng)
    made[0].rename(config / "traces" / "TEXTRA.csv")


def _write_feedstocks(config, n_feedstocks) -> None:
    rows = [[f"waste{k:02d}", f"Waste {k:02d}", 10, 3] for k in range(n_feedstocks)]
    _writer(config)("feedstocks", "feedstock,name,moisture_ar_percent,ash_d_percent", rows)


def _write_tables(
    config, n_lots, n_cells, feed, lot_firing, firing_T, firing_hold, koh, char, rng
) -> None:
    write = _writer(config)
    write("design", "run,role,feedstock,firing,peak_temperature_C,hold_min,activation,koh_ratio,"
          "activation_firing,activation_temperature_C,activation_hold_min",
          [[f"R{k:06d}", "screen", f"waste{feed[k]:02d}", f"F{f:05d}", firing_T[f], firing_hold[f],
            *(["KOH", 3, f"A{f:05d}", 700, 60] if koh[k] else ["none", "", "", "", ""])]
           for k, f in enumerate(lot_firing)])  # fmt: skip
    write("masses", "run,feed_ar_g,char_g,char_taken_g,koh_g,activated_g",
          [[f"R{k:06d}", 50, f"{0.45 * char[k]:.2f}",
            *([5, 15, f"{1.5 * np.exp(rng.normal(0, 0.1)):.2f}"] if koh[k] else ["", "", ""])]
           for k in range(n_lots)])  # fmt: skip
    write("cells", "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,"
          "area_cm2,upper_voltage_V",
          [[f"C{k:06d}", f"R{k // CELLS_PER_LOT:06d}", 6, 6, 10, 5, 1.13, 1]
           for k in range(n_cells)])  # fmt: skip
    write("tests", "test,cell,method,trace,trace_map",
          [[f"T{k:06d}", f"C{k:06d}", "constant_current", f"T{k:06d}.csv", "plain"]
           for k in range(n_cells)])  # fmt: skip


def _writer(config: Path):
    def write(table: str, header: str, rows: list[list]) -> None:
        with (config / f"{table}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(header.split(","))
            writer.writerows(rows)

    return write


def _write_traces(folder, electrode_F_per_g, n_rows, n_cycles, rng) -> list[Path]:
    """A few cycles of a resistor and a capacitor each, with noise of 1 mV."""
    carbon_g = 2 * 6e-3 * 0.85
    phase = (np.arange(n_rows) / n_rows * n_cycles) % 1.0
    rising = phase < 0.5
    shape = 0.96 * np.where(rising, 2.0 * phase, 2.0 - 2.0 * phase)
    paths = []
    for k, per_gram in enumerate(electrode_F_per_g):
        farads = per_gram * carbon_g / 4
        amperes = 2e-3
        half = farads * 0.96 / amperes  # seconds from empty to full
        table = pl.DataFrame({
            "time_s": np.arange(n_rows) * (2 * half * n_cycles / n_rows),
            "voltage_V": shape + np.where(rising, 1, -1) * 4.0 * amperes
            + 1e-3 * rng.standard_normal(n_rows),
            "current_A": np.where(rising, amperes, -amperes),
        })  # fmt: skip
        paths.append(folder / f"T{k:06d}.csv")
        table.write_csv(paths[-1], float_precision=6)
    return paths

"""Prints what `snakemake collect` costs over merely reading the same traces.

Run: sh scripts/with_env.sh python tests/bench/bench_collect.py [--traces N] [--rows N] [--cores N]
Nothing is asserted; times on a shared machine mean little, ratios more.
"""

import argparse
import csv
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

ROOT = Path(__file__).resolve().parents[2]
TESTS_PER_CELL, CELLS_PER_RUN, RUNS_PER_FIRING = 2, 2, 6
CONFIG = """\
title: Load of a large screen
data_are_invented: true
kiln: {crucibles: 6, crucible_volume_mL: 250, max_temperature_C: 1000}
balances:
  fine: {readability_g: 0.0001}
column_maps:
  plain:
    time: {column: time_s}
    voltage: {column: voltage_V}
    current: {column: current_A}
"""


def write_screen(folder: Path, *, n_traces: int, n_rows: int, n_cycles: int = 5) -> list[Path]:
    """A screen of invented traces: a few cycles of a resistor and a capacitor each, with noise."""
    config = folder / "config"
    (config / "traces").mkdir(parents=True)
    (config / "config.yaml").write_text(CONFIG)
    n_cells = -(-n_traces // TESTS_PER_CELL)
    n_runs = -(-n_cells // CELLS_PER_RUN)
    write(config / "feedstocks.csv", "feedstock,name,moisture_ar_percent",
          [[f"waste{k}", f"Waste {k}", 10] for k in range(8)])  # fmt: skip
    write(
        config / "design.csv",
        "run,role,feedstock,firing,peak_temperature_C,hold_min,activation",
        [[f"R{k}", "screen", f"waste{k % 8}", f"F{k // RUNS_PER_FIRING:03d}",
          600 + 100 * (k // RUNS_PER_FIRING % 3), 60, "none"] for k in range(n_runs)],
    )  # fmt: skip
    write(config / "masses.csv", "run,feed_ar_g,char_g", [[f"R{k}", 50, 13] for k in range(n_runs)])
    write(
        config / "cells.csv",
        "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,area_cm2,"
        "upper_voltage_V",
        [[f"C{k}", f"R{k // CELLS_PER_RUN}", 6, 6, 10, 5, 1.13, 1] for k in range(n_cells)],
    )
    write(
        config / "tests.csv",
        "test,cell,method,trace,trace_map",
        [[f"T{k:05d}", f"C{k // TESTS_PER_CELL}", "constant_current", f"T{k:05d}.csv", "plain"]
         for k in range(n_traces)],
    )  # fmt: skip
    rng = np.random.default_rng(1)
    phase = (np.arange(n_rows) / n_rows * n_cycles) % 1.0
    up = phase < 0.5
    current = np.where(up, 5e-3, -5e-3)
    voltage = 0.96 * np.where(up, 2.0 * phase, 2.0 - 2.0 * phase) + 4.0 * current
    paths = []
    for k in range(n_traces):
        table = pl.DataFrame({
            "time_s": np.arange(n_rows) * 0.05,
            "voltage_V": voltage + 1e-3 * rng.standard_normal(n_rows),
            "current_A": current,
        })  # fmt: skip
        paths.append(config / "traces" / f"T{k:05d}.csv")
        table.write_csv(paths[-1], float_precision=6)
    return paths


def write(path: Path, header: str, rows: list[list]) -> None:
    """One table of the screen."""
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(header.split(","))
        writer.writerows(rows)


def timed(command: list[str], **options) -> tuple[float, float]:
    """Wall and processor time of a command with all it starts [s]; stops where it failed."""
    spent, begin = processor_time(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)
    wall = time.perf_counter() - begin
    if done.returncode:
        sys.exit(done.stdout[-2000:] + done.stderr[-4000:])
    return wall, processor_time(resource.RUSAGE_CHILDREN) - spent


def processor_time(who: int) -> float:
    """Processor time so far [s]; unlike the wall it hardly feels other users of the machine."""
    usage = resource.getrusage(who)
    return usage.ru_utime + usage.ru_stime


def read_alone(paths: list[Path]) -> dict[str, tuple[float, float]]:
    """Wall and processor time [s] of one process reading all files, by reader, best of two."""
    readers = {
        "raw bytes": lambda: [path.read_bytes() for path in paths],
        "polars, file by file": lambda: [pl.read_csv(path).height for path in paths],
        "polars, all at once": lambda: pl.read_csv(str(paths[0].parent / "*.csv")),
    }
    found = dict.fromkeys(readers, (float("inf"), float("inf")))
    for _ in range(2):
        for name, read in readers.items():
            spent, begin = processor_time(resource.RUSAGE_SELF), time.perf_counter()
            read()
            wall = time.perf_counter() - begin
            found[name] = min(found[name], (wall, processor_time(resource.RUSAGE_SELF) - spent))
    return found


def start_up(script: str) -> float:
    """Seconds to start Python and import what a rule script imports, best of five."""
    lines = (ROOT / "scripts" / f"{script}.py").read_text().splitlines()
    imports = [line for line in lines if re.match(r"(from|import) ", line)]
    program = "import sys; sys.path.insert(0, 'scripts')\n" + "\n".join(imports)
    return min(timed([sys.executable, "-c", program], cwd=ROOT)[0] for _ in range(5))


def job_table(folder: Path) -> list[tuple[str, float, float]]:
    """Name, processor time [s] and greatest memory [MB] of every job, as the workflow noted."""
    out = []
    for path in sorted((folder / "results" / "benchmarks").glob("*.tsv")):
        header, values = [line.split("\t") for line in path.read_text().splitlines()[:2]]
        row = dict(zip(header, values, strict=True))
        memory = row["max_rss"]
        out.append((path.stem, float(row["cpu_time"]), float(memory) if memory != "NA" else 0.0))
    return out


def main() -> None:
    """Make the screen, read it, run it, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--traces", type=int, default=1000)
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--cycles", type=int, default=5, help="charges and discharges per trace")
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write_screen(
            folder, n_traces=options.traces, n_rows=options.rows, n_cycles=options.cycles
        )
        size = sum(path.stat().st_size for path in paths)
        print(f"{options.traces} traces of {options.rows} rows and {options.cycles} cycles, "
              f"{size / 1e6:.0f} MB, "
              f"{options.cores} cores")  # fmt: skip
        reading = read_alone(paths)
        profile = str(ROOT / "workflow" / "profiles" / "default")
        command = [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile"),
                   "--directory", name, "--cores", str(options.cores), "collect"]  # fmt: skip
        environment = os.environ | {"SNAKEMAKE_PROFILE": profile}
        whole = timed(command, cwd=ROOT, env=environment)
        again = timed(command, cwd=ROOT, env=environment)
        jobs = job_table(folder)
    print(f"  {'':26} wall [s]  processor [s]   collect over it, wall and processor")
    for reader, (wall, spent) in reading.items():
        print(f"  {reader:26} {wall:8.2f} {spent:10.2f} {whole[0] / wall:18.2f} "
              f"{whole[1] / spent:9.2f}")  # fmt: skip
    print(f"  {'collect, all of it':26} {whole[0]:8.2f} {whole[1]:10.2f}")
    print(f"  {'collect, nothing to do':26} {again[0]:8.2f} {again[1]:10.2f}")
    begins = start_up("reduce_traces")
    batches = [job for job in jobs if job[0].startswith("reduce_traces")]
    print(f"  {len(batches)} reducing jobs, start-up with imports {begins:.2f} s wall each")
    print("  processor time [s] and greatest memory [MB] of the jobs, as sampled")
    for name, spent, memory in jobs:
        print(f"    {name:24} {spent:8.2f} {memory:8.0f}")


if __name__ == "__main__":
    main()

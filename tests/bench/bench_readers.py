"""Prints how long several readers take for the same traces, as ratios to the fastest.

Run: sh scripts/with_env.sh python tests/bench/bench_readers.py [--traces N] [--rows N]
Nothing is asserted; times on a shared machine mean little, ratios more.
"""

import argparse
import importlib.util
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from charscreen.capacitance import constant_current_rows
from charscreen.traces import read_trace

COLUMN_MAP = {
    "time": {"column": "time_s"},
    "voltage": {"column": "voltage_V"},
    "current": {"column": "current_A"},
}


def write_traces(folder: Path, *, n_traces: int, n_rows: int) -> list[Path]:
    """Invented triangular records with noise, one file each."""
    rng = np.random.default_rng(1)
    time_s = np.arange(n_rows) * 0.02
    phase = (time_s / time_s[-1] * 3.0) % 1.0
    up = phase < 0.5
    voltage = np.where(up, 2.0 * phase, 2.0 - 2.0 * phase)
    current = np.where(up, 5e-3, -5e-3)
    paths = []
    for k in range(n_traces):
        noisy = voltage + 1e-3 * rng.standard_normal(n_rows)
        path = folder / f"{k}.csv"
        np.savetxt(
            path, np.stack([time_s, noisy, current], axis=1), fmt="%.6f", delimiter=",",
            header="time_s,voltage_V,current_A", comments="",
        )  # fmt: skip
        paths.append(path)
    return paths


def readers() -> dict:
    """Name to a function that reads one file; those whose library is there."""
    out = {
        "charscreen": lambda path: read_trace(path, COLUMN_MAP),
        "raw bytes": lambda path: path.read_bytes(),
        "numpy": lambda path: np.loadtxt(path, delimiter=",", skiprows=1),
    }
    if importlib.util.find_spec("polars"):
        import polars as pl

        out["polars"] = lambda path: pl.read_csv(path)
    if importlib.util.find_spec("pandas"):
        import pandas as pd

        out["pandas"] = lambda path: pd.read_csv(path)
    if importlib.util.find_spec("pyarrow"):
        from pyarrow import csv

        out["pyarrow"] = lambda path: csv.read_csv(path)
    return out


def main() -> None:
    """Time every reader over all files, best of three rounds, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--traces", type=int, default=40)
    parser.add_argument("--rows", type=int, default=10_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = write_traces(Path(folder), n_traces=options.traces, n_rows=options.rows)
        jobs = readers()

        def reduce_one(path):
            trace, _ = read_trace(path, COLUMN_MAP)
            constant_current_rows(
                trace.time_s, trace.voltage_V, trace.current_A, upper_voltage_V=1.0
            )

        jobs["charscreen, reduced"] = reduce_one
        seconds = {name: float("inf") for name in jobs}
        for _ in range(3):
            for name, job in jobs.items():
                begin = time.perf_counter()
                for path in paths:
                    job(path)
                seconds[name] = min(seconds[name], time.perf_counter() - begin)
    fastest = min(value for name, value in seconds.items() if name != "raw bytes")
    print(f"{options.traces} traces of {options.rows} rows, one process")
    for name, value in sorted(seconds.items(), key=lambda item: item[1]):
        print(f"{name:20} {1e3 * value / len(paths):8.2f} ms a trace {value / fastest:7.2f}")


if __name__ == "__main__":
    main()

"""Prints how the time of a run grows with the screen: wall, processor, memory, graph.

    sh scripts/with_env.sh python tests/bench/bench_scale.py [--cells 100 1000] [--rows 10000]

For each number of cells (one test each) a screen of invented data is written, run to the report,
run again with nothing to do, and run once more after one new cell. Below that stands its floor: the
start of the engine, and of Python with the imports of each job that one new cell makes anew.
Nothing is asserted.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl
from bench_stages import start_up
from large_screen import add_cell, write_large_screen

ROOT = Path(__file__).resolve().parents[2]
STAGES = {
    "reduce_traces": "collect", "draw_traces": "collect", "gather_tests": "collect",
    "summarise_cells": "collect", "compute_yields": "collect", "summarise_firings": "collect",
    "gather_findings": "collect", "fit": "fit", "rank": "rank", "compare": "rank",
    "propose": "next", "draw_figures": "report", "draw_yields": "report",
    "render": "report", "print": "report", "write_workbook": "report",
}  # fmt: skip
# What one new cell makes anew: with the cells all that is fitted to them, and all after.
ANEW = (
    "reduce_traces", "gather_tests", "summarise_cells", "gather_findings", "fit_performance",
    "fit_device", "rank_candidates", "compare_candidates", "propose_next", "draw_traces",
    "draw_figures", "render_report", "print_report", "write_workbook",
)  # fmt: skip


def run(folder: Path, cores: int, *arguments: str) -> tuple[float, float, float]:
    """Wall and processor time [s] and greatest memory of one process [MB] of a run."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile"),
         "--directory", str(folder), "--cores", str(cores), *arguments],
        capture_output=True, text=True, check=False, cwd=ROOT,
        env=os.environ | {"SNAKEMAKE_PROFILE": str(ROOT / "workflow" / "profiles" / "default")},
    )  # fmt: skip
    if done.returncode:
        sys.exit(done.stdout[-2000:] + done.stderr[-4000:])
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, spent, after.ru_maxrss / 1024


def stages(folder: Path) -> dict[str, list[float]]:
    """Per stage: summed wall and processor time [s], greatest memory of a job [MB]."""
    found: dict[str, list[float]] = {}
    for path in sorted((folder / "results" / "benchmarks").rglob("*.tsv")):
        row = pl.read_csv(path, separator="\t", null_values=["NA", "-"]).row(0, named=True)
        stage = next((to for start, to in STAGES.items() if path.stem.startswith(start)), None)
        if stage is None:
            continue
        total = found.setdefault(stage, [0.0, 0.0, 0.0])
        total[0] += row["s"] or 0.0
        total[1] += row["cpu_time"] or 0.0
        total[2] = max(total[2], row["max_rss"] or 0.0)
    return found


def main() -> None:
    """Write, run and print, one size after the other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, nargs="+", default=[100, 1000])
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    starts = sum(start_up(ROOT / "scripts" / f"{name}.py") for name in ANEW)
    for n_cells in options.cells:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_large_screen(folder, n_cells=n_cells, n_rows=options.rows)
            graph = run(folder, options.cores, "-n")
            full = run(folder, options.cores)
            parts = stages(folder)
            again = run(folder, options.cores)
            add_cell(folder, n_rows=options.rows)
            one = run(folder, options.cores)
            report = (folder / "results" / "report.html").stat().st_size
        print(f"{n_cells} cells, traces of {options.rows} rows, {options.cores} cores")
        print(f"  {'':22} wall [s]  processor [s]  memory [MB]")
        for words, figures in (
            ("graph alone (-n)", graph),
            ("full run", full),
            ("nothing to do", again),
            ("one new cell", one),
        ):
            print(f"  {words:22} {figures[0]:8.1f} {figures[1]:13.1f} {figures[2]:12.0f}")
        for stage, figures in parts.items():
            print(f"    {stage:20} {figures[0]:8.1f} {figures[1]:13.1f} {figures[2]:12.0f}")
        print(f"  full run, processor time per cell: {1000 * full[1] / n_cells:.0f} ms")
        print(f"  graph over full run: {graph[0] / full[0]:.2f}")
        print(f"  one new cell over full run: {one[0] / full[0]:.2f}")
        floor = again[1] + starts
        print(f"  floor of one new cell, engine {again[1]:.1f} s and imports {starts:.1f} s of "
              f"processor time: {floor / full[1]:.2f} of a full run")  # fmt: skip
        print(f"  of processor time, one new cell over full run: {one[1] / full[1]:.2f}")
        print(f"  report.html: {report / 1e6:.1f} MB", flush=True)


if __name__ == "__main__":
    main()

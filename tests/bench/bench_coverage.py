"""Prints how often the known truth of invented screens lies inside the ranking's intervals.

    sh scripts/with_env.sh python tests/bench/bench_coverage.py --screens 20

Each screen is the demo made from another seed, run through the workflow as far as `rank` in a
temporary folder. Candidates of one screen share firings and models, so their hits are not
independent: the spread between screens is printed beside the share.
"""

import argparse
import csv
import json
import math
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from statistics import mean, stdev

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from charscreen.demo.write import write_demo  # noqa: E402


def run_screen(seed: int, folder: Path, cores: int) -> tuple[list[dict], dict]:
    """Ranking rows and truth of the demo made from one seed.

    Raises
    ------
    RuntimeError
        Where the workflow fails; with the end of its output.
    """
    write_demo(seed=seed, folder=folder, truth_file=folder / "demo_truth.json")
    command = ["snakemake", "--snakefile", ROOT / "Snakefile", "--directory", folder]
    done = subprocess.run(
        [*command, "--cores", str(cores), "rank"], capture_output=True, text=True, cwd=ROOT
    )
    if done.returncode:
        raise RuntimeError(f"seed {seed}: {(done.stdout + done.stderr)[-3000:]}")
    with open(folder / "results" / "rank" / "ranking.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return rows, json.loads((folder / "demo_truth.json").read_text(encoding="utf-8"))


def compare(rows: list[dict], truth: dict) -> tuple[dict[str, list[dict]], int]:
    """By merit, one dict per candidate with a known truth; and how many rows had none."""
    by_merit, unknown = defaultdict(list), 0
    for row in rows:
        known = truth["candidates"].get(row["candidate"], {}).get(row["merit"])
        if known is None or not row["estimate_lo"]:
            unknown += 1
            continue
        low, high = float(row["estimate_lo"]), float(row["estimate_hi"])
        by_merit[row["merit"]].append(
            {
                "inside": low <= known <= high,
                "log_error": math.log(float(row["estimate"]) / known),
                "log_width": math.log(high / low),
                "known": known,
                "estimate": float(row["estimate"]),
            }
        )
    return by_merit, unknown


def loss_of_choice(entries: list[dict]) -> float:
    """What choosing the top estimate costs against the truly best candidate [percent]."""
    best = max(entry["known"] for entry in entries)
    chosen = max(entries, key=lambda entry: entry["estimate"])
    return 100.0 * (1.0 - chosen["known"] / best)


def print_table(results: list[dict[str, list[dict]]], merits: list[str]) -> None:
    """Share inside, its spread over screens, bias, width and loss for each merit and all."""
    print(f"{'merit':22s} {'n':>6s} {'inside %':>9s} {'sd over screens':>16s} "
          f"{'bias %':>7s} {'half width %':>13s} {'loss of choice %':>17s}")  # fmt: skip
    for merit in [*merits, "all"]:
        screens = [
            [
                entry
                for name, entries in result.items()
                if merit in (name, "all")
                for entry in entries
            ]
            for result in results
        ]
        entries = [entry for screen in screens for entry in screen]
        shares = [100.0 * mean(entry["inside"] for entry in screen) for screen in screens]
        spread = stdev(shares) if len(shares) > 1 else float("nan")
        bias = 100.0 * mean(entry["log_error"] for entry in entries)
        width = 100.0 * mean(entry["log_width"] for entry in entries) / 2.0
        loss = "" if merit == "all" else f"{mean(map(loss_of_choice, screens)):17.1f}"
        inside = 100.0 * mean(entry["inside"] for entry in entries)
        print(f"{merit:22s} {len(entries):6d} {inside:9.1f} {spread:16.1f} {bias:7.1f} "
              f"{width:13.1f} {loss}")  # fmt: skip


def main() -> None:
    """Make, run and compare the screens, one after the other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--screens", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    results, missing, started = [], 0, time.monotonic()
    for seed in range(options.first_seed, options.first_seed + options.screens):
        with tempfile.TemporaryDirectory() as folder:
            rows, truth = run_screen(seed, Path(folder), options.cores)
        by_merit, unknown = compare(rows, truth)
        results.append(by_merit)
        missing += unknown
        shares = ", ".join(
            f"{name} {100 * mean(e['inside'] for e in entries):.0f} %"
            for name, entries in by_merit.items()
        )
        print(f"seed {seed}: {shares} ({time.monotonic() - started:.0f} s)", flush=True)
    print(f"\n{options.screens} screens, nominal 90 % intervals, rows without truth: {missing}")
    print_table(results, list(results[0]))


if __name__ == "__main__":
    main()

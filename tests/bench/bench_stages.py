"""Prints the seconds of each stage of the demo: start-up against work.

    sh scripts/with_env.sh python tests/bench/bench_stages.py

Start-up is the time Python takes for the imports of a rule's script alone; the rest of the rule's
time is work. What no rule accounts for is the workflow engine itself. Nothing is asserted.
"""

import argparse
import ast
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]


def run_demo(folder: Path) -> float:
    """Wall time of the whole demo in a folder of its own, on one core. [s]"""
    shutil.copytree(ROOT / "config", folder / "config")
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile")]
    start = time.perf_counter()
    subprocess.run(
        [*command, "--directory", str(folder), "--cores", "1", "all"],
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - start


def start_up(script: Path) -> float:
    """Median of three processor times that Python takes for a script's imports alone. [s]"""
    tree = ast.parse(script.read_text(encoding="utf-8"))
    imports = [ast.unparse(n) for n in tree.body if isinstance(n, (ast.Import, ast.ImportFrom))]
    times = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-c", "\n".join(imports)],
            check=True,
            env=os.environ | {"PYTHONPATH": str(ROOT / "scripts")},
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return sorted(times)[1]


def main() -> None:
    """Run the demo and print one line per rule."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    with tempfile.TemporaryDirectory() as folder:
        total = run_demo(Path(folder))
        rows = []
        for file in sorted(Path(folder).glob("results/benchmarks/*.tsv")):
            has_wildcard = not (ROOT / "scripts" / f"{file.stem}.py").is_file()
            rule = file.stem.rpartition("_")[0] if has_wildcard else file.stem
            rows.append({"rule": rule, "seconds": pd.read_csv(file, sep="\t")["s"].sum()})
    table = pd.DataFrame(rows).groupby("rule")["seconds"].agg(["count", "sum"])
    table["start_up"] = [start_up(ROOT / "scripts" / f"{rule}.py") for rule in table.index]
    table["start_up"] *= table["count"]
    table["work"] = (table["sum"] - table["start_up"]).clip(lower=0)
    table = table.rename(columns={"count": "jobs", "sum": "seconds"})
    print(table.round(2).to_string())
    engine = total - table["seconds"].sum()
    print(f"\nwhole run {total:.1f} s, of which the workflow engine {engine:.1f} s")
    print(
        f"start-up / whole {table['start_up'].sum() / total:.2f}, "
        f"work / whole {table['work'].sum() / total:.2f}, engine / whole {engine / total:.2f}"
    )


if __name__ == "__main__":
    main()

"""Prints how large the report grows and how long it takes, from one feedstock to sixty.

    sh scripts/with_env.sh python tests/bench/bench_report.py [FOLDER]

Screens of 1, 8 and 60 feedstocks with invented data are laid out in FOLDER (a temporary one where
none is named) and run to the report; the demo's results beside this file's project are the measure
of time. The 60 have names as long as those of real wastes. Aims: every page under 5 MB, rendered
in under 15 s. Nothing is asserted.
"""

import argparse
import csv
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import pandas as pd
from large_screen import write_large_screen

ROOT = Path(__file__).resolve().parents[2]
PLANTS = (
    *("Almond", "Apricot", "Barley", "Chestnut", "Chickpea", "Date palm", "Flax", "Grape vine"),
    *("Groundnut", "Hazel", "Hemp", "Lupin"),
)
PARTS = ("shells", "pruning wood", "pressed pulp", "stalks, chopped", "husks")
RULES = ("draw_yields", "draw_figures", "render_report", "print_report", "write_workbook")
FILES = ("report.html", "report.pdf", "summary.pdf", "tables.xlsx")


@dataclass(frozen=True)
class Size:
    """How many feedstocks, cells and samples per trace a screen has."""

    feedstocks: int
    cells: int
    rows: int = 600

    @property
    def folder(self) -> str:
        return f"screen_{self.feedstocks:02d}"


SIZES = (Size(1, 4), Size(8, 48), Size(60, 360))


def lay_out(folder: Path, size: Size) -> None:
    """Write one screen; its feedstocks get names of two to four words."""
    write_large_screen(folder, n_cells=size.cells, n_rows=size.rows, n_feedstocks=size.feedstocks)
    names = [f"{plant} {part}" for part, plant in product(PARTS, PLANTS)]
    table = folder / "config" / "feedstocks.csv"
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(row | {"name": name} for row, name in zip(rows, names, strict=False))


def run(folder: Path) -> None:
    """Run a screen to its report, on one core."""
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile")]
    command += ["--directory", str(folder), "--cores", "1", "report"]
    subprocess.run(command, check=True)


def seconds(folder: Path) -> dict[str, float]:
    """Processor time of each rule that makes the report. [s]"""
    found = {}
    for rule in RULES:
        file = folder / "results" / "benchmarks" / f"{rule}.tsv"
        if file.exists():
            found[rule] = float(pd.read_csv(file, sep="\t")["cpu_time"].iloc[0])
    return found


def describe(folder: Path, demo: dict[str, float]) -> None:
    """Print sizes of the files, and times over those of the demo."""
    sizes = {name: folder / "results" / name for name in FILES}
    print("  MB: ", ", ".join(
        f"{name} {path.stat().st_size / 1e6:.2f}" for name, path in sizes.items() if path.exists()
    ))  # fmt: skip
    print("  processor time, and over that of the demo:", ", ".join(
        f"{rule} {taken:.1f} s" + (f" ({taken / demo[rule]:.2f})" if rule in demo else "")
        for rule, taken in seconds(folder).items()
    ))  # fmt: skip


def main() -> None:
    """Lay out, run and describe each screen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, help="where the screens go and stay")
    parser.add_argument("--feedstocks", type=int, nargs="*", help="only screens of this many")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        base = options.folder or Path(temporary)
        for size in SIZES:
            if options.feedstocks and size.feedstocks not in options.feedstocks:
                continue
            folder = base / size.folder
            if not folder.exists():
                lay_out(folder, size)
            run(folder)
        print("demo")
        demo = seconds(ROOT)
        describe(ROOT, {})
        for size in SIZES:
            if (base / size.folder).exists():
                print(f"{size.feedstocks} feedstocks, {size.cells} cells")
                describe(base / size.folder, demo)


if __name__ == "__main__":
    main()

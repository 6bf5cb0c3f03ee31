"""Strikes runs of the demo at random moments and counts what came of it.

sh scripts/with_env.sh python tests/bench/bench_faults.py [--kills 50] [--target all] [--full-disk]

Kinds: all processes killed, the engine alone killed (its steps go on), Ctrl-C. After each strike
every file is looked at (whole or absent), then the command is repeated once and the results are
compared byte by byte with those of an undisturbed run. --full-disk (as root) repeats runs on disks
too small by different amounts instead.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from faults import ROOT, content, disturb, finish, inputs, spoilt, start


def undisturbed(folder: Path, target: str) -> tuple[dict[str, str], float]:
    """The demo run to its end: digests of its results, seconds it took."""
    shutil.copytree(ROOT / "config", folder / "config")
    began = time.monotonic()
    status, said = finish(folder, target)
    if status:
        sys.exit(said)
    return content(folder / "results"), time.monotonic() - began


def strike(
    folder: Path, whole: dict[str, str], after_s: float, kind: str, target: str
) -> list[str]:
    """One strike and one resumption; what was wrong, nothing where all is well."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(ROOT / "config", folder / "config")
    before = inputs(folder)
    disturb(start(folder, target), after_s, kind)
    parts = {name for name in content(folder / "results") if ".part" in name}
    wrong = [
        f"not whole: {name}"
        for name in spoilt(whole, content(folder / "results"))
        if name not in parts and ".part" not in name
    ]
    status, said = finish(folder, target)
    if status:
        wrong.append(f"not resumed: {said[-500:]}")
    now = content(folder / "results")
    wrong += [f"differs: {name}" for name in sorted(set(whole) ^ set(now))]
    wrong += [f"differs: {name}" for name in spoilt(whole, now) if name in whole]
    if inputs(folder) != before:
        wrong.append("inputs were touched")
    return wrong


def full_disk(folder: Path, whole: dict[str, str], megabytes: float, target: str) -> list[str]:
    """A run on a disk of so many megabytes, then on one that is large enough."""
    results = folder / "results"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(ROOT / "config", folder / "config")
    results.mkdir()
    size = f"size={megabytes * 1024:.0f}k"
    subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(results)], check=True)
    try:
        status, said = finish(folder, target)
        wrong = [f"not whole: {name}" for name in spoilt(whole, content(results))]
        if status != 1 or "the disk is full" not in said or "Traceback" in said:
            wrong.append(f"status {status}: {said[-800:]}")
        subprocess.run(["mount", "-o", "remount,size=100m", str(results)], check=True)
        status, said = finish(folder, target)
        if status or content(results) != whole:
            wrong.append(f"not resumed: {spoilt(whole, content(results))} {said[-500:]}")
    finally:
        subprocess.run(["umount", str(results)], check=True)
    return wrong


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", default="all", help="collect is quicker, plan quicker still")
    parser.add_argument("--full-disk", action="store_true")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    counts: Counter = Counter()
    with tempfile.TemporaryDirectory() as base:
        whole, seconds = undisturbed(Path(base, "whole"), options.target)
        print(f"undisturbed: {len(whole)} files, {seconds:.0f} s", flush=True)
        used = sum(p.stat().st_size for p in Path(base, "whole", "results").rglob("*")) / 2**20
        for number in range(options.kills):
            if options.full_disk:
                kind, moment = "full disk", rng.uniform(0.02, 0.95) * used
                wrong = full_disk(Path(base, "struck"), whole, moment, options.target)
            else:
                kind = ("group", "engine", "interrupt")[number % 3]
                moment = rng.uniform(0.3, seconds)
                wrong = strike(Path(base, "struck"), whole, moment, kind, options.target)
            counts[kind, "wrong" if wrong else "well"] += 1
            unit = "MB" if options.full_disk else "s"
            print(f"{number + 1:3d} {kind:9s} {moment:6.2f} {unit}", *wrong or ["well"], flush=True)
    for (kind, outcome), count in sorted(counts.items()):
        print(f"{kind}: {count} {outcome}")


if __name__ == "__main__":
    main()

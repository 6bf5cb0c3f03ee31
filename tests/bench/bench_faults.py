"""Disturbs runs at random moments and counts what came of it.

    sh scripts/with_env.sh python tests/bench/bench_faults.py [--strikes 60] [--small] [--seed 1]
    sh scripts/with_env.sh python tests/bench/bench_faults.py --disk [--small]          (as root)

Of each six strikes five kill (all processes, or the engine alone while its steps go on) and one is
Ctrl-C. A strike begins where the undisturbed run stood at a moment drawn over its whole length:
what it wrote later is taken away, so that late steps are struck as often as early ones. After the
strike every file is looked at (whole or absent); then the command is repeated once, nothing else,
and results and inputs are compared byte by byte with those of the undisturbed run.

`--disk` runs on disks that are too small by different amounts and on one that can only be read,
each mounted on the folder of results, and then on one that is large enough.
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
from faults import (
    ROOT,
    content,
    disturb,
    finish,
    inputs,
    spoilt,
    start,
    wind_back,
    write_small_screen,
)

LONGEST_WAIT_S = 20.0


class Struck:
    """A finished screen, and copies of it that are disturbed.

    Parameters
    ----------
    base : Path
        Empty folder for all of it.
    target : str
        What is asked for.
    is_small : bool
        The small screen of the tests in place of the demo.
    """

    def __init__(self, base: Path, target: str, is_small: bool):
        self.folder, self.finished, self.target = base / "struck", base / "whole", target
        if is_small:
            write_small_screen(self.finished)
        else:
            shutil.copytree(ROOT / "config", self.finished / "config")
        self.inputs = inputs(self.finished)
        self.began_ns = time.time_ns()
        status, said = finish(self.finished, target)
        self.ended_ns = time.time_ns()
        if status:
            sys.exit(said)
        self.whole = content(self.finished / "results")

    def lay_out(self, moment: float) -> None:
        """A copy as it stood at a share of the undisturbed run."""
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.finished, self.folder, copy_function=shutil.copy2)
        wind_back(self.folder, int(self.began_ns + moment * (self.ended_ns - self.began_ns)))

    def not_whole(self) -> list[str]:
        """Results that are neither absent nor as they are to be."""
        now = content(self.folder / "results")
        return [f"not whole: {name}" for name in spoilt(self.whole, now) if ".part" not in name]

    def resume(self) -> list[str]:
        """What is wrong after the command is repeated once."""
        status, said = finish(self.folder, self.target)
        wrong = [f"not resumed: {said[-800:]}"] if status else []
        now = content(self.folder / "results")
        wrong += [f"absent or new: {name}" for name in sorted(set(self.whole) ^ set(now))]
        wrong += [f"differs: {name}" for name in spoilt(self.whole, now) if name in self.whole]
        return wrong + ["inputs were touched"] * (inputs(self.folder) != self.inputs)

    def strike(self, moment: float, after_s: float, kind: str) -> tuple[str, list[str]]:
        """One strike and one resumption: where it struck and what was wrong."""
        self.lay_out(moment)
        run = start(self.folder, self.target)
        wait_to_begin(run, self.folder)
        began = time.time()
        was_struck = disturb(run, after_s, kind)
        logs = (self.folder / "results" / "logs").glob("*.log")
        at_work = sorted(log.stem for log in logs if log.stat().st_mtime >= began - 1)
        where = "+".join(at_work[:3]) if was_struck else "had ended"
        return where or "between steps", self.not_whole() + self.resume()

    def disk(self, size_kB: int | None) -> list[str]:
        """A run on a disk of that size (None: one that can only be read), then on a good one."""
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(
            self.finished / "config", self.folder / "config", copy_function=shutil.copy2
        )
        results = self.folder / "results"
        results.mkdir()
        how = "ro,size=100m" if size_kB is None else f"size={size_kB}k"
        subprocess.run(["mount", "-t", "tmpfs", "-o", how, "tmpfs", str(results)], check=True)
        expected = "can only be read" if size_kB is None else "the disk is full"
        try:
            status, said = finish(self.folder, self.target)
            wrong = self.not_whole()
            if status != 1 or expected not in said or "Traceback" in said:
                wrong.append(f"status {status}: {said[-800:]}")
            if size_kB is None and content(results):
                wrong.append("something was written")
            subprocess.run(["mount", "-o", "remount,rw,size=100m", str(results)], check=True)
            return wrong + self.resume()
        finally:
            subprocess.run(["umount", str(results)], check=True)


def wait_to_begin(run: subprocess.Popen, folder: Path) -> None:
    """Until the run has taken the screen, so that no strike hits the interpreter's own start."""
    mark = folder / ".snakemake" / "locks"
    deadline = time.monotonic() + 120
    while run.poll() is None and not any(mark.glob("*.lock")) and time.monotonic() < deadline:
        time.sleep(0.05)


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--strikes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", default="all", help="collect is quicker, plan quicker still")
    parser.add_argument(
        "--small", action="store_true", help="a screen of twelve lots, not the demo"
    )
    parser.add_argument("--disk", action="store_true", help="full and read-only disks (as root)")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    counts: Counter = Counter()
    with tempfile.TemporaryDirectory() as base:
        screen = Struck(Path(base), options.target, options.small)
        took = (screen.ended_ns - screen.began_ns) / 1e9
        print(f"undisturbed: {len(screen.whole)} files, {took:.0f} s", flush=True)
        if options.disk:
            used = sum(p.stat().st_size for p in (screen.finished / "results").rglob("*")) / 1024
            for size_kB in (None, *(int(used * share) for share in (0.02, 0.4, 0.9))):
                kind = "read-only disk" if size_kB is None else "full disk"
                wrong = screen.disk(size_kB)
                counts[kind, "wrong" if wrong else "well"] += 1
                print(f"{kind} {size_kB or ''}", *wrong or ["well"], flush=True)
        else:
            for number in range(options.strikes):
                kind = ("group", "engine", "group", "engine", "group", "interrupt")[number % 6]
                moment, after_s = rng.uniform(), LONGEST_WAIT_S * rng.uniform() ** 2
                where, wrong = screen.strike(moment, after_s, kind)
                counts[kind, "wrong" if wrong else where if where == "had ended" else "well"] += 1
                place = f"from {moment:4.0%}, after {after_s:4.1f} s ({where})"
                print(f"{number + 1:3d} {kind:9s} {place}:", *wrong or ["well"], flush=True)
    for (kind, outcome), count in sorted(counts.items()):
        print(f"{kind}: {count} {outcome}")
    return int(any(outcome == "wrong" for _, outcome in counts))


if __name__ == "__main__":
    sys.exit(main())

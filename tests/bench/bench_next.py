"""Prints what the choice loses after a proposed firing, a random one of its cost, and none.

    OPENBLAS_NUM_THREADS=1 sh scripts/with_env.sh python tests/bench/bench_next.py [screens] [seed]

Invented screens of known truth; the smaller of two shapes by default, the demo's with --demo (12
feedstocks, 12 firings of 6 lots, 2 cells). Each is measured, a firing is proposed, its outcome and
that of a random firing with as many lots, KOH lots and cells are drawn from the truth with the
same scatter, and both are fitted anew. Loss is what the choice lacks of the best candidate's true
electrode capacitance; the screen is the unit of the standard errors.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from simulated_firing import DEMO, SMALL, compare_firings  # noqa: E402


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("screens", type=int, nargs="?", default=100)
    parser.add_argument("seed", type=int, nargs="?", default=5000)
    parser.add_argument("--demo", action="store_true", help="screens of the demo's shape")
    parser.add_argument("--pairs", type=int, default=4, help="outcomes per screen")
    options = parser.parse_args()
    shape = DEMO if options.demo else SMALL
    start = time.perf_counter()
    rows = [
        compare_firings(seed, shape=shape, pairs=options.pairs)
        for seed in range(options.seed, options.seed + options.screens)
    ]
    table = pd.DataFrame(rows)
    minutes = (time.perf_counter() - start) / 60
    print(f"{len(table)} screens {shape}, {options.pairs} outcomes each, {minutes:.1f} min")
    print("loss in % of the best candidate, mean (standard error over screens)")
    for name in ("loss_now", "loss_random", "loss_proposed"):
        print(f"  {name:16s}{table[name].mean():7.3f} ({table[name].sem():.3f})")
    saved = table["loss_random"] - table["loss_proposed"]
    print(f"  random less proposed {saved.mean():7.3f} ({saved.sem():.3f})")
    gained = {n: table["loss_now"] - table[f"loss_{n}"] for n in ("random", "proposed")}
    for name, gain in gained.items():
        print(f"  gain of {name:12s}{gain.mean():7.3f} ({gain.sem():.3f})")
    for name, words in (("gain_stated", "proposed"), ("gain_random_stated", "random")):
        print(f"  gain stated of {words:9s}{table[name].mean():7.3f} ({table[name].sem():.3f})")
    print(f"share of screens where the proposed loses less or equal: {np.mean(saved >= 0):.2f}")


if __name__ == "__main__":
    main()

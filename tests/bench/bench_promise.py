"""Prints how often ranking finds the best in invented screens, beside what the plan promised.

    sh scripts/with_env.sh python tests/bench/bench_promise.py --screens 200

Each screen is drawn from one design under the usual scatter with known truth, fitted and ranked as
any screen. The promise takes the scatter as known, where a fit has to estimate it: what that costs
is the difference. Under the table stand the chance that the ranking itself claims for its choice,
and the time of the judgement.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from charscreen.quality.probability import chances_of_finding  # noqa: E402
from charscreen.quality.scatter import scatter_for  # noqa: E402
from planned_screens import MERIT, only_what_ranks, screens_of  # noqa: E402
from quality_case import dealt  # noqa: E402
from scipy.stats import binomtest  # noqa: E402

FEEDS = tuple(f"f{k:02d}" for k in range(12))
DESIGNS = {
    "8 firings x 4, one condition, 6 feedstocks": {
        "firings": 8,
        "temperatures": (700.0,),
    },
    "12 firings x 6, two temperatures, 12 feedstocks": {
        "firings": 12,
        "crucibles": 6,
        "feeds": FEEDS,
    },
    "the same, every second lot activated": {
        "firings": 12,
        "crucibles": 6,
        "feeds": FEEDS,
        "activated": True,
    },
    "4 firings x 3, two temperatures, 6 feedstocks": {
        "firings": 4,
        "crucibles": 3,
    },
}


def print_row(name: str, found: np.ndarray, promised: float) -> None:
    """A share with its 95 % interval, the promise, and how well they agree."""
    n, hits = len(found), int(found.sum())
    test = binomtest(hits, n, promised)
    low, high = test.proportion_ci(0.95)
    print(
        f"  {name:18s} found {100 * hits / n:5.1f} % ({100 * low:.1f} to {100 * high:.1f}), "
        f"promised {100 * promised:5.1f} %, p = {test.pvalue:.3f}"
    )


def main() -> None:
    """Draw, fit, rank and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--screens", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--delta", type=float, default=10.0)
    options = parser.parse_args()
    scatter = scatter_for({}, {}, merit=MERIT)
    for name, layout in DESIGNS.items():
        screens = screens_of(dealt(**layout), scatter, cells_per_lot=2)
        started = time.perf_counter()
        promised = chances_of_finding(
            screens.whole,
            screens.candidates,
            scatter,
            delta_percent=options.delta,
            rng=np.random.default_rng(1),
        )
        took = time.perf_counter() - started
        seeds = range(options.first_seed, options.first_seed + options.screens)
        with only_what_ranks():
            ranked = [screens.rank(seed) for seed in seeds]
        loss = np.array([row["loss"] for row in ranked])
        claimed = np.array([row["claimed"] for row in ranked])
        print(f"{name} ({options.screens} screens, {len(screens.candidates)} candidates)")
        print_row("the best", loss < 1e-9, promised.best)
        print_row(f"within {options.delta:g} %", loss <= options.delta / 100, promised.within)
        se = loss.std(ddof=1) / np.sqrt(len(loss))
        print(
            f"  mean loss          found {100 * loss.mean():5.2f} ± {100 * se:.2f} %, promised "
            f"{100 * promised.loss:5.2f} %"
        )
        print(
            f"  the ranking claims {100 * claimed.mean():5.1f} % for its first; "
            f"{promised.simulations} screens judged in {took:.2f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()

"""Whether the ranking hangs on the number of threads of the linear algebra.

    sh scripts/with_env.sh python tests/bench/bench_threads.py [seed]

One invented screen of the demo's shape (`bench_ranking.py`) is fitted and ranked by two merits in
processes of their own, with OPENBLAS_NUM_THREADS 1 and 2. Printed: whether the candidates stand in
the same order, and the largest difference of any number of the ranking, relative to the largest
number of its column. Sums in another order differ in the last digits: 1e-6 is tolerated, far below
any digit that is shown; ends with 1 beyond it.
"""

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[2] / "scripts"), str(HERE.parents[1])]
TOLERANCE = 1e-6


def print_ranking(seed: int) -> None:
    """The ranking of one invented screen as CSV, with every digit."""
    from bench_ranking import MERITS, fit_for_decisions
    from charscreen.rank import rank_candidates
    from charscreen.rank.candidates import list_candidates
    from simulated_screen import simulate_screen

    screen = simulate_screen(seed)
    models = fit_for_decisions(screen, seed)
    candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
    ranking, *_ = rank_candidates(
        candidates,
        {name: m.model for name, m in models.items()},
        {name: m.draws for name, m in models.items()},
        merits=MERITS,
        seed=seed,
    )
    print(ranking.to_csv(index=False, float_format="%.17g"))


def rank_with(threads: int, seed: int) -> pd.DataFrame:
    """The ranking from a process with so many threads."""
    command = [sys.executable, str(HERE), "print", str(seed)]
    env = os.environ | {"OPENBLAS_NUM_THREADS": str(threads)}
    done = subprocess.run(command, env=env, check=True, capture_output=True, text=True)
    return pd.read_csv(io.StringIO(done.stdout))


def main(seed: int) -> int:
    one, two = rank_with(1, seed), rank_with(2, seed)
    words = [name for name in one.columns if not pd.api.types.is_numeric_dtype(one[name])]
    alike = one[words].fillna("").equals(two[words].fillna(""))
    worst, where = 0.0, ""
    for name in one.columns.difference(words):
        a, b = one[name].to_numpy(float), two[name].to_numpy(float)
        if not (np.isnan(a) == np.isnan(b)).all():
            worst, where = np.inf, name
            continue
        scale = np.nanmax(np.abs(a), initial=0.0)
        off = np.nanmax(np.abs(a - b), initial=0.0) / scale if scale else 0.0
        worst, where = max((worst, where), (float(off), name))
    print(f"{len(one)} candidates; the same order and words: {'yes' if alike else 'no'}")
    print(f"largest relative difference of a number: {worst:.2g} ({where or 'none'})")
    return int(not alike or worst > TOLERANCE)


if __name__ == "__main__":
    if sys.argv[1:2] == ["print"]:
        print_ranking(int(sys.argv[2]))
    else:
        sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1))

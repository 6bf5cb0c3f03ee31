"""Whether the ranking hangs on the threads of the linear algebra, its kernels or its build.

    sh scripts/with_env.sh python tests/bench/bench_threads.py [--seed N] [--python OTHER ...]

One invented screen of the demo's shape (`bench_ranking.py`) is fitted and ranked by two merits in
processes of their own: with OPENBLAS_NUM_THREADS 1 and 2, with the kernels of another processor
(OPENBLAS_CORETYPE), and with other interpreters, whose NumPy may be another build. Printed for
each beside the first: whether the candidates stand in the same order, and the largest difference of
any number of the ranking, relative to the largest number of its column. Sums in another order
differ in the last digits: 1e-6 is tolerated, far below any digit that is shown; ends with 1 beyond.
"""

import argparse
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


def rank_with(seed: int, python: str = sys.executable, **settings: str) -> pd.DataFrame:
    """The ranking from a process with these settings of the linear algebra."""
    command = [python, str(HERE), "--print", "--seed", str(seed)]
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1"} | settings
    done = subprocess.run(command, env=env, check=True, stdout=subprocess.PIPE, text=True)
    return pd.read_csv(io.StringIO(done.stdout))


def compare(label: str, one: pd.DataFrame, two: pd.DataFrame) -> bool:
    """Print how two rankings differ; whether that is within what is tolerated."""
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
    print(
        f"{label}: {len(one)} candidates; the same order and words: {'yes' if alike else 'no'}; "
        f"largest relative difference of a number {worst:.2g} ({where or 'none'})",
        flush=True,
    )
    return alike and worst <= TOLERANCE


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--python", nargs="*", default=[], help="other interpreters")
    parser.add_argument("--print", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.print:
        print_ranking(given.seed)
        return 0
    first = rank_with(given.seed)
    others = [
        ("two threads", rank_with(given.seed, OPENBLAS_NUM_THREADS="2")),
        ("kernels of an old processor", rank_with(given.seed, OPENBLAS_CORETYPE="Nehalem")),
        *((python, rank_with(given.seed, python)) for python in given.python),
    ]
    return int(not all([compare(label, first, other) for label, other in others]))


if __name__ == "__main__":
    sys.exit(main())

"""What searching longer for a plan gains, and what it gains over designs that know no firing.

    sh scripts/with_env.sh python tests/bench/bench_plan.py [WORKERS] [--only-library]

Prints efficiencies and ratios of times; asserts nothing.
"""

import argparse
import itertools
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from charscreen.designs import codes_of, information, model_matrix, terms_of
from charscreen.plan import make_plan

KILN = {"crucibles": 6, "crucible_volume_mL": 250, "max_temperature_C": 1000}
KILN |= {"ramp_C_per_min": 2, "cooling_h": 8, "power_kW": 3}
FACTORS = {
    "peak_temperature_C": [600, 700, 800],
    "hold_min": [30, 60, 90],
    "ramp_C_per_min": [2, 5],
    "activation": ["none", "KOH"],
    "koh_ratio": [2, 3, 4],
}
PLAN = FACTORS | {
    "kind": "optimal",
    "feedstocks": "all",
    "activation_temperature_C": 700,
    "activation_hold_min": 60,
    "replicates": 1,
    "firings": 24,
    "reference": None,
    "reference_every": 0,
    "wanted_carbon_g": 1.0,
    "short_chance_percent": 10,
    "expected_char_yield_d_percent": 28,
    "char_yield_spread_percent": 20,
    "expected_activation_yield_percent": 20,
    "activation_yield_spread_percent": 25,
    "max_koh_g": 40,
}
RATIOS = (0.25, 1.0, 4.0)


def feeds(n):
    return pd.DataFrame({"feedstock": [f"f{i}" for i in range(n)], "moisture_ar_percent": 20.0})


def spread(design, terms, ratio, points):
    """Log det of the information per term, and mean variance of a prediction."""
    X, _ = model_matrix(design, terms)
    after = codes_of(design["activation_firing"].tolist())
    M = information(X, codes_of(design["firing"].tolist()), after, ratio)
    P, _ = model_matrix(points, terms)
    sign, logdet = np.linalg.slogdet(M)
    if sign <= 0 or np.linalg.cond(M) > 1e12:
        return -np.inf, np.inf
    return logdet / len(M), float(np.mean(np.sum(P @ np.linalg.inv(M) * P, axis=1)))


def grid_of(names, factors):
    points = pd.DataFrame(list(itertools.product(names, *factors.values())))
    points.columns = ["feedstock", *factors]
    if "koh_ratio" in points:
        points.loc[points["activation"] == "none", "koh_ratio"] = np.nan
    return points


def search_longer(workers):
    """24 feedstocks, 24 firings of 6: criterion against starts and time."""
    print("24 feedstocks, 3 firing factors, 2 lot factors, 24 firings of 6 crucibles")
    table = feeds(24)
    began = time.perf_counter()
    balanced = make_plan(table, plan=PLAN | {"kind": "balanced"}, kiln=KILN, seed=1)
    unit = time.perf_counter() - began
    terms = terms_of(table["feedstock"], FACTORS)
    points = grid_of(table["feedstock"], FACTORS)
    base = [spread(balanced.design, terms, ratio, points)[1] for ratio in RATIOS]
    print(f"  balanced: {unit:.1f} s; mean variance of a prediction set to 1")
    for starts in (1, 2, 4, 8):
        began = time.perf_counter()
        made = make_plan(table, plan=PLAN | {"starts": starts}, kiln=KILN, seed=1, workers=workers)
        took = time.perf_counter() - began
        ours = [spread(made.design, terms, ratio, points)[1] for ratio in RATIOS]
        ratios = ", ".join(f"{b / o:.3f}" for o, b in zip(ours, base, strict=True))
        print(
            f"  {starts} starts: {took:.1f} s ({took / unit:.1f} times balanced), efficiency over "
            f"it at variance ratios {RATIOS}: {ratios}; best {made.summary['search']['value']:.4f}"
        )


def beside_library(workers):
    """One feedstock, three numeric factors: designs of a library that knows no firing."""
    import pydoe

    factors = {"peak_temperature_C": [600, 700, 800], "hold_min": [30, 60, 90]}
    factors["drying_C"] = [60, 80, 100]
    firings, crucibles = 8, 3
    terms = terms_of(["f0"], factors)
    points = grid_of(["f0"], factors)
    grid = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=3)))
    settings = PLAN | factors | {"activation": ["none"], "ramp_C_per_min": None}
    settings |= {"firings": firings, "criterion": "D", "starts": 8}
    kiln = KILN | {"crucibles": crucibles}
    print(f"one feedstock, two firing factors and one of the lot, {firings} firings of {crucibles}")

    def laid(rows, firing):
        levels = list(factors.values())
        values = [[level[int(c) + 1] for level, c in zip(levels, r, strict=True)] for r in rows]
        table = pd.DataFrame(values, columns=list(factors))
        return table.assign(feedstock="f0", firing=firing, activation_firing=None)

    began = time.perf_counter()
    made = make_plan(feeds(1), plan=settings, kiln=kiln, seed=1, workers=workers)
    took = time.perf_counter() - began
    n = len(made.design)
    for method in ("fedorov", "detmax", "sequential"):
        began = time.perf_counter()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                rows, _ = pydoe.optimal_design(grid, n, 2, criterion="D", method=method)
        except Exception as error:  # a refusal is part of the answer
            print(f"  library, {method}: refused ({type(error).__name__}: {error})")
            continue
        other = time.perf_counter() - began
        free = spread(laid(rows, np.arange(n)), terms, 0.0, points)[0]
        alone = make_plan(
            feeds(1), plan=settings | {"firings": n}, kiln=kiln | {"crucibles": 1}, seed=1,
            workers=workers,
        )  # fmt: skip
        ours = spread(alone.design, terms, 0.0, points)[0]
        print(
            f"  library, {method}: {n} lots each in a firing of its own: our D-efficiency over it "
            f"{np.exp(ours - free):.3f}"
        )
        # Its points sorted by their firing factors and cut into firings: what a user would do;
        # the settings of a firing then have to be those of its first lot.
        order = np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))
        firing = np.repeat(np.arange(firings), crucibles)[:n]
        cut = rows[order].copy()
        for f in range(firings):
            cut[firing == f, :2] = cut[firing == f, :2][0]
        for ratio in RATIOS:
            theirs = spread(laid(cut, firing), terms, ratio, points)[0]
            here = spread(made.design, terms, ratio, points)[0]
            print(
                f"    cut into firings, variance ratio {ratio}: our D-efficiency over it "
                f"{np.exp(here - theirs):.2f}"
            )
        print(f"    time over the library's {took / other:.1f}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("workers", type=int, nargs="?", default=2, help="processes of the search")
    parser.add_argument(
        "--only-library", action="store_true", help="leave out what a longer search gains"
    )
    given = parser.parse_args()
    beside_library(given.workers)
    if not given.only_library:
        search_longer(given.workers)


if __name__ == "__main__":
    main()

"""Prints what the mixed models cost against statsmodels, and how that cost grows.

    sh scripts/with_env.sh python tests/bench/bench_mixed.py

Invented cells: 100 firings x 6 lots x 5 cells, 24 feedstocks, temperature and its square. Each
figure is the median of several runs. Machines differ and are shared: trust the ratios. Both sides
run on one thread, since small matrices only lose time between threads of a busy machine.
"""

import argparse
import os
import sys
import time
import warnings
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from charscreen.mixed import fit_mixed

FORMULA = "y ~ feedstock + t + I(t ** 2)"
DRAWS = 10_000


def invent(
    firings: int = 100,
    lots: int = 6,
    cells: int = 5,
    *,
    feedstocks: int = 24,
    crossed: int = 0,
    uneven: bool = False,
) -> pd.DataFrame:
    """Cells in lots in firings; every second lot in one of `crossed` activation firings."""
    rng = np.random.default_rng(1)
    firing = np.repeat(np.arange(firings), lots * cells)
    lot = np.repeat(np.arange(firings * lots), cells)
    feed = rng.permutation(np.arange(firings * lots) % feedstocks)[lot]
    t = np.repeat(rng.choice([-2.0, -1.0, 0.0, 1.0, 2.0], firings), lots * cells)
    y = 5.0 + rng.normal(0, 0.3, feedstocks)[feed] + 0.1 * t - 0.05 * t**2
    y = y + rng.normal(0, 0.1, firings)[firing] + rng.normal(0, 0.08, firings * lots)[lot]
    data = pd.DataFrame(
        {
            "y": y + rng.normal(0, 0.1, len(y)),
            "feedstock": [f"feed{k:02d}" for k in feed],
            "t": t,
            "firing": [f"C{k:04d}" for k in firing],
            "lot": [f"L{k:05d}" for k in lot],
        }
    )
    if crossed:
        which = rng.integers(crossed, size=firings * lots)
        which[::2] = -1
        data["y"] += np.where(which < 0, 0.0, rng.normal(0, 0.1, crossed)[which])[lot]
        data["second"] = [None if k < 0 else f"A{k:03d}" for k in which[lot]]
    return data[rng.random(len(data)) > 0.2].reset_index(drop=True) if uneven else data


def seconds(call, repeats: int) -> float:
    """Median time of a call after one to warm up."""
    call()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return median(times)


def steps(data: pd.DataFrame, repeats: int) -> tuple[float, float, float, float]:
    """Time of a fit, with Kenward-Roger tests, with draws, with draws of every single effect."""
    random = ["firing", "lot", *(["second"] if "second" in data else [])]

    def fit():
        return fit_mixed(FORMULA, data, random)

    def tested():
        model = fit()
        model.test_terms("kenward_roger")
        return model

    def drawn():
        return tested().posterior(DRAWS, seed=1)

    def all_drawn():
        return dict(drawn().random)

    return (
        seconds(fit, repeats),
        seconds(tested, repeats),
        seconds(drawn, repeats),
        seconds(all_drawn, max(1, repeats // 2)),
    )


def against_statsmodels(repeats: int) -> None:
    """Print the three steps and their ratio to statsmodels' fit."""
    import statsmodels.formula.api as smf

    warnings.simplefilter("ignore")
    data = invent()
    model = smf.mixedlm(
        FORMULA.replace("feedstock", "C(feedstock)"),
        data,
        groups="firing",
        re_formula="1",
        vc_formula={"lot": "0 + C(lot)"},
    )
    theirs = seconds(lambda: model.fit(reml=True), repeats)
    result = model.fit(reml=True)
    ours = fit_mixed(FORMULA, data, ["firing", "lot"])
    found = [float(result.cov_re.iloc[0, 0]), float(result.vcomp[0]), float(result.scale)]
    gap = np.abs(ours.variance_components.to_numpy() / found - 1).max()
    lower = -2.0 * float(result.llf) - ours.reml_deviance
    print(
        f"{len(data)} cells; variances differ from statsmodels' by {gap:.1e} at most, "
        f"deviance lower by {lower:.1e}"
    )
    print(f"statsmodels, fit alone (model built before)      {theirs:8.3f} s   1.00")
    labels = (
        "fit_mixed from formula",
        "+ Kenward-Roger, all terms",
        f"+ {DRAWS} posterior draws",
        "+ draws of the effect of each firing and lot",
    )
    for label, value in zip(labels, steps(data, repeats), strict=True):
        print(f"{label:48s} {value:8.3f} s   {value / theirs:.2f}")


def growth(repeats: int) -> None:
    """Print the steps for other sizes and arrangements."""
    print(f"\n{'cells':>7s} {'firings':>8s} {'lots':>6s}  {'arrangement':28s}"
          f"{'fit':>8s} {'+ tests':>8s} {'+ draws':>8s} {'+ each':>8s}  [s]")  # fmt: skip
    cases = [
        ("balanced", {"firings": 25}),
        ("balanced", {"firings": 100}),
        ("balanced", {"firings": 400}),
        ("more cells per lot", {"firings": 100, "cells": 20}),
        ("more lots per firing", {"firings": 100, "lots": 24}),
        ("a fifth of the cells lost", {"firings": 100, "uneven": True}),
        ("20 activation firings crossed", {"firings": 100, "crossed": 20}),
        ("100 activation firings crossed", {"firings": 100, "crossed": 100}),
    ]
    for label, how in cases:
        data = invent(**how)
        fit, tested, drawn, each = steps(data, repeats)
        print(f"{len(data):7d} {data['firing'].nunique():8d} {data['lot'].nunique():6d}  "
              f"{label:28s}{fit:8.3f} {tested:8.3f} {drawn:8.3f} {each:8.3f}")  # fmt: skip


def main() -> None:
    """Compare, then vary the size."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--no-growth", action="store_true")
    options = parser.parse_args()
    against_statsmodels(options.repeats)
    if not options.no_growth:
        growth(max(1, options.repeats // 2))


if __name__ == "__main__":
    main()

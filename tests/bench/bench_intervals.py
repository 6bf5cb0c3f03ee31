"""Prints how often Kenward-Roger intervals hold the truth, and whether posteriors are calibrated.

    OPENBLAS_NUM_THREADS=1 sh scripts/with_env.sh python tests/bench/bench_intervals.py

Coverage: 1,000 invented small screens per arrangement, one interval per screen. Calibration: 500
sets with ratios drawn from the prior; the truth's ranks among the draws must be uniform.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import binom, kstest, t

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from charscreen.mixed import fit_mixed
from simulated_intervals import ARRANGEMENTS, calibration_ranks, small_screen


def covers(data: pd.DataFrame, name: str, truth: float) -> tuple[bool, float]:
    """Whether the 95 % interval of one coefficient holds the truth, and its half width."""
    fit = fit_mixed("y ~ feed + x", data, ["firing", "lot"])
    place = list(fit.fixed_effects.index).index(name)
    se = np.sqrt(fit.fixed_effects_cov_kr.iloc[place, place])
    half = t.ppf(0.975, fit.df(np.eye(len(fit.fixed_effects))[place])) * se
    return bool(abs(fit.fixed_effects.iloc[place] - truth) <= half), float(half)


def coverage(sets: int) -> None:
    """Print the share of intervals that hold the truth, by arrangement and coefficient."""
    low, high = (binom.ppf(q, sets, 0.95) / sets * 100 for q in (0.005, 0.995))
    print(f"Kenward-Roger 95 %, {sets} screens each; 99 % binomial bounds {low:.1f} to {high:.1f}")
    for label, how in ARRANGEMENTS.items():
        for name, what in (("x", "firing factor"), ("feed[T.b]", "feedstock")):
            hits, halves = zip(
                *[covers(*small_screen(seed, **how, wanted=name)) for seed in range(sets)],
                strict=True,
            )
            share = 100 * np.mean(hits)
            # With firings of no scatter, and where lots are lost, the method is known to be wide.
            firing_leads = how["firing_sd"] >= how["lot_sd"] and what == "firing factor"
            firing_leads = firing_leads and not how.get("lost")
            verdict = "below" if share < low else "wide" if share > high else "within"
            asked = "two-sided" if firing_leads else "not below"
            print(f"  {label:42s} {what:14s} {share:5.1f} %  {verdict:7s} (asked: {asked}), "
                  f"half width {np.median(halves):.3f}", flush=True)  # fmt: skip


def calibration(sets: int) -> None:
    """Print whether ranks of contrasts and effects are uniform."""
    ranks = calibration_ranks(sets, draws=999)
    print(f"\nPosterior, {sets} sets: ranks of the truth; 80 % interval, Kolmogorov-Smirnov p")
    low, high = (100 * binom.ppf(q, sets, 0.8) / sets for q in (0.005, 0.995))
    for name, values in ranks.items():
        inside = 100 * np.mean(np.abs(values - 0.5) < 0.4)
        p = kstest(values, "uniform").pvalue
        print(f"  {name:36s} inside {inside:5.1f} % ({low:.1f} to {high:.1f})  p {p:.3f}")


def main() -> None:
    """Coverage, then calibration."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--screens", type=int, default=1000)
    parser.add_argument("--sets", type=int, default=500)
    options = parser.parse_args()
    coverage(options.screens)
    calibration(options.sets)


if __name__ == "__main__":
    main()

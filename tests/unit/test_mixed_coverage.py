"""Intervals of invented small screens hold the truth about as often as they say."""

import numpy as np
import pytest
from charscreen.mixed import fit_mixed
from scipy.stats import binom, t
from simulated_intervals import ARRANGEMENTS, small_screen

SCREENS = 120  # tests/bench/bench_intervals.py does 1,000 of each arrangement


@pytest.mark.parametrize("label", [next(iter(ARRANGEMENTS)), list(ARRANGEMENTS)[5]])
@pytest.mark.parametrize("name", ["x", "feed[T.b]"])
def test_kenward_roger_intervals_cover(label, name):
    how = ARRANGEMENTS[label]
    hits = 0
    for seed in range(SCREENS):
        data, _, truth = small_screen(seed, **how, wanted=name)
        fit = fit_mixed("y ~ feed + x", data, ["firing", "lot"])
        place = list(fit.fixed_effects.index).index(name)
        se = np.sqrt(fit.fixed_effects_cov_kr.iloc[place, place])
        df = fit.df(np.eye(len(fit.fixed_effects))[place], method="kenward_roger")
        hits += abs(fit.fixed_effects.iloc[place] - truth) <= t.ppf(0.975, df) * se
    low, high = binom.ppf([0.001, 0.999], SCREENS, 0.95)
    assert hits >= low
    if name == "x" and how["firing_sd"] >= how["lot_sd"]:
        assert hits <= high

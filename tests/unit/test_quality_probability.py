"""The chance of finding the best: against published constants, and against what ranking does."""

import numpy as np
import pytest
from charscreen.quality.matrices import gain_matrix
from charscreen.quality.planned import can_be_chosen, candidates_of, lots_of, plan_analysis
from charscreen.quality.probability import chances_of_finding
from charscreen.quality.scatter import BETWEEN, scatter_for
from planned_screens import only_what_ranks, screens_of
from quality_case import dealt, design_of
from scipy.stats import binomtest

USUAL = scatter_for({}, {}, merit="electrode_F_per_g")


def one_firing(feedstocks: int, each: int):
    """So many lots of every feedstock, all in one firing."""
    rows = [
        {"firing": "F1", "feedstock": f"f{i:02d}"} for i in range(feedstocks) for _ in range(each)
    ]
    design = design_of(rows)
    return plan_analysis(lots_of(design), cells_per_lot=2), candidates_of(design)


# Bechhofer 1954 (Ann. Math. Stat. 25, 16), table I: δ √n / σ at which the best of k means of equal
# known variance is chosen with 0.95 where all others lie δ below (from memory, recomputed from the
# equicorrelated normal).
@pytest.mark.parametrize(
    ("k", "constant"), [(2, 2.3262), (3, 2.7101), (4, 2.9162), (5, 3.0552), (10, 3.4182)]
)
def test_the_least_favourable_truth_is_chosen_as_often_as_published(k, constant):
    each, n = 4, 40_000
    whole, candidates = one_firing(k, each)
    sigma = np.sqrt(USUAL.variance("lot_percent") + USUAL.variance("cell_percent") / 2)
    apart = constant * sigma / np.sqrt(each)
    best = candidates["feedstock"].iloc[k // 2]
    truth = {
        "candidates": np.where(candidates["feedstock"] == best, apart, 0.0),
        "lots": np.where(whole.lots["feedstock"] == best, apart, 0.0),
    }
    found = chances_of_finding(
        whole,
        candidates,
        USUAL,
        delta_percent=100 * -np.expm1(-apart / 2),
        rng=np.random.default_rng(k),
        simulations=n,
        truth=truth,
    )
    assert abs(found.best - 0.95) < 4 * np.sqrt(0.95 * 0.05 / n)
    assert found.within == found.best  # nothing else lies within half that distance


def test_without_scatter_the_best_is_always_found():
    design = dealt()
    quiet = USUAL
    for key in ("firing_percent", "lot_percent", "cell_percent", "bend_percent", "slope_percent"):
        quiet = quiet.times(key, 1e-4)
    whole = plan_analysis(lots_of(design), cells_per_lot=2)
    found = chances_of_finding(
        whole, candidates_of(design), quiet, delta_percent=10,
        rng=np.random.default_rng(1), simulations=2000,
    )  # fmt: skip
    assert found.best > 0.99
    assert found.within == 1.0


def test_with_nothing_but_scatter_the_choice_is_blind():
    # Four feedstocks that hardly differ, one condition: one in four by chance.
    whole, candidates = one_firing(4, 2)
    blind = USUAL.times(BETWEEN, 1e-5)
    found = chances_of_finding(
        whole, candidates, blind, delta_percent=10, rng=np.random.default_rng(2)
    )
    assert abs(found.best - 0.25) < 4 * found.se(0.25)
    assert found.within == 1.0


def test_predictions_of_a_balanced_plan_are_shrunken_means():
    whole, candidates = one_firing(5, 3)
    gain = gain_matrix(whole, USUAL, candidates)
    variance = USUAL.variance("lot_percent") + USUAL.variance("cell_percent") / 2
    shrink = USUAL.variance(BETWEEN) / (USUAL.variance(BETWEEN) + variance / 3)
    own = candidates["feedstock"].to_numpy()[:, None] == whole.lots["feedstock"].to_numpy()[None]
    by_hand = shrink * own / 3 + (1 - shrink) / 15
    assert gain == pytest.approx(by_hand, abs=1e-6)


def test_what_is_not_measured_cannot_be_chosen():
    design = dealt()
    lots, candidates = lots_of(design), candidates_of(design)
    some = lots[lots["firing"].isin(["F01", "F02", "F03"])]
    part = plan_analysis(some, cells_per_lot=2)
    ranked = can_be_chosen(part, candidates)
    keys = set(zip(some["feedstock"], some["peak_temperature_C"], strict=True))
    there = [(row.feedstock, row.peak_temperature_C) in keys for row in candidates.itertuples()]
    assert ranked.sum() > 0
    assert not (ranked & ~np.array(there)).any()
    assert can_be_chosen(part, candidates, measured_only=False).sum() >= ranked.sum()


def test_more_firings_find_the_best_more_often():
    chances = []
    for firings in (3, 6, 12):
        design = dealt(firings)
        whole = plan_analysis(lots_of(design), cells_per_lot=2)
        chances.append(
            chances_of_finding(
                whole, candidates_of(design), USUAL, delta_percent=10,
                rng=np.random.default_rng(4), simulations=4000,
            ).loss
        )  # fmt: skip
    assert chances[0] > chances[1] > chances[2]


def test_ranking_finds_the_best_as_often_as_promised():
    # Small, so that many screens go through the models and the ranking in a few seconds; the
    # bench bench_promise.py does it at full size.
    screens = screens_of(dealt(8, temperatures=(700.0,)), USUAL, cells_per_lot=2)
    promised = chances_of_finding(
        screens.whole, screens.candidates, USUAL, delta_percent=10, rng=np.random.default_rng(5)
    )
    with only_what_ranks():
        losses = np.array([screens.rank(seed)["loss"] for seed in range(40)])
    assert losses[0] == screens.rank(0)["loss"]
    best, within = int((losses < 1e-9).sum()), int((losses <= 0.1).sum())
    # Two-sided binomial tests at 1 in 1,000; seeds are fixed, so the result is too.
    assert binomtest(best, 40, promised.best).pvalue > 0.001
    assert binomtest(within, 40, promised.within).pvalue > 0.001
    assert 0.5 < promised.best < promised.within < 0.99

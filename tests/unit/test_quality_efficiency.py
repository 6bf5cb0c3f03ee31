"""Efficiency of plans: against the bound, and against all plans there are in small cases."""

import numpy as np
import pytest
from charscreen.quality.comparisons import plan_precision
from charscreen.quality.efficiency import judge_efficiency
from charscreen.quality.planned import lots_of, plan_analysis
from charscreen.quality.scatter import scatter_for
from quality_case import design_of

SCATTER = scatter_for({}, {}, merit="electrode_F_per_g")


def plan_of(firings: list[tuple[float, str]]):
    """Temperature and feedstocks (a letter each) of every firing."""
    rows = [
        {"firing": f"F{k}", "peak_temperature_C": temperature, "feedstock": f}
        for k, (temperature, feeds) in enumerate(firings)
        for f in feeds
    ]
    return plan_analysis(lots_of(design_of(rows)), cells_per_lot=2)


def judged(firings):
    planned = plan_of(firings)
    return judge_efficiency(planned, SCATTER, plan_precision(planned, SCATTER))


def test_a_balanced_orthogonal_plan_reaches_the_bound():
    # Both feedstocks in each of four firings, two firings at each of two temperatures.
    found = judged([(600.0, "ab"), (800.0, "ab"), (600.0, "ab"), (800.0, "ab")])
    assert found.d_efficiency == pytest.approx(1.0, abs=1e-6)
    assert found.d_efficiency_exhaustive == pytest.approx(1.0, abs=1e-9)
    # Two temperatures, three pairs of two feedstocks: six contents of a firing, four firings.
    assert found.designs_tried == 126


def test_a_lopsided_plan_falls_short_of_the_best_by_the_factor_worked_out_by_hand():
    found = judged([(600.0, "ab"), (600.0, "ab"), (600.0, "ab"), (800.0, "ab")])
    # Temperature at -1, -1, -1, +1 in place of two each: |W'W| falls from 16 to 4·4 - 2² = 12,
    # the rest stays; p = 3 (mean, feedstock, temperature).
    assert found.d_efficiency == pytest.approx((12 / 16) ** (1 / 3), abs=1e-6)
    assert found.d_efficiency_exhaustive == pytest.approx(found.d_efficiency, abs=1e-6)


def test_feedstocks_in_firings_of_their_own_cost_efficiency():
    apart = judged([(600.0, "aa"), (800.0, "aa"), (600.0, "bb"), (800.0, "bb")])
    variance = SCATTER.variance("lot_percent") + SCATTER.variance("cell_percent") / 2
    within = variance / (variance + 2 * SCATTER.variance("firing_percent"))
    # The comparison of feedstocks then carries the scatter of firings too.
    assert apart.d_efficiency == pytest.approx(within ** (1 / 3), abs=1e-6)


def test_no_plan_of_a_small_case_passes_the_bound():
    # Three feedstocks, two crucibles: incomplete blocks, so the bound is out of reach.
    found = judged([(600.0, "ab"), (800.0, "bc"), (600.0, "ac"), (800.0, "ab")])
    assert found.designs_tried == 1365
    assert found.d_efficiency < found.d_efficiency_exhaustive <= 1.0 + 1e-9
    assert found.d_efficiency > 0.8


def test_the_mean_variance_of_a_prediction_is_that_of_the_plain_formula():
    planned = plan_of([(600.0, "ab"), (800.0, "ab"), (600.0, "ab"), (800.0, "ab")])
    precision = plan_precision(planned, SCATTER)
    found = judge_efficiency(planned, SCATTER, precision)
    # Mean of four firings, half the difference of feedstocks (four lots each), half the effect of
    # temperature (two firings each): each point is their sum.
    variance = SCATTER.variance("lot_percent") + SCATTER.variance("cell_percent") / 2
    of_firing = SCATTER.variance("firing_percent") + variance / 2
    by_hand = of_firing / 4 + of_firing / 4 + variance / 8
    assert found.i_variance_mean == pytest.approx(by_hand)


def test_what_cannot_be_told_has_no_efficiency():
    planned = plan_of([(600.0, "a"), (600.0, "b")])
    assert plan_precision(planned, SCATTER) is None
    assert judge_efficiency(planned, SCATTER, None).d_efficiency is None
    assert np.isfinite(SCATTER.sd("firing_percent"))

"""Terms, information and the search of a design: against dense sums and against all designs."""

import itertools

import numpy as np
import pandas as pd
import pytest
from charscreen.designs import codes_of, information, model_matrix, terms_of
from charscreen.designs.blocks import concurrence, efficiency_factors, resolvable_blocks
from charscreen.designs.order import order_cells, order_firings
from charscreen.designs.problem import Problem, weak_prior, weights_of
from charscreen.designs.search import find_design
from charscreen.designs.start import NoLayoutError, random_layout
from charscreen.designs.state import Judge


def problem_of(
    *,
    feedstocks=3,
    firings=3,
    crucibles=2,
    temperatures=(600, 700, 800),
    koh=(),
    criterion="D",
    ratios=(0.25, 1.0, 4.0),
    model="quadratic",
    activation_firings=0,
    kinds=None,
    least=0,
    allowed=None,
):
    names = [f"feed{i}" for i in range(feedstocks)]
    factors = {"peak_temperature_C": temperatures}
    factors |= {"activation": ("none", "KOH"), "koh_ratio": koh} if koh else {}
    terms = terms_of(names, factors, model=model)
    settings = tuple({"peak_temperature_C": t} for t in temperatures)
    lots = ({"activation": "none"}, *({"activation": "KOH", "koh_ratio": r} for r in koh))
    n, p = firings * crucibles, len(terms.names)
    given = {
        "terms": terms,
        "firing_settings": settings,
        "lot_settings": lots,
        "activation_settings": ({},),
        "activated": np.array([lot["activation"] == "KOH" for lot in lots]),
        "allowed": np.ones((feedstocks, len(settings), len(lots), 1), dtype=bool)
        if allowed is None
        else allowed,
        "sizes": np.full(firings, crucibles),
        "activation_firings": activation_firings,
        "activation_size": crucibles,
        "fixed": np.full(n, -1),
        "fixed_setting": np.full(n, -1),
        "kinds": tuple(kinds or ((i % feedstocks, False) for i in range(n))),
        "least": np.full((feedstocks, 2), least),
        "most": np.full(feedstocks, n),
        "ratios": ratios,
        "criterion": criterion,
        "prior": weak_prior(len(ratios), n_feedstocks=feedstocks, p=p),
    }
    blank = Problem(**given, weights=np.zeros((p, p)))
    points = np.argwhere(given["allowed"])
    weights = weights_of(blank.rows(*points.T), n_feedstocks=feedstocks, criterion=criterion)
    return Problem(**given, weights=weights)


def dense_value(problem, X, firing, activation):
    """The criterion from V itself."""
    values = []
    for r, ratio in enumerate(problem.ratios):
        V = np.eye(len(X)) + ratio * (firing[:, None] == firing[None, :])
        both = (activation[:, None] == activation[None, :]) & (activation[:, None] >= 0)
        M = X.T @ np.linalg.inv(V + ratio * both) @ X + problem.prior[r]
        values.append(
            -np.linalg.slogdet(M)[1] / len(M)
            if problem.criterion == "D"
            else np.log(np.trace(problem.weights @ np.linalg.inv(M)))
        )
    return float(np.mean(values))


def test_information_equals_the_dense_sum_with_crossed_activation_firings():
    rng = np.random.default_rng(1)
    X = rng.normal(size=(30, 5))
    firing, activation = rng.integers(6, size=30), rng.integers(-1, 4, size=30)
    V = np.eye(30) + 0.7 * (firing[:, None] == firing)
    V += 1.9 * ((activation[:, None] == activation) & (activation[:, None] >= 0))
    dense = X.T @ np.linalg.inv(V) @ X
    np.testing.assert_allclose(information(X, firing, activation, (0.7, 1.9)), dense, rtol=1e-10)
    alone = X.T @ np.linalg.inv(np.eye(30) + 0.7 * (firing[:, None] == firing)) @ X
    np.testing.assert_allclose(information(X, firing, None, 0.7), alone, rtol=1e-10)
    np.testing.assert_allclose(information(X, firing, activation, 0.0), X.T @ X)


def test_codes_leave_out_what_is_empty():
    assert codes_of(["b", None, "a", "b", float("nan")]).tolist() == [0, -1, 1, 0, -1]


def test_terms_and_matrix_of_a_small_design():
    factors = {
        "peak_temperature_C": (600, 700, 800),
        "hold_min": (30, 60),
        "activation": ("none", "KOH"),
        "koh_ratio": (2, 4),
        "drying_C": (105,),
    }
    terms = terms_of(["husk", "bran"], factors)
    assert terms.names == (
        "feedstock[husk]",
        "feedstock[bran]",
        "peak_temperature_C",
        "hold_min",
        "activation",
        "koh_ratio",
        "peak_temperature_C:hold_min",
        "peak_temperature_C:activation",
        "peak_temperature_C:koh_ratio",
        "hold_min:activation",
        "hold_min:koh_ratio",
        "peak_temperature_C^2",
    )
    design = pd.DataFrame(
        {
            "feedstock": ["husk", "bran"],
            "peak_temperature_C": [600, 750],
            "hold_min": [30, 60],
            "activation": ["none", "KOH"],
            "koh_ratio": [np.nan, 3.5],
        }
    )
    X, names = model_matrix(design, terms)
    assert names == terms.names
    assert X.tolist() == [
        [1, 0, -1, -1, -1, 0, 1, 1, 0, 1, 0, 1],
        [0, 1, 0.5, 1, 1, 0.5, 0.5, 0.5, 0.25, 1, 0.5, 0.25],
    ]


@pytest.mark.parametrize("criterion", ["D", "I", "A"])
def test_judged_change_equals_reckoning_anew_and_the_dense_sum(criterion):
    kinds = [(i % 4, i % 3 == 0) for i in range(16)]
    problem = problem_of(
        feedstocks=4, firings=4, crucibles=4, koh=(2, 4), criterion=criterion,
        activation_firings=2, kinds=kinds,
    )  # fmt: skip
    layout = random_layout(problem, np.random.default_rng(3))
    judge = Judge(problem, layout)
    X = problem.rows(layout.feed, layout.setting[layout.firing], layout.lot, layout.lot * 0)
    dense = dense_value(problem, X, layout.firing, layout.activation)
    assert judge.value == pytest.approx(dense, rel=1e-9)
    lots = np.array([1, 14])
    turned = lots[::-1]
    into = judge.rows(
        layout.feed[turned], layout.firing[lots], layout.lot[turned], layout.activation[turned]
    )
    after = judge.after(judge.lot_rows(lots), into[None])[0]
    for values in (layout.feed, layout.lot, layout.activation):
        values[lots] = values[turned]
    assert Judge(problem, layout).value == pytest.approx(after, abs=1e-8)


@pytest.mark.parametrize("criterion", ["D", "I", "A"])
@pytest.mark.parametrize("temperatures", [(600, 800), (600, 700, 800)])
def test_search_finds_the_best_of_all_designs_of_a_small_case(criterion, temperatures):
    """Three feedstocks, three firings of two crucibles: every design is looked at."""
    problem = problem_of(criterion=criterion, temperatures=temperatures)
    firing = np.repeat(np.arange(3), 2)
    none = np.full(6, -1)
    best = np.inf
    pairs = list(itertools.combinations_with_replacement(range(3), 2))
    contents = list(itertools.product(range(len(temperatures)), pairs))
    for chosen in itertools.combinations_with_replacement(contents, 3):
        setting = np.repeat([c[0] for c in chosen], 2)
        feed = np.concatenate([c[1] for c in chosen])
        X = problem.rows(feed, setting, none * 0, none)
        best = min(best, dense_value(problem, X, firing, none))
    found = find_design(problem, seed=1, starts=12)
    assert found.value == pytest.approx(best, abs=1e-6)


def test_search_keeps_least_lots_and_what_is_forbidden():
    allowed = np.ones((4, 3, 3, 1), dtype=bool)
    allowed[:, 2, 1:] = False  # no KOH at the hottest
    allowed[0, :, 1:] = False  # and never of the first feedstock
    kinds = [(i % 4, i % 4 > 0 and i >= 8) for i in range(16)]
    problem = problem_of(
        feedstocks=4, firings=4, crucibles=4, koh=(2, 4), activation_firings=2, kinds=kinds,
        least=1, allowed=allowed,
    )  # fmt: skip
    problem.least[0, 1] = 0
    layout = find_design(problem, seed=2, starts=4).layout
    assert allowed[layout.feed, layout.setting[layout.firing], layout.lot, 0].all()
    on = problem.activated[layout.lot]
    assert (np.bincount(layout.feed[~on], minlength=4) >= 1).all()
    assert (np.bincount(layout.feed[on], minlength=4)[1:] >= 1).all()
    assert ((layout.activation >= 0) == on).all()
    assert np.bincount(layout.activation[on]).max() <= 4


def test_search_is_the_same_on_one_core_and_two():
    problem = problem_of(feedstocks=4, firings=3, crucibles=3)
    one, two = (find_design(problem, seed=5, starts=4, workers=w) for w in (1, 2))
    assert one.values == two.values
    assert (one.layout.feed == two.layout.feed).all()
    assert (one.layout.setting == two.layout.setting).all()


def test_a_firing_that_nothing_else_suits_stays_as_it_is():
    allowed = np.zeros((3, 3, 1, 1), dtype=bool)
    allowed[:, 1] = True
    found = find_design(problem_of(allowed=allowed), seed=1, starts=2)
    assert (found.layout.setting == 1).all()


def test_no_place_is_said():
    allowed = np.zeros((3, 3, 1, 1), dtype=bool)
    allowed[:2] = True
    with pytest.raises(NoLayoutError, match="a lot of feed2, not activated, finds no place"):
        random_layout(problem_of(allowed=allowed), np.random.default_rng(0))


@pytest.mark.parametrize(("order", "efficiency"), [(3, 0.75), (4, 0.8)])
def test_blocks_reach_the_affine_plane_where_there_is_one(order, efficiency):
    """k² treatments in k+1 replicates of blocks of k: every pair meets once, E = k/(k+1)."""
    layout = resolvable_blocks(
        order**2, block_size=order, replicates=order + 1, rng=np.random.default_rng(1)
    )
    pairs = concurrence(layout)[np.triu_indices(order**2, k=1)]
    assert (pairs == 1).all()
    np.testing.assert_allclose(efficiency_factors(layout), efficiency, rtol=1e-9)


def test_blocks_hold_every_treatment_once_per_replicate_and_differ_by_one_lot():
    layout = resolvable_blocks(13, block_size=4, replicates=3, rng=np.random.default_rng(1))
    assert layout.shape == (3, 13)
    for row in layout:
        assert np.ptp(np.bincount(row, minlength=4)) == 1
    one = resolvable_blocks(5, block_size=6, replicates=2, rng=np.random.default_rng(1))
    assert (one == 0).all()


def test_order_of_firings_keeps_reference_places_and_spreads_days():
    rng = np.random.default_rng(2)
    order = order_firings([0] * 4 + [1] * 4, [0, 3, 6], rng=rng)
    assert sorted(order) == list(range(8))
    assert set(order[[0, 3, 6]]) == {0, 3, 6}
    order = order_firings([0] * 4 + [1] * 4, [], per_day=2, rng=rng)
    hot = order.reshape(4, 2) >= 4
    assert (hot.sum(axis=1) == 1).all()


def test_order_of_cells_parts_mates_over_days_and_draws_tests_anew():
    runs = [f"R{i:02d}" for i in range(12)]
    feeds = [f"feed{i % 4}" for i in range(12)]
    made = order_cells(runs, feeds, cells_per_lot=2, cells_per_day=6, rng=np.random.default_rng(1))
    assert sorted(made["assembly_order"]) == sorted(made["test_order"]) == list(range(1, 25))
    assert (made.groupby("run")["assembly_day"].nunique() == 2).all()
    assert (made.groupby("assembly_day").size() == 6).all()
    counts = pd.crosstab(made["assembly_day"], made["run"].map(dict(zip(runs, feeds, strict=True))))
    assert counts.to_numpy().max() - counts.to_numpy().min() <= 1
    assert (made.sort_values("assembly_order")["assembly_day"].diff().dropna() >= 0).all()
    assert list(made["assembly_order"]) != list(made["test_order"])
    free = order_cells(runs, feeds, cells_per_lot=1, rng=np.random.default_rng(1))
    assert free["assembly_day"].isna().all()
    assert list(free["cell"])[:2] == ["R00-1", "R01-1"]

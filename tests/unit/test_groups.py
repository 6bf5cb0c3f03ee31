"""Groups of a ranking: the posterior answer beside that of tests, and the table they stand in."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.models.contrasts import fixed_means
from charscreen.models.tables import empty_table, natural, predict_draws
from charscreen.rank.candidates import list_candidates
from charscreen.rank.comparison import compare_candidates
from charscreen.rank.groups import COLUMNS, group_candidates
from charscreen.rank.ranking import rank_statistics
from charscreen.rank.simultaneous import difference_se, limits_all_pairs
from simulated_screen import simulate_screen

MERIT = "electrode_F_per_g"


@pytest.fixture(scope="module")
def case():
    """Ranking, draws, model and inference table of a small simulated screen."""
    screen = simulate_screen(8, n_feedstocks=5, n_firings=6, lots_per_firing=5)
    tables = fit_capacitance_model(
        screen.cells, screen.design, screen.firings, settings={"draws": 800, "seed": 1}
    )
    candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
    values = natural(tables.model, predict_draws(tables.model, tables.draws, candidates))
    found = rank_statistics(values)
    ranking = pd.concat([candidates, found], axis=1).assign(merit=MERIT, better="more")
    ranking["group"] = np.where(found["in_group"], "not told apart from the best", None)
    draws = pd.DataFrame(values, columns=[f"{MERIT}|{name}" for name in candidates["candidate"]])
    order = ranking["estimate"].sort_values(ascending=False, kind="stable").index
    return ranking.loc[order].reset_index(drop=True), draws, tables


def groups_of(case, **more):
    ranking, draws, tables = case
    models = {"capacitance": tables.model}
    inference = {"capacitance": tables.inference}
    return group_candidates(ranking, draws, models, inference, {MERIT: "more"}, **more)


def test_groups_stand_in_the_order_of_the_ranking(case):
    groups, summary = groups_of(case)
    assert list(groups) == COLUMNS
    assert groups["candidate"].tolist() == case[0]["candidate"].tolist()
    found = summary["merits"][MERIT]
    assert found["no_fixed_view"] == ""
    assert found["n"] == len(groups)
    assert found["band_share"] >= 0.9
    assert 1 <= found["df_lo"] <= found["df_hi"]


def test_the_subset_is_where_the_interval_reaches_above_zero(case):
    groups, summary = groups_of(case)
    inside = groups["in_gupta_subset"] == "yes"
    assert (inside == (groups["hsu_hi_percent"] > 0)).all()
    assert groups.loc[inside, "candidate"].tolist() == summary["merits"][MERIT]["gupta_subset"]
    top = groups["estimate_fixed"].idxmax()
    assert inside[top]
    assert "a" in groups["letters"][top]
    assert (groups["hsu_lo_percent"] <= groups["hsu_hi_percent"]).all()
    assert (groups["hsu_lo_percent"] <= 0).all()


def test_letters_part_those_whose_difference_exceeds_its_limit(case):
    ranking, draws, tables = case
    some = ranking.iloc[[0, 1, -2, -1]].reset_index(drop=True)
    groups, summary = groups_of((some, draws, tables))
    means = fixed_means(tables.model, tables.inference, some)
    limits = limits_all_pairs(means.covariance, means.df, probability=0.9)
    se = difference_se(means.covariance)
    letters = [set(text) for text in groups["letters"]]
    pairs = set(combinations(range(len(groups)), 2))
    told = {
        (i, j)
        for i, j in pairs
        if abs(means.estimate[i] - means.estimate[j]) > limits[i, j] * se[i, j]
    }
    assert summary["merits"][MERIT]["letters_exact"]
    assert 0 < len(told) < len(pairs)
    assert {(i, j) for i, j in pairs if not letters[i] & letters[j]} == told


def test_asking_for_more_certainty_widens_everything(case):
    loose, _ = groups_of(case, probability=0.8)
    strict, _ = groups_of(case, probability=0.99)
    assert (strict["band_hi"] - strict["band_lo"]).sum() > (
        loose["band_hi"] - loose["band_lo"]
    ).sum()
    assert set(loose.loc[loose["in_gupta_subset"] == "yes", "candidate"]) <= set(
        strict.loc[strict["in_gupta_subset"] == "yes", "candidate"]
    )


def test_less_is_better_turns_the_answer_round(case):
    ranking, draws, tables = case
    worst_first = ranking.iloc[::-1].reset_index(drop=True).assign(better="less")
    groups, _ = group_candidates(
        worst_first,
        draws,
        {"capacitance": tables.model},
        {"capacitance": tables.inference},
        {MERIT: "less"},
    )
    inside = groups["in_gupta_subset"] == "yes"
    assert inside[groups["estimate_fixed"].idxmin()]
    # Against the least of the others: those out of the subset lie above it, by 0 % or more.
    assert (groups.loc[~inside, "hsu_lo_percent"] == 0).all()
    assert (groups["hsu_hi_percent"] >= 0).all()
    assert groups["band_lo"][0] == 1


def test_a_merit_of_no_single_model_has_the_band_alone(case):
    ranking, draws, tables = case
    other = ranking.assign(merit="cost_per_kg_d")
    renamed = draws.rename(columns=lambda name: name.replace(MERIT, "cost_per_kg_d"))
    groups, summary = group_candidates(
        other, renamed, {"capacitance": tables.model}, {}, {"cost_per_kg_d": "more"}
    )
    assert groups["letters"].isna().all()
    assert groups["hsu_lo_percent"].isna().all()
    assert groups["band_lo"].notna().all()
    assert summary["merits"]["cost_per_kg_d"]["gupta_subset"] is None
    assert "one model" in summary["merits"]["cost_per_kg_d"]["no_fixed_view"]


def test_without_a_fixed_view_or_with_one_candidate_the_reason_is_given(case):
    ranking, draws, tables = case
    models = {"capacitance": tables.model}
    _, bare = group_candidates(
        ranking, draws, models, {"capacitance": empty_table("inference")}, {MERIT: "more"}
    )
    assert "not fitted" in bare["merits"][MERIT]["no_fixed_view"]
    groups, lone = group_candidates(
        ranking.head(1), draws, models, {"capacitance": tables.inference}, {MERIT: "more"}
    )
    assert "fewer than two" in lone["merits"][MERIT]["no_fixed_view"]
    assert groups["band_lo"].tolist() == groups["band_hi"].tolist() == [1]


def test_comparison_of_nothing_is_empty_tables(case):
    ranking, _, _ = case
    found = compare_candidates(ranking.head(0), pd.DataFrame(), {}, {}, merits=[MERIT], wishes={})
    assert [len(part) for part in found[:4]] == [0, 0, 0, 0]
    assert list(found.groups) == COLUMNS
    assert found.summary["front"] == found.summary["sensitivity"] == []


def test_comparison_says_which_wish_is_not_ranked_and_who_leads(case):
    ranking, draws, tables = case
    best = ranking["candidate"][0]
    wishes = {
        MERIT: {"low": 0.0, "high": 1000.0, "weight": 1},
        "device_F_per_kg_d": {"low": 0, "high": 1, "weight": 1},
    }
    found = compare_candidates(
        ranking,
        draws,
        {"capacitance": tables.model},
        {"capacitance": tables.inference},
        merits=[MERIT, "device_F_per_kg_d"],
        wishes=wishes,
    )
    first, second = found.summary["desirability"]
    assert first.startswith(f"By desirability {best} leads with ")
    assert second == (
        "Not in the desirability, since it is not ranked: device farads per kg dry feed."
    )
    assert found.front.empty
    assert found.desirability["candidate"][0] == best

"""Ranks, probabilities, groups and the ranking table."""

import numpy as np
import pandas as pd
import pytest
from charscreen.models.covariates import COVARIATES
from charscreen.rank import (
    COLUMNS,
    NOT_TOLD_APART,
    rank_candidates,
    rank_statistics,
    residual_correlation,
)
from charscreen.rank.merits import MeritDraws
from charscreen.rank.ranking import _merit_table
from rank_case import fixed_draws, make_candidates, make_draws, make_models
from scipy.stats import norm


def test_ranks_of_a_few_draws_counted_by_hand():
    draws = np.array([[3.0, 2.0, 1.0], [3.0, 1.0, 2.0], [1.0, 2.0, 3.0], [5.0, 4.0, 0.0]])
    found = rank_statistics(draws, interval_percent=50)
    assert found["expected_rank"].tolist() == [1.5, 2.0 + 0.25, 2.25]
    assert found["p_best"].tolist() == [0.75, 0.0, 0.25]
    assert found["p_top3"].tolist() == [1.0, 1.0, 1.0]
    # losses: 0 0 2 0; 1 2 1 1; 2 1 0 5
    assert found["expected_loss"].tolist() == [0.5, 1.25, 2.0]
    assert found["estimate"].tolist() == [3.0, 2.0, 1.5]


def test_ties_share_the_first_place_and_are_not_told_apart():
    draws = np.tile(np.random.default_rng(1).normal(10, 1, (2000, 1)), (1, 4))
    draws[:, 3] -= 5
    found = rank_statistics(draws)
    assert found["p_best"].tolist() == pytest.approx([1 / 3, 1 / 3, 1 / 3, 0.0])
    assert found["p_top3"].tolist() == [1.0, 1.0, 1.0, 0.0]
    assert found["expected_rank"].tolist() == [2.0, 2.0, 2.0, 4.0]
    assert found["rank_lo"].tolist() == [1, 1, 1, 4]
    assert found["rank_hi"].tolist() == [3, 3, 3, 4]
    assert found["in_group"].tolist() == [True, True, True, False]
    assert found["expected_loss"].tolist() == pytest.approx([0, 0, 0, 5])


def test_all_tied_share_the_first_three_places():
    found = rank_statistics(np.ones((10, 6)))
    assert found["p_top3"].tolist() == pytest.approx([0.5] * 6)
    assert found["in_group"].all()


def test_one_candidate_is_the_best_with_certainty():
    found = rank_statistics(np.random.default_rng(2).normal(100, 5, (4000, 1)))
    row = found.iloc[0]
    assert (row["expected_rank"], row["rank_lo"], row["rank_hi"]) == (1, 1, 1)
    assert (row["p_best"], row["p_top3"], row["expected_loss"]) == (1, 1, 0)
    assert row["in_group"]


def test_two_normals_have_the_closed_form_of_loss_and_chance():
    # With difference d ~ N(m, s): P(d > 0) = Phi(m/s), E max(d, 0) = m Phi(m/s) + s phi(m/s).
    # Tolerance: four Monte Carlo standard errors at 400 000 draws, as computed below.
    n = 400_000
    rng = np.random.default_rng(3)
    draws = np.column_stack([rng.normal(10, 3, n), rng.normal(12, 4, n)])
    m, s = 2.0, 5.0
    found = rank_statistics(draws)
    p = norm.cdf(m / s)
    assert found["p_best"][1] == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / n))
    loss = m * norm.cdf(m / s) + s * norm.pdf(m / s)
    assert found["expected_loss"][0] == pytest.approx(loss, abs=4 * s / np.sqrt(n))
    assert found["expected_loss"][1] == pytest.approx(loss - m, abs=4 * s / np.sqrt(n))
    assert found["expected_rank"][1] == pytest.approx(2 - p, abs=4 * 0.5 / np.sqrt(n))


def test_interval_and_ranks_are_equal_tailed_at_the_stated_level():
    draws = np.column_stack([np.arange(1001.0), np.full(1001, -1.0)])
    found = rank_statistics(draws, interval_percent=80)
    assert found["estimate_lo"][0] == pytest.approx(100)
    assert found["estimate_hi"][0] == pytest.approx(900)


def test_group_hangs_on_the_stated_probability():
    # The second is beaten in 85 % of the draws.
    draws = np.column_stack([np.ones(100), np.r_[np.zeros(85), np.full(15, 2.0)]])
    assert rank_statistics(draws, group_probability=0.9)["in_group"].tolist() == [True, True]
    assert rank_statistics(draws, group_probability=0.8)["in_group"].tolist() == [True, False]


def test_many_draws_in_parts_give_the_same_as_at_once(monkeypatch):
    draws = np.random.default_rng(4).normal(size=(5000, 7)).round(1)
    whole = rank_statistics(draws)
    monkeypatch.setattr("charscreen.rank.ranking._CHUNK_VALUES", 700)
    pd.testing.assert_frame_equal(rank_statistics(draws), whole)


@pytest.mark.parametrize("values", [np.ones((0, 3)), np.ones((3, 0)), np.array([[1.0, np.nan]])])
def test_no_draws_or_missing_values_are_refused(values):
    with pytest.raises(ValueError, match="values must"):
        rank_statistics(values)


# --- the ranking table, with models small enough to be read ---------------------------------


@pytest.fixture
def candidates():
    return make_candidates()


@pytest.fixture
def models():
    return make_models()


@pytest.fixture
def draws():
    return make_draws()


def test_merits_by_hand(candidates, models, draws):
    # shell: 120 F/g plain, 240 activated; a cell has a quarter; 250 g char per kg dry feed,
    # half of it left by activation: 30 x 250 = 7500 F and 60 x 125 = 7500 F per kg.
    names = ["electrode_F_per_g", "cell_F_per_g", "carbon_g_per_kg_d", "device_F_per_kg_d"]
    ranking, summary, behind, *_ = rank_candidates(candidates, models, draws, merits=names, seed=1)
    assert len(behind) == 500
    assert set(behind) == {
        f"{m}|{c}" for m, c in zip(ranking["merit"], ranking["candidate"], strict=True)
    }
    for row in ranking.to_dict("records"):
        known = behind[f"{row['merit']}|{row['candidate']}"].median()
        assert row["estimate"] == pytest.approx(known)
    assert list(ranking.columns) == COLUMNS
    value = ranking.set_index(["merit", "candidate"])["estimate"]
    assert value["electrode_F_per_g", "shell_700C_60min"] == pytest.approx(120)
    assert value["electrode_F_per_g", "shell_700C_60min_KOH3"] == pytest.approx(240)
    assert value["cell_F_per_g", "shell_700C_60min"] == pytest.approx(30)
    assert value["carbon_g_per_kg_d", "husk_700C_60min"] == pytest.approx(250)
    assert value["carbon_g_per_kg_d", "husk_700C_60min_KOH3"] == pytest.approx(125)
    assert value["device_F_per_kg_d", "shell_700C_60min"] == pytest.approx(7500)
    assert value["device_F_per_kg_d", "shell_700C_60min_KOH3"] == pytest.approx(7500)
    units = dict(zip(ranking["merit"], ranking["unit"], strict=True))
    assert units["device_F_per_kg_d"] == "F/kg dry feed"
    assert list(dict.fromkeys(ranking["merit"])) == names
    first = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert first["estimate"].is_monotonic_decreasing
    assert (first["group"] == NOT_TOLD_APART).sum() == 1
    record = summary["merits"]["electrode_F_per_g"]
    assert record["best"] == "shell_700C_60min_KOH3"
    assert record["p_best"] == 1.0
    assert record["told_apart_from_second"]
    assert "independently" in summary["independence"]


def test_without_capacitance_the_carbon_is_ranked_and_said_so(candidates, models, draws):
    models["capacitance"] = {"fitted": False, "reason": "no cell has a capacitance yet"}
    draws["capacitance"] = pd.DataFrame()
    candidates["n_cells"] = 0
    ranking, summary, *_ = rank_candidates(
        candidates, models, draws, merits=["electrode_F_per_g", "device_F_per_kg_d"], seed=1
    )
    assert set(ranking["merit"]) == {"carbon_g_per_kg_d"}
    assert set(ranking["basis"]) == {"yield only"}
    assert summary["merits"]["electrode_F_per_g"]["best"] is None
    assert (
        "No candidate is ranked by electrode capacitance: there is no model of capacitance."
        in summary["missing"]
    )


def test_without_yields_the_electrode_is_ranked_alone(candidates, models, draws):
    del models["char_yield"], draws["char_yield"]
    del models["activation_yield"], draws["activation_yield"]
    ranking, summary, *_ = rank_candidates(
        candidates, models, draws, merits=["electrode_F_per_g", "device_F_per_kg_d"], seed=1
    )
    assert set(ranking["merit"]) == {"electrode_F_per_g"}
    assert any("char yield" in sentence for sentence in summary["missing"])
    assert summary["independence"] == ""


def test_a_feedstock_without_cells_has_no_place_by_capacitance(candidates, models, draws):
    models["capacitance"]["feedstocks"] = ["husk"]
    ranking, summary, *_ = rank_candidates(
        candidates, models, draws, merits=["electrode_F_per_g"], seed=1
    )
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["feedstock"]) == {"husk"}
    carbon = ranking[ranking["merit"] == "carbon_g_per_kg_d"]
    assert set(carbon["feedstock"]) == {"husk", "shell"}
    assert summary["missing"][0].startswith("shell_700C_60min, shell_700C_60min_KOH3 are not")
    # The quantity is named once.
    assert summary["missing"][0].endswith(
        "are not ranked by electrode capacitance: nothing of this feedstock is measured yet."
    )
    _, summary, *_ = rank_candidates(
        candidates, models, draws, merits=["device_F_per_kg_d"], seed=1
    )
    assert "capacitance: nothing of this feedstock is measured yet." in summary["missing"][0]


def test_activation_is_not_ranked_where_no_activated_lot_was_measured(candidates, models, draws):
    models["capacitance"]["activations"] = ["none"]
    ranking, *_ = rank_candidates(candidates, models, draws, merits=["electrode_F_per_g"], seed=1)
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["activation"]) == {"none"}


def with_factor(record, factor):
    """Let a model have no term for a factor, although the lots differed in it."""
    kind = dict(COVARIATES[factor], centre=0.0)
    record["covariates"].setdefault(factor, kind)
    record["covariates"][factor].update({"words": kind["words"], "unit": kind["unit"]})
    record["covariates"][factor]["same"] = kind["same"]
    row = {"factor": factor, "words": kind["words"], "reason": "too few lots"}
    record["uncompared"] = [row]


def test_a_koh_ratio_without_a_term_holds_the_activated_candidates_to_one(
    candidates, models, draws
):
    other = candidates[candidates["activation"] == "KOH"].assign(koh_ratio=2.0, n_lots=2)
    other["candidate"] = other["candidate"].str.replace("KOH3", "KOH2")
    both = pd.concat([candidates, other], ignore_index=True)
    with_factor(models["capacitance"], "koh_ratio")
    ranking, summary, *_ = rank_candidates(
        both, models, draws, merits=["electrode_F_per_g"], seed=1
    )
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["candidate"]) == set(candidates["candidate"])
    left = summary["merits"]["electrode_F_per_g"]["not_ranked"]
    assert [row["candidate"] for row in left] == ["husk_700C_60min_KOH2", "shell_700C_60min_KOH2"]
    assert left[0]["reason"] == (
        "the model of capacitance has no term for KOH ratio (too few lots), so only candidates at "
        "KOH ratio 3 g/g are ranked: no other has more lots measured"
    )
    assert any("KOH2" in sentence and "too few lots" in sentence for sentence in summary["missing"])


def test_the_level_that_stays_has_most_measured_lots_and_needs_the_feedstock_there(
    candidates, models, draws
):
    hot = candidates.assign(peak_temperature_C=800.0, n_lots=9, n_cells=0)
    hot["candidate"] = hot["candidate"].str.replace("700C", "800C")
    # Nothing of the shell was measured in a cell at 700 °C.
    candidates.loc[candidates["feedstock"] == "shell", "n_cells"] = 0
    hot.loc[hot["feedstock"] == "shell", ["n_cells", "n_lots"]] = [2, 1]
    both = pd.concat([candidates, hot], ignore_index=True)
    with_factor(models["capacitance"], "temperature")
    ranking, summary, *_ = rank_candidates(
        both, models, draws, merits=["electrode_F_per_g"], seed=1
    )
    electrode = ranking[ranking["merit"] == "electrode_F_per_g"]
    assert set(electrode["candidate"]) == {"husk_700C_60min", "husk_700C_60min_KOH3"}
    left = {
        row["candidate"]: row["reason"]
        for row in summary["merits"]["electrode_F_per_g"]["not_ranked"]
    }
    assert len(left) == 6
    assert left["shell_700C_60min"].endswith(
        "and nothing of this feedstock is measured at peak temperature 700 °C yet"
    )
    # The yields have a term for it, so carbon is ranked at both.
    assert (ranking["merit"] == "carbon_g_per_kg_d").sum() == 8


def test_basis_tells_measured_from_carried_over(candidates, models, draws):
    candidates.loc[0, "n_cells"] = 0
    ranking, *_ = rank_candidates(candidates, models, draws, merits=["electrode_F_per_g"], seed=1)
    basis = ranking.set_index("candidate")["basis"]
    assert basis["husk_700C_60min"] == "other conditions"
    assert basis["shell_700C_60min"] == "measured"


def test_a_candidate_whose_firing_missed_the_plan_is_predicted(candidates, models, draws):
    candidates["off_plan"] = candidates["candidate"] == "husk_700C_60min"
    ranking, *_ = rank_candidates(candidates, models, draws, merits=["electrode_F_per_g"], seed=1)
    row = ranking.set_index("candidate").loc["husk_700C_60min"]
    assert (row["basis"], row["predicted"]) == ("fired off plan", "yes")
    assert (ranking["predicted"] == "yes").sum() == 1


def test_no_candidates_give_an_empty_table_and_a_sentence(candidates):
    ranking, summary, *_ = rank_candidates(
        candidates.iloc[:0], {}, {}, merits=["electrode_F_per_g"], seed=1
    )
    assert ranking.empty
    assert list(ranking.columns) == COLUMNS
    assert summary["missing"] == ["Nothing is ranked: no lot has a yield or a capacitance yet."]


def test_unknown_merit_is_refused_by_name(candidates, models, draws):
    with pytest.raises(ValueError, match="unknown merit 'farads'"):
        rank_candidates(candidates, models, draws, merits=["farads"], seed=1)


def test_yield_and_capacitance_draws_are_paired_at_random(candidates, models, draws):
    n = 4000
    z = np.sort(np.random.default_rng(5).normal(0, 0.1, n))
    draws["char_yield"] = fixed_draws(n, -1.0, z, z)
    draws["activation_yield"] = fixed_draws(n, 0.0, 0.0, 0.0)
    draws["capacitance"] = fixed_draws(n, np.log(100), z, z, 0.0)
    ranking, *_ = rank_candidates(candidates, models, draws, merits=["device_F_per_kg_d"], seed=1)
    row = ranking[ranking["candidate"] == "husk_700C_60min"].iloc[0]
    spread = np.log(row["estimate_hi"] / row["estimate_lo"])
    # Independent parts add in quadrature: sd of log yield is 0.1 (1 - y), y = 0.269.
    expected = 2 * 1.645 * 0.1 * np.sqrt(1 + (1 - 0.269) ** 2)
    assert spread == pytest.approx(expected, rel=0.06)


def test_residual_correlation_joins_yield_steps_and_capacitance():
    def record(values, activated=False):
        return {
            "deviations": [
                {"run": f"R{k}", "lot": f"R{k}", "activated": activated, "value": float(v)}
                for k, v in enumerate(values)
            ]
        }

    x = np.array([-2.0, -1.0, 0.0, 1.0, 2.0, 0.5])
    found = residual_correlation({"char_yield": record(x), "capacitance": record(-x)})
    assert found["r"] == pytest.approx(-1.0)
    assert found["n_lots"] == 6
    models = {
        "char_yield": record(x),
        "activation_yield": record(-x),
        "capacitance": record(x, activated=True),
    }
    # char and activation deviations cancel: no spread in the overall yield, no correlation
    assert residual_correlation(models) is None
    assert residual_correlation({"char_yield": record(x[:4]), "capacitance": record(x)}) is None


@pytest.mark.parametrize("better", ["more", "less"])
def test_candidates_of_one_estimate_stand_in_order_of_name(better):
    names = ["c", "a", "d", "b"]
    rng = np.random.default_rng(2)
    one, other = rng.uniform(1, 2, 400), rng.uniform(4, 5, 400)
    values = np.column_stack([one, one, other, other])
    drawn = MeritDraws(values, np.ones(4, dtype=bool), ["measured"] * 4, unit="x", better=better)
    candidates = pd.DataFrame({"candidate": names, "predicted": "no"})
    table = _merit_table(candidates, "m", drawn, interval_percent=90.0, group_probability=0.9)
    best_first = {"more": ["b", "d", "a", "c"], "less": ["a", "c", "b", "d"]}[better]
    assert table["candidate"].tolist() == best_first
    assert [names[k] for k in table["position"]] == best_first
    ends = np.quantile(other, [0.05, 0.5, 0.95])
    row = table.set_index("candidate").loc["b"]
    assert row[["estimate_lo", "estimate", "estimate_hi"]].tolist() == pytest.approx(list(ends))

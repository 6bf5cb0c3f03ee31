"""Cost, energy, resistance, expressions, limits and predicted conditions, by hand."""

import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen.arithmetic import parse_expression
from charscreen.rank import rank_candidates
from charscreen.rank.cost import cost_per_kg, cost_sentences
from charscreen.rank.facts import Facts, UserMerit, make_facts
from charscreen.rank.joint import joint_reason
from charscreen.rank.predicted import inside_hull
from charscreen.report.feedstock_text import feedstock_sentences
from charscreen.report.headline import answer
from charscreen.report.ranking_tables import ranking_table
from charscreen.report.ranking_view import of_merit
from charscreen.words import EXPRESSION_NAMES, candidate_words
from rank_case import covariates, fixed_draws, make_candidates, make_draws, make_models, model

KILN = {"crucibles": 6, "crucible_volume_mL": 200.0, "ramp_C_per_min": 4.0, "power_kW": 3.0}
PRICES = {
    "currency": "tokens",
    "electricity_per_kWh": 0.4,
    "koh_per_kg": 5.0,
    "acid_per_L": 2.0,
    "acid_mL_per_g_char": 10.0,
    "labour_per_h": 10.0,
    "labour_h_per_firing": 0.6,
    "labour_h_per_lot": 0.1,
}
FEEDS = {
    "husk": {"moisture_ar_percent": 20.0, "bulk_density_g_per_L": 500.0, "price_per_kg": 0.5},
    "shell": {"moisture_ar_percent": 20.0, "bulk_density_g_per_L": 500.0, "price_per_kg": None},
}


@pytest.fixture
def candidates():
    return make_candidates()


@pytest.fixture
def models():
    return make_models()


@pytest.fixture
def draws():
    return make_draws()


def facts(**more):
    return Facts(
        **{"kiln": KILN, "prices": PRICES, "feedstocks": FEEDS, "koh_purity_percent": 80.0}
        | {"max_koh_g": 30.0}
        | more
    )


def test_cost_of_a_plain_lot_by_hand(candidates):
    # 200 mL x 500 g/L = 0.1 kg as received, 0.08 kg dry. Feed 0.05. Firing: (680/4 + 60)/60
    # = 3.8333 h x 3 kW x 0.4 = 4.6 electricity and 6 labour, a sixth of 10.6. Lot labour 1.
    # (0.05 + 1.766667 + 1)/0.08 = 35.20833 tokens per kg dry feed.
    cost, reasons = cost_per_kg(candidates, np.full((2, 4), 25.0), facts())
    assert (reasons[0], reasons[2]) == ("", "")
    assert cost[:, 0] == pytest.approx([35.208333333] * 2)
    # The shell has no price: the feed counts as nothing.
    assert cost[0, 2] == pytest.approx((1.7666666667 + 1) / 0.08)


def test_cost_of_an_activated_lot_by_hand(candidates):
    # 25 % of 80 g is 20 g char; KOH 3 x 20/0.8 = 75 g = 0.375; acid 200 mL = 0.4; 75/30 = 2.5
    # crucibles of a firing of 700 °C and 60 min (1.766667 each): 4.416667.
    candidates[["activation_temperature_C", "activation_hold_min"]] = [700.0, 60.0]
    cost, reasons = cost_per_kg(candidates, np.full((1, 4), 25.0), facts())
    assert reasons == [""] * 4
    by_hand = (0.05 + 1.7666666667 + 1 + 0.375 + 0.4 + 4.4166666667) / 0.08
    assert cost[0, 1] == pytest.approx(by_hand)


def test_cost_says_what_it_lacks_and_what_counts_as_nothing(candidates):
    bare = {"husk": FEEDS["husk"] | {"bulk_density_g_per_L": None}, "shell": FEEDS["shell"]}
    _, reasons = cost_per_kg(candidates, np.full((1, 4), 25.0), facts(feedstocks=bare))
    assert reasons[0] == "its cost needs bulk_density_g_per_L in config/feedstocks.csv"
    assert reasons[3] == (
        "its cost needs activation_temperature_C and activation_hold_min in config/design.csv"
    )
    nothing = facts(prices={"currency": "tokens"}, feedstocks={"husk": {}, "shell": {}})
    _, reasons = cost_per_kg(candidates, np.full((1, 4), 25.0), nothing)
    assert all(
        reason.startswith("no price is given: write some under prices") for reason in reasons
    )
    text = " ".join(cost_sentences(facts(prices={"electricity_per_kWh": 0.4, "currency": "c"})))
    assert "electricity 0.4 c/kWh." in text
    assert "Counted as nothing, since no price is given: labour, KOH, acid." in text
    assert "Feed counted as free, since no price is given: shell." in text


def test_energy_takes_the_drop_of_the_resistance_off(candidates, models, draws):
    # The handbook case: 50 F/g of the cell at 1.00 V less 0.02 V is 6.669 Wh/kg (½ C V²/3.6).
    draws["capacitance"] = fixed_draws(500, np.log(200.0), 0.0, 0.0, 0.0)
    models["esr_area"] = model("esr_area", "log", terms=())
    draws["esr_area"] = fixed_draws(500, np.log(4.0), 0.0, 0.0)
    given = facts(voltage_V=1.0, drop_A_per_cm2=0.005, voltage_words="1 V, less the drop at x")
    ranked = rank_candidates(
        candidates, models, draws, merits=["energy_Wh_per_kg"], facts=given, seed=1
    )
    assert ranked.table["estimate"].tolist() == pytest.approx([50 * 0.98**2 / 7.2] * 4)
    assert "V = 1 V, less the drop" in ranked.summary["assumptions"][0]
    del models["esr_area"]
    ranked = rank_candidates(
        candidates, models, draws, merits=["energy_Wh_per_kg"], facts=given, seed=1
    )
    assert ranked.table["estimate"].tolist() == pytest.approx([50 / 7.2] * 4)
    assert ranked.summary["assumptions"][0].endswith("no drop of the resistance taken off.")


def test_voltage_and_current_are_the_medians_of_the_cells():
    cells = pd.DataFrame(
        {
            "cell": ["a", "b", "c", "d"],
            "electrode_F_per_g": [100.0, 110.0, 120.0, np.nan],
            "esr_area_ohm_cm2": [2.0, 3.0, np.nan, 4.0],
            "current_A_per_g": [0.5, 1.0, 9.0, 9.0],
            "carbon_1_mg": 5.0,
            "carbon_2_mg": 5.0,
            "area_cm2": 2.0,
        }
    )
    given = {"kiln": {}, "prices": {}, "feedstocks": [], "koh_purity_percent": 100.0}
    given |= {"max_koh_g": 40.0, "expressions": {}}
    found = make_facts(cells, {"a": 0.8, "b": 0.9, "c": 1.0, "d": 3.0}, given)
    assert found.voltage_V == 0.9
    # 0.5 and 1.0 A/g x 10 mg / 2 cm² = 2.5 and 5 mA/cm²
    assert found.drop_A_per_cm2 == pytest.approx(0.00375)
    assert "0.9 V, the median upper voltage of 3 cells (0.8 to 1 V)" in found.voltage_words


def test_less_is_better_turns_the_order_and_not_the_numbers(candidates, models, draws):
    models["esr_area"] = model("esr_area", "log", terms=())
    z = np.random.default_rng(3).normal(0, 0.2, 500)
    draws["esr_area"] = fixed_draws(500, np.log(4.0), z, np.log(0.5) + z)
    ranked = rank_candidates(candidates, models, draws, merits=["esr_area_ohm_cm2"], seed=1)
    table = ranked.table
    assert table["feedstock"].tolist() == ["shell", "shell", "husk", "husk"]
    assert table["better"].eq("less").all()
    assert table["estimate"].iloc[0] == pytest.approx(2.0, rel=0.05)
    assert (table["estimate_lo"] < table["estimate"]).all()
    assert (table["estimate"] < table["estimate_hi"]).all()
    # The husk is twice the shell in every draw: lost is the shell's own resistance.
    assert table["expected_loss"].iloc[3] == pytest.approx(2.0 * np.exp(0.02), rel=0.05)
    assert table["expected_loss"].iloc[0] == 0


def own(text, better="more"):
    return UserMerit(parse_expression(text, EXPRESSION_NAMES), "u", better)


def test_an_expression_is_ranked_draw_by_draw(candidates, models, draws):
    given = facts(expressions={"per_ratio": own("electrode_F_per_g / (1 + koh_ratio)")})
    ranked = rank_candidates(candidates, models, draws, merits=["per_ratio"], facts=given, seed=1)
    value = ranked.table.set_index("candidate")["estimate"]
    assert value["shell_700C_60min"] == pytest.approx(120)
    assert value["shell_700C_60min_KOH3"] == pytest.approx(60)
    assert ranked.table["unit"].eq("u").all()


def test_a_division_by_zero_costs_the_candidate_its_place_and_says_so(candidates, models, draws):
    given = facts(expressions={"odd": own("electrode_F_per_g / koh_ratio")})
    ranked = rank_candidates(candidates, models, draws, merits=["odd"], facts=given, seed=1)
    assert set(ranked.table.loc[ranked.table["merit"] == "odd", "activation"]) == {"KOH"}
    assert ranked.summary["missing"][0] == (
        "husk_700C_60min, shell_700C_60min are not ranked by odd: all of its draws are no "
        "numbers (a division by zero, a log or root of what is below zero, or too large a value)."
    )


def test_a_figure_that_is_not_stated_is_named(candidates, models, draws):
    given = facts(expressions={"odd": own("electrode_F_per_g * price_per_kg")})
    ranked = rank_candidates(candidates, models, draws, merits=["odd"], facts=given, seed=1)
    assert (
        "price_per_kg is not given for it in config/feedstocks.csv"
        in (ranked.summary["missing"][0])
    )


def test_a_limit_takes_out_who_fails_it_and_shows_the_chance(candidates, models, draws):
    # 100 and 200 F/g of the husk, 120 and 240 of the shell: three of four are 110 at least.
    must = {"electrode_F_per_g": {"at_least": 110.0}}
    ranked = rank_candidates(
        candidates, models, draws, merits=["carbon_g_per_kg_d"], must=must, seed=1
    )
    assert set(ranked.table["candidate"]) == set(candidates["candidate"]) - {"husk_700C_60min"}
    assert ranked.table["p_meets"].tolist() == [1.0] * 3
    chance = ranked.candidates.set_index("candidate")["p_meets"]
    assert chance["husk_700C_60min"] == 0.0
    limits = ranked.summary["limits"]
    assert limits["left"] == [{"candidate": "husk_700C_60min", "p_meets": 0.0}]
    assert limits["sentences"] == [
        "1 of 4 candidates leaves the ranking, since they meet electrode capacitance of 110 F/g "
        "at least with a probability under 50 %."
    ]
    assert not any("husk_700C_60min|" in name for name in ranked.draws)


def test_a_limit_nobody_meets_is_a_sentence(candidates, models, draws):
    ranked = rank_candidates(
        candidates,
        models,
        draws,
        merits=["electrode_F_per_g"],
        must={"electrode_F_per_g": {"at_least": 900.0}},
        seed=1,
    )
    assert ranked.table.empty
    # An average over conditions is asked for no limit; no candidate is left to be at its best.
    assert set(ranked.feedstocks["view"]) == {"average over tested conditions"}
    assert ranked.summary["limits"]["sentences"][0].startswith(
        "No candidate meets electrode capacitance of 900 F/g at least with a probability of 50 %"
    )
    assert "loosen ranking.must in config/config.yaml" in ranked.summary["limits"]["sentences"][0]


def test_a_limit_that_cannot_be_asked_takes_nobody_out(candidates, models, draws):
    ranked = rank_candidates(
        candidates,
        models,
        draws,
        merits=["electrode_F_per_g"],
        must={"esr_area_ohm_cm2": {"at_most": 5.0}},
        seed=1,
    )
    assert len(ranked.table) == 4
    assert ranked.table["p_meets"].isna().all()
    assert ranked.summary["limits"]["sentences"][-1].startswith("Whether 4 of 4 candidates meet")


def sloped(candidates, models, draws, *, slope):
    """Capacitance with a slope per 100 °C; the husk was fired at 600 °C too, the shell at 800."""
    models["capacitance"] = model("capacitance", "log", terms=("temperature", "activated"))
    draws["capacitance"] = fixed_draws(500, np.log(100.0), 0.0, 0.0, 0.0).assign(
        **{"b[temperature]": slope}
    )
    cold = candidates.iloc[[0]].assign(peak_temperature_C=600.0, candidate="husk_600C_60min")
    hot = candidates.iloc[[2]].assign(peak_temperature_C=800.0, candidate="shell_800C_60min")
    return pd.concat([candidates, cold, hot], ignore_index=True)


def test_the_predicted_best_stays_within_the_tested_range(candidates, models, draws):
    both = sloped(candidates, models, draws, slope=0.1)
    ranked = rank_candidates(
        both, models, draws, merits=["electrode_F_per_g"], predicted_best=True, seed=1
    )
    new = ranked.candidates[ranked.candidates["predicted"] == "yes"]
    # Only the husk gains, without KOH, at the highest temperature tested at all.
    assert new["candidate"].tolist() == ["husk_800C_60min"]
    assert new[["n_firings", "n_lots", "n_cells"]].to_numpy().tolist() == [[0, 0, 0]]
    row = ranked.table.set_index("candidate").loc["husk_800C_60min"]
    assert (row["predicted"], row["basis"]) == ("yes", "other conditions")
    assert row["estimate"] == pytest.approx(100 * np.exp(0.1))
    gains = {r["feedstock"]: r["gain_percent"] for r in ranked.summary["predicted"]}
    assert gains["husk"] == pytest.approx(100 * (np.exp(0.1) - 1))
    assert gains["shell"] == 0.0
    # A quarter of the draws chose; the rest is what all figures rest on.
    assert len(ranked.draws) == ranked.summary["n_draws"] == 375


def test_a_gain_under_one_percent_adds_no_candidate(candidates, models, draws):
    both = sloped(candidates, models, draws, slope=0.005)
    ranked = rank_candidates(
        both, models, draws, merits=["electrode_F_per_g"], predicted_best=True, seed=1
    )
    assert set(ranked.candidates["predicted"]) == {"no"}
    assert "no feedstock is expected to do better" in ranked.summary["predicted_sentences"][0]


def test_hull_of_a_square_a_line_and_a_point():
    square = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    points = np.array([[0.5, 0.5], [1.0, 1.0], [1.01, 0.5], [-0.1, 0.2]])
    assert inside_hull(points, square).tolist() == [True, True, False, False]
    line = np.array([[600.0, 30.0], [800.0, 60.0]])
    points = np.array([[700.0, 45.0], [700.0, 50.0], [850.0, 67.5]])
    assert inside_hull(points, line).tolist() == [True, False, False]
    assert inside_hull(np.array([[1.0, 2.0], [1.0, 2.1]]), np.array([[1.0, 2.0]])).tolist() == [
        True,
        False,
    ]


def test_feedstocks_are_averaged_over_the_same_conditions_and_taken_at_their_best(
    candidates, models, draws
):
    both = sloped(candidates, models, draws, slope=0.1)
    ranked = rank_candidates(both, models, draws, merits=["electrode_F_per_g"], seed=1)
    table = ranked.feedstocks
    plain = table[(table["view"] == "average over tested conditions")]
    plain = plain[plain["activation"] == "none"].set_index("candidate")
    # 600, 700 and 800 °C were tested, so both feedstocks are averaged over these three.
    mean = 100 * np.mean(np.exp([-0.1, 0.0, 0.1]))
    assert plain["estimate"].tolist() == pytest.approx([mean, mean])
    assert plain["n_lots"].to_dict() == {"husk": 6, "shell": 6}
    best = table[table["view"] == "at its best"].set_index("feedstock")
    assert best.loc["shell", "candidate"] == "shell_800C_60min"
    assert best.loc["shell", "p_best"] == 1.0
    lead = ranked.summary["feedstocks"][-1]
    assert (lead["view"], lead["n"], lead["activation"]) == ("at its best", 2, None)
    assert lead["leading"][0] == {"feedstock": "shell", "p_best": 1.0}


def test_device_farads_are_joint_only_where_most_lots_have_both(models):
    assert joint_reason(models) == "there is no model of it"
    term = [{"name": "temperature", "factors": ["temperature"]}]
    of = {"fitted": True, "terms": term, "covariates": covariates(), "n_lots": 20}
    apart = {name: dict(of) for name in ("char_yield", "capacitance")}
    assert joint_reason(apart | {"device_farads": dict(of)}) == ""
    assert "fewer than 12" in joint_reason(apart | {"device_farads": of | {"n_lots": 11}})
    assert joint_reason(apart | {"device_farads": of | {"n_lots": 15}}) == (
        "only 15 of 20 lots have both yield and cells"
    )
    assert joint_reason(apart | {"device_farads": of | {"terms": []}}) == (
        "the lots with both carry no term for temperature"
    )


def test_one_candidate_is_ranked_by_every_merit(candidates, models, draws):
    ranked = rank_candidates(
        candidates.iloc[[0]],
        models,
        draws,
        merits=["electrode_F_per_g", "device_F_per_kg_d"],
        predicted_best=True,
        seed=1,
    )
    assert ranked.table["p_best"].tolist() == [1.0, 1.0]
    assert ranked.table["expected_loss"].tolist() == [0.0, 0.0]


def test_the_page_says_direction_limits_and_what_is_predicted():
    inputs = case.full_inputs()
    inputs["ranking"]["better"] = "less"
    inputs["ranking"]["p_meets"] = 0.6
    rows = of_merit(inputs["ranking"], "electrode_F_per_g")
    assert rows["estimate"].is_monotonic_increasing
    given = {"level": "90 %", "rule": "Rule.", "file": "f", "names": None, "top": 15}
    table = ranking_table(inputs["ranking"], "electrode_F_per_g", **given)
    assert "; less is better; intervals of 90 %" in table.caption
    place = [column.text for column in table.columns].index("Meets the limits")
    assert table.rows[0][place] == "60 %"
    inputs["ranking"]["p_meets"] = 0.97
    table = ranking_table(inputs["ranking"], "electrode_F_per_g", **given)
    assert table.note.endswith("Each meets the limits with a chance over 90 %.")
    first = rows.index[0]
    rows.loc[first, ["predicted", "n_firings", "n_lots", "n_cells"]] = ["yes", 0, 0, 0]
    inputs["ranking"] = rows
    sentences = answer(inputs, case.CONFIG)
    choice, leader = (candidate_words(rows.iloc[place]) for place in (1, 0))
    assert f"the best of {len(rows) - 1} measured candidates is {choice}" in sentences[0]
    assert "The model expects less" in sentences[1]
    assert f"of {leader}, a condition not fired yet; fire it to know." in sentences[1]
    assert sentences[2].endswith("to do next: fire what the model expects.")
    rows["predicted"] = "yes"
    first, *_, last = answer(inputs, case.CONFIG)
    assert f"is {leader} (predicted, not measured there), with" in first
    assert last.startswith("The first place is predicted from lots at other conditions")


def test_feedstocks_are_named_with_their_chances():
    leading = [
        {"merit": "electrode_F_per_g", "view": "average over tested conditions", "n": 3}
        | {"activation": "none", "leading": [{"feedstock": "husk", "p_best": 0.9}]},
        {"merit": "electrode_F_per_g", "view": "at its best", "n": 3, "activation": None}
        | {"leading": [{"feedstock": f, "p_best": p} for f, p in (("husk", 0.7), ("x", 0.001))]},
    ]
    assert feedstock_sentences(leading, {"husk": "Rice husk"}) == [
        "Feedstocks as such by electrode capacitance, with the chance to be the best of them: at "
        "their best condition: Rice husk (70 %); averaged over the tested conditions, not "
        "activated: Rice husk (90 %)."
    ]

"""Prices varied one by one, against rankings made at other prices."""

from dataclasses import replace

import pytest
from charscreen.arithmetic import parse_expression
from charscreen.rank import rank_candidates
from charscreen.rank.facts import Facts, UserMerit
from charscreen.rank.price_sweep import PRICE_WORDS, sweep_prices
from charscreen.words import EXPRESSION_NAMES
from rank_case import make_candidates, make_draws, make_models

KILN = {"crucibles": 6, "crucible_volume_mL": 200.0, "ramp_C_per_min": 4.0, "power_kW": 3.0}
PRICES = {"currency": "tokens", "electricity_per_kWh": 0.4, "koh_per_kg": 5.0, "labour_per_h": 0.0}
FEEDS = {
    "husk": {"moisture_ar_percent": 20.0, "bulk_density_g_per_L": 500.0, "price_per_kg": 0.5},
    "shell": {"moisture_ar_percent": 60.0, "bulk_density_g_per_L": 300.0, "price_per_kg": 0.1},
}
CLOSE = FEEDS | {
    "shell": {"moisture_ar_percent": 25.0, "bulk_density_g_per_L": 480.0, "price_per_kg": 0.1}
}
COST = "cost_per_device_F"


def case():
    candidates = make_candidates()
    candidates[["activation_temperature_C", "activation_hold_min"]] = [700.0, 60.0]
    return candidates, make_models(), make_draws()


def facts(**prices):
    return Facts(
        kiln=KILN,
        prices=PRICES | prices,
        feedstocks=FEEDS,
        koh_purity_percent=80.0,
        max_koh_g=30.0,
    )


def test_each_price_above_zero_is_swept_and_agrees_with_rankings_at_other_prices():
    candidates, models, draws = case()
    ranked = rank_candidates(candidates, models, draws, merits=[COST], facts=facts(), seed=2)
    merit, tables = sweep_prices(
        ranked.table, candidates, models, draws,
        merits=["electrode_F_per_g", COST], facts=facts(), part="all", seed=2,
    )  # fmt: skip
    assert merit == COST
    found = [(table["what"][0], table["quantity"][0]) for table in tables]
    assert found == [
        ("price", "electricity_per_kWh"),
        ("price", "koh_per_kg"),
        ("feed price", "husk"),
        ("feed price", "shell"),
    ]
    for table in tables[:2]:
        name, now = table["quantity"][0], PRICES[table["quantity"][0]]
        assert table["unit"][0] == f"tokens/{PRICE_WORDS[name][1]}"
        assert table["from"].iloc[0] == pytest.approx(now / 10)
        assert table["to"].iloc[-1] == pytest.approx(10 * now)
        here = table.loc[table["has_now"] == "yes", "candidate"].tolist()
        assert here == [ranked.table["candidate"][0]]
        for factor, place in ((0.1, 0), (10.0, -1)):
            other = rank_candidates(
                candidates,
                models,
                draws,
                merits=[COST],
                facts=facts(**{name: factor * now}),
                seed=2,
            )
            assert table["candidate"].iloc[place] == other.table["candidate"][0]


def best_at(feeds, merit=COST, expressions=None):
    candidates, models, draws = case()
    at = replace(facts(), feedstocks=feeds, expressions=expressions or {})
    ranked = rank_candidates(candidates, models, draws, merits=[merit], facts=at, seed=2)
    return ranked.table, at


@pytest.mark.parametrize(
    "expression",
    ["", "1 / cost_per_device_F", "electrode_F_per_g / (cost_per_kg_d + price_per_kg)"],
)
def test_the_price_of_a_feed_is_swept_and_agrees_with_rankings_at_other_prices(expression):
    merit, own = COST, {}
    if expression:
        merit = "worth"
        parsed = parse_expression(expression, EXPRESSION_NAMES)
        own = {merit: UserMerit(parsed, "per token", "more")}
    ranked, at = best_at(CLOSE, merit, own)
    candidates, models, draws = case()
    name, tables = sweep_prices(
        ranked, candidates, models, draws,
        merits=["electrode_F_per_g", merit], facts=at, part="all", seed=2,
    )  # fmt: skip
    assert name == merit
    of_feed = {t["quantity"][0]: t for t in tables if t["what"][0] == "feed price"}
    assert set(of_feed) == {"husk", "shell"}
    for feed, table in of_feed.items():
        # From nothing to ten times the dearest feed, 0.5 tokens/kg.
        assert table["from"].iloc[0] == 0
        assert table["to"].iloc[-1] == pytest.approx(5.0)
        assert table["unit"][0] == "tokens/kg"
        assert table["now"][0] == CLOSE[feed]["price_per_kg"]
        for row in table.to_dict("records"):
            middle = (row["from"] + row["to"]) / 2
            feeds = CLOSE | {feed: CLOSE[feed] | {"price_per_kg": middle}}
            assert best_at(feeds, merit, own)[0]["candidate"][0] == row["candidate"]
    leader = of_feed[ranked["feedstock"][0]]
    assert len(leader) > 1, "a dear enough feed loses its lead"


def test_without_any_price_of_feed_it_is_tried_up_to_where_it_outweighs_all_else():
    free = {name: row | {"price_per_kg": None} for name, row in FEEDS.items()}
    ranked, at = best_at(free)
    candidates, models, draws = case()
    _, tables = sweep_prices(
        ranked, candidates, models, draws, merits=[COST], facts=at, part="all", seed=2
    )
    (leader,) = [t for t in tables if t["quantity"][0] == ranked["feedstock"][0]]
    top = leader["to"].iloc[-1]
    feeds = free | {ranked["feedstock"][0]: free[ranked["feedstock"][0]] | {"price_per_kg": top}}
    dear = best_at(feeds)[0].set_index("candidate")["estimate"]
    name = ranked["candidate"][0]
    assert dear[name] == pytest.approx(11 * ranked["estimate"][0])


def test_without_a_merit_that_prices_enter_nothing_is_swept():
    candidates, models, draws = case()
    ranked = rank_candidates(candidates, models, draws, merits=[COST], facts=facts(), seed=2)
    free = {name: row | {"price_per_kg": 0.0} for name, row in FEEDS.items()}
    nothing = facts(electricity_per_kWh=None, koh_per_kg=0.0)
    for merits, at in (
        (["electrode_F_per_g"], facts()),
        ([COST], replace(nothing, feedstocks=free)),
    ):
        assert sweep_prices(
            ranked.table, candidates, models, draws, merits=merits, facts=at, part="all", seed=2
        ) == ("", [])

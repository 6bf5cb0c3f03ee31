"""Prices varied one by one, against rankings made at other prices."""

import pytest
from charscreen.rank import rank_candidates
from charscreen.rank.facts import Facts
from charscreen.rank.price_sweep import PRICE_WORDS, sweep_prices
from rank_case import make_candidates, make_draws, make_models

KILN = {"crucibles": 6, "crucible_volume_mL": 200.0, "ramp_C_per_min": 4.0, "power_kW": 3.0}
PRICES = {"currency": "tokens", "electricity_per_kWh": 0.4, "koh_per_kg": 5.0, "labour_per_h": 0.0}
FEEDS = {
    "husk": {"moisture_ar_percent": 20.0, "bulk_density_g_per_L": 500.0, "price_per_kg": 0.5},
    "shell": {"moisture_ar_percent": 60.0, "bulk_density_g_per_L": 300.0, "price_per_kg": 0.1},
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
    assert [table["quantity"][0] for table in tables] == ["electricity_per_kWh", "koh_per_kg"]
    for table in tables:
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


def test_without_a_cost_among_the_merits_nothing_is_swept():
    candidates, models, draws = case()
    ranked = rank_candidates(candidates, models, draws, merits=[COST], facts=facts(), seed=2)
    for merits, at in (
        (["electrode_F_per_g"], facts()),
        ([COST], facts(electricity_per_kWh=None, koh_per_kg=0.0)),
    ):
        assert sweep_prices(
            ranked.table, candidates, models, draws, merits=merits, facts=at, part="all", seed=2
        ) == ("", [])

"""Washes, KOH and draws near the resolution in the ledger."""

import numpy as np
import pandas as pd
import pytest
from charscreen.ledger import compute_yields

BALANCES = {
    "bench": {"readability_g": 0.1, "repeatability_g": 0.0, "calibration_percent": 0.0},
    "fine": {"readability_g": 0.001, "repeatability_g": 0.001, "calibration_percent": 0.1},
}


def ledger(rows, activation="KOH", balance="fine", **settings):
    masses = pd.DataFrame(rows)
    design = pd.DataFrame(
        {"run": masses["run"], "feedstock": "husk", "activation": activation, "koh_ratio": 3.0}
    )
    feeds = pd.DataFrame([{"feedstock": "husk", "moisture_ar_percent": 10.0, "ash_d_percent": 5.0}])
    return compute_yields(
        masses, design, feeds, balances=BALANCES, default_balance=balance, **settings
    )


def test_a_wash_of_the_char_is_a_step_of_its_own():
    row = ledger(
        [{"run": "R1", "feed_ar_g": 50.0, "feed_dry_g": 40.0, "char_g": 12.0, "char_ground_g": 11.4,
          "char_washed_g": 9.12, "char_taken_g": 5.0, "activated_g": 1.0}]
    ).iloc[0]  # fmt: skip
    assert row["loss_grinding_percent"] == pytest.approx(5.0)
    assert row["loss_char_washing_percent"] == pytest.approx(20.0)
    assert row["yield_char_d_percent"] == pytest.approx(30.0)
    steps = 0.30 * 0.95 * 0.80 * 0.20
    assert row["carbon_g_per_kg_d"] == pytest.approx(1000 * steps)
    assert row["carbon_g_per_kg_ar"] == pytest.approx(1000 * steps * 0.8)
    assert row["loss_char_washing_percent_se"] > 0


def test_all_washed_char_goes_on_where_none_was_split_off():
    row = ledger(
        [{"run": "R1", "feed_dry_g": 40.0, "char_g": 12.0, "char_washed_g": 10.0,
          "activated_g": 2.0}]
    ).iloc[0]  # fmt: skip
    assert row["yield_activated_percent"] == pytest.approx(20.0)
    row = ledger(
        [{"run": "R1", "feed_dry_g": 40.0, "char_g": 12.0, "char_washed_g": 10.0}], "none"
    ).iloc[0]
    assert row["carbon_g_per_kg_d"] == pytest.approx(250.0)


def test_loss_on_washing_the_activated_carbon_changes_no_yield():
    rows = [{"run": "R1", "feed_dry_g": 40.0, "char_g": 12.0, "char_taken_g": 5.0,
             "activated_g": 1.0}]  # fmt: skip
    without = ledger(rows).iloc[0]
    with_it = ledger([rows[0] | {"activated_unwashed_g": 10.0}]).iloc[0]
    assert with_it["loss_activated_washing_percent"] == pytest.approx(90.0)
    assert np.isnan(without["loss_activated_washing_percent"])
    for name in ("yield_activated_percent", "burn_off_percent", "carbon_g_per_kg_d"):
        assert with_it[name] == without[name]


def test_impossible_washes_give_a_note_and_no_figure():
    row = ledger([{"run": "R1", "feed_dry_g": 40.0, "char_g": 12.0, "char_washed_g": 13.0}]).iloc[0]
    assert np.isnan(row["loss_char_washing_percent"])
    assert "washed char is heavier than the char" in row["note"]
    row = ledger(
        [{"run": "R1", "char_taken_g": 5.0, "activated_g": 1.2, "activated_unwashed_g": 1.1}]
    ).iloc[0]
    assert "heavier than before its wash" in row["note"]
    assert np.isnan(row["loss_activated_washing_percent"])
    assert row["yield_activated_percent"] == pytest.approx(24.0)


def test_koh_counts_by_its_purity():
    rows = [{"run": "R1", "char_taken_g": 5.0, "koh_g": 20.0, "activated_g": 1.0}]
    row = ledger(rows).iloc[0]
    assert row["koh_ratio_weighed"] == pytest.approx(4.0)
    # Derived from the reaction, Lillo-Ródenas et al. 2003: 28.5 % at 4 : 1.
    assert row["koh_carbon_percent"] == pytest.approx(28.5, abs=0.05)
    assert row["koh_potassium_g"] == pytest.approx(20 * 0.2323, abs=0.001)
    assert row["koh_hydrogen_L"] == pytest.approx(20 * 0.2144, abs=0.002)
    row = ledger(rows, koh_purity_percent=85.0).iloc[0]
    assert row["koh_ratio_weighed"] == pytest.approx(3.4)
    assert row["koh_carbon_percent"] == pytest.approx(0.85 * 28.545, abs=0.01)
    # Reading errors of the two masses; the calibration is one and cancels.
    reading = (2 * (0.001**2 / 12 + 0.001**2)) ** 0.5
    expected = 3.4 * np.hypot(reading / 5.0, reading / 20.0)
    assert row["koh_ratio_weighed_se"] == pytest.approx(expected, rel=1e-3)
    row = ledger([rows[0] | {"koh_g": 100.0}]).iloc[0]
    assert row["koh_carbon_percent"] == 100.0
    assert row["koh_potassium_g"] == pytest.approx(5.0 / 0.07136 * 0.2323, rel=1e-3)


def test_an_aliquot_shares_the_char_of_its_parent_and_nothing_of_its_activation():
    masses = pd.DataFrame(
        [{"run": "R1", "feed_ar_g": 50.0, "feed_dry_g": 40.0, "char_g": 12.0, "char_ground_g": 11.4,
          "char_washed_g": 9.12, "char_taken_g": 5.0, "koh_g": 15.0, "activated_g": 1.0,
          "activated_unwashed_g": 2.0}, {"run": "R1b", "activated_g": 1.2}]
    )  # fmt: skip
    design = pd.DataFrame(
        {"run": ["R1", "R1b", "R1c"], "parent": [None, "R1", "R1"], "feedstock": "husk",
         "activation": "KOH"}
    )  # fmt: skip
    feeds = pd.DataFrame({"feedstock": ["husk"]})
    row = compute_yields(masses, design, feeds, balances=BALANCES, default_balance="fine").iloc[1]
    shared = ("yield_char_ar_percent", "yield_char_d_percent", "loss_grinding_percent",
              "loss_char_washing_percent")  # fmt: skip
    assert [row[name] for name in shared] == pytest.approx([24.0, 30.0, 5.0, 20.0])
    assert "char_taken_g is missing and the char was split" in row["note"]
    for name in ("yield_activated_percent", "koh_ratio_weighed", "carbon_g_per_kg_d",
                 "loss_activated_washing_percent", "koh_potassium_g"):  # fmt: skip
        assert np.isnan(row[name])


def test_feed_of_nothing_but_water_has_no_dry_mass():
    row = ledger(
        [{"run": "R1", "feed_ar_g": 40.0, "moisture_ar_percent": 100.0, "char_g": 1.0}]
    ).iloc[0]
    assert "moisture is not between 0 and 100 %" in row["note"]
    assert np.isnan(row["feed_dry_g"])
    assert np.isnan(row["yield_char_d_percent"])
    assert row["yield_char_ar_percent"] == pytest.approx(2.5)


def test_fixed_carbon_yield_by_hand():
    """Char over dry feed times (100 − ash − volatile) of the char over (100 − ash) of the feed."""
    row = ledger(
        [{"run": "R1", "feed_dry_g": 40.0, "char_g": 12.0, "char_ash_d_percent": 12.0,
          "char_volatile_d_percent": 8.0}]
    ).iloc[0]  # fmt: skip
    assert row["fixed_carbon_yield_percent"] == pytest.approx(100 * 0.3 * 80 / 95, rel=1e-9)
    assert row["yield_char_daf_percent"] == pytest.approx(100 * 12 * 0.88 / 38, rel=1e-9)


def test_feed_as_received_is_reckoned_from_dry_feed_and_moisture():
    row = ledger(
        [{"run": "R1", "feed_dry_g": 40.0, "moisture_ar_percent": 20.0, "char_g": 12.0}], "none"
    ).iloc[0]
    assert row["yield_char_ar_percent"] == pytest.approx(100 * 12 / 50)
    assert row["carbon_g_per_kg_ar"] == pytest.approx(240.0)
    assert "feed as received not weighed: reckoned from dry feed and moisture" in row["note"]


@pytest.mark.parametrize(("ash_percent", "is_said"), [(30.0, False), (99.9, False), (100.0, True)])
def test_a_char_that_is_all_ash_is_said(ash_percent, is_said):
    row = ledger(
        [{"run": "R1", "feed_dry_g": 2.0, "char_g": 0.4, "char_ash_d_percent": ash_percent}]
    ).iloc[0]
    assert ("ash is no less than the char" in (row["note"] or "")) == is_said
    assert np.isnan(row["yield_char_daf_percent"]) == is_said


# --- draws


SMALL = {"run": "R1", "feed_dry_g": 40.0, "char_taken_g": 4.0, "activated_g": 0.3}


def test_draws_take_over_near_the_resolution_only():
    table = ledger([SMALL, SMALL | {"run": "R2", "activated_g": 1.5}], balance="bench")
    assert list(table["uncertainty_from"]) == ["Monte Carlo", "propagation"]
    assert "near the balance's resolution" in table["note"][0]
    loose = ledger([SMALL], balance="bench", monte_carlo_above_percent=50.0)
    assert loose["uncertainty_from"][0] == "propagation"


def test_where_draws_take_over_is_where_the_setting_says():
    """Two readings in steps of 0.1 g are uncertain by 0.1/√6 g: 10.2 % of 0.4 g."""
    for percent, how in ((10.1, "Monte Carlo"), (10.25, "propagation")):
        table = ledger(
            [SMALL | {"activated_g": 0.4}], balance="bench", monte_carlo_above_percent=percent
        )
        assert table["uncertainty_from"][0] == how


def test_draws_agree_with_the_exact_spread_of_a_triangle():
    """A mass of two readings with rectangular steps r is a triangle of half width r.

    Derived: activated/taken with taken = T + t, both triangular and independent, so the mean of
    squares is that of the product of a and 1/b; integrals of the triangle by quadrature.
    """
    row = ledger([SMALL], balance="bench").iloc[0]
    r, taken, activated = 0.1, 4.0, 0.3
    x = np.linspace(-r, r, 200_001)
    weight = (r - np.abs(x)) / r**2
    mean = [np.trapezoid(weight / (taken + x) ** k, x) for k in (1, 2)]
    second = (activated**2 + r**2 / 6) * mean[1]
    exact = 100 * np.sqrt(second - (activated * mean[0]) ** 2)
    # 20,000 draws give the standard deviation to 0.5 %; 4 of these.
    assert row["yield_activated_percent_se"] == pytest.approx(exact, rel=0.02)
    assert row["yield_activated_percent"] == pytest.approx(7.5)


def test_draws_and_propagation_agree_where_both_hold():
    first = ledger([SMALL | {"activated_g": 2.0}], balance="bench")
    drawn = ledger([SMALL | {"activated_g": 2.0}], balance="bench", monte_carlo_above_percent=0.1)
    assert (first["uncertainty_from"][0], drawn["uncertainty_from"][0]) == (
        "propagation",
        "Monte Carlo",
    )
    for name in ("yield_activated_percent", "burn_off_percent"):
        assert drawn[name][0] == first[name][0]
        assert drawn[f"{name}_se"][0] == pytest.approx(first[f"{name}_se"][0], rel=0.02)


def test_shared_calibration_cancels_in_draws_too():
    balances = {"one": {"readability_g": 1e-6, "repeatability_g": 0.0, "calibration_percent": 5.0}}
    masses = pd.DataFrame([{"run": "R1", "char_taken_g": 4.0, "activated_g": 1.0}])
    design = pd.DataFrame([{"run": "R1", "feedstock": "x", "activation": "KOH"}])
    row = compute_yields(
        masses, design, pd.DataFrame({"feedstock": ["x"]}), balances=balances,
        monte_carlo_above_percent=0.0,
    ).iloc[0]  # fmt: skip
    assert row["uncertainty_from"] == "Monte Carlo"
    assert row["yield_activated_percent_se"] < 1e-3


def test_draws_hang_on_the_run_and_the_seed_alone():
    one = ledger([SMALL], balance="bench")
    two = ledger([SMALL | {"run": "R0", "activated_g": 0.4}, SMALL], balance="bench")
    assert two["yield_activated_percent_se"][1] == one["yield_activated_percent_se"][0]
    other = ledger([SMALL], balance="bench", seed=1)
    assert other["yield_activated_percent_se"][0] != one["yield_activated_percent_se"][0]


def test_a_mass_below_its_own_error_gives_no_negative_draw():
    row = ledger([SMALL | {"activated_g": 0.05}], balance="bench").iloc[0]
    assert row["uncertainty_from"] == "Monte Carlo"
    assert 0 < row["yield_activated_percent_se"] < 100 * 0.15 / 3.9

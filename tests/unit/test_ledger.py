"""The ledger: chains whole and broken, aliquots, balances, properties that must always hold."""

import numpy as np
import pandas as pd
import pytest
from charscreen.ledger import COLUMNS, QUANTITIES, WEIGHINGS, compute_yields
from charscreen.ledger.weighings import net_masses
from hypothesis import given, settings
from hypothesis import strategies as st

BALANCES = {
    "bench": {"readability_g": 0.01, "repeatability_g": 0.01, "calibration_percent": 0.5},
    "fine": {"readability_g": 0.0001, "repeatability_g": 0.0001, "calibration_percent": 0.3},
}
PERFECT = {"only": {"readability_g": 0.0, "repeatability_g": 0.0, "calibration_percent": 0.0}}
FEEDSTOCKS = pd.DataFrame(
    {
        "feedstock": ["husk", "peel"],
        "moisture_ar_percent": [10.0, 92.0],
        "ash_d_percent": [20.0, 10.0],
    }
)


def design_of(*rows):
    base = {
        "role": "screen",
        "feedstock": "husk",
        "firing": "F01",
        "peak_temperature_C": 700.0,
        "hold_min": 60.0,
        "parent": None,
        "activation": "none",
        "koh_ratio": np.nan,
        "activation_firing": None,
    }
    return pd.DataFrame([base | row for row in rows])


def ledger(masses, design=None, balances=BALANCES, **settings):
    masses = pd.DataFrame(masses)
    if design is None:
        design = design_of(*({"run": run} for run in masses["run"]))
    settings.setdefault("default_balance", next(iter(balances)))
    return compute_yields(masses, design, FEEDSTOCKS, balances=balances, **settings)


def test_columns_and_order():
    table = ledger([{"run": "R2", "char_g": 2.0}, {"run": "R1", "char_g": 1.0}])
    assert tuple(table.columns) == COLUMNS
    assert list(table["run"]) == ["R2", "R1"]


def test_weighed_dry_matter_wins_over_aliquot_and_stated():
    masses = [
        {"run": "R1", "feed_ar_g": 100.0, "feed_dry_g": 80.0, "moisture_ar_percent": 30.0},
        {"run": "R2", "feed_ar_g": 100.0, "moisture_ar_percent": 30.0},
        {"run": "R3", "feed_ar_g": 100.0},
    ]
    table = ledger([row | {"char_g": 20.0} for row in masses])
    assert list(table["dry_matter_from"]) == ["weighed", "aliquot", "assumed"]
    assert list(table["feed_dry_g"]) == pytest.approx([80.0, 70.0, 90.0])
    assert list(table["moisture_ar_percent"]) == pytest.approx([20.0, 30.0, 10.0])
    assert list(table["yield_char_d_percent"]) == pytest.approx([25.0, 20 / 0.7, 20 / 0.9])
    se = table["yield_char_d_percent_se"] / table["yield_char_d_percent"]
    # 0.5 points in 70 and 1 point in 90 of dry matter; reading errors are far smaller.
    assert se[1] == pytest.approx(0.5 / 70, rel=0.05)
    assert se[2] == pytest.approx(1.0 / 90, rel=0.05)
    assert se[0] < 0.001


def test_what_is_not_there_stays_empty_and_is_never_zero():
    table = ledger(
        [
            {"run": "R1", "feed_ar_g": 100.0},
            {"run": "R2", "char_g": 5.0},
            {"run": "R3", "feed_ar_g": 100.0, "char_g": 25.0},
        ],
        design_of({"run": "R1"}, {"run": "R2"}, {"run": "R3", "activation": "KOH"}),
    )
    assert table.loc[0, "feed_dry_g"] == pytest.approx(90.0)
    assert table.loc[:1, "yield_char_d_percent"].isna().all()
    assert table.loc[2, "yield_char_d_percent"] == pytest.approx(25 / 0.9)
    # R3 is to be activated: its char is not its carbon.
    assert np.isnan(table.loc[2, "carbon_g_per_kg_d"])
    assert table["yield_activated_percent"].isna().all()
    for name in QUANTITIES:
        assert not (table[name] == 0).any()


def test_a_measured_zero_or_negative_mass_is_no_yield():
    table = ledger([{"run": "R1", "feed_ar_g": 100.0, "char_g": 0.0}])
    assert np.isnan(table.loc[0, "yield_char_ar_percent"])
    assert "char_g is not above zero" in table.loc[0, "note"]


@pytest.mark.parametrize(
    ("row", "text"),
    [
        ({"feed_ar_g": 10.0, "feed_dry_g": 12.0, "char_g": 3.0}, "dry feed is heavier"),
        ({"feed_ar_g": 10.0, "feed_dry_g": 5.0, "char_g": 6.0}, "char is heavier"),
        ({"feed_ar_g": 10.0, "char_g": 9.5}, "char is heavier"),
        ({"feed_ar_g": 10.0, "char_g": 3.0, "char_ground_g": 4.0}, "ground char is heavier"),
        (
            {"feed_ar_g": 10.0, "char_g": 3.0, "char_taken_g": 2.0, "activated_g": 2.5},
            "activated carbon is heavier",
        ),
    ],
)
def test_impossible_masses_give_a_note_and_no_figure(row, text):
    table = ledger([{"run": "R1"} | row], design_of({"run": "R1", "activation": "KOH"}))
    assert text in table.loc[0, "note"]
    assert np.isnan(table.loc[0, "carbon_g_per_kg_d"])
    percents = [name for name in QUANTITIES if name.startswith("yield")]
    assert not (table[percents] > 100).any(axis=None)


def test_every_net_mass_rests_on_two_readings():
    net = net_masses(
        pd.DataFrame(
            {
                "run": ["R1", "R2"],
                "char_g": [20.0, np.nan],
                "char_gross_g": [np.nan, 70.0],
                "char_tare_g": [np.nan, 50.0],
            }
        ),
        balances=BALANCES,
        default_balance="bench",
    )
    assert list(net["char_g"]) == [20.0, 20.0]
    one = np.hypot(0.01 / np.sqrt(12), 0.01)
    assert list(net["char_u"]) == pytest.approx([one * np.sqrt(2)] * 2)


def test_daf_says_where_the_ash_of_the_char_comes_from():
    base = {"feed_ar_g": 200.0, "feed_dry_g": 100.0, "char_g": 50.0}
    table = ledger([{"run": "R1"} | base, {"run": "R2", "char_ash_d_percent": 30.0} | base])
    assert list(table["ash_of_char_from"]) == ["assumed all retained", "measured"]
    # husk: 20 % ash. All retained: (50 − 20)/80; measured: (50 − 15)/80.
    assert list(table["yield_char_daf_percent"]) == pytest.approx([37.5, 43.75])


def test_ash_above_the_char_gives_no_ash_free_yield():
    table = ledger([{"run": "R1", "feed_dry_g": 100.0, "char_g": 15.0}])
    assert np.isnan(table.loc[0, "yield_char_daf_percent"])
    assert table.loc[0, "ash_of_char_from"] is None
    assert "ash is no less than the char" in table.loc[0, "note"]


def test_calibration_cancels_on_one_balance_and_not_between_two():
    rough = {"readability_g": 0.0, "repeatability_g": 0.0, "calibration_percent": 1.0}
    balances = {"a": rough, "b": rough}
    design = design_of(
        {"run": "R1", "activation": "KOH"},
        {"run": "R2"},
        {"run": "R2x", "parent": "R2", "activation": "KOH"},
    )
    whole = {"feed_ar_g": 100.0, "feed_dry_g": 90.0, "char_g": 30.0}
    table = ledger(
        [
            {"run": "R1", "balance": "a", "activated_g": 6.0} | whole,
            {"run": "R2", "balance": "a"} | whole,
            # No char_taken_g: 6 g on balance b against 30 g on balance a.
            {"run": "R2x", "balance": "b", "activated_g": 6.0},
        ],
        design,
        balances,
    )
    assert list(table["yield_activated_percent"]) == pytest.approx(
        [20.0, np.nan, 20.0], nan_ok=True
    )
    assert table.loc[0, "yield_activated_percent_se"] == pytest.approx(0.0, abs=1e-9)
    assert table.loc[2, "yield_activated_percent_se"] == pytest.approx(
        20 * 0.01 * np.sqrt(2), rel=1e-3
    )
    assert table.loc[0, "yield_char_d_percent_se"] == pytest.approx(0.0, abs=1e-9)
    # An absolute mass carries the whole calibration error.
    assert table.loc[0, "feed_dry_g_se"] == pytest.approx(0.9, rel=1e-6)


def test_aliquots_take_the_char_step_of_their_parent():
    design = design_of(
        {"run": "R07", "firing": "F03", "peak_temperature_C": 650.0},
        {
            "run": "R07a",
            "parent": "R07",
            "activation": "KOH",
            "koh_ratio": 3.0,
            "activation_firing": "A01",
        },
        {
            "run": "R07b",
            "parent": "R07",
            "activation": "KOH",
            "koh_ratio": 4.0,
            "activation_firing": "A02",
        },
    )
    table = ledger(
        [
            {
                "run": "R07",
                "feed_ar_g": 100.0,
                "feed_dry_g": 50.0,
                "char_g": 20.0,
                "char_ground_g": 19.0,
            },
            {"run": "R07a", "char_taken_g": 8.0, "activated_g": 2.0},
            {"run": "R07b", "activated_g": 1.5},
        ],
        design,
    ).set_index("run")
    assert list(table["lot"]) == ["R07"] * 3
    assert list(table["firing"]) == ["F03"] * 3
    assert list(table["peak_temperature_C"]) == [650.0] * 3
    assert list(table["activation_firing"]) == [None, "A01", "A02"]
    assert list(table["yield_char_d_percent"]) == pytest.approx([40.0] * 3)
    assert list(table["loss_grinding_percent"]) == pytest.approx([5.0] * 3)
    assert table.loc["R07", "carbon_g_per_kg_d"] == pytest.approx(380.0)
    assert table.loc["R07a", "carbon_g_per_kg_d"] == pytest.approx(380.0 * 0.25)
    # Two aliquots of one char: without the mass taken there is no yield to give.
    assert np.isnan(table.loc["R07b", "yield_activated_percent"])
    assert "char_taken_g is missing" in table.loc["R07b", "note"]


def test_activation_yield_falls_back_on_ground_char_then_char():
    design = design_of(*({"run": run, "activation": "KOH"} for run in ("R1", "R2", "R3")))
    base = {"feed_ar_g": 100.0, "feed_dry_g": 50.0, "char_g": 20.0, "activated_g": 4.0}
    table = ledger(
        [
            {"run": "R1"} | base,
            {"run": "R2", "char_ground_g": 16.0} | base,
            {"run": "R3", "char_ground_g": 16.0, "char_taken_g": 10.0} | base,
        ],
        design,
    )
    assert list(table["yield_activated_percent"]) == pytest.approx([20.0, 25.0, 40.0])
    assert list(table["burn_off_percent"]) == pytest.approx([80.0, 75.0, 60.0])
    assert list(table["carbon_g_per_kg_d"]) == pytest.approx([80.0, 80.0, 128.0])


def test_unknown_balance_is_named_with_the_nearest():
    with pytest.raises(ValueError, match=r"'bensh' is not in the settings.*'bench'"):
        ledger([{"run": "R1", "char_g": 1.0, "balance": "bensh"}])


def test_no_balance_leaves_the_uncertainty_open_with_a_reason():
    table = ledger([{"run": "R1", "feed_ar_g": 10.0, "char_g": 2.0}], default_balance=None)
    assert table.loc[0, "yield_char_ar_percent"] == pytest.approx(20.0)
    assert np.isnan(table.loc[0, "yield_char_ar_percent_se"])
    assert "no balance named" in table.loc[0, "note"]


def test_the_only_balance_is_taken_where_none_is_named():
    table = compute_yields(
        pd.DataFrame([{"run": "R1", "feed_ar_g": 10.0, "char_g": 2.0}]),
        design_of({"run": "R1"}),
        FEEDSTOCKS,
        balances={"bench": BALANCES["bench"]},
    )
    assert table.loc[0, "yield_char_ar_percent_se"] > 0


def test_near_the_resolution_is_said():
    table = ledger([{"run": "R1", "feed_ar_g": 10.0, "char_g": 0.05}])
    assert "char_g is near the balance's resolution" in table.loc[0, "note"]


def test_slips_in_the_design():
    with pytest.raises(ValueError, match="'R1' stands twice"):
        ledger([{"run": "R1", "char_g": 1.0}], design_of({"run": "R1"}, {"run": "R1"}))
    loop = design_of({"run": "R1", "parent": "R2"}, {"run": "R2", "parent": "R1"})
    with pytest.raises(ValueError, match="circle: R1 → R2 → R1"):
        ledger([{"run": "R1", "char_g": 1.0}], loop)
    table = ledger([{"run": "R9", "feed_ar_g": 10.0, "char_g": 1.0}], design_of({"run": "R1"}))
    assert table.loc[0, "note"] == "run is not in the design"


def test_a_run_weighed_twice_is_no_two_lots():
    rows = [
        {"run": "R1", "char_g": 2.0},
        {"run": "R1", "char_g": 3.0},
        {"run": "R2", "char_g": 1.0},
    ]
    with pytest.raises(ValueError, match="run 'R1' stands more than once in the masses"):
        ledger(rows, design_of({"run": "R1"}, {"run": "R2"}))


def test_an_unknown_feedstock_is_noted():
    masses = [{"run": "R1", "feed_ar_g": 50.0, "char_g": 12.0}]
    table = ledger(masses, design_of({"run": "R1", "feedstock": "hask"}))
    assert table.loc[0, "note"] == "feedstock is not in the table of feedstocks"
    assert table.loc[0, "yield_char_ar_percent"] == pytest.approx(24.0)
    assert np.isnan(table.loc[0, "yield_char_d_percent"])
    table = ledger([{"run": "R1", "feed_ar_g": 10.0, "char_g": 3.0, "activated_g": 1.0}])
    assert "says no activation" in table.loc[0, "note"]
    assert np.isnan(table.loc[0, "yield_activated_percent"])


def test_empty_tables():
    table = compute_yields(pd.DataFrame(), pd.DataFrame(), pd.DataFrame(), balances=BALANCES)
    assert tuple(table.columns) == COLUMNS
    assert len(table) == 0


MASS = st.floats(1.0, 500.0)
SHARE = st.floats(0.05, 0.95)


def chain_of(dry, solids, char, ground, taken, activated):
    row = {"feed_ar_g": dry / solids, "feed_dry_g": dry, "char_g": dry * char}
    row["char_ground_g"] = row["char_g"] * ground
    row["char_taken_g"] = row["char_ground_g"] * taken
    row["activated_g"] = row["char_taken_g"] * activated
    return {"run": "R1"} | row


CHAIN = st.builds(chain_of, MASS, SHARE, SHARE, SHARE, SHARE, SHARE)
KOH = design_of({"run": "R1", "activation": "KOH"})


@given(chain=CHAIN, factor=st.floats(0.01, 100.0))
@settings(max_examples=50, deadline=None)
def test_scaling_all_masses_changes_no_yield(chain, factor):
    scaled = {k: v * factor if k.endswith("_g") else v for k, v in chain.items()}
    one, other = ledger([chain], KOH, PERFECT), ledger([scaled], KOH, PERFECT)
    ratios = [name for name in QUANTITIES if name != "feed_dry_g"]
    np.testing.assert_allclose(
        one[ratios].to_numpy(dtype=float), other[ratios].to_numpy(dtype=float), rtol=1e-9
    )


@given(chain=CHAIN)
@settings(max_examples=50, deadline=None)
def test_product_of_the_steps_is_the_overall_yield(chain):
    row = ledger([chain], KOH, PERFECT).iloc[0]
    steps = (1 - row["loss_grinding_percent"] / 100) * row["yield_activated_percent"] / 100
    for basis in ("ar", "d"):
        product = row[f"yield_char_{basis}_percent"] * 10 * steps
        assert row[f"carbon_g_per_kg_{basis}"] == pytest.approx(product, rel=1e-9)


@given(chain=CHAIN)
@settings(max_examples=50, deadline=None)
def test_bases_convert_into_each_other_and_back(chain):
    row = ledger([chain], KOH, PERFECT).iloc[0]
    solids = 1 - row["moisture_ar_percent"] / 100
    assert row["yield_char_d_percent"] * solids == pytest.approx(row["yield_char_ar_percent"])
    if np.isfinite(row["yield_char_daf_percent"]):
        # All ash retained: y_d = y_daf (1 − a) + a, husk a = 20 %.
        back = row["yield_char_daf_percent"] * 0.8 + 20.0
        assert back == pytest.approx(row["yield_char_d_percent"])


def test_standard_errors_agree_with_repeated_weighing():
    """Whole chain simulated with reading, calibration, moisture and ash errors."""
    rng = np.random.default_rng(42)
    n = 4000
    true = {"feed_ar": 40.0, "char": 9.0, "char_taken": 4.0, "activated": 0.9}
    balances = {
        "bench": {"readability_g": 0.1, "repeatability_g": 0.05, "calibration_percent": 1.0}
    }
    scale = 1 + 0.01 * rng.standard_normal(n)
    rows = pd.DataFrame({"run": [f"R{i}" for i in range(n)]})
    for name, mass in true.items():
        # A mass of a round figure always rounds the same way; random vessels spread it.
        vessel = rng.uniform(20, 21, n)
        gross, tare = (
            np.round(load * scale + 0.05 * rng.standard_normal(n), 1)
            for load in (mass + vessel, vessel)
        )
        rows[f"{name}_g"] = gross - tare
    rows["moisture_ar_percent"] = 12.0 + 0.5 * rng.standard_normal(n)
    design = design_of(*({"run": run, "activation": "KOH"} for run in rows["run"]))
    # The figures are the same with draws and without; errors from draws are needed of some only.
    table = compute_yields(
        rows, design, FEEDSTOCKS, balances=balances, monte_carlo_above_percent=1000.0
    )
    some = compute_yields(rows[:200], design[:200], FEEDSTOCKS, balances=balances)
    assert set(some["uncertainty_from"]) == {"Monte Carlo", "propagation"}
    for name in ("yield_char_d_percent", "yield_activated_percent", "carbon_g_per_kg_d"):
        spread = table[name].std()
        # The standard deviation of 4000 draws is known to 1.1 %; curvature adds a little.
        assert some[f"{name}_se"].mean() == pytest.approx(spread, rel=0.05), name


def test_many_rows_are_one_pass():
    n = 5_000
    rows = pd.DataFrame(
        {"run": [f"R{i}" for i in range(n)], "feed_ar_g": 40.0, "char_g": np.linspace(5, 15, n)}
    )
    design = pd.DataFrame({"run": rows["run"], "feedstock": "husk", "activation": "none"})
    table = compute_yields(rows, design, FEEDSTOCKS, balances={"bench": BALANCES["bench"]})
    assert table["yield_char_ar_percent"].iloc[-1] == pytest.approx(37.5)


def test_every_weighing_is_read():
    masses = pd.DataFrame({"run": ["R1"]} | {f"{name}_g": [1.0] for name in WEIGHINGS})
    net = net_masses(masses, balances=BALANCES, default_balance="bench")
    assert all(net.loc[0, f"{name}_g"] == 1.0 for name in WEIGHINGS)

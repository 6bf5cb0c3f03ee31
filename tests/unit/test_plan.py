"""The planner: capacity, balance, randomisation from the seed, limits, and messages."""

import itertools

import numpy as np
import pandas as pd
import pytest
from charscreen.files import read_csv, write_csv, write_json
from charscreen.plan import DESIGN_COLUMNS, LOT_COLUMNS, NOTHING_YET, PlanError, make_plan
from charscreen.plan.layout import Spread, choose_conditions, fill_sizes, spread_lots
from charscreen.plan.summary import firing_hours, plan_for_terminal
from charscreen.screen.schemas import table_schemas

KILN = {
    "crucibles": 6,
    "crucible_volume_mL": 250,
    "max_temperature_C": 1000,
    "ramp_C_per_min": 2,
    "cooling_h": 8,
    "power_kW": 3,
}
SETTINGS = {
    "kind": "balanced",
    "feedstocks": "all",
    "peak_temperature_C": [600, 700, 800],
    "hold_min": [30, 60],
    "activation": ["none", "KOH"],
    "koh_ratio": 3,
    "activation_temperature_C": 700,
    "activation_hold_min": 60,
    "replicates": 1,
    "firings": 12,
    "reference": "shell",
    "reference_every": 1,
    "wanted_carbon_g": 1.0,
    "short_chance_percent": 10,
    "expected_char_yield_d_percent": 28,
    "char_yield_spread_percent": 20,
    "expected_activation_yield_percent": 20,
    "activation_yield_spread_percent": 25,
    "max_koh_g": 40,
}


def feedstocks(n=12, **columns):
    names = ["shell", *(f"waste{i}" for i in range(1, n))][:n]
    return pd.DataFrame({"feedstock": names, "moisture_ar_percent": 40.0} | columns)


def planned(feeds=None, *, kiln=None, seed=1, **settings):
    feeds = feedstocks() if feeds is None else feeds
    return make_plan(feeds, plan=SETTINGS | settings, kiln=KILN | (kiln or {}), seed=seed)


def test_the_demo_sized_plan_is_full_balanced_and_within_the_kiln():
    design = planned().design
    assert tuple(design.columns) == DESIGN_COLUMNS
    assert len(design) == 72
    assert (design.groupby("firing").size() == 6).all()
    assert not design.duplicated(["firing", "crucible"]).any()
    assert set(design["crucible"]) == set("123456")
    # One condition per firing, each condition twice, one reference lot in every firing.
    assert (design.groupby("firing")[["peak_temperature_C", "hold_min"]].nunique() == 1).all(
        axis=None
    )
    firings = design.drop_duplicates("firing")
    assert (firings.groupby(["peak_temperature_C", "hold_min"]).size() == 2).all()
    assert (design[design["role"] == "reference"].groupby("firing").size() == 1).all()
    screen = design[design["role"] == "screen"]
    assert not screen.duplicated(["firing", "feedstock"]).any()
    meets = pd.crosstab(screen["feedstock"], screen["peak_temperature_C"])
    assert meets.shape[1] == 3
    assert (meets.max(axis=1) - meets.min(axis=1)).max() <= 1
    activated = design["activation"] == "KOH"
    assert (design.loc[activated, ["koh_ratio", "activation_temperature_C"]].notna()).all(axis=None)
    assert design.loc[~activated, ["koh_ratio", "activation_firing"]].isna().all(axis=None)
    assert (design[activated].groupby("activation_firing").size() <= 6).all()
    assert list(design["run"]) == [f"R{i:03d}" for i in range(1, 73)]
    assert list(design["order"]) == list(range(1, 73))
    assert list(dict.fromkeys(design["firing"])) == [f"F{i:02d}" for i in range(1, 13)]


def test_same_seed_same_plan_other_seed_other_plan():
    one, same, other = planned(seed=5), planned(seed=5), planned(seed=6)
    pd.testing.assert_frame_equal(one.design, same.design)
    pd.testing.assert_frame_equal(one.lots, same.lots)
    assert one.summary == same.summary
    assert not one.design.equals(other.design)


def test_crucible_of_the_reference_lot_is_random():
    reference = planned().design.query("role == 'reference'")["crucible"]
    assert reference.nunique() > 2


def test_without_a_number_of_firings_just_enough_are_planned():
    plan = planned(firings=None, replicates=2)
    # 12 feedstocks, two activations, two replicates; the reference's own char lots come from
    # the reference lots: 46 screening lots, 5 to a firing.
    assert plan.summary["firings"] == 10
    assert (plan.design["role"] == "screen").sum() == 46
    assert plan.design.groupby("firing").size().min() >= 5
    assert plan.summary["lots_beyond_replicates"] == 0


def test_every_kind_of_lot_is_there_as_often_as_asked():
    plan = planned(firings=None, replicates=3, reference=None)
    counts = plan.design.groupby(["feedstock", "activation"]).size()
    assert len(counts) == 24
    assert (counts == 3).all()


def test_reference_every_third_firing():
    plan = planned(reference_every=3)
    with_reference = plan.design.query("role == 'reference'")["firing"]
    assert list(with_reference) == ["F01", "F04", "F07", "F10"]


def test_what_may_not_be_activated_is_not():
    feeds = feedstocks(may_activate=["yes", "no", *[None] * 10])
    plan = planned(feeds)
    assert set(plan.design.query("feedstock == 'waste1'")["activation"]) == {"none"}
    only = planned(feeds, activation=["KOH"], reference=None)
    assert "waste1" not in set(only.design["feedstock"])
    assert any(w.startswith("waste1: gets no lot") for w in only.summary["warnings"])


def test_lots_table_says_feed_and_chance():
    plan = planned()
    assert tuple(plan.lots.columns) == LOT_COLUMNS
    assert list(plan.lots["run"]) == list(plan.design["run"])
    assert list(plan.lots["feed_ar_g"]) == list(plan.design["feed_ar_g"])
    # The feed is rounded up to three digits, so the chance is at or just below what was asked.
    assert plan.lots["chance_of_falling_short_percent"].between(8.5, 10.0001).all()
    activated = (plan.design["activation"] == "KOH").to_numpy()
    assert (plan.lots["koh_g"].notna().to_numpy() == activated).all()
    ratio = plan.lots["koh_g"] / plan.lots["expected_char_g"]
    assert ratio[activated].to_numpy() == pytest.approx(3.0)


def test_stock_crucible_and_moisture_warn():
    feeds = feedstocks(
        3, stock_kg=[0.001, None, None], bulk_density_g_per_L=[None, 20.0, None]
    ).assign(moisture_ar_percent=[10.0, 90.0, None])
    plan = planned(feeds, firings=None)
    warnings = "\n".join(plan.summary["warnings"])
    assert "shell: " in warnings
    assert "stock_kg in feedstocks.csv is 0.001" in warnings
    assert "waste1: crucible volume limits the feed to 5 g" in warnings
    assert "waste2: no feed mass can be reckoned without its moisture" in warnings
    unknown = plan.lots.query("feedstock == 'waste2'")
    assert unknown["feed_ar_g"].isna().all()
    capped = plan.lots.query("feedstock == 'waste1'")
    assert set(capped["limited_by"]) == {"crucible volume"}
    assert (capped["chance_of_falling_short_percent"] > 10).all()


def test_no_lot_is_too_small_to_weigh_or_too_large_for_a_crucible():
    few = {"cells_per_lot": 2, "electrode_coating_mg": 12.0, "coating_carbon_percent": 80.0}
    plan = planned(coating_loss_percent=50.0, **few)
    assert (plan.lots["expected_char_g"] >= 1.0).all()
    assert set(plan.lots["limited_by"]) == {"least char"}
    # 1 g of char from 0.6 · 0.28 of the feed, rounded up.
    assert set(plan.lots["feed_ar_g"]) == {5.96}
    warnings = "\n".join(plan.summary["warnings"])
    assert "waste1: the feed is raised to 5.96 g for about 1 g of char (plan" in warnings
    assert "0.0768 g carbon needs less" in warnings
    # What a crucible takes counts before what can be weighed.
    small = planned(feedstocks(bulk_density_g_per_L=20.0), coating_loss_percent=50.0, **few)
    assert set(small.lots["limited_by"]) == {"crucible volume"}
    assert set(small.lots["feed_ar_g"]) == {5.0}
    tiny = planned(activation=["none"], wanted_carbon_g=0.01, least_char_g=0.01)
    assert set(tiny.lots["limited_by"]) == {"least feed"}
    assert set(tiny.lots["feed_ar_g"]) == {0.5}
    large = planned(activation=["none"], wanted_carbon_g=5000)
    assert set(large.lots["limited_by"]) == {"most feed in one crucible"}
    assert set(large.lots["feed_ar_g"]) == {5000.0}
    # The limits are those that the checks take for plausible.
    assert tuple(table_schemas()["design"].columns["feed_ar_g"].plausible) == (0.5, 5000)


def test_koh_heat_and_nitrogen_warn():
    feeds = feedstocks(3, nitrogen_d_percent=[0.2, 4.0, None])
    plan = planned(feeds, firings=None)
    warnings = "\n".join(plan.summary["warnings"])
    assert "KOH at 700 °C: metallic potassium can form" in warnings
    assert "waste1: 4 % nitrogen and KOH can form cyanides" in warnings
    cool = planned(feeds, firings=None, activation_temperature_C=600)
    assert "potassium" not in "\n".join(cool.summary["warnings"])


def test_what_the_plan_cannot_tell_is_said():
    single = planned(
        feedstocks(4), kiln={"crucibles": 1}, firings=None, reference=None, activation=["none"]
    )
    said = "\n".join(single.summary["cannot_tell"])
    assert "Every firing holds one lot" in said
    assert "no firing is left to judge the scatter" in said
    assert "one temperature only" in said
    assert "No reference lots" in said
    few = planned(feedstocks(4), firings=None)
    assert "share one activation firing" in "\n".join(few.summary["cannot_tell"])
    assert "No firing at" in "\n".join(few.summary["warnings"])
    assert planned().summary["cannot_tell"] == []


def test_reference_lots_count_among_the_temperatures_of_their_feedstock():
    # The reference stands in every firing, so at all temperatures, whatever its screening lots do.
    plan = planned(feedstocks(4), firings=None, activation=["none", "KOH"])
    fired = plan.design.groupby("feedstock")["peak_temperature_C"].nunique()
    assert fired["shell"] > 1
    said = [s for s in plan.summary["cannot_tell"] if "one temperature only" in s]
    assert (fired > 1).all()
    assert said == []
    feeds = feedstocks(3, may_activate=["yes", "no", "yes"])
    plan = planned(feeds, firings=None, reference_every=2, kiln={"crucibles": 3})
    fired = plan.design.groupby("feedstock")["peak_temperature_C"].nunique()
    assert fired["waste1"] == 1 < fired["shell"]
    assert any(s.startswith("waste1: one temp") for s in plan.summary["cannot_tell"])


def test_kiln_hours_by_hand():
    plan = planned(
        feedstocks(2),
        firings=1,
        peak_temperature_C=[620],
        hold_min=[60],
        activation=["none"],
        reference=None,
    )
    # (620 − 20)/2 min up, 60 min hold, 8 h cooling.
    assert plan.summary["kiln_hours"] == pytest.approx(5 + 1 + 8)
    assert plan.summary["kWh_at_most"] == pytest.approx(18)


def test_hours_of_each_firing_add_up_to_the_plan():
    plan = planned()
    firings = firing_hours(plan.design, KILN)
    assert list(firings["firing"]) == [
        *(f"F{i:02d}" for i in range(1, 13)),
        *(f"A{i:02d}" for i in range(1, plan.summary["activation_firings"] + 1)),
    ]
    assert firings["kiln_h"].sum() == pytest.approx(plan.summary["kiln_hours"], abs=0.1)
    # 700 °C from 20 °C at 2 °C/min, 60 min hold, 8 h cooling, by hand.
    assert firings["kiln_h"].iloc[-1] == pytest.approx(340 / 60 + 1 + 8)
    assert len(firing_hours(planned(activation=["none"]).design, KILN)) == 12


def test_the_terminal_is_told_every_warning_and_what_cannot_be_told():
    feeds = feedstocks(3, nitrogen_d_percent=[0.2, 4.0, None])
    summary = planned(feeds, firings=None).summary
    text = plan_for_terminal(summary)
    assert text.startswith(f"Planned: {summary['message']}, {summary['kiln_hours']:.0f} kiln hours")
    assert summary["warnings"]
    assert summary["cannot_tell"]
    for sentence in summary["warnings"] + summary["cannot_tell"]:
        assert f"  - {sentence}" in text
    many = summary | {"warnings": [f"waste{i}: dry." for i in range(50)]}
    assert "  ... and 30 more; the overview has them all." in plan_for_terminal(many)
    nothing = make_plan([], plan=SETTINGS, kiln=KILN, seed=1).summary
    assert plan_for_terminal(nothing) == NOTHING_YET


def test_no_feedstock_yet_is_no_error():
    for nothing in ([], pd.DataFrame()):
        plan = make_plan(nothing, plan=SETTINGS, kiln=KILN, seed=1)
        assert plan.summary["message"] == NOTHING_YET
        assert len(plan.design) == len(plan.lots) == 0
        assert tuple(plan.design.columns) == DESIGN_COLUMNS


@pytest.mark.parametrize(
    ("settings", "kiln", "key", "text"),
    [
        ({}, {"crucibles": 0}, "kiln.crucibles", "0 crucibles hold no lot"),
        ({"peak_temperature_C": [700, 1100]}, {}, "plan.peak_temperature_C", "1100 °C is above"),
        ({"activation_temperature_C": 1200}, {}, "plan.activation_temperature_C", "1200 °C"),
        ({"reference": "shel"}, {}, "plan.reference", "Did you mean 'shell'?"),
        ({"feedstocks": ["shell", "nought"]}, {}, "plan.feedstocks", "'nought' is not in"),
        ({"firings": 4}, {}, "plan.firings", "Write 5 or more"),
        ({"hold_min": []}, {}, "plan.hold_min", "nothing here to plan with"),
        ({"replicates": 0}, {}, "plan.replicates", "Write 1 or more"),
        ({"firings": None}, {"crucibles": 1}, "plan.reference_every", "leaves no place"),
    ],
)
def test_settings_that_cannot_be_met_name_key_and_remedy(settings, kiln, key, text):
    with pytest.raises(PlanError) as caught:
        planned(kiln=kiln, **settings)
    message = str(caught.value)
    assert "problem in config/config.yaml" in message
    assert f"key {key}: " in message
    assert text in message


def test_all_problems_come_at_once():
    with pytest.raises(PlanError) as caught:
        planned(kiln={"crucibles": 0}, reference="nobody", peak_temperature_C=[1500])
    assert [f.column for f in caught.value.findings] == [
        "kiln.crucibles",
        "plan.peak_temperature_C",
        "plan.reference",
    ]


def test_everything_forbidden_is_an_error():
    feeds = feedstocks(2, may_activate=["no", "no"])
    with pytest.raises(PlanError, match="no lot is left"):
        planned(feeds, activation=["KOH"], reference=None)
    with pytest.raises(PlanError, match="may not be activated"):
        planned(feedstocks(2, may_activate=["no", "yes"]), activation=["KOH"])


def test_rows_of_a_checked_table_do_as_well_as_a_frame():
    rows = [
        {"feedstock": "a", "moisture_ar_percent": 10.0, "may_activate": None},
        {"feedstock": "b", "moisture_ar_percent": None, "may_activate": "no"},
    ]
    plan = planned(rows, reference=None, firings=None)
    assert len(plan.design) == 3


def test_a_plan_can_be_written_and_read_back(tmp_path):
    plan = planned()
    write_csv(plan.design, tmp_path / "design.csv")
    write_json(plan.summary, tmp_path / "plan.json")
    back = read_csv(tmp_path / "design.csv")
    assert list(back["activation"]) == list(plan.design["activation"])
    assert list(back["feed_ar_g"]) == pytest.approx(list(plan.design["feed_ar_g"]))


@pytest.mark.parametrize("n", [1, 3, 5, 6, 7, 12, 17])
def test_conditions_are_as_even_as_can_be(n):
    chosen = choose_conditions(n, n_temperatures=3, n_holds=2, rng=np.random.default_rng(n))
    cells = np.zeros((3, 2), dtype=int)
    np.add.at(cells, tuple(chosen.T), 1)
    for counts in (cells, cells.sum(axis=0), cells.sum(axis=1)):
        assert counts.max() - counts.min() <= 1


def test_fill_sizes_levels_the_groups():
    assert fill_sizes(5, [3, 2, 3], [0, 1, 0]).tolist() == [2, 1, 2]
    with pytest.raises(ValueError, match="9 lots do not fit into 8 places"):
        fill_sizes(9, [3, 2, 3], [0, 1, 0])


def test_exchange_finds_the_best_of_a_case_small_enough_to_try_all():
    """Four feedstocks twice each in four firings of two: every pair of partners differs."""
    feed = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    sizes = np.array([2, 2, 2, 2])
    wish = Spread(feed, np.arange(4), 4.0)

    def cost(assigned):
        counts = np.zeros((4, 4))
        np.add.at(counts, (feed, assigned), 1)
        shared = counts @ counts.T
        return wish.cost(np.asarray(assigned)) + (shared**2).sum() - (np.diag(shared) ** 2).sum()

    best = min(
        cost(np.array(p))
        for p in set(itertools.permutations([0, 0, 1, 1, 2, 2, 3, 3], 8))
        if p[0] == 0
    )
    for seed in range(5):
        found = spread_lots(sizes, [wish], partners=feed, rng=np.random.default_rng(seed))
        assert np.bincount(found).tolist() == [2, 2, 2, 2]
        assert cost(found) == best


# --- feed: cells wanted, priors, purity


PRIORS = {
    "char_yield": {
        "expected": [
            {"feedstock": "shell", "peak_temperature_C": peak, "hold_min": hold,
             "mean_percent": mean, "spread_percent": 8.0}
            for peak, mean in ((600, 36.0), (700, 33.0), (800, 30.0))
            for hold in (30, 60)
        ]
    },
    "activation_yield": {
        "expected": [
            {"feedstock": "shell", "peak_temperature_C": 700, "hold_min": 60,
             "mean_percent": 25.0, "spread_percent": 10.0}
        ]
    },
}  # fmt: skip


def with_priors(priors, **settings):
    feeds = feedstocks(4)
    return make_plan(feeds, plan=SETTINGS | settings, kiln=KILN, seed=1, priors=priors)


def test_priors_count_before_expected_yields_where_they_are_kept():
    without, made = with_priors(None).lots, with_priors(PRIORS)
    design, lots = made.design, made.lots
    assert set(without["yields_from"]) == {"settings"}
    shell = (design["feedstock"] == "shell").to_numpy()
    plain = (design["activation"] == "none").to_numpy()
    assert set(lots.loc[shell & plain, "yields_from"]) == {"priors"}
    assert set(lots.loc[~shell, "yields_from"]) == {"settings"}
    # The yield falls with temperature, so the feed rises; 36 : 33 : 30 within the rounding up.
    feed = lots[shell & plain].groupby(design["peak_temperature_C"])["feed_ar_g"].first()
    assert feed[800] / feed[600] == pytest.approx(36 / 30, rel=0.01)
    # 60 % solids, 30 % char, 8 % scatter, 1 point of moisture, one in ten short.
    sigma = np.hypot(0.08, 1 / 60)
    expected = 1.0 / 0.6 / 0.30 * np.exp(1.2816 * sigma + sigma**2 / 2)
    assert feed[800] == pytest.approx(expected, rel=0.01)
    # Nothing is kept of the others: they are as without priors.
    pd.testing.assert_frame_equal(lots[~shell], without[~shell])
    near = shell & ~plain & (design["peak_temperature_C"] == 700).to_numpy()
    near &= (design["hold_min"] == 60).to_numpy()
    assert set(lots.loc[near, "yields_from"]) <= {"priors"}
    assert set(lots.loc[shell & ~plain & ~near, "yields_from"]) <= {"priors, settings"}


def test_cells_wanted_take_the_place_of_a_mass():
    coating = {
        "electrode_coating_mg": 12.0,
        "coating_carbon_percent": 80.0,
        "coating_loss_percent": 50.0,
    }
    coating["least_char_g"] = 0.05
    mass = planned(wanted_carbon_g=0.1536, least_char_g=0.05).lots
    cells = planned(cells_per_lot=4, **coating).lots  # 4 x 2 x 12 mg x 0.8 / 0.5
    pd.testing.assert_frame_equal(mass, cells)
    assert (planned(cells_per_lot=8, **coating).lots["feed_ar_g"] > cells["feed_ar_g"]).all()


def test_inverse_check_forward_from_the_planned_feed_gives_the_wanted_carbon():
    """Each lot's feed run forward through its own yields leaves enough in nine of ten cases."""
    made = with_priors(PRIORS)
    rng = np.random.default_rng(3)
    shell = (made.design["feedstock"] == "shell") & (made.design["activation"] == "none")
    for index in made.design.index[shell]:
        lot = made.lots.loc[index]
        peak = made.design.loc[index, "peak_temperature_C"]
        mean = {600: 0.36, 700: 0.33, 800: 0.30}[peak]
        char = lot["feed_ar_g"] * rng.normal(0.6, 0.01, 20_000)
        char *= mean * np.exp(0.08 * rng.standard_normal(20_000) - 0.08**2 / 2)
        assert np.mean(char < 1.0) == pytest.approx(0.10, abs=0.015)


def test_pellets_are_weighed_for_the_koh_in_them():
    feeds = feedstocks(4)
    pure = make_plan(feeds, plan=SETTINGS, kiln=KILN, seed=1).lots["koh_g"]
    made = make_plan(feeds, plan=SETTINGS, kiln=KILN, seed=1, koh_purity_percent=85.0)
    assert made.lots["koh_g"].dropna().to_numpy() == pytest.approx(pure.dropna() / 0.85)

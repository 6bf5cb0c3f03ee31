"""Kinds of plan: factors of every level, what is forbidden, kept lots, budget, stock, messages."""

import itertools

import numpy as np
import pandas as pd
import pytest
from charscreen.files import write_csv
from charscreen.plan import PlanError, make_plan
from charscreen.plan.acceptance import describe_differences, read_plan
from plan_case import KILN, PLAN

SETTINGS = PLAN | {
    "peak_temperature_C": [600, 700, 800],
    "hold_min": [30, 60],
    "reference": None,
    "starts": 2,
}
SIX = {"crucibles": 6}


def feedstocks(n=6, **columns):
    names = [f"feed{i}" for i in range(n)]
    return pd.DataFrame({"feedstock": names, "moisture_ar_percent": 20.0} | columns)


def planned(feeds=None, *, kiln=None, seed=1, more=None, **settings):
    feeds = feedstocks() if feeds is None else feeds
    kiln = KILN | SIX | (kiln or {})
    return make_plan(feeds, plan=SETTINGS | settings, kiln=kiln, seed=seed, **(more or {}))


def factors_stay_with_their_firing(design):
    """Peak, hold and ramp are one per char firing; those of the activation one per its firing."""
    char = design.groupby("firing")[["peak_temperature_C", "hold_min", "ramp_C_per_min"]]
    assert (char.nunique() == 1).all(axis=None)
    on = design[design["activation"] == "KOH"]
    after = on.groupby("activation_firing")[["activation_temperature_C", "activation_hold_min"]]
    assert (after.nunique() == 1).all(axis=None)
    off = design[design["activation"] == "none"]
    names = ["koh_ratio", "activation_firing", "activation_temperature_C"]
    assert off[names].isna().all(axis=None)


KINDS = {
    "optimal": {"firings": 8},
    "balanced": {"firings": 8},
    "space_filling": {"firings": 8},
    "resolvable_blocks": {},
    "full_factorial": {"feedstocks": ["feed0"]},
    "fractional_factorial": {},
    "plackett_burman": {},
    "definitive_screening": {"feedstocks": ["feed0"]},
    "central_composite": {"feedstocks": ["feed0"]},
    "box_behnken": {"feedstocks": ["feed0"]},
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_keeps_the_kiln_and_the_levels_of_the_factors(kind):
    settings = {
        "ramp_C_per_min": [2, 5],
        "koh_ratio": [2, 4],
        "activation_temperature_C": [600, 700],
        "drying_C": [60, 105],
    }
    made = planned(kind=kind, **settings, **KINDS[kind])
    design = made.design
    factors_stay_with_their_firing(design)
    assert design.groupby("firing").size().max() <= 6
    assert design.groupby("activation_firing").size().max() <= 6
    assert not design.duplicated(["firing", "crucible"]).any()
    assert list(design["run"]) == [f"R{i:03d}" for i in range(1, len(design) + 1)]
    assert design["drying_C"].between(60, 105).all()
    assert set(design["koh_ratio"].dropna()) >= ({2.0, 4.0} if kind != "space_filling" else set())
    assert design["koh_ratio"].dropna().between(2, 4).all()
    assert set(design["activation"]) == {"none", "KOH"}
    assert made.lots["feed_ar_g"].notna().all()
    same = planned(kind=kind, **settings, **KINDS[kind])
    pd.testing.assert_frame_equal(design, same.design)
    pd.testing.assert_frame_equal(made.cells, same.cells)


def test_full_factorial_holds_every_feedstock_at_every_point():
    design = planned(kind="full_factorial", activation=["none"]).design
    names = ["feedstock", "peak_temperature_C", "hold_min"]
    assert len(design) == len(design[names].drop_duplicates()) == 6 * 3 * 2
    assert design["firing"].nunique() == 6


def test_resolvable_blocks_fire_every_feedstock_once_at_every_condition():
    design = planned(feedstocks(9), kind="resolvable_blocks", activation=["none"]).design
    counts = design.groupby(["peak_temperature_C", "hold_min", "feedstock"]).size()
    assert len(counts) == 6 * 9
    assert (counts == 1).all()


def test_optimal_beats_the_balanced_plan_and_spreads_feedstocks_over_temperatures():
    from charscreen.designs import codes_of, information, model_matrix, terms_of

    made = {kind: planned(kind=kind, firings=6, starts=4).design for kind in KINDS if kind in
            ("optimal", "balanced")}  # fmt: skip
    factors = {name: SETTINGS[name] for name in ("peak_temperature_C", "hold_min", "activation")}
    terms = terms_of([f"feed{i}" for i in range(6)], factors)
    variance = {}
    for kind, design in made.items():
        X, _ = model_matrix(design, terms)
        M = information(X, codes_of(design["firing"]), codes_of(design["activation_firing"]), 1.0)
        points = pd.DataFrame(
            [
                dict(zip(("feedstock", *factors), point, strict=True))
                for point in itertools.product(terms.feedstocks, *factors.values())
            ]
        )
        P, _ = model_matrix(points, terms)
        variance[kind] = float(np.mean(np.sum(P @ np.linalg.inv(M) * P, axis=1)))
    assert variance["optimal"] < variance["balanced"]
    meets = made["optimal"].groupby("feedstock")["peak_temperature_C"].nunique()
    assert (meets >= 2).all()


@pytest.mark.parametrize("kind", ["optimal", "balanced", "space_filling", "full_factorial"])
def test_what_is_forbidden_is_not_planned(kind):
    forbidden = [
        "activation == KOH and peak_temperature_C > 750",
        "feedstock in [feed1, feed2] and activation == KOH",
        "nitrogen_d_percent > 3 and activation == KOH",
    ]
    feeds = feedstocks(nitrogen_d_percent=[0.1, 0.1, 0.1, 4.0, 0.1, None])
    # Feedstocks of which no lot may be activated have no such lot to place.
    feeds["may_activate"] = ["yes", "no", "no", "no", "yes", "yes"]
    number = {} if kind == "full_factorial" else {"firings": 9}
    design = planned(feeds, kind=kind, forbidden=forbidden, **number).design
    on = design[design["activation"] == "KOH"]
    assert len(on)
    assert on["peak_temperature_C"].max() <= 750
    assert set(on["feedstock"]) <= {"feed0", "feed4", "feed5"}
    assert design["peak_temperature_C"].max() > 750


def test_ranges_are_tried_at_points_between():
    made = planned(peak_temperature_C={"from": 500, "to": 800}, firings=8, activation=["none"])
    temperatures = set(made.design["peak_temperature_C"])
    assert {500.0, 800.0} <= temperatures
    assert temperatures <= {500.0, 575.0, 650.0, 725.0, 800.0}


def test_stock_limits_the_lots_of_a_feedstock():
    feeds = feedstocks(stock_kg=[0.02, 9, 9, 9, 9, 9])
    one = planned(feeds, activation=["none"], firings=6).design
    free = planned(feedstocks(), activation=["none"], firings=6).design
    used = one[one["feedstock"] == "feed0"]["feed_ar_g"].sum() / 1000
    assert (free["feedstock"] == "feed0").sum() > (one["feedstock"] == "feed0").sum() >= 1
    assert used <= 0.02


@pytest.mark.parametrize("kind", ["balanced", "resolvable_blocks", "full_factorial"])
def test_a_reference_is_not_planned_where_it_is_forbidden(kind):
    made = planned(
        kind=kind,
        firings=6 if kind == "balanced" else None,
        activation=["none"],
        reference="feed0",
        forbidden=["feedstock == feed0 and peak_temperature_C > 750"],
    )
    hot = made.design[made.design["peak_temperature_C"] > 750]
    assert len(hot)
    assert "feed0" not in set(hot["feedstock"])
    assert any("reference lot" in note and "forbidden" in note for note in made.summary["notes"])


def test_firings_that_stock_leaves_empty_are_not_planned():
    feeds = feedstocks(1, stock_kg=[0.02])
    made = planned(feeds, activation=["none"], firings=6, kiln={"crucibles": 1})
    assert 1 <= made.summary["firings"] < 6
    assert list(dict.fromkeys(made.design["firing"])) == [
        f"F{i:02d}" for i in range(1, made.summary["firings"] + 1)
    ]
    assert made.design["feed_ar_g"].sum() <= 20


def test_reference_lots_come_every_nth_firing_and_small_kilns_may_have_none():
    design = planned(reference="feed0", reference_every=3, firings=7).design
    with_reference = design.query("role == 'reference'")["firing"]
    assert list(with_reference) == ["F01", "F04", "F07"]
    alone = planned(kiln={"crucibles": 1}, activation=["none"], kind="balanced", firings=None)
    assert (alone.design.groupby("firing").size() == 1).all()
    assert any(
        "firings and of lots cannot be told apart" in s for s in alone.summary["cannot_tell"]
    )


def test_kept_lots_stay_and_the_plan_is_completed_around_them(tmp_path):
    first = planned(firings=4)
    write_csv(first.design, tmp_path / "design.csv")
    before = read_plan(tmp_path / "design.csv")
    plain = [{key: value for key, value in row.items() if key != "row"} for row in before]
    more = {"accepted": plain}
    second = planned(firings=7, keep=True, more=more)
    write_csv(second.design, tmp_path / "second.csv")
    after = read_plan(tmp_path / "second.csv")
    text = describe_differences(before, after)
    new = len(second.design) - len(first.design)
    assert new == 3 * 6
    assert text == (
        "Against the design that was accepted: 18 new rows, 0 changed, 0 dropped, 24 as before."
    )
    assert second.summary["message"] == (
        "42 lots of 6 feedstocks in 7 char firings and 4 activation firings; new are 18 lots, "
        "3 char firings and 2 activation firings"
    )
    fresh = second.design.iloc[24:]
    assert list(dict.fromkeys(fresh["firing"])) == ["F05", "F06", "F07"]
    assert next(iter(fresh["run"])) == "R025"
    assert not set(fresh["activation_firing"].dropna()) & set(first.design["activation_firing"])
    # Nothing to add: the plan is the design.
    again = planned(firings=4, keep=True, more=more)
    assert again.summary["message"].endswith("all of them stand in the design already")
    write_csv(again.design, tmp_path / "again.csv")
    assert describe_differences(before, read_plan(tmp_path / "again.csv")) == (
        "The plan is the design that was accepted."
    )


def test_differences_name_rows_and_what_was_measured(tmp_path):
    first, other = planned(firings=4), planned(firings=4, seed=2)
    write_csv(first.design, tmp_path / "a.csv")
    write_csv(other.design, tmp_path / "b.csv")
    before, after = read_plan(tmp_path / "a.csv"), read_plan(tmp_path / "b.csv")
    text = describe_differences(before, after, measured={"R001", "R002"})
    assert "0 new rows" in text
    assert " → " in text
    assert "hold measurements: accept_plan will refuse. Write keep: true" in text
    assert describe_differences([], after).startswith("No design has been accepted yet.")


def test_a_budget_says_how_many_firings():
    from charscreen.costs import heating_hours

    hours = float(heating_hours(800, 60, ramp_C_per_min=2)) + 8
    made = planned(activation=["none"], budget={"hours": 5 * hours + 1})
    assert made.summary["firings"] == 5
    assert made.summary["kiln_hours"] <= 5 * hours + 1
    # Half of the lots are activated: two char firings need one activation firing.
    both = planned(budget={"firings": 6}).summary
    assert (both["firings"], both["activation_firings"]) == (4, 2)


def test_a_budget_in_money_is_never_passed():
    from charscreen.costs import firing_cost, lot_cost
    from charscreen.plan.summary import firing_hours

    prices = {"electricity_per_kWh": 0.4, "labour_per_h": 20, "labour_h_per_firing": 1}
    prices |= {"labour_h_per_lot": 0.5, "koh_per_kg": 10}
    feeds = feedstocks(price_per_kg=[1.0, 2.0, None, 0.5, 1.0, 1.0])
    made = planned(feeds, budget={"money": 900.0}, more={"prices": prices})
    firings = firing_hours(made.design, KILN | SIX)
    spent = firing_cost(firings["heating_h"], power_kW=3, prices=prices).sum()
    price = made.lots["feedstock"].map(feeds.set_index("feedstock")["price_per_kg"])
    spent += lot_cost(
        feed_ar_kg=made.lots["feed_ar_g"] / 1000,
        feed_price_per_kg=price,
        koh_g=made.lots["koh_g"].fillna(0),
        char_taken_g=0.0,
        firing_share=0.0,
        prices=prices,
    ).sum()
    assert 500 < spent <= 900


def test_firings_per_day_follow_ramp_and_cooling():
    quick = {"cooling_h": 1, "ramp_C_per_min": 20}
    # 780 °C at 20 °C/min and an hour's hold: 1.65 h; three and two coolings fit into ten hours.
    assert planned(kiln=quick, longest_day_h=10, firings=6).summary["firings_per_day"] == 4
    assert planned(longest_day_h=10, firings=6).summary["firings_per_day"] == 1


def test_firings_of_a_day_differ_in_temperature_where_wanted():
    made = planned(
        peak_temperature_C=[600, 800],
        hold_min=30,
        kiln={"cooling_h": 1, "ramp_C_per_min": 10},
        longest_day_h=5,
        block_firings_by_day=True,
        activation=["none"],
        kind="balanced",
        firings=8,
    )
    assert made.summary["firings_per_day"] == 2
    peaks = made.design.drop_duplicates("firing")["peak_temperature_C"].to_numpy().reshape(4, 2)
    assert (peaks[:, 0] != peaks[:, 1]).all()


@pytest.mark.parametrize(
    ("settings", "kiln", "key", "text"),
    [
        ({"firings": 1}, {}, "plan.firings", "6 feedstocks need 12"),
        ({"kind": "box_behnken"}, {}, "plan.kind", "here 2 factors have"),
        ({"kind": "full_factorial", "firings": 3}, {}, "plan.firings", "needs 12 char firings"),
        (
            {"forbidden": ["peak_temperature_C > 100"]},
            {},
            "plan.forbidden",
            "taken together they forbid everything",
        ),
        (
            {"forbidden": ["feedstock == feed3 and activation == KOH"]},
            {},
            "plan.forbidden",
            "they leave feed3 with KOH no setting at all",
        ),
        ({"forbidden": ["feedstok == feed3"]}, {}, "plan.forbidden", "Did you mean 'feedstock'?"),
        ({}, {"crucibles": 0}, "kiln.crucibles", "Write 1 or more"),
        ({"budget": {"firings": 1}}, {}, "plan.budget.firings", "is under one char firing"),
        ({"budget": {"hours": 3}}, {}, "plan.budget.hours", "3 h is under one char firing"),
        ({"budget": {"firings": 2}}, {}, "plan.budget", "have room for 6 lots"),
        (
            {"budget": {"firings": 5}, "firings": 9},
            {},
            "plan.budget.firings",
            "9 char firings with what follows them take up to 14 firings, and 5 are allowed",
        ),
        (
            {"peak_temperature_C": {"from": 600, "to": 1200}},
            {},
            "plan.peak_temperature_C",
            "1200 °C is above the kiln's limit of 1000 °C",
        ),
        ({"reference": "feed9", "reference_every": 1}, {}, "plan.reference", "Did you mean"),
        (
            {"kind": "full_factorial", "reference": "feed0", "reference_every": 4},
            {"crucibles": 1},
            "plan.reference_every",
            "the kiln takes one",
        ),
        (
            {
                "kind": "full_factorial",
                "feedstocks": ["feed0"],
                "peak_temperature_C": [600, 700],
                "hold_min": 60,
                "activation_temperature_C": [600, 700],
                "activation_hold_min": [30, 60],
                "budget": {"firings": 5},
            },
            {},
            "plan.budget.firings",
            "this plan takes 6 firings, and 5 are allowed",
        ),
        ({"activation_firings": 1, "firings": 8}, {}, "plan.activation_firings", "Write 4 or more"),
    ],
)
def test_what_cannot_be_planned_names_key_and_remedy(settings, kiln, key, text):
    with pytest.raises(PlanError) as caught:
        planned(kiln=kiln, **settings)
    message = str(caught.value)
    assert f"key {key}: " in message
    assert text in message


def test_a_list_of_one_level_is_pointed_out_and_a_number_is_not():
    made = planned(hold_min=[60], firings=6)
    assert any(
        s.startswith("plan.hold_min is a list of one level") for s in made.summary["warnings"]
    )
    made = planned(hold_min=60, firings=6)
    assert not any("one level" in s for s in made.summary["warnings"])


def test_too_few_firings_for_the_model_are_said():
    made = planned(activation=["none"], firings=2)
    assert any("fewer than the terms of the model need" in s for s in made.summary["notes"])

"""The whole judgement of a plan: its record, its tables, its page; corner cases."""

import json

import numpy as np
import pandas as pd
import pytest
from charscreen.costs import firing_cost, heating_hours
from charscreen.quality import curve, split
from charscreen.quality.judge import headline
from charscreen.quality.page import SCATTER_WORDS, render_quality
from charscreen.quality.planned import lots_of, plan_analysis
from charscreen.quality.scatter import (
    PRIORS,
    STATED,
    USUAL,
    USUAL_PERCENT,
    log_sd,
    percent_of,
    scatter_for,
)
from charscreen.screen.schemas import config_schema, quality_keys
from plan_case import ROOT, STYLE, Page
from quality_case import FEEDS, dealt, design_of, judged

TEMPLATE = (ROOT / "workflow/templates/plan_quality.html.jinja").read_text(encoding="utf-8")
NAMES = {row["feedstock"]: row["name"] for row in FEEDS}


@pytest.fixture(scope="module")
def quality():
    return judged(dealt(activated=True))


@pytest.fixture
def quick(monkeypatch):
    """Fewer splits, subsets and screens, where only the frame is looked at."""
    monkeypatch.setattr(split, "CELLS", (1, 2))
    monkeypatch.setattr(split, "LAYOUTS", 1)
    monkeypatch.setattr(split, "PER_LAYOUT", 200)
    monkeypatch.setattr(curve, "SUBSETS", 1)
    monkeypatch.setattr(curve, "POINTS", 3)


def page_of(quality, **more):
    given = {"summary": {"cannot_tell": ["No reference lots."]}, "names": NAMES}
    given |= {"title": "Screen <one>", "template": TEMPLATE, "style": STYLE}
    return render_quality(quality, **(given | more))


def test_every_key_of_the_record_is_explained_and_no_other(quality):
    written = set()
    for key, value in quality.record.items():
        if isinstance(value, dict):
            group = {name.split(".")[0]: name for name in quality_keys() if "." in name}
            written.add(group[key])
        else:
            written.add(key)
    assert written == set(quality_keys())
    for about in quality_keys().values():
        assert about["meaning"].endswith(".")


def test_the_record_is_plain_and_its_chances_are_in_order(quality):
    record = json.loads(json.dumps(quality.record, allow_nan=False))
    assert record["status"] == "judged"
    assert 0 < record["p_best"] < record["p_within_delta"] < 1
    assert record["p_best"] <= record["p_best_feedstock"]
    assert record["p_best_half_spread"] < record["p_best"] < record["p_best_double_spread"]
    expected = np.sqrt(record["p_best"] * (1 - record["p_best"]) / record["simulations"])
    assert record["p_best_se"] == pytest.approx(expected, rel=1e-4)
    assert set(record["power_conditions"]) == {"peak_temperature", "activation"}
    assert 0 < record["d_efficiency"] <= 1


def test_the_same_plan_is_judged_alike_twice(quality):
    again = judged(dealt(activated=True))
    assert again.record == quality.record
    for name in ("comparisons", "confounding", "effort", "by_firings"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(quality, name))


def test_the_curve_holds_the_plan_itself(quality):
    row = quality.by_firings[quality.by_firings["of_the_plan"] == "yes"].iloc[0]
    assert row["firings"] == 6
    assert row["p_within_delta"] == quality.record["p_within_delta"]
    assert row["p_within_delta_se"] == pytest.approx(quality.record["p_within_delta_se"], rel=1e-4)
    chance = quality.by_firings.set_index("firings")["p_within_delta"]
    assert chance[12] > chance[6] > chance[2]
    assert list(quality.by_firings.columns) == list(curve.COLUMNS)


def test_no_split_takes_more_than_the_effort_of_the_plan(quality):
    effort = quality.effort
    assert (effort["effort_percent"] <= 100 + 1e-9).all()
    assert (effort["effort_percent"] > 70).all()
    costs = {"firing": 240.0, "lot": 30.0, "cell": 30.0}
    planned = (6 + 3) * costs["firing"] + 24 * (costs["lot"] + 2 * costs["cell"])
    for row in effort.to_dict("records"):
        fired = row["firings"] + row["activation_firings"]
        used = fired * costs["firing"] + row["lots"] * costs["lot"] + row["cells"] * costs["cell"]
        assert row["effort_percent"] == pytest.approx(100 * used / planned)
        assert row["cells"] == row["lots"] * row["cells_per_lot"]
    assert (effort["like_the_plan"] == "yes").sum() == 1


def test_dear_cells_and_dear_firings_move_the_best_split():
    whole = plan_analysis(lots_of(dealt()), cells_per_lot=2)
    usual = scatter_for({}, {}, merit="electrode_F_per_g")
    dear, cheap = (
        split.split_effort(whole, usual, costs=costs, crucibles=4, delta_percent=10.0, seed=1)
        for costs in (
            {"firing": 1.0, "lot": 1.0, "cell": 500.0},
            {"firing": 5000.0, "lot": 1.0, "cell": 1.0},
        )
    )
    best = [table.loc[table["p_within_delta"].idxmax()] for table in (dear, cheap)]
    assert best[0]["cells_per_lot"] == 1
    assert best[1]["cells_per_lot"] > 1
    assert best[1]["lots_per_firing"] == 4


@pytest.mark.usefixtures("quick")
def test_what_a_plan_takes_by_hand():
    prices = {
        "electricity_per_kWh": 0.3,
        "koh_per_kg": 5.0,
        "acid_per_L": 2.0,
        "acid_mL_per_g_char": 20.0,
        "labour_per_h": 30.0,
        "labour_h_per_firing": 1.0,
        "labour_h_per_lot": 0.5,
        "labour_h_per_cell": 0.25,
        "currency": "EUR",
    }
    design = dealt(activated=True)
    record = judged(design, prices=prices).record
    n, activated = 24, int((design["activation"] == "KOH").sum())
    assert record["koh_g"] == 15.0 * activated
    assert record["acid_L"] == pytest.approx(5.0 * activated * 20 / 1000)
    assert sum(record["feed_ar_kg"].values()) == pytest.approx(n * 0.02)
    peaks = [600.0, 800.0] * 3 + [700.0] * 3
    hours = heating_hours(peaks, [60.0] * 9, ramp_C_per_min=2)
    assert record["kiln_hours"] == pytest.approx(hours.sum() + 9 * 8, rel=1e-3)
    assert record["kWh"] == pytest.approx(3 * hours.sum(), rel=1e-3)
    assert record["work_hours"] == 9 * 1.0 + n * 0.5 + 2 * n * 0.25
    by_hand = (
        firing_cost(hours, power_kW=3, prices=prices).sum()
        + n * (0.02 * 2.0 + 0.5 * 30)
        + record["koh_g"] / 1000 * 5
        + record["acid_L"] * 2
        + 2 * n * 0.25 * 30
    )
    assert record["money"] == pytest.approx(by_hand, rel=1e-3)
    assert record["money_without"] == []
    assert record["days"] == 9  # one firing a day, each colder than 24 h after its start
    assert "EUR" in Page(page_of(judged(design, prices=prices))).text


def test_scatter_comes_from_the_settings_before_priors_before_usual():
    kept = {"capacitance": {"scatter": {"firing": 0.05, "residual": 0.2, "feedstock": 0.3}}}
    found = scatter_for({"firing_percent": 7.0}, kept, merit="electrode_F_per_g")
    assert (found.percent["firing_percent"], found.source["firing_percent"]) == (7.0, STATED)
    assert found.source["cell_percent"] == found.source["between_feedstocks_percent"] == PRIORS
    assert found.sd("cell_percent") == pytest.approx(0.2)
    assert found.percent["between_feedstocks_percent"] == pytest.approx(percent_of(0.3))
    assert (found.percent["lot_percent"], found.source["lot_percent"]) == (8.0, USUAL)
    other = scatter_for({}, kept, merit="device_F_per_kg_d")
    assert set(other.source.values()) == {USUAL}
    assert log_sd(percent_of(0.25)) == pytest.approx(0.25)


def test_the_settings_name_the_usual_values_and_the_page_every_figure():
    keys = config_schema()["properties"]["plan"]["properties"]["scatter"]["properties"]
    stated = {key: inner["x-default"] for key, inner in keys.items()}
    assert stated == {key: f"priors, else {value:g}" for key, value in USUAL_PERCENT.items()}
    assert set(SCATTER_WORDS) == set(USUAL_PERCENT)


def test_the_page_says_the_headline_first_and_escapes(quality):
    page = Page(page_of(quality, data_are_invented=True))
    text = page.text
    assert headline(quality.record) in text
    assert text.index(headline(quality.record)) < text.index("Assumptions")
    assert "Screen <one>" in text
    assert "Invented data" in text
    assert "No reference lots." in text
    assert page.cells["svg"] == 2
    for key in USUAL_PERCENT:
        assert f"plan.scatter.{key}" in text
    assert "usual*" in text
    assert page_of(quality) == page_of(quality)


def test_an_empty_plan_is_said_to_be_one():
    design = dealt().iloc[:0]
    quality = judged(design)
    assert quality.record == {
        "status": "nothing to plan",
        "message": "nothing to plan yet: feedstocks.csv has no rows",
    }
    assert len(quality.comparisons) == len(quality.effort) == 0
    page = Page(page_of(quality, summary={"cannot_tell": []}))
    assert "Nothing to plan yet: feedstocks.csv has no rows." in page.text
    assert "Assumptions" not in page.text


CORNERS = {
    "one feedstock": {"feeds": ("husk",), "firings": 4},
    "one lot in every firing": {"crucibles": 1, "firings": 12},
    "one firing": {"firings": 1, "crucibles": 6, "temperatures": (700.0,)},
    "one condition": {"temperatures": (700.0,)},
    "as many conditions as firings": {"firings": 3, "temperatures": (600.0, 700.0, 800.0)},
    "two lots": {"firings": 1, "crucibles": 2, "temperatures": (700.0,)},
    "one lot": {"firings": 1, "crucibles": 1, "temperatures": (700.0,)},
}


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("corner", CORNERS)
def test_corner_cases_are_judged_without_a_number_that_is_none(corner):
    quality = judged(dealt(**CORNERS[corner]), plan={"cells_per_lot": 1})
    record = json.loads(json.dumps(quality.record, allow_nan=False))
    assert 0 <= record["p_best"] <= record["p_within_delta"] <= 1
    assert record["cannot_tell"]
    page_of(quality)


@pytest.mark.usefixtures("quick")
def test_all_lots_activated_or_kinds_that_cannot_be_compared():
    design = dealt(activated=True)
    only = design[design["activation"] == "KOH"].reset_index(drop=True)
    assert judged(only).record["status"] == "judged"
    # Activation goes with the feedstock: no term for it.
    tied = dealt()
    on = tied["feedstock"].isin(["husk", "peel"])
    for name, value in (("activation", "KOH"), ("koh_ratio", 3.0), ("activation_firing", "A01")):
        tied.loc[on, name] = value
    quality = judged(tied)
    assert "activation" not in quality.record["power_conditions"]
    # An activation firing without a temperature has no length either.
    assert quality.record["days"] is quality.record["kiln_hours"] is None
    assert "working days" not in Page(page_of(quality)).text


@pytest.mark.usefixtures("quick")
def test_a_factor_the_models_do_not_know_is_named():
    design = dealt().assign(particle_size_mm=[1.0, 2.0] * 12)
    sentences = " ".join(judged(design).record["cannot_tell"])
    assert "The particle size varies in the plan, but the models have no term for it" in sentences


@pytest.mark.usefixtures("quick")
def test_feedstocks_that_never_meet_have_no_standard_error():
    rows = [
        {"firing": f"F{k}", "peak_temperature_C": t, "feedstock": f}
        for k, (t, f) in enumerate([(600.0, "husk"), (800.0, "peel")] * 2)
        for _ in range(2)
    ]
    design = design_of(rows).assign(crucible="1")
    quality = judged(design)
    text = " ".join(quality.record["cannot_tell"])
    assert "cannot be told" in text
    assert quality.record["power_conditions"] == {}


@pytest.mark.usefixtures("quick")
def test_kept_lots_count_for_what_is_told_and_not_for_what_it_takes():
    design = dealt()
    alone = judged(design.iloc[12:].reset_index(drop=True)).record
    quality = judged(design, lots_kept=12)
    both = quality.record
    assert "lots kept from the design, not counted below 12" in Page(page_of(quality)).text
    assert both["lots_kept"] == 12
    for key in ("firings", "lots", "cells", "kiln_hours", "days", "feed_ar_kg", "money"):
        assert both[key] == alone[key]
    assert both["se_feedstocks_percent"] < alone["se_feedstocks_percent"]
    done = judged(design, lots_kept=24).record
    assert (done["firings"], done["lots"], done["days"], done["money"]) == (0, 0, 0, 0.0)


@pytest.mark.usefixtures("quick")
def test_lots_that_were_left_out_tell_nothing():
    design = dealt().assign(exclude_reason=None)
    design.loc[design["firing"] == "F06", "exclude_reason"] = "kiln failed"
    short = dealt(5)
    assert judged(design).record["p_best"] == judged(short).record["p_best"]

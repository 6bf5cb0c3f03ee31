"""The answer of the report: what was measured comes first, promises of the model second."""

import re

import pandas as pd
import pytest
import report_case as case
from charscreen.report.headline import answer
from charscreen.report.page import render_report

MERIT = "electrode_F_per_g"


@pytest.fixture
def promised() -> dict:
    """The first of twelve candidates was never fired; the record of the ranking says so."""
    inputs = case.full_inputs()
    ranking = inputs["ranking"]
    ranking["candidate"] += "_" + ranking["activation"]
    first = ranking.index[ranking["merit"] == MERIT][0]
    ranking.loc[first, ["predicted", "basis"]] = ["yes", "other conditions"]
    ranking.loc[first, ["n_firings", "n_lots", "n_cells"]] = 0
    second = ranking.loc[first + 1, "candidate"]
    inputs["rank_summary"]["merits"][MERIT]["measured"] = {
        "n": 11,
        "best": second,
        "p_best": 0.83,
        "group": [second, ranking.loc[first + 4, "candidate"]],
        "p_best_in_group": 0.97,
        "predicted_ahead": ranking.loc[first, "candidate"],
        "p_predicted_ahead": 0.71,
    }
    return inputs


def _proposal(**more) -> dict:
    lot = {"firing": "F9", "feedstock": "husk", "activation": "none", "hold_min": 60.0}
    design = pd.DataFrame([lot | {"peak_temperature_C": 600.0}] * 2)
    summary = {
        "merit": MERIT,
        "status": "propose",
        "unit": "F/g",
        "gain": 3.34,
        "gain_se": 0.16,
        "loss_now": 9.43,
        "sentences": [],
    }
    return {"summary": summary | more, "design": design}


def test_the_best_measured_leads_with_its_chance_among_the_measured(promised):
    first, second, third = answer(promised, case.CONFIG)
    assert first.startswith(
        "By electrode capacitance, the best of 11 measured candidates is husk, 600 °C, 60 min, "
        "KOH 3 : 1, with 193 F/g"
    )
    assert first.endswith("the chance that it really is the best of them is 83 %.")
    assert "the chance that the best is among these 2 is 97 %." in second
    assert second.endswith(
        "The model expects more, 200 F/g (188 to 214 F/g), of husk, 600 °C, 60 min, not "
        "activated, a condition not fired yet; the chance that it is ahead is 71 %; fire it to "
        "know."
    )
    assert third.endswith("to do next: fire what the model expects.")


def test_what_to_do_next_is_that_which_is_proposed(promised):
    promised["next"] = _proposal()
    third = answer(promised, case.CONFIG)[2]
    assert third == (
        "To do next: 1 firing of 2 lots at 600 °C, 60 min, expected to take 3.34 ± 0.16 F/g off "
        "the 9.43 F/g that choosing now is expected to lose; what the model expects most of is "
        "in it."
    )
    promised["next"]["design"]["hold_min"] = 30.0
    assert "is not in it, so fire that as well" in answer(promised, case.CONFIG)[2]


def test_advice_to_stop_is_the_last_word(promised):
    promised["next"] = _proposal(status="stop", sentences=["Stop: nothing more to gain."])
    assert answer(promised, case.CONFIG)[2] == "Stop: nothing more to gain."


def test_a_proposal_for_another_merit_is_not_borrowed():
    inputs = case.full_inputs()
    inputs["next"] = _proposal(merit="device_F_per_kg_d")
    assert answer(inputs, case.CONFIG)[2].startswith("The first place rests on 1 firing")


def test_conditions_without_a_place_are_pointed_at_under_the_answer():
    inputs = case.full_inputs()
    page = render_report(inputs, config=case.CONFIG, figures={})
    assert 'href="#ranking-left-out"' not in page
    inputs["rank_summary"]["missing"] = ["x_750C is not ranked by electrode capacitance: why."]
    page = render_report(inputs, config=case.CONFIG, figures={})
    assert 'href="#ranking-left-out">some conditions have no place in the ranking</a>' in page
    assert 'id="ranking-left-out"' in page


def test_sets_of_candidates_are_named_where_some_are_predicted(promised):
    page = render_report(promised, config=case.CONFIG, figures={})
    said = re.sub(r"<[^>]+>", "", page).replace("\N{NO-BREAK SPACE}", " ")
    assert "By electrode capacitance, 2 of 11 measured candidates cannot be told apart" in said
    assert (
        "With the 1 that was not measured at its own condition counted as well, husk, 600 °C, "
        "60 min, not activated (not measured there) comes first, and 2 of the other 11 cannot be "
        "told apart from it."
    ) in said


def test_one_candidate_alone_has_no_place():
    inputs = case.full_inputs()
    ranking = inputs["ranking"]
    inputs["ranking"] = ranking[ranking["merit"] == MERIT].head(1)
    page = render_report(inputs, config=case.CONFIG, figures={})
    assert "The only candidate with electrode capacitance" in page
    for word in ("Place", "Chance best", "Told apart"):
        assert f">{word}</th>" not in page
    assert "nothing is known of how temperature and hold act" in page

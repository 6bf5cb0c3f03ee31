"""Sentences that many pages share: where they fall back, and what they say of little."""

import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen.report.headline import _planned, _remedy, _unseen, answer
from charscreen.report.text import (
    answering_merit,
    group_rule,
    interval_level,
    scatter_sentences,
)

MERIT = "electrode_F_per_g"


def test_the_merit_that_answers_is_the_first_that_ranks_anything():
    ranking = case.full_inputs()["ranking"]
    other = ranking[ranking["merit"] == "device_F_per_kg_d"]
    assert answering_merit(ranking, [MERIT]) == MERIT
    assert answering_merit(other, [MERIT]) == "device_F_per_kg_d"
    assert answering_merit(ranking.iloc[:0], [MERIT]) is None
    assert answering_merit(None, [MERIT]) is None


def test_an_answer_by_another_merit_says_that_the_first_ranks_nothing():
    inputs = case.full_inputs()
    ranking = inputs["ranking"]
    inputs["ranking"] = ranking[ranking["merit"] != MERIT].reset_index(drop=True)
    first = answer(inputs, case.CONFIG)[0]
    assert first.startswith("Nothing is ranked by electrode capacitance yet; by device farads")


def test_levels_of_settings_stand_in_where_the_summary_has_none():
    config = {"ranking": {"interval_percent": 80, "group_probability": 0.95}}
    assert interval_level({}, config) == "80 %"
    assert interval_level({"rank_summary": {"interval_percent": 90.0}}, config) == "90 %"
    assert "in 95 % of the draws or more" in group_rule({}, config)
    assert "in 70 % of" in group_rule({"rank_summary": {"group_probability": 0.7}}, config)


def test_scatter_under_one_level_cannot_be_divided():
    model = case.make_model(case.make_yields(["husk", "shell"]))
    variance = model["variance"]
    one = variance[variance["level"].isin(["feedstock", "lot"])]
    (sentence,) = scatter_sentences({"char_yield": {"variance": one}})
    assert "cannot be divided; all of it stands under one level, lot" in sentence
    none = variance.assign(share_percent=np.nan)
    assert scatter_sentences({"char_yield": {"variance": none}}) == []


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"predicted": "yes", "n_firings": 0, "basis": "other conditions"}, "not fired yet"),
        ({"predicted": "no", "n_firings": 1, "basis": "yield only"}, "no cell was measured"),
    ],
)
def test_why_a_candidate_that_leads_was_not_seen(row, words):
    assert words in _unseen({"n_lots": row["n_firings"], "n_cells": 0} | row)


def test_what_a_design_without_lots_says():
    assert _planned({"feedstocks": 3}) == "3 feedstocks named, no lot in config/design.csv yet."
    assert _planned({}).startswith("No feedstock is named")
    assert (
        _planned({"design": 4, "feedstocks": 1}) == "The design has 4 lots of 1 feedstock to fire."
    )


def test_the_remedy_names_levels_that_go_together():
    plain = "repeat each of them in a new firing"
    variance = pd.DataFrame(
        {"level": ["feedstock", "firing+lot+cell", "activation_firing"],
         "variance": [0.01, 0.04, 0.0001], "share_percent": [np.nan, 99.0, 1.0],
         "sd_percent": [10.0, 20.0, 1.0]}
    )  # fmt: skip
    best = {"n_firings": 2, "n_lots": 2, "n_cells": 4}
    assert "firings, lots and cells, which these data cannot tell apart" in _remedy(best, variance)
    assert _remedy(best, variance.assign(variance=0.0)) == plain
    assert _remedy(best, variance[:2]) == plain
    assert _remedy(best, None) == plain

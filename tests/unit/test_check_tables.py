"""Checks, alternatives and best effort of the models, as a page shows them."""

import numpy as np
import pandas as pd
from charscreen.report.check_tables import (
    alternatives_table,
    checks_table,
    dropped_sentence,
    effort_sentences,
)

PLACE = {"id": "t", "caption": "Looked at", "file": "results/fit/x.csv"}


def test_checks_show_interval_value_alone_or_nothing():
    checks = pd.DataFrame(
        [
            ["power of the value", -0.11, -0.268, 0.047, np.nan, "no sign of trouble"],
            ["trend over the firings", 0.1158, np.nan, np.nan, 0.507, "no sign of trouble"],
            ["lack of fit", np.nan, np.nan, np.nan, 0.00004, "does not fit"],
        ],
        columns=["words", "estimate", "lo", "hi", "p", "verdict"],
    )
    rows = checks_table(checks, **PLACE).rows
    minus = "\N{MINUS SIGN}"
    assert rows[0] == [
        "Power of the value", f"{minus}0.11 ({minus}0.27 to 0.05)", "", "no sign of trouble",
    ]  # fmt: skip
    assert rows[1][:3] == ["Trend over the firings", "0.12", "0.51"]
    assert rows[2][0] == "Lack of fit"
    assert rows[2][2].startswith("<")


def test_alternatives_keep_their_order():
    table = pd.DataFrame(
        {"words": ["the chosen terms", "without hold"], "n_parameters": [16.0, 15.0],
         "delta_aicc": [4.089, 0.0], "error_percent": [18.87, np.nan]}
    )  # fmt: skip
    rows = alternatives_table(table, **PLACE).rows
    assert rows[0] == ["The chosen terms", "16", "4.1", "18.9"]
    assert rows[1][:3] == ["Without hold", "15", "0.0"]
    assert "nan" not in rows[1][3]


def effort(rows):
    columns = ["question", "cells_per_lot", "lots_per_firing", "relative_cost", "best"]
    return {"effort": pd.DataFrame(rows, columns=columns)}


def test_the_cheapest_effort_and_what_lies_near_it():
    model = effort(
        [
            ["feedstocks", 1, 6, 1.02, "no"],
            ["feedstocks", 2, 6, 1.00, "yes"],
            ["feedstocks", 3, 6, 1.0999, "no"],
            ["feedstocks", 4, 6, 1.22, "no"],
            ["temperatures", 1, 6, 1.0, "yes"],
            ["temperatures", 2, 6, 1.3, "no"],
        ]
    )
    first, second = effort_sentences({"capacitance": model, "char_yield": effort([])})
    assert "to compare feedstocks: cheapest with 2 cells per lot at the costs" in first
    assert first.endswith("Within a tenth of that lie 1 to 3 cells per lot.")
    assert second.endswith("cheapest with 1 cell per lot at the costs in the config.")


def test_cells_and_lots_are_told_together_and_an_unknown_cost_gives_no_span():
    model = effort([["feedstocks", 2, 4, np.nan, "yes"], ["feedstocks", 1, 6, np.nan, "no"]])
    (sentence,) = effort_sentences({"capacitance": model})
    assert "2 cells per lot and 4 lots per firing at the costs in the config." in sentence
    assert "Within a tenth" not in sentence
    assert effort_sentences({"capacitance": {"effort": None}}) == []


def test_each_dropped_term_is_said_once():
    entry = {"term": "peak_temperature", "reason": "it did not vary"}
    assert dropped_sentence({"dropped": [entry, entry]}) == [
        "Not in the model: peak temperature (it did not vary)."
    ]
    assert dropped_sentence({}) == []

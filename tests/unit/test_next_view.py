"""The report's section on what to run next."""

import pandas as pd
from charscreen.report.next_view import next_section

NAMES = {"husk": "Rice husk", "peel": "Orange peel"}
SUMMARY = {
    "status": "propose",
    "sentences": ["Choosing husk_700C_60min_KOH3 now is expected to lose 9 F/g."],
    "cannot_tell": ["Too little left in stock for one more lot: peel."],
    "best_of_moves": ["N02", "N01"],
}
DESIGN = pd.DataFrame(
    {
        "run": ["R7", "R8"],
        "role": ["repeat", "screen"],
        "feedstock": ["husk", "peel"],
        "firing": ["F3", "F3"],
        "peak_temperature_C": [700.0, 700.0],
        "hold_min": [60.0, 60.0],
        "activation": ["KOH", "none"],
        "koh_ratio": [3.0, None],
        "feed_ar_g": [31.4, None],
    }
)
LOTS = pd.DataFrame({"run": ["R7", "R8"], "expected_char_g": [5.13, None]})
OPTIONS = pd.DataFrame(
    {
        "option": ["N01", "N02", "N03"],
        "move": ["lots", "cells", "lots"],
        "n_firings": [1, 0, 1],
        "n_lots": [2, 0, 1],
        "n_cells": [4, 3, 2],
        "lots": [
            "700 °C 60 min: 1 x husk with KOH, 1 x peel",
            "3 of R1",
            "700 °C 60 min: 1 x peel",
        ],
        "expected_gain": [2.5, 0.4, 0.0],
        "gain_se": [0.12, 0.04, 0.0],
        "unit": "F/g",
        "cost": [700.0, 90.0, 350.0],
        "cost_unit": "costs",
        "kiln_h": [30.0, 0.0, 15.0],
        "gain_per_cost": [2.5 / 700, 0.4 / 90, 0.0],
        "proposed": ["yes", "no", "no"],
    }
)


def section(**over):
    given = {"summary": SUMMARY, "design": DESIGN, "lots": LOTS, "options": OPTIONS} | over
    return next_section({"next": given, "feedstock_names": NAMES}, "results")


def test_a_proposal_shows_its_lots_and_the_moves_compared():
    made = section()
    text, bullets, lots, moves, how = made.blocks
    assert (
        text.text == "Choosing Rice husk, 700 °C, 60 min, KOH 3 : 1 now is expected to lose 9 F/g."
    )
    assert bullets.items == ["Too little left in stock for one more lot: Orange peel."]
    assert lots.rows == [
        ["R7", "F3", "700 °C, 60 min", "Rice husk", "KOH 3 : 1", "repeat", "31.4", "5.13"],
        ["R8", "F3", "700 °C, 60 min", "Orange peel", "not activated", "screen", "", ""],
    ]
    # The proposed one, then the best of each move by gain for its cost; each once.
    assert [row[0] for row in moves.rows] == [
        "1 firing of 2 lots (proposed)",
        "3 more cells of lots at hand",
    ]
    assert moves.rows[0][1:] == [
        "700 °C 60 min: 1 x Rice husk with KOH, 1 x Orange peel",
        "2.50 ± 0.12",
        "700",
        "30.0",
        "0.357",
    ]
    assert "accept_plan.py --next" in how.text


def test_where_nothing_is_proposed_the_section_is_a_sentence():
    none = section(
        summary=SUMMARY | {"sentences": ["Nothing can be fired."], "cannot_tell": []},
        design=DESIGN.head(0),
        lots=LOTS.head(0),
        options=OPTIONS.head(0),
    )
    assert [block.text for block in none.blocks] == ["Nothing can be fired."]
    absent = next_section({}, "results")
    assert [block.text for block in absent.blocks] == ["Nothing was proposed."]

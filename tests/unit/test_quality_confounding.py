"""Confounding of planned terms: aliases of a known fraction, levels that coincide."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from charscreen.quality.confounding import confounding_table
from charscreen.quality.planned import lots_of, plan_analysis
from quality_case import KOH, design_of


def fraction_2_5_2() -> pd.DataFrame:
    """The 2^(5-2) of resolution III with D = AB and E = AC, one lot per firing."""
    rows = []
    for k, (a, b, c) in enumerate(product((-1, 1), repeat=3)):
        rows.append(
            {
                "firing": f"F{k}",
                "peak_temperature_C": 700.0 + 100 * a,
                "hold_min": 45.0 + 15 * b,
                "ramp_C_per_min": 3.0 + c,
                "particle_size_mm": 2.0 + a * b,
                "drying_C": 100.0 + 5 * a * c,
            }
        )
    return design_of(rows)


def table_of(design: pd.DataFrame) -> pd.DataFrame:
    return confounding_table(design, plan_analysis(lots_of(design), cells_per_lot=2))


def test_the_aliases_of_a_quarter_fraction_are_the_known_ones():
    # Generators D = AB, E = AC give the words ABD, ACE, BCDE (Montgomery, Design and Analysis of
    # Experiments, ch. 8; from memory): A = BD = CE, B = AD, C = AE, D = AB, E = AC among the
    # second-order terms, and nothing else.
    table = table_of(fraction_2_5_2())
    short = {
        "peak_temperature_C": "A",
        "hold_min": "B",
        "ramp_C_per_min": "C",
        "particle_size_mm": "D",
        "drying_C": "E",
    }
    found = {
        (short[row["term"]], "".join(short[name] for name in row["other"].split(":")))
        for row in table[table["kind"] == "alias"].to_dict("records")
    }
    assert found == {
        *(("A", "BD"), ("A", "CE"), ("B", "AD"), ("C", "AE"), ("D", "AB"), ("E", "AC")),
    }
    assert np.allclose(table.loc[table["kind"] == "alias", "value"], 1.0)
    assert (table.loc[table["kind"] == "correlation", "value"] == 0).all()
    assert (table.loc[table["kind"] == "explained", "value"] < 1e-9).all()
    coincide = table[(table["kind"] == "coincide") & (table["term"] == "firings")]
    assert coincide["value"].tolist() == [1.0]
    assert "cannot be told apart" in coincide["meaning"].iloc[0]


def test_factors_that_change_together_are_named():
    rows = [
        {"firing": f"F{k}", "peak_temperature_C": t, "hold_min": h, "feedstock": f}
        for k, (t, h) in enumerate([(600.0, 30.0), (800.0, 60.0)] * 3)
        for f in ("husk", "peel")
    ]
    table = table_of(design_of(rows))
    row = table[table["kind"] == "correlation"].iloc[0]
    assert {row["term"], row["other"]} == {"peak_temperature_C", "hold_min"}
    assert row["value"] == pytest.approx(1.0)
    assert "one effect stands for both" in row["meaning"]
    assert (table.loc[table["kind"] == "explained", "value"] > 0.98).all()
    dropped = table[table["kind"] == "dropped"].set_index("term")["meaning"]
    assert "changed together" in dropped["hold"]


def test_one_activation_firing_per_char_firing_is_said():
    rows = [
        {
            "firing": f"F{k}",
            "feedstock": f,
            "activation": KOH,
            "koh_ratio": 3.0,
            "activation_firing": f"A{k}",
            "activation_temperature_C": 700.0,
            "activation_hold_min": 60.0,
        }
        for k in range(4)
        for f in ("husk", "peel")
    ]
    table = table_of(design_of(rows))
    row = table[(table["term"] == "activation firings") & (table["other"] == "char firings")]
    assert row["value"].tolist() == [1.0]
    assert "cannot be told apart" in row["meaning"].iloc[0]

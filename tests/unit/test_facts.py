"""What merits are made with beside measurements: voltage and current of the cells."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.cost import has_prices
from charscreen.rank.facts import make_facts

GIVEN = {"kiln": {}, "prices": {}, "feedstocks": [{"feedstock": "husk", "price_per_kg": 1.0}],
         "koh_purity_percent": 85.0, "max_koh_g": 40.0, "expressions": {}}  # fmt: skip
CELLS = pd.DataFrame(
    {"cell": ["C1", "C2", "C3", "C4"], "electrode_F_per_g": [150.0, 160.0, 170.0, np.nan],
     "esr_area_ohm_cm2": [5.0, np.nan, 6.0, 7.0], "current_A_per_g": [1.0, 1.0, 0.5, 9.0],
     "carbon_1_mg": 5.0, "carbon_2_mg": [5.0, 5.0, 7.0, 5.0], "area_cm2": [1.0, 1.0, 2.0, 1.0]}
)  # fmt: skip


def test_median_voltage_and_current_of_the_cells_that_have_them():
    """By hand: 1 A/g on 10 mg/cm² is 10 mA/cm², 0.5 A/g on 12 mg over 2 cm² is 3; between: 6.5."""
    facts = make_facts(CELLS, {"C1": 0.8, "C2": 1.0, "C3": 0.9, "C4": 2.5}, GIVEN)
    assert facts.voltage_V == pytest.approx(0.9)
    assert facts.drop_A_per_cm2 == pytest.approx(6.5e-3)
    assert facts.voltage_words == (
        "0.9 V, the median upper voltage of 3 cells (0.8 to 1 V), less the drop of the series "
        "resistance at 6.5 mA/cm², the median current of the 2 cells that have one"
    )
    assert facts.feedstocks == {"husk": GIVEN["feedstocks"][0]}


def test_without_a_resistance_nothing_is_taken_off_and_without_a_voltage_nothing_is_said():
    plain = CELLS.assign(esr_area_ohm_cm2=np.nan)
    facts = make_facts(plain, {"C1": 0.9, "C2": 0.9}, GIVEN)
    assert facts.voltage_words == "0.9 V, the median upper voltage of 2 cells"
    assert facts.drop_A_per_cm2 is None
    facts = make_facts(CELLS, {}, GIVEN)
    assert (facts.voltage_V, facts.voltage_words) == (None, "")
    assert facts.drop_A_per_cm2 == pytest.approx(6.5e-3)
    few = make_facts(CELLS[["cell", "electrode_F_per_g"]], {"C1": 0.9}, GIVEN)
    assert (few.voltage_V, few.drop_A_per_cm2) == (0.9, None)
    assert make_facts(CELLS[:0], {"C1": 0.9}, GIVEN).voltage_V is None


@pytest.mark.parametrize(
    ("prices", "feeds", "expected"),
    [
        ({}, [], False),
        ({"koh_per_kg": None}, [{"price_per_kg": None}], False),
        ({"koh_per_kg": 20.0, "acid_per_L": None}, [], True),
        ({}, [{"price_per_kg": 0.0}, {"price_per_kg": None}], True),
    ],
)
def test_one_price_is_enough_and_nought_is_one(prices, feeds, expected):
    assert has_prices(prices, feeds) is expected

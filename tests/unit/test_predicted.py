"""The grid of conditions that a model is asked about, and their names."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.predicted import _free_name, _levels


@pytest.mark.parametrize(
    ("name", "values", "most", "expected"),
    [
        # Holds go by equal factors, to 5 min: 30, 30·2 and 120.
        ("hold_min", [30.0, 120.0], 3, [30.0, 60.0, 120.0]),
        ("hold_min", [20.0, 22.0], 3, [20.0, 22.0]),
        ("hold_min", [1.0, 3.0], 4, [1.0, 3.0]),
    ],
)
def test_holds_go_by_equal_factors(name, values, most, expected):
    assert list(_levels(pd.Series(values), name, most)) == pytest.approx(expected)


def test_temperatures_go_in_round_steps_with_both_ends_and_are_thinned():
    values = pd.Series([612.0, 788.0])
    every = _levels(values, "peak_temperature_C", 100)
    assert (every[0], every[-1]) == (612.0, 788.0)
    steps = np.diff(every[1:-1])
    assert len(set(steps)) == 1
    assert every[1] % steps[0] == 0
    few = _levels(values, "peak_temperature_C", 3)
    assert len(few) == 3
    assert (few[0], few[-1]) == (612.0, 788.0)
    assert set(few) <= set(every)


def test_a_name_that_is_taken_gets_the_condition_of_the_activation():
    row = {"feedstock": "husk", "peak_temperature_C": 700.0, "hold_min": 60.0, "activation": "KOH",
           "koh_ratio": 3.0, "activation_temperature_C": 800.0,
           "activation_hold_min": 30.0}  # fmt: skip
    name = _free_name(row, [])
    assert _free_name(row, [name]) == f"{name}_800C"
    assert _free_name(row, [name, f"{name}_800C"]) == f"{name}_800C_30min"
    assert _free_name(row | {"activation_temperature_C": np.nan}, [name]) == f"{name}_30min"

"""The grid of conditions that a model is asked about, and their names."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.candidates import CONDITION
from charscreen.rank.predicted import _free_name, _levels, _scaled, unmeasured
from charscreen.rank.summaries import predicted_sentences


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


def test_at_least_both_ends_are_asked_about():
    assert list(_levels(pd.Series([600.0, 650.0, 800.0]), "peak_temperature_C", 1)) == [600, 800]


def test_holds_are_scaled_by_their_logarithm_from_one_minute_on():
    conditions = pd.DataFrame({"peak_temperature_C": [600.0, 700.0], "hold_min": [0.5, 32.0]})
    assert _scaled(conditions).tolist() == [[600.0, 0.0], [700.0, 5.0]]


def test_feedstocks_that_would_do_better_elsewhere_are_counted_by_merit():
    merit, other = "electrode_F_per_g", "device_F_per_kg_d"

    def row(feedstock, merit, gain_percent):
        return {"feedstock": feedstock, "merit": merit, "candidate": f"{feedstock}_710C",
                "gain_percent": gain_percent}  # fmt: skip

    chosen = [row("husk", merit, 4.0), row("peel", merit, 0.0), row("shell", merit, 2.0)]
    # The candidate of the shell was left out of the ranking, say by a limit.
    (one,) = predicted_sentences(chosen, {merit: ["husk_710C", "peel_710C"]})
    assert one.startswith("By electrode capacitance, 1 of 3 feedstocks would do better")
    same = [*chosen, *(row(r["feedstock"], other, r["gain_percent"]) for r in chosen)]
    places = {name: ["husk_710C", "shell_710C"] for name in (merit, other)}
    (both,) = predicted_sentences(same, places)
    assert both.startswith(
        "By electrode capacitance and device farads per kg dry feed, 2 of 3 feedstocks each would"
    )
    (none,) = predicted_sentences(chosen, {merit: []})
    assert "no feedstock is expected to do better" in none
    assert predicted_sentences([], {}) == []


def test_conditions_that_no_lot_was_made_at_are_marked_as_predicted():
    conditions = pd.DataFrame([dict.fromkeys(CONDITION, 1.0)] * 2)
    rows = unmeasured(conditions, "husk")
    assert set(rows["feedstock"]) == {"husk"}
    assert rows["predicted"].tolist() == ["yes", "yes"]
    assert rows["off_plan"].tolist() == [False, False]
    assert (rows[["n_firings", "n_lots", "n_cells"]] == 0).all(axis=None)

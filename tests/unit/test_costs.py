"""Costs by hand."""

import numpy as np
import pytest
from charscreen.costs import firing_cost, heating_hours, lot_cost

PRICES = {
    "koh_per_kg": 5.0,
    "acid_per_L": 2.0,
    "acid_mL_per_g_char": 50.0,
    "electricity_per_kWh": 0.3,
    "labour_per_h": 40.0,
    "labour_h_per_firing": 0.5,
    "labour_h_per_lot": 0.25,
}


def test_heating_counts_the_way_up_and_the_hold():
    # 680 °C at 2 °C/min is 340 min; with 60 min of hold 400 min.
    assert heating_hours(700, 60, ramp_C_per_min=2) == pytest.approx(400 / 60)
    assert heating_hours([700, 20], [60, 30], ramp_C_per_min=None) == pytest.approx([1.0, 0.5])


def test_a_firing_costs_its_electricity_and_its_labour():
    # 5 h at 3 kW are 15 kWh, 4.5 in money; half an hour of work is 20.
    assert firing_cost([5.0], power_kW=3, prices=PRICES) == pytest.approx([24.5])
    assert firing_cost(5.0, power_kW=3, prices={}) == 0


def test_a_lot_costs_feed_chemicals_labour_and_its_share_of_the_kiln():
    cost = lot_cost(
        feed_ar_kg=[0.1, 0.2],
        feed_price_per_kg=[1.0, np.nan],
        koh_g=[40.0, 0.0],
        char_taken_g=[10.0, 0.0],
        firing_share=[8.0, 4.0],
        prices=PRICES,
    )
    # Feed 0.1, KOH 0.2, acid 0.5 L at 2 is 1, labour 10, share 8; the second 10 and 4.
    assert cost == pytest.approx([19.3, 14.0])

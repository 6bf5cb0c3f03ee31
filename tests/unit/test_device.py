"""Device farads of a lot as a response of its own."""

import numpy as np
import pandas as pd
import pytest
from charscreen.models.device import device_of_lots, fit_device_model
from simulated_screen import simulate_screen


def test_cells_are_joined_by_their_geometric_mean_and_errors_in_quadrature():
    yields = pd.DataFrame(
        {
            "run": ["R1", "R2", "R3"],
            "carbon_g_per_kg_d": [250.0, 100.0, np.nan],
            "carbon_g_per_kg_d_se": [2.5, np.nan, np.nan],
        }
    )
    cells = pd.DataFrame(
        {
            "run": ["R1", "R1", "R3", "R4"],
            "cell_F_per_g": [20.0, 45.0, 30.0, 30.0],
            "cell_F_per_g_se": [0.4, 0.9, 0.6, 0.6],
        }
    )
    found = device_of_lots(yields, cells)
    # sqrt(20 x 45) x 250 = 7500; relative: sqrt(0.02² + 0.02²)/2 = 0.0141421 with 0.01.
    assert found["run"].tolist() == ["R1"]
    assert found["device_F_per_kg_d"].tolist() == pytest.approx([7500.0])
    assert found["device_F_per_kg_d_se"].tolist() == pytest.approx([7500 * np.sqrt(3e-4)])


def test_without_cells_there_is_no_model_and_a_reason():
    yields = pd.DataFrame({"run": ["R1"], "carbon_g_per_kg_d": [250.0]})
    found = fit_device_model(
        yields, pd.DataFrame(columns=["run"]), pd.DataFrame(), pd.DataFrame(), settings={}
    )
    assert not found.model["fitted"]
    assert found.model["reason"].startswith("no lot has both its finished carbon weighed")


def test_effects_of_yield_and_capacitance_come_out_together():
    screen = simulate_screen(11, firing_sd=0.01, lot_sd=0.01, cell_sd=0.01)
    on = (screen.yields["activation"] == "KOH").to_numpy()
    step = np.where(on, screen.yields["yield_activated_percent"] / 100, 1.0)
    yields = screen.yields.assign(
        carbon_g_per_kg_d=10 * screen.yields["yield_char_d_percent"] * step
    )
    cells = screen.cells.assign(cell_F_per_g=screen.cells["electrode_F_per_g"] / 4)
    found = fit_device_model(
        yields, cells, screen.design, screen.firings, settings={"draws": 1000, "seed": 1}
    )
    row = found.effects.set_index("term").loc["activated with KOH"]
    # The truth of the simulation: 0.35 in log F/g, and log of the activation yield, whose mean
    # is the inverse logit of -1.3 (0.214). Feedstocks differ in both by 0.08 and 0.12, so the mean
    # of 12 by 0.042; 0.1 allows for that, and four standard errors for the rest.
    truth = 0.35 + np.log(1 / (1 + np.exp(1.3)))
    assert row["estimate"] == pytest.approx(truth, abs=4 * row["se"] + 0.1)
    assert found.model["n_lots"] == 72

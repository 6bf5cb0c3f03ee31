"""The ranking on a few simulated screens of known truth; tests/bench/bench_ranking.py runs many."""

from unittest import mock

import numpy as np
import pandas as pd
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.models import fit as model_fit
from charscreen.models.tables import empty_table, natural, predict_draws
from charscreen.rank import rank_statistics
from charscreen.rank.candidates import list_candidates
from simulated_screen import simulate_screen

SCREENS = 12
KEYS = ["feedstock", "activation", "peak_temperature_C", "hold_min"]

pytestmark = pytest.mark.slow  # a minute and a half of simulated screens


@pytest.fixture(scope="module")
def outcomes():
    """Per screen: chance of the choice, whether it was best, its loss and that of raw means."""
    rows = []
    for seed in range(300, 300 + SCREENS):
        screen = simulate_screen(seed, n_firings=9, lots_per_firing=5, draw_conditions=True)
        # Checks and alternatives change no draw.
        with (
            mock.patch.object(model_fit, "_add_checks"),
            mock.patch.object(
                model_fit, "compare_alternatives", return_value=empty_table("alternatives")
            ),
        ):
            found = fit_capacitance_model(
                screen.cells, screen.design, screen.firings, settings={"draws": 1000, "seed": seed}
            )
        candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
        values = natural(found.model, predict_draws(found.model, found.draws, candidates))
        statistics = rank_statistics(values)
        truth = screen.true_values(candidates)["electrode_F_per_g"].to_numpy()
        raw = screen.cells.groupby(KEYS)["electrode_F_per_g"].mean().reset_index()
        raw = candidates[KEYS].merge(raw, on=KEYS, how="left")["electrode_F_per_g"]
        choice = statistics["estimate"].idxmax()
        rows.append(
            {
                "p_best": statistics["p_best"][choice],
                "was_best": truth[choice] == truth.max(),
                "loss": 1 - truth[choice] / truth.max(),
                "raw_loss": 1 - truth[raw.argmax()] / truth.max(),
                "stated_loss": statistics["expected_loss"][choice] / truth.max(),
            }
        )
    return pd.DataFrame(rows)


def test_choices_are_best_about_as_often_as_their_chances_say(outcomes):
    # Three standard deviations of a sum of independent yes-or-no outcomes.
    p = outcomes["p_best"]
    spread = np.sqrt((p * (1 - p)).sum())
    assert abs(outcomes["was_best"].sum() - p.sum()) < 3 * spread


def test_the_choice_loses_less_than_sorting_raw_means(outcomes):
    assert outcomes["loss"].mean() < outcomes["raw_loss"].mean()


def test_the_loss_is_about_what_is_stated(outcomes):
    # Within three standard errors over screens.
    difference = outcomes["loss"] - outcomes["stated_loss"]
    assert abs(difference.mean()) < 3 * difference.sem()

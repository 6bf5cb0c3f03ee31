"""Ranking by draws against published constants and exact integrals."""

import json
from pathlib import Path

import numpy as np
import pytest
from charscreen.rank import rank_statistics

DATA = Path(__file__).parent / "data"


def read(name):
    return json.loads((DATA / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize("k", ["2", "3", "4", "5", "10"])
def test_probability_of_correct_selection_is_95_percent_at_bechhofers_constants(k):
    # Bechhofer (1954), Ann. Math. Stat. 25, 16, Table I, from memory (see the data file):
    # one of k means ahead of all others by delta = d sigma / sqrt(n) has the highest sample
    # mean with probability 0.95.
    # Tolerance: four Monte Carlo standard errors, 4 sqrt(0.95 * 0.05 / 200 000) = 0.00195.
    # The constants' own rounding in the fourth decimal moves the probability by 1e-5.
    n_draws = 200_000
    draws = np.random.default_rng(41).standard_normal((n_draws, int(k)))
    draws[:, 0] += read("selection_constants.json")["expected"][k]
    found = rank_statistics(draws)
    assert found["p_best"][0] == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / n_draws))
    assert found["p_best"].sum() == pytest.approx(1.0, abs=1e-9)


def corrosion_draws(n_draws):
    """Means with differences on a multivariate t: rho 1/2, the given se and df."""
    data = read("rank_probability_corrosion.json")["data"]["bhh_coating"]
    rng = np.random.default_rng(42)
    noise = rng.standard_normal((n_draws, 4)) * data["se_diff"] / np.sqrt(2)
    stretch = np.sqrt(data["df"] / rng.chisquare(data["df"], n_draws))
    return np.array(data["means"]) + noise * stretch[:, None]


def test_probability_of_best_of_the_corrosion_coatings():
    # Exact multivariate-t integrals (R pmvt, tolerance 2e-6 there). Ours are shares of 2e6
    # draws: tolerance four Monte Carlo standard errors each, 3e-5 to 1.1e-4.
    n_draws = 2_000_000
    exact = np.array(read("rank_probability_corrosion.json")["expected"]["bhh_p_best"]["value"])
    found = rank_statistics(corrosion_draws(n_draws))
    tolerance = 4 * np.sqrt(exact * (1 - exact) / n_draws)
    assert (np.abs(found["p_best"].to_numpy() - exact) <= tolerance).all()


def test_group_of_the_corrosion_coatings_is_guptas_subset():
    # The subset of the data file counts from zero and holds the fourth coating alone.
    found = rank_statistics(corrosion_draws(50_000), group_probability=0.95)
    expected = read("rank_probability_corrosion.json")["expected"]["gupta_subset_bhh"]["value"]
    assert list(np.flatnonzero(found["in_group"])) == expected

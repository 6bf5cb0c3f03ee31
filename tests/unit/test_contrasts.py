"""Means of candidates from the table a fit leaves behind, against the fit itself."""

import numpy as np
import pytest
from capacitance_model import fit_capacitance_model
from charscreen.models import fit as model_fit
from charscreen.models.contrasts import fixed_means
from charscreen.models.tables import empty_table
from charscreen.rank.candidates import list_candidates
from simulated_screen import simulate_screen


@pytest.fixture(scope="module")
def case():
    """A fitted model, its candidates, and the mixed model behind it."""
    screen = simulate_screen(5, n_feedstocks=5, n_firings=6, lots_per_firing=5)
    kept = {}
    fixed_view = model_fit.fixed_view

    def keep(*arguments, **named):
        kept["view"] = fixed_view(*arguments, **named)
        return kept["view"]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(model_fit, "fixed_view", keep)
        tables = fit_capacitance_model(
            screen.cells, screen.design, screen.firings, settings={"draws": 200, "seed": 1}
        )
    candidates = list_candidates(screen.design, screen.firings, screen.yields, screen.cells)
    return tables, candidates, kept["view"]


def test_means_of_feedstocks_agree_with_the_table_of_means(case):
    tables, _, view = case
    centre = view.means[["feedstock", "activation"]].copy()
    found = fixed_means(tables.model, tables.inference, centre)
    assert np.exp(found.estimate) == pytest.approx(view.means["estimate"].to_numpy(), rel=1e-9)


def test_covariance_and_degrees_of_freedom_are_those_of_the_fit(case):
    tables, candidates, view = case
    found = fixed_means(tables.model, tables.inference, candidates)
    names = list(view.fit.fixed_effects.index)
    covariates = tables.model["covariates"]
    for i, j in [(0, 1), (2, 9), (4, len(candidates) - 1)]:
        contrast = np.zeros(len(names))
        for k, sign in ((i, 1.0), (j, -1.0)):
            row = candidates.iloc[k]
            on = row["activation"] != "none"
            t = (row["peak_temperature_C"] - covariates["temperature"]["centre"]) / 100
            h = np.log2(row["hold_min"]) - covariates["log2_hold"]["centre"]
            values = {
                "Intercept": 1.0,
                f"feedstock[T.{row['feedstock']}]": 1.0,
                f"feedstock[T.{row['feedstock']}]:activated": float(on),
                "temperature": t,
                "log2_hold": h,
                "activated": float(on),
                "temperature_squared": t * t,
                "temperature_by_activation": t * on,
            }
            contrast += sign * np.array([values.get(name, 0.0) for name in names])
        covariance = view.fit.fixed_effects_cov_kr.to_numpy()
        variance = found.covariance[i, i] + found.covariance[j, j] - 2 * found.covariance[i, j]
        assert variance == pytest.approx(contrast @ covariance @ contrast, rel=1e-7)
        assert found.df[i, j] == pytest.approx(
            view.fit.df(contrast, method="kenward_roger"), rel=1e-6
        )
        difference = contrast @ view.fit.fixed_effects.to_numpy()
        assert found.estimate[i] - found.estimate[j] == pytest.approx(difference, rel=1e-9)


def test_a_candidate_differs_from_itself_by_nothing(case):
    tables, candidates, _ = case
    twice = candidates.iloc[[0, 0, 3]]
    found = fixed_means(tables.model, tables.inference, twice)
    assert found.df[0, 1] == np.inf
    assert found.estimate[0] == found.estimate[1]


def test_without_a_fixed_view_or_with_an_unknown_feedstock_there_are_no_means(case):
    tables, candidates, _ = case
    assert fixed_means(tables.model, empty_table("inference"), candidates) is None
    assert fixed_means({"fitted": False}, tables.inference, candidates) is None
    strange = candidates.assign(feedstock="moss")
    assert fixed_means(tables.model, tables.inference, strange) is None

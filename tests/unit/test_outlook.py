"""The posterior of targets: asked alone, or among many that share what they have with the data."""

import numpy as np
import pandas as pd
import pytest
from charscreen.propose.knowledge import Knowledge, Readings
from charscreen.propose.outlook import Outlook

MODEL = {
    "name": "device_farads",
    "scale": "log",
    "unit": "lot",
    "terms": [],
    "covariates": {
        "temperature": {
            "column": "peak_temperature_C",
            "transform": "linear",
            "scale": 100.0,
            "centre": 700.0,
            "activated_only": False,
        }
    },
    "pooled": [
        {"name": "feedstock", "levels": ["a", "b"], "centre": 0.0, "scale": 1.0},
        {"name": "feedstock|temperature", "levels": ["a", "b"], "centre": 0.1, "scale": 0.8},
    ],
    "random": ["firing"],
}
N_NODES = 5


@pytest.fixture(scope="module")
def known():
    """Twelve lots of two feedstocks in four firings, five draws of the variances; invented."""
    rng = np.random.default_rng(3)
    rows = pd.DataFrame(
        {
            "feedstock": ["a", "b"] * 6,
            "activation": "none",
            "peak_temperature_C": np.repeat([600.0, 700.0, 800.0, 750.0], 3),
            "firing": np.repeat(["F1", "F2", "F3", "F4"], 3),
            "aliquot": [f"R{k:02d}" for k in range(12)],
            "value": np.exp(rng.normal(3.0, 0.3, 12)),
            "weight": 1.0,
        }
    )
    names = ["feedstock", "feedstock|temperature", "firing", "residual"]
    variances = pd.DataFrame(rng.uniform(0.01, 0.2, (N_NODES, 4)), columns=names)
    readings = Readings(np.full(N_NODES, 0.005), np.full(12, 2.0))
    return Knowledge(MODEL, rows, variances, readings)


def targets(n):
    """Readings of lots at hand, and lots to come in a firing of their own."""
    rows = [
        {"feedstock": "a", "peak_temperature_C": 600.0, "firing": "F1", "aliquot": "R00"},
        {"feedstock": "a", "peak_temperature_C": 650.0, "firing": "next0", "aliquot": None},
        {"feedstock": "b", "peak_temperature_C": 820.0, "firing": "next0", "aliquot": None},
        {"feedstock": "b", "peak_temperature_C": 700.0, "firing": "F2", "aliquot": "R03"},
    ]
    table = pd.DataFrame([rows[k % 4] for k in range(n)])
    new = table["aliquot"].isna()
    return table.assign(activation="none", readings=1.0, own_lot=new.to_numpy())


def by_hand(known, asked, r):
    """Mean and covariance by one solution of the equations of universal kriging."""
    both = pd.concat([known.rows, asked], ignore_index=True)
    n = len(known.rows)
    feed = both["feedstock"].to_numpy()[:, None] == both["feedstock"].to_numpy()
    firing = both["firing"].to_numpy()[:, None] == both["firing"].to_numpy()
    slope = ((both["peak_temperature_C"].to_numpy() - 700.0) / 100.0 - 0.1) / 0.8
    lot = both["aliquot"].to_numpy()[:, None] == both["aliquot"].to_numpy()
    lot &= both["aliquot"].notna().to_numpy()
    own = max(known.residual[r] - 0.005 / 2, 0.0)
    v = known.variances[r]
    prior = v[0] * feed + v[1] * feed * slope[:, None] * slope + v[2] * firing + own * lot
    data = prior[:n, :n] - own * np.eye(n) + known.residual[r] * np.eye(n)
    x, x_new = np.ones((n, 1)), np.ones((len(asked), 1))
    inverse = np.linalg.inv(data)
    gram = np.linalg.inv(x.T @ inverse @ x)
    c = prior[:n, n:]
    b = gram @ x.T @ inverse @ known.y
    d = x_new.T - x.T @ inverse @ c
    mean = x_new @ b + c.T @ inverse @ (known.y - x @ b)
    return mean, prior[n:, n:] - c.T @ inverse @ c + d.T @ gram @ d


@pytest.mark.parametrize("n", [4, 40])
def test_few_or_many_targets_have_the_posterior_worked_out_by_hand(known, n):
    asked = targets(n)
    places = [0, 1, 2, 3, 1] if n == 4 else [0, 5, 10, 15, 1]
    block = Outlook(known, asked).block(places)
    for r in range(N_NODES):
        mean, cov = by_hand(known, asked, r)
        assert block.mean[r] == pytest.approx(mean[places], rel=1e-10)
        assert block.cov[r] == pytest.approx(cov[np.ix_(places, places)], abs=1e-12)


@pytest.mark.parametrize("n", [4, 40])
def test_all_draws_together_are_the_mixture_of_each(known, n):
    outlook = Outlook(known, targets(n))
    places = list(range(4))
    each, whole = outlook.block(places), outlook.collapsed(places)
    between = np.cov(each.mean.T, bias=True)
    assert whole.mean[0] == pytest.approx(each.mean.mean(axis=0), rel=1e-12)
    assert whole.cov[0] == pytest.approx(each.cov.mean(axis=0) + between, abs=1e-12)

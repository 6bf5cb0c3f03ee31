"""Value of one more observation: a conjugate case with closed forms.

One random effect (feedstock), known variances, flat mean: the difference of two feedstocks is
normal, its variance falls from v to v' by one more observation, and what that observation is
worth is the unit normal loss integral (Raiffa & Schlaifer 1961, from memory) or, where the merit
is the exponential, Margrabe's exchange formula (1978, from memory), both written out below.
"""

import numpy as np
import pandas as pd
import pytest
from charscreen.propose.knowledge import Knowledge, Readings
from charscreen.propose.outlook import Outlook
from charscreen.propose.prospect import LocalMerit, Prospect
from charscreen.propose.value import Channel, Choice, expected_gain, fill_places
from scipy.stats import norm

TAU, SIGMA = 0.3, 0.2
OUTCOMES = 200_000
MODEL = {
    "name": "capacitance",
    "scale": "log",
    "unit": "cell",
    "terms": [],
    "covariates": {},
    "pooled": [{"name": "feedstock", "levels": ["a", "b"], "centre": 0.0, "scale": 1.0}],
    "random": [],
}
LOG_VALUES = {"a": [4.7, 4.9], "b": [4.9, 5.1, 4.8]}


def rows() -> pd.DataFrame:
    """Two readings of one feedstock, three of the other, each an aliquot of its own."""
    table = pd.DataFrame(
        [
            {"feedstock": f, "activation": "none", "value": np.exp(v), "weight": 1.0}
            for f, values in LOG_VALUES.items()
            for v in values
        ]
    )
    return table.assign(aliquot=[f"r{i}" for i in range(len(table))])


def known(table: pd.DataFrame) -> Knowledge:
    """One draw of the variances: they are known."""
    return Knowledge(MODEL, table, pd.DataFrame({"feedstock": [TAU**2], "residual": [SIGMA**2]}))


def prospect(*, is_log: bool) -> Prospect:
    """Candidates a and b, and one more reading of a."""
    candidates = pd.DataFrame({"feedstock": ["a", "b"], "activation": "none"})
    zero = np.zeros(2)
    merit = LocalMerit(zero, {"capacitance": zero}, {"capacitance": np.ones(2)}, is_log, 1.0)
    lots = pd.DataFrame({"feedstock": ["a"], "activation": "none"})
    return Prospect(
        merit,
        {"capacitance": known(rows())},
        candidates,
        lots,
        {"capacitance": [1.0]},
        own_lot=True,
    )


def difference(n_a: int, n_b: int) -> tuple[float, float]:
    """Posterior mean and variance of a less b after so many readings (means as measured)."""
    seen = np.mean(LOG_VALUES["a"]) - np.mean(LOG_VALUES["b"])
    noise = SIGMA**2 * (1 / n_a + 1 / n_b)
    variance = 1 / (1 / (2 * TAU**2) + 1 / noise)
    return variance * seen / noise, variance


def test_the_posterior_of_a_difference_is_the_conjugate_one():
    choice, _ = prospect(is_log=False).exact([])
    mean, _ = difference(2, 3)
    assert choice.centre[0, 0] - choice.centre[0, 1] == pytest.approx(mean, rel=1e-9)


def test_one_more_observation_is_worth_the_normal_loss_integral():
    mean, before = difference(2, 3)
    step = np.sqrt(before - difference(3, 3)[1])
    u = -abs(mean) / step
    exact = step * (norm.pdf(u) + u * norm.cdf(u))
    gain, se = expected_gain(*prospect(is_log=False).exact([0]), outcomes=OUTCOMES)
    # Three digits; the error stated is that of plain simulation, wider than the true one.
    assert gain == pytest.approx(exact, rel=5e-4)
    assert 0 < se < 0.02 * exact


def test_one_more_observation_of_an_exponential_merit_is_worth_an_exchange():
    choice, channels = prospect(is_log=True).exact([0])
    a, b = choice.expected()
    _, before = difference(2, 3)
    step = np.sqrt(before - difference(3, 3)[1])
    up = np.log(a / b) / step + step / 2
    exact = a * norm.cdf(up) + b * norm.cdf(step - up) - max(a, b)
    gain, _ = expected_gain(choice, channels, outcomes=OUTCOMES)
    assert gain == pytest.approx(exact, rel=5e-4)


def test_conditioning_gives_what_a_new_fit_of_all_data_gives():
    choice, channels = prospect(is_log=False).exact([0])
    outcome, channel = 5.4, channels[0]
    k = channel.cross[0, :, 0] / (channel.signal[0, 0, 0] + channel.noise[0, 0])
    updated = choice.centre[0] + k * (outcome - channel.mean[0, 0])
    new = {
        "feedstock": "a",
        "activation": "none",
        "value": np.exp(outcome),
        "weight": 1.0,
        "aliquot": "new",
    }
    again = known(pd.concat([rows(), pd.DataFrame([new])], ignore_index=True))
    at = Outlook(
        again,
        pd.DataFrame(
            {"feedstock": ["a", "b"], "activation": "none", "readings": 0.0, "own_lot": False}
        ),
    )
    np.testing.assert_allclose(updated, at.mean[0], rtol=1e-10)


LOT, CELL = 0.15, 0.1
"""Scatter of lots and of cells where these are told apart."""


def lots_and_cells() -> tuple[Knowledge, Knowledge]:
    """The same three lots of two or three cells: as cells, and as one mean each."""
    cells = pd.DataFrame(
        [
            {"feedstock": feed, "aliquot": run, "lot": run, "value": np.exp(v)}
            for feed, run, values in (
                ("a", "r0", [4.7, 4.9]),
                ("a", "r1", [4.8, 4.6]),
                ("b", "r2", [5.0, 4.9]),
            )
            for v in values
        ]
    ).assign(activation="none", weight=1.0)
    variances = pd.DataFrame({"feedstock": [TAU**2], "lot": [LOT**2], "residual": [CELL**2]})
    as_cells = Knowledge(MODEL | {"random": ["lot"]}, cells, variances)
    logs = cells.assign(value=np.log(cells["value"]))
    lots = logs.groupby(["feedstock", "aliquot", "lot"], as_index=False)["value"].mean()
    lots = lots.assign(value=np.exp(lots["value"]), activation="none", weight=1.0)
    variances = pd.DataFrame({"feedstock": [TAU**2], "residual": [LOT**2 + CELL**2 / 2]})
    readings = Readings(np.array([CELL**2]), np.full(len(lots), 2.0))
    as_lots = Knowledge(MODEL | {"unit": "run"}, lots, variances, readings)
    return as_cells, as_lots


@pytest.mark.parametrize("how", ["block", "collapsed"])
def test_further_cells_of_a_lot_known_by_its_mean_tell_what_they_tell_of_its_cells(how):
    targets = pd.DataFrame(
        [
            # Two candidates, a cell and two cells of lots at hand, and a new lot of two cells.
            {"feedstock": "a", "readings": 0.0, "own_lot": False},
            {"feedstock": "b", "readings": 0.0, "own_lot": False},
            {"feedstock": "a", "lot": "r0", "aliquot": "r0", "readings": 1.0, "own_lot": False},
            {"feedstock": "a", "lot": "r0", "aliquot": "r0", "readings": 1.0, "own_lot": False},
            {"feedstock": "b", "lot": "r2", "aliquot": "r2", "readings": 2.0, "own_lot": False},
            {"feedstock": "b", "readings": 2.0, "own_lot": True},
        ]
    ).assign(activation="none")
    one, other = (
        getattr(Outlook(known, targets), how)(range(len(targets))) for known in lots_and_cells()
    )
    np.testing.assert_allclose(one.mean, other.mean, rtol=1e-10)
    np.testing.assert_allclose(one.cov, other.cov, atol=1e-12)
    np.testing.assert_allclose(one.noise, other.noise, rtol=1e-10)
    # Before their own noise, two cells of one lot have the same value: that of the lot.
    assert other.cov[0, 2, 3] == pytest.approx(other.cov[0, 2, 2])


def test_a_lot_that_scatters_less_than_its_cells_leaves_nothing_to_share():
    _, known = lots_and_cells()
    wide = Knowledge(
        known.model,
        known.rows,
        pd.DataFrame({"feedstock": [TAU**2], "residual": [CELL**2 / 4]}),
        Readings(np.array([CELL**2]), np.full(3, 2.0)),
    )
    assert (wide.own == 0).all()


def test_less_is_better_mirrors_more_is_better():
    choice, channels = prospect(is_log=False).exact([0])
    mirrored = Choice(-choice.centre, choice.variance, False, -1.0)
    turned = [Channel(c.mean, -c.cross, c.signal, c.noise) for c in channels]
    assert mirrored.best == choice.best
    assert expected_gain(mirrored, turned)[0] == pytest.approx(expected_gain(choice, channels)[0])


def test_learning_the_variances_counts():
    """Two states that disagree on which is best: the outcome tells which state holds."""
    centre = np.array([[1.0, 0.0], [0.0, 0.9]])
    choice = Choice(centre, np.zeros((2, 2)), False)
    far_apart = Channel(
        mean=np.array([[0.0], [100.0]]),
        cross=np.zeros((2, 2, 1)),
        signal=np.zeros((2, 1, 1)),
        noise=np.ones((2, 1)),
    )
    # Known state: best is 1.0 or 0.9, mean 0.95; now: 0.5 by choosing the first.
    assert expected_gain(choice, [far_apart])[0] == pytest.approx(0.45, rel=1e-6)


def test_places_are_filled_with_what_tells_the_rivals_apart():
    """Third candidate far behind: readings of it are worth nothing, the rivals share the places."""
    centre = np.array([[1.0, 0.95, -3.0]])
    variance = np.full((1, 3), 0.04)
    signal = np.eye(3)[None] * 0.04
    channel = Channel(centre.copy(), signal.copy(), signal.copy(), np.full((1, 3), 0.04))
    chosen, gains = fill_places(
        Choice(centre, variance, False), [channel], places=4, allowed=lambda _: np.ones(3, bool)
    )
    assert sorted(chosen) == [0, 0, 1, 1]
    assert gains == sorted(gains)

"""Sources of draws made from one another: for some candidates, fewer draws, other draws."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.merits import MeritSource
from rank_case import make_candidates, make_draws, make_models

MERITS = ["electrode_F_per_g", "carbon_g_per_kg_d", "device_F_per_kg_d"]


@pytest.fixture(scope="module")
def parts():
    rng = np.random.default_rng(6)
    draws = {name: table + rng.uniform(0, 0.2, table.shape) for name, table in make_draws().items()}
    return make_candidates(), make_models(), draws


@pytest.mark.parametrize("merit", MERITS)
def test_some_candidates_of_a_source_are_as_if_asked_alone(parts, merit):
    candidates, models, draws = parts
    places = np.array([3, 0])
    whole = MeritSource(candidates, models, draws, seed=4)
    alone = MeritSource(candidates.iloc[places], models, draws, seed=4).draws_of(merit)
    some = whole.only(places).draws_of(merit)
    assert (some.values == alone.values).all()
    assert (some.ranked == alone.ranked).all()
    assert some.missing == alone.missing


def test_candidates_without_a_place_keep_their_reason(parts):
    candidates, models, draws = parts
    asked = pd.concat([candidates, candidates.tail(1).assign(candidate="x", feedstock="straw")])
    some = MeritSource(asked, models, draws, seed=4).only(np.array([4, 1]))
    drawn = some.draws_of("electrode_F_per_g")
    assert drawn.missing == [
        {"candidate": "x", "reason": "nothing of this feedstock is measured yet"}
    ]
    assert drawn.values.shape == (500, 1)


@pytest.mark.parametrize("merit", MERITS)
def test_every_seventh_draw_is_one_of_all(parts, merit):
    source = MeritSource(*parts, seed=4)
    whole = source.draws_of(merit).values
    fewer = source.every(7)
    assert fewer.n_draws == 72
    assert (fewer.draws_of(merit).values == whole[::7]).all()
    some = source.only(np.array([2, 1])).every(7)
    assert (some.draws_of(merit).values == whole[::7, [2, 1]]).all()


def test_other_draws_take_the_place_of_those_at_hand(parts):
    candidates, models, draws = parts
    mean = {name: table.mean().to_frame().T for name, table in draws.items()}
    source = MeritSource(candidates, models, mean, seed=0)
    before = source.quantity("electrode_F_per_g").values
    moved = mean["capacitance"].assign(**{"b[Intercept]": mean["capacitance"]["b[Intercept]"] + 1})
    fed = source.fed({**mean, "capacitance": moved})
    assert fed.quantity("electrode_F_per_g").values == pytest.approx(np.e * before)
    assert (source.quantity("electrode_F_per_g").values == before).all()

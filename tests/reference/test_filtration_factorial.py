"""A published 2^4 factorial planned, written, read back and analysed as a user would do it.

Filtration rate of a chemical product against temperature A, pressure B, concentration C and
stirring D (Montgomery, Design and Analysis of Experiments; data and effects from memory, effects
recomputed). Here A is the peak temperature, B the hold, C the ramp and D the particle size.
"""

import numpy as np
import pandas as pd
import pytest
from charscreen.designs import model_matrix, terms_of
from charscreen.files import write_csv
from charscreen.mixed import fit_mixed
from charscreen.plan import make_plan
from charscreen.plan.acceptance import read_plan
from plan_case import FEEDS, KILN, PLAN

RATE = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
FACTORS = {
    "peak_temperature_C": [600, 800],
    "hold_min": [30, 60],
    "ramp_C_per_min": [2, 5],
    "particle_size_mm": [0.5, 2],
}
EFFECTS = {
    "peak_temperature_C": 21.625,
    "hold_min": 3.125,
    "ramp_C_per_min": 9.875,
    "particle_size_mm": 14.625,
    "peak_temperature_C:ramp_C_per_min": -18.125,
    "peak_temperature_C:particle_size_mm": 16.625,
}


@pytest.fixture(scope="module")
def design(tmp_path_factory):
    """The plan as it stands in its table, each lot in a firing of its own."""
    wanted = PLAN | FACTORS | {"kind": "full_factorial", "feedstocks": ["husk"]}
    wanted |= {"activation": ["none"], "reference": None}
    made = make_plan(FEEDS, plan=wanted, kiln=KILN | {"crucibles": 1}, seed=3)
    path = tmp_path_factory.mktemp("plan") / "design.csv"
    write_csv(made.design, path)
    return pd.DataFrame(read_plan(path))


def test_plan_holds_all_sixteen_in_random_order(design):
    assert len(design) == design["firing"].nunique() == 16
    settings = list(zip(*(design[name] for name in FACTORS), strict=True))
    assert len(set(settings)) == 16
    assert settings != sorted(settings)


def test_published_effects_come_out(design):
    """An effect is the mean at the high level less that at the low: twice the coefficient."""
    high = [design[name] == levels[1] for name, levels in FACTORS.items()]
    standard = sum(column.to_numpy().astype(int) << i for i, column in enumerate(high))
    terms = terms_of(["husk"], FACTORS, model="interactions")
    X, names = model_matrix(design, terms)
    data = design.assign(rate=np.array(RATE, dtype=float)[standard])
    columns = {name: name.replace(":", "_by_") for name in names[1:]}
    for name, column in zip(names, X.T, strict=True):
        if name in columns:
            data[columns[name]] = column
    fit = fit_mixed("rate ~ " + " + ".join(columns.values()), data, [])
    for name, effect in EFFECTS.items():
        assert 2 * fit.fixed_effects[columns[name]] == pytest.approx(effect, abs=1e-9)
    assert fit.fixed_effects.iloc[0] == pytest.approx(70.0625)  # the mean of the sixteen

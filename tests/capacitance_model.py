"""One of the models of the cells by itself, for tests that need no other."""

from collections.abc import Mapping

import pandas as pd
from charscreen.models.fit import fit_model
from charscreen.models.observations import observation_rows
from charscreen.models.performance import CAPACITANCE
from charscreen.models.tables import ModelTables


def fit_capacitance_model(
    cells: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
    feedstocks: pd.DataFrame | None = None,
) -> ModelTables:
    """The model of electrode capacitance alone; see `fit_performance_models`."""
    rows = observation_rows(
        cells, design, firings_done, value=CAPACITANCE.response, identity="cell"
    )
    return fit_model(rows, CAPACITANCE, settings=settings, feedstocks=feedstocks)

"""Model of what the carbon does in a cell."""

from collections.abc import Mapping

import pandas as pd

from charscreen.models.fit import ModelKind, fit_model
from charscreen.models.observations import observation_rows
from charscreen.models.tables import ModelTables

CAPACITANCE = ModelKind(
    name="capacitance",
    words="electrode capacitance",
    response="electrode_F_per_g",
    scale="log",
    unit="cell",
    covariates=(
        "temperature",
        "log2_hold",
        "activated",
        "koh_ratio",
        "activation_temperature",
        "activation_log2_hold",
    ),
    stream=3,
)


def fit_capacitance_model(
    cells: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
) -> ModelTables:
    """Model of the electrode capacitance per gram of carbon.

    Parameters
    ----------
    cells : DataFrame
        One row per cell: cell, run, lot, feedstock, firing, activation, koh_ratio,
        activation_firing, peak_temperature_C, hold_min, electrode_F_per_g. [°C, min, F/g]
    design : DataFrame
        run, activation_temperature_C, activation_hold_min. [°C, min]
    firings_done : DataFrame
        firing, peak_temperature_C, hold_min: what the kiln did; replaces the plan where
        given. [°C, min]
    settings : mapping
        draws, prior_scale, seed, interval_percent.

    Returns
    -------
    ModelTables

    Notes
    -----
    log(c) = feedstock + terms + char firing + lot (+ aliquot) (+ activation firing) + cell.
    """
    rows = observation_rows(cells, design, firings_done, value="electrode_F_per_g", identity="cell")
    return fit_model(
        rows, CAPACITANCE, settings=settings, none_reason="no cell has a capacitance yet"
    )

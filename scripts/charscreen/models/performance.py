"""Models of what the carbon does in a cell: farads, resistance, retention."""

from collections.abc import Mapping

import pandas as pd

from charscreen.models.fit import ModelKind, fit_model
from charscreen.models.observations import observation_rows
from charscreen.models.tables import ModelTables

CONDITIONS = (
    "temperature",
    "log2_hold",
    "activated",
    "koh_ratio",
    "activation_temperature",
    "activation_log2_hold",
)
CAPACITANCE = ModelKind(
    name="capacitance",
    words="electrode capacitance",
    response="electrode_F_per_g",
    scale="log",
    unit="cell",
    covariates=CONDITIONS,
    stream=3,
)
ESR_AREA = ModelKind(
    name="esr_area",
    words="series resistance times area",
    response="esr_area_ohm_cm2",
    scale="log",
    unit="cell",
    covariates=CONDITIONS,
    stream=4,
    best="lowest",
)
RETENTION = ModelKind(
    name="retention",
    words="retention",
    response="retention_percent",
    scale="log",
    unit="cell",
    covariates=CONDITIONS,
    stream=5,
)
LEAST_CYCLES = 50
"""Cycles from which on a retention says something about ageing (common practice, no source)."""


def fit_resistance_model(
    cells: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
) -> ModelTables:
    """Model of the series resistance times the area of one electrode.

    Parameters
    ----------
    cells : DataFrame
        As for `fit_capacitance_model`, with esr_area_ohm_cm2 and its standard error. [Ω·cm²]
    design, firings_done, settings
        As for `fit_capacitance_model`.

    Returns
    -------
    ModelTables
    """
    rows = observation_rows(cells, design, firings_done, value="esr_area_ohm_cm2", identity="cell")
    reason = "no cell has a series resistance and an area yet"
    return fit_model(rows, ESR_AREA, settings=settings, none_reason=reason)


def fit_retention_model(
    cells: pd.DataFrame,
    test_results: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
) -> ModelTables:
    """Model of what is left of the capacitance after cycling.

    Parameters
    ----------
    cells : DataFrame
        As for `fit_capacitance_model`, without the capacitance.
    test_results : DataFrame
        cell, cycles, retention_percent. [-, -, %]
    design, firings_done, settings
        As for `fit_capacitance_model`.

    Returns
    -------
    ModelTables

    Notes
    -----
    A cell's retention is the median over its tests of at least `LEAST_CYCLES` cycles.
    """
    kept = _with_retention(cells, test_results)
    rows = observation_rows(kept, design, firings_done, value="retention_percent", identity="cell")
    reason = f"no test has {LEAST_CYCLES} cycles or more yet"
    return fit_model(rows, RETENTION, settings=settings, none_reason=reason)


def _with_retention(cells: pd.DataFrame, test_results: pd.DataFrame) -> pd.DataFrame:
    """Cells with the median retention of their long tests."""
    if cells.empty or test_results.empty or "retention_percent" not in test_results:
        return cells.assign(retention_percent=float("nan"))
    long = pd.to_numeric(test_results["cycles"], errors="coerce") >= LEAST_CYCLES
    values = pd.to_numeric(test_results["retention_percent"], errors="coerce")[long]
    by_cell = values.groupby(test_results.loc[long, "cell"].astype(str)).median()
    return cells.assign(retention_percent=cells["cell"].astype(str).map(by_cell).astype(float))


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
        activation_firing, peak_temperature_C, hold_min, electrode_F_per_g and its standard
        error, assembly_batch where given. [°C, min, F/g]
    design : DataFrame
        run, activation_temperature_C, activation_hold_min. [°C, min]
    firings_done : DataFrame
        firing, peak_temperature_C, hold_min: what the kiln did; replaces the plan where
        given. [°C, min]
    settings : mapping
        See `charscreen.models.fit.fit_model`.

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

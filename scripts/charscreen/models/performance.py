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
    none_reason="no cell has a capacitance yet",
)
ESR_AREA = ModelKind(
    name="esr_area",
    words="series resistance times area",
    response="esr_area_ohm_cm2",
    scale="log",
    unit="cell",
    covariates=CONDITIONS,
    stream=4,
    none_reason="no cell has a series resistance and an area yet",
    best="lowest",
)
LEAST_CYCLES = 50
"""Cycles from which on a retention says something about ageing (common practice, no source)."""
RETENTION = ModelKind(
    name="retention",
    words="retention",
    response="retention_percent",
    scale="log",
    unit="cell",
    covariates=CONDITIONS,
    stream=5,
    none_reason=f"no test has {LEAST_CYCLES} cycles or more yet",
)


def fit_performance_models(
    cells: pd.DataFrame,
    test_results: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
    feedstocks: pd.DataFrame | None = None,
) -> dict[str, ModelTables]:
    """Models of electrode capacitance, of series resistance times area, and of retention.

    Parameters
    ----------
    cells : DataFrame
        One row per cell: cell, run, lot, feedstock, firing, activation, koh_ratio,
        activation_firing, peak_temperature_C, hold_min, electrode_F_per_g, esr_area_ohm_cm2
        and their standard errors; assembly_batch and assembled where given.
        [°C, min, F/g, Ω·cm²]
    test_results : DataFrame
        cell, cycles, retention_percent. [-, -, %]
    design : DataFrame
        run, activation_temperature_C, activation_hold_min. [°C, min]
    firings_done : DataFrame
        firing, peak_temperature_C, hold_min: what the kiln did; replaces the plan where
        given. [°C, min]
    settings : mapping
        See `charscreen.models.fit.fit_model`.
    feedstocks : DataFrame, optional
        feedstock, and ash_d_percent, lignin_d_percent, moisture_ar_percent where known: slopes
        that explain part of the differences between feedstocks. [%]

    Returns
    -------
    dict of str to ModelTables
        ``capacitance``, ``esr_area`` and ``retention``.

    Notes
    -----
    log(c) = feedstock + terms + char firing + lot (+ aliquot) (+ activation firing) + cell.
    A cell's retention is the median over its tests of at least `LEAST_CYCLES` cycles.
    """
    cells = _with_retention(cells, test_results)
    models = {}
    for kind in (CAPACITANCE, ESR_AREA, RETENTION):
        rows = observation_rows(cells, design, firings_done, value=kind.response, identity="cell")
        models[kind.name] = fit_model(rows, kind, settings=settings, feedstocks=feedstocks)
    return models


def _with_retention(cells: pd.DataFrame, test_results: pd.DataFrame) -> pd.DataFrame:
    """Cells with the median retention of their long tests."""
    if cells.empty or test_results.empty or "retention_percent" not in test_results:
        return cells.assign(retention_percent=float("nan"))
    long = pd.to_numeric(test_results["cycles"], errors="coerce") >= LEAST_CYCLES
    values = pd.to_numeric(test_results["retention_percent"], errors="coerce")[long]
    by_cell = values.groupby(test_results.loc[long, "cell"].astype(str)).median()
    return cells.assign(retention_percent=cells["cell"].astype(str).map(by_cell).astype(float))

"""Model of the device farads that a kilogram of dry feed gives, lot by lot."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.models.fit import ModelKind, fit_model
from charscreen.models.observations import observation_rows
from charscreen.models.performance import CONDITIONS
from charscreen.models.tables import ModelTables

DEVICE_FARADS = ModelKind(
    name="device_farads",
    words="device farads per kg dry feed",
    response="device_F_per_kg_d",
    scale="log",
    unit="run",
    covariates=CONDITIONS,
    stream=7,
    none_reason="no lot has both its finished carbon weighed and a cell with a capacitance yet",
)


def device_of_lots(yields: pd.DataFrame, cells: pd.DataFrame) -> pd.DataFrame:
    """Device farads per kg dry feed of each lot or aliquot that has both yield and cells.

    Parameters
    ----------
    yields : DataFrame
        run, carbon_g_per_kg_d, and its standard error where known. [g/kg]
    cells : DataFrame
        run, cell_F_per_g, and its standard error where known. [F/g]

    Returns
    -------
    DataFrame
        The rows of `yields` with a value, with device_F_per_kg_d and its standard error.

    Notes
    -----
    Geometric mean of the run's cells times the carbon of the run: the models of both parts work
    on the log scale too. Relative standard errors add in quadrature, those of n cells divided by
    n; without any the standard error is missing (JCGM 100, from memory).
    """
    if yields.empty or cells.empty or not {"run", "carbon_g_per_kg_d"} <= set(yields):
        return pd.DataFrame(columns=[*yields.columns, "device_F_per_kg_d", "device_F_per_kg_d_se"])
    farads = pd.to_numeric(cells["cell_F_per_g"], errors="coerce").astype(float)
    known = cells[farads > 0].assign(_log=np.log(farads[farads > 0]))
    error = _errors(known, "cell_F_per_g")
    by_run = known.assign(_square=error**2).groupby(known["run"].astype(str))
    n = by_run.size()
    mean, square = by_run["_log"].mean(), by_run["_square"].sum(min_count=1) / n**2
    found = yields.drop_duplicates("run").reset_index(drop=True)
    run = found["run"].astype(str)
    carbon = pd.to_numeric(found["carbon_g_per_kg_d"], errors="coerce").astype(float)
    found["device_F_per_kg_d"] = np.exp(run.map(mean).astype(float)) * carbon
    relative = np.sqrt(
        run.map(square).astype(float) + _errors(found, "carbon_g_per_kg_d").fillna(0.0) ** 2
    )
    found["device_F_per_kg_d_se"] = relative * found["device_F_per_kg_d"]
    return found[found["device_F_per_kg_d"].notna()].reset_index(drop=True)


def fit_device_model(
    yields: pd.DataFrame,
    cells: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
) -> ModelTables:
    """Model of the device farads per kg dry feed as a response of its own.

    Parameters
    ----------
    yields, cells : DataFrame
        As for `charscreen.models.yields.fit_overall_yield_model` and
        `charscreen.models.performance.fit_performance_models`; see `device_of_lots`.
    design, firings_done, settings
        As for these.

    Returns
    -------
    ModelTables

    Notes
    -----
    log(F/kg) = feedstock + terms + char firing (+ lot) (+ activation firing) + run. What yield
    and capacitance of a lot have in common, such as a firing that burned off more carbon and left
    better pores, is in the scatter of this response and need not be assumed away.
    """
    rows = observation_rows(
        device_of_lots(yields, cells),
        design,
        firings_done,
        value="device_F_per_kg_d",
        identity="run",
    )
    return fit_model(rows, DEVICE_FARADS, settings=settings)


def _errors(table: pd.DataFrame, name: str) -> pd.Series:
    """Relative standard error of a column; missing where it is not given."""
    value = pd.to_numeric(table[name], errors="coerce").astype(float)
    if f"{name}_se" not in table:
        return pd.Series(np.nan, index=table.index)
    return pd.to_numeric(table[f"{name}_se"], errors="coerce").astype(float) / value

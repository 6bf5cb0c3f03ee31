"""Models of the yields: char from dry feed, activated carbon from char, and both together."""

from collections.abc import Mapping

import pandas as pd

from charscreen.models.covariates import is_activated
from charscreen.models.fit import ModelKind, fit_model
from charscreen.models.observations import observation_rows, one_per_lot
from charscreen.models.tables import ModelTables

CHAR_YIELD = ModelKind(
    name="char_yield",
    words="char yield",
    response="yield_char_d_percent",
    scale="logit",
    unit="lot",
    covariates=("temperature", "log2_hold"),
    stream=1,
    none_reason="no lot has a char yield yet",
)
ACTIVATION_YIELD = ModelKind(
    name="activation_yield",
    words="activation yield",
    response="yield_activated_percent",
    scale="logit",
    unit="lot",
    covariates=(
        "temperature",
        "log2_hold",
        "koh_ratio",
        "activation_temperature",
        "activation_log2_hold",
    ),
    stream=2,
    none_reason="no activated lot has been weighed yet",
)
OVERALL_YIELD = ModelKind(
    name="overall_yield",
    words="finished carbon per kg dry feed",
    response="carbon_g_per_kg_d",
    scale="log",
    unit="run",
    covariates=(
        "temperature",
        "log2_hold",
        "activated",
        "koh_ratio",
        "activation_temperature",
        "activation_log2_hold",
    ),
    stream=6,
    none_reason="no lot has its finished carbon weighed yet",
)


def fit_overall_yield_model(
    yields: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
    feedstocks: pd.DataFrame | None = None,
) -> ModelTables:
    """Model of the finished carbon from dry feed, over all steps.

    Parameters
    ----------
    yields : DataFrame
        As for `fit_yield_models`, with carbon_g_per_kg_d and its standard error. [g/kg]
    design, firings_done, settings, feedstocks
        As for `fit_yield_models`.

    Returns
    -------
    ModelTables

    Notes
    -----
    log(carbon) = feedstock + terms + char firing (+ lot) (+ activation firing) + run. It can
    exceed what a logit of percent allows only by mistake, so the logarithm serves, in which
    the steps add up.
    """
    rows = observation_rows(yields, design, firings_done, value="carbon_g_per_kg_d", identity="run")
    return fit_model(
        rows,
        OVERALL_YIELD,
        settings=settings,
        feedstocks=feedstocks,
    )


def fit_yield_models(
    yields: pd.DataFrame,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    settings: Mapping,
    feedstocks: pd.DataFrame | None = None,
) -> dict[str, ModelTables]:
    """Models of char yield and activation yield.

    Parameters
    ----------
    yields : DataFrame
        One row per lot weighed: run, lot, feedstock, firing, activation, koh_ratio,
        activation_firing, peak_temperature_C, hold_min, yield_char_d_percent,
        yield_activated_percent. [°C, min, %]
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
        ``char_yield`` and ``activation_yield``.

    Notes
    -----
    logit(y/100) = feedstock + terms + firing + lot, the lot being the residual since it is
    weighed once. An aliquot carries the char yield of its parent lot and is not counted again.
    For the activation step the run is the residual, with the activation firing as a level where
    at least three are known.
    """
    char = observation_rows(
        yields, design, firings_done, value="yield_char_d_percent", identity="run"
    )
    char = one_per_lot(char)
    char["activation"] = "none"
    char["activation_firing"] = None
    step = observation_rows(
        yields, design, firings_done, value="yield_activated_percent", identity="run"
    )
    step = step[is_activated(step["activation"])].reset_index(drop=True)
    tables = {
        "char_yield": fit_model(
            char,
            CHAR_YIELD,
            settings=settings,
            feedstocks=feedstocks,
        ),
        "activation_yield": fit_model(
            step,
            ACTIVATION_YIELD,
            settings=settings,
            feedstocks=feedstocks,
        ),
    }
    # The char comes before any activation, so its means belong to neither side.
    tables["char_yield"].means["activation"] = None
    return tables

"""Candidates, models and draws small enough to be read, for tests of the ranking."""

import numpy as np
import pandas as pd


def covariates() -> dict:
    """Covariates of temperature, hold and activation as in a record."""
    plain = {"transform": "linear", "scale": 100.0, "activated_only": False}
    return {
        "temperature": plain
        | {"column": "peak_temperature_C", "centre": 700.0, "lo": 600.0, "hi": 800.0},
        "log2_hold": plain
        | {"column": "hold_min", "transform": "log2", "scale": 1.0, "centre": 5.9}
        | {"lo": 30.0, "hi": 60.0},
        "activated": plain | {"column": "activation", "transform": "activated"},
    }


def model(name, scale, terms=("activated",), **more) -> dict:
    """Record of a model of husk and shell."""
    return {
        "fitted": True,
        "name": name,
        "scale": scale,
        "covariates": covariates(),
        "terms": [{"name": t, "factors": [t]} for t in terms],
        "pooled": [{"name": "feedstock", "levels": ["husk", "shell"], "centre": 0, "scale": 1}],
        "feedstocks": ["husk", "shell"],
        "activations": None if scale == "logit" else ["KOH", "none"],
        "deviations": [],
    } | more


def fixed_draws(n, intercept, husk, shell, activated=None) -> pd.DataFrame:
    """Draws of such a model, the same in each draw unless arrays are given."""
    columns = {"b[Intercept]": np.full(n, intercept), "v[feedstock]": np.full(n, 0.01)}
    columns |= {"u[feedstock|husk]": np.full(n, husk), "u[feedstock|shell]": np.full(n, shell)}
    if activated is not None:
        columns["b[activated]"] = np.full(n, activated)
    return pd.DataFrame(columns)


def make_candidates() -> pd.DataFrame:
    """Husk and shell at 700 °C and 60 min, with and without KOH."""
    rows = []
    for feedstock in ("husk", "shell"):
        for activation, ratio in (("none", np.nan), ("KOH", 3.0)):
            end = "_KOH3" if activation == "KOH" else ""
            rows.append(
                {
                    "candidate": f"{feedstock}_700C_60min{end}",
                    "feedstock": feedstock,
                    "activation": activation,
                    "koh_ratio": ratio,
                    "peak_temperature_C": 700.0,
                    "hold_min": 60.0,
                    "activation_temperature_C": np.nan,
                    "activation_hold_min": np.nan,
                    "n_firings": 2,
                    "n_lots": 3,
                    "n_yields": 3,
                    "n_cells": 6,
                    "n_resistances": 6,
                    "off_plan": False,
                    "predicted": "no",
                }
            )
    return pd.DataFrame(rows)


def make_models() -> dict:
    """Records of the three models that the ranking needs."""
    return {
        "char_yield": model("char_yield", "logit", terms=()),
        "activation_yield": model("activation_yield", "logit", terms=()),
        "capacitance": model("capacitance", "log"),
    }


def make_draws() -> dict:
    """25 % char, half of it left by activation; 100 F/g, the shell 1.2 and KOH 2 times that."""
    n = 500
    quarter = np.log(0.25 / 0.75)
    return {
        "char_yield": fixed_draws(n, quarter, 0.0, 0.0),
        "activation_yield": fixed_draws(n, 0.0, 0.0, 0.0),
        "capacitance": fixed_draws(n, np.log(100.0), 0.0, np.log(1.2), np.log(2.0)),
    }

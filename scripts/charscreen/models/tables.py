"""What a fitted model leaves behind: tables, a plain record that predicts, and sentences."""

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from charscreen.files import write_bytes, write_csv, write_json
from charscreen.models.covariates import SHORTEST_HOLD_MIN, covariate_columns, term_columns
from charscreen.models.left_out import not_tied

EFFECT_COLUMNS = ["term", "estimate", "se", "df", "lo", "hi", "p", "robust_estimate"]
VARIANCE_COLUMNS = [
    "level",
    "variance",
    "sd",
    "sd_percent",
    "lo",
    "hi",
    "n_levels",
    "share_percent",
]
MEAN_COLUMNS = ["feedstock", "activation", "estimate", "lo", "hi", "n_lots", "n_firings"]
RESIDUAL_COLUMNS = [
    "id",
    "firing",
    "lot",
    "feedstock",
    "fitted",
    "residual",
    "standardised",
    "leverage",
    "order",
    "run_order",
    "weight",
]
INFLUENCE_COLUMNS = [
    "level",
    "group",
    "n",
    "cook",
    "shift_se",
    "term",
    "top_feedstock",
    "changes_top",
    "sd_change_percent",
]
CHECK_COLUMNS = ["check", "words", "estimate", "lo", "hi", "statistic", "df", "p", "verdict"]
ALTERNATIVE_COLUMNS = [
    "alternative",
    "words",
    "scale",
    "n_parameters",
    "deviance",
    "aicc",
    "delta_aicc",
    "weight",
    "error_percent",
    "n_predicted",
    "chosen",
]
BUDGET_COLUMNS = ["level", "share_percent", "share_lo", "share_hi", "chance_largest"]
EFFORT_COLUMNS = [
    "question",
    "cells_per_lot",
    "lots_per_firing",
    "relative_cost",
    "relative_cost_lo",
    "relative_cost_hi",
    "chance_best",
    "best",
]
GROUP_COLUMNS = ["level", "group", "effect", "standardised"]
INFERENCE_COLUMNS = ["quantity", "level", "row", "column", "value"]
TABLES = {
    "effects": EFFECT_COLUMNS,
    "variance": VARIANCE_COLUMNS,
    "means": MEAN_COLUMNS,
    "residuals": RESIDUAL_COLUMNS,
    "groups": GROUP_COLUMNS,
    "influence": INFLUENCE_COLUMNS,
    "checks": CHECK_COLUMNS,
    "alternatives": ALTERNATIVE_COLUMNS,
    "budget": BUDGET_COLUMNS,
    "effort": EFFORT_COLUMNS,
    "inference": INFERENCE_COLUMNS,
}


def empty_table(name: str) -> pd.DataFrame:
    """A table of one model without rows."""
    return pd.DataFrame(columns=TABLES[name])


@dataclass
class ModelTables:
    """Tables of one model.

    Parameters
    ----------
    model : dict
        Plain record: ``fitted`` and, where False, ``reason``; else response, scale, terms,
        covariates, levels, checks and all that `predict_draws` needs.
    effects, variance, means, residuals, groups, influence, checks, alternatives, budget, effort, \
inference :
        DataFrame each, see `TABLES`; no rows where nothing was fitted.
    draws : DataFrame, (n_draws, n_columns)
        ``b[term]`` per fixed coefficient, ``u[term|level]`` per feedstock effect,
        ``v[level]`` per variance.
    """

    model: dict
    effects: pd.DataFrame = field(default_factory=partial(empty_table, "effects"))
    variance: pd.DataFrame = field(default_factory=partial(empty_table, "variance"))
    means: pd.DataFrame = field(default_factory=partial(empty_table, "means"))
    residuals: pd.DataFrame = field(default_factory=partial(empty_table, "residuals"))
    groups: pd.DataFrame = field(default_factory=partial(empty_table, "groups"))
    influence: pd.DataFrame = field(default_factory=partial(empty_table, "influence"))
    checks: pd.DataFrame = field(default_factory=partial(empty_table, "checks"))
    alternatives: pd.DataFrame = field(default_factory=partial(empty_table, "alternatives"))
    budget: pd.DataFrame = field(default_factory=partial(empty_table, "budget"))
    effort: pd.DataFrame = field(default_factory=partial(empty_table, "effort"))
    inference: pd.DataFrame = field(default_factory=partial(empty_table, "inference"))
    draws: pd.DataFrame = field(default_factory=pd.DataFrame)


def write_model(tables: ModelTables, name: str, paths: Mapping[str, str]) -> None:
    """Write all files of one model.

    Parameters
    ----------
    tables : ModelTables
        What to write.
    name : str
        char_yield, activation_yield or capacitance.
    paths : mapping of str to path
        ``<name>_<table>`` for each of `TABLES` (CSV), ``_model`` (JSON) and ``_draws``
        (Parquet); anything with a ``get`` will do.
    """
    for kind in TABLES:
        write_csv(getattr(tables, kind), paths.get(f"{name}_{kind}"))
    write_json(tables.model, paths.get(f"{name}_model"))
    write_draws(tables.draws, paths.get(f"{name}_draws"))


def write_draws(draws: pd.DataFrame, path: str | Path) -> None:
    """Write draws as Parquet, one float64 column each; (n_draws, n_columns)."""
    import polars

    columns = {str(c): draws[c].to_numpy(float) for c in draws.columns}
    buffer = io.BytesIO()
    polars.DataFrame(columns).write_parquet(buffer, compression="zstd")
    write_bytes(path, buffer.getvalue())


def read_draws(path: str | Path) -> pd.DataFrame:
    """Draws as `write_draws` wrote them; (n_draws, n_columns)."""
    import polars

    frame = polars.read_parquet(path)
    return pd.DataFrame({name: frame[name].to_numpy() for name in frame.columns})


def predict_draws(
    model: Mapping, draws: pd.DataFrame, conditions: pd.DataFrame, *, seed: int = 0
) -> np.ndarray:
    """Draws of the linear predictor at conditions, for a new firing and a new lot.

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    draws : DataFrame, (n_draws, n_columns)
        Its posterior draws.
    conditions : DataFrame, n_conditions rows
        feedstock, activation, peak_temperature_C, hold_min; koh_ratio,
        activation_temperature_C, activation_hold_min where given (the screen's centre where
        not). [°C, min, g per g char]
    seed : int
        For feedstocks or combinations that were not measured: their effect is drawn from the
        spread between those that were.

    Returns
    -------
    (n_draws, n_conditions) array
        On the scale of the model (log or logit).

    Raises
    ------
    ValueError
        The model is not fitted.

    Notes
    -----
    eta = x'b + feedstock effects. Effects of firing and lot have mean zero for a new firing
    and lot and are left out, so this is the expectation on the scale of the model.
    """
    if not model.get("fitted"):
        raise ValueError(f"the model is not fitted: {model.get('reason', '')}")
    conditions = conditions.reset_index(drop=True)
    n_draws, n = len(draws), len(conditions)
    columns = term_columns(conditions, model["covariates"], model["terms"])
    names = ["Intercept", *columns.columns]
    x = np.column_stack([np.ones(n), columns.to_numpy()]) if len(columns.columns) else np.ones(n)
    b = np.column_stack([np.asarray(draws[f"b[{name}]"], dtype=float) for name in names])
    eta = b @ x.reshape(n, -1).T
    base = covariate_columns(conditions, model["covariates"])
    rng = np.random.default_rng(seed)
    for term in model["pooled"]:
        level, _, slope = term["name"].partition("|")
        parts = [conditions[part].astype(str) for part in level.split(":")]
        labels = parts[0].str.cat(parts[1:], sep=":")
        if slope:
            weight = (base[slope].to_numpy() - term["centre"]) / term["scale"]
        known = set(term["levels"])
        codes, levels = pd.factorize(labels, use_na_sentinel=False)
        effects = np.empty((n_draws, len(levels)))
        for k, label in enumerate(levels):
            if label in known:
                effects[:, k] = draws[f"u[{term['name']}|{label}]"]
            else:
                spread = np.sqrt(np.asarray(draws[f"v[{term['name']}]"], dtype=float))
                effects[:, k] = spread * rng.standard_normal(n_draws)
        part = np.take(effects, codes, axis=1)
        eta += part * weight if slope else part
    return eta


def natural(model: Mapping, eta: np.ndarray) -> np.ndarray:
    """Linear predictor on the natural scale: exp, or inverse logit in percent."""
    return np.exp(eta) if model["scale"] == "log" else 100.0 * expit(eta)


def to_scale(scale: str, values: np.ndarray) -> np.ndarray:
    """Natural values on the scale of a model: ``log``, or ``logit`` of percent."""
    values = np.asarray(values, dtype=float)
    return np.log(values) if scale == "log" else logit(values / 100.0)


def not_covered(model: Mapping, conditions: pd.DataFrame) -> list[str]:
    """Per condition the reason why the model must not be asked, or an empty text.

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    conditions : DataFrame
        feedstock, activation, peak_temperature_C, hold_min.

    Notes
    -----
    Nothing is predicted for a feedstock without any measurement, for activation where no
    activated lot was measured (or none without), or further than 25 °C or a factor of 1.25 in
    hold outside what was measured (holds below 5 min counting as 5). Nor where a factor without
    a term lies elsewhere than in what was measured; see
    `charscreen.models.left_out.factors_left_out`.
    """
    no_side, sides = model.get("activation_reason", ""), model["activations"]
    temperature, hold = model["covariates"]["temperature"], model["covariates"]["log2_hold"]
    peak_C = conditions["peak_temperature_C"].to_numpy(float)
    hold_min = conditions["hold_min"].to_numpy(float)
    far_peak = ~((temperature["lo"] - 25 <= peak_C) & (peak_C <= temperature["hi"] + 25))
    shortest, longest = (max(hold[end], SHORTEST_HOLD_MIN) for end in ("lo", "hi"))
    held = np.maximum(hold_min, SHORTEST_HOLD_MIN)
    far_hold = ~((shortest / 1.25 <= held) & (held <= longest * 1.25))
    feedstocks, activations = conditions["feedstock"].tolist(), conditions["activation"].tolist()
    measured = set(model["feedstocks"])
    reasons = not_tied(model, conditions)
    for k, (feedstock, activation) in enumerate(zip(feedstocks, activations, strict=True)):
        other_side = sides is not None and activation not in sides
        if no_side and activation not in sides:
            reasons[k] = no_side
        elif feedstock not in measured:
            reasons[k] = "nothing of this feedstock is measured yet"
        elif other_side:
            reasons[k] = (
                f"no {'activated' if activation != 'none' else 'plain'} lot is measured yet"
            )
        elif far_peak[k]:
            reasons[k] = f"nothing is measured near {peak_C[k]:g} °C yet"
        elif far_hold[k]:
            reasons[k] = f"nothing is measured near a hold of {hold_min[k]:g} min yet"
    return reasons


def check_sentences(model: Mapping) -> list[str]:
    """Plain sentences: what went wrong or is doubtful, and what the data forbid to claim.

    Parameters
    ----------
    model : mapping
        Record of a model, fitted or not.
    """
    if not model.get("fitted"):
        return [f"No model of {model['words']}: {model['reason']}."]
    return list(dict.fromkeys([*model["flags"], *model["forbids"]]))

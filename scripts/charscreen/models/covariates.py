"""Covariates: firing conditions as centred and scaled columns of a model."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

SAME_TEMPERATURE_C = 20.0
"""Peak temperatures closer than this count as one level. [°C]"""
SAME_LOG2_HOLD = 0.2
"""Holds closer than this (a factor of 1.15) count as one level."""
SHORTEST_HOLD_MIN = 5.0
"""Shorter holds count as this: on a scale per doubling no hold at all would lie infinitely far
off, and a kiln stays about so long within a few degrees of its peak (common practice, no
source). [min]"""

COVARIATES = {
    "temperature": {
        "column": "peak_temperature_C",
        "transform": "linear",
        "scale": 100.0,
        "activated_only": False,
        "words": "peak temperature",
        "label": "peak temperature, per 100 °C",
        "unit": "°C",
        "level": "firing",
        "same": SAME_TEMPERATURE_C / 100,
    },
    "log2_hold": {
        "column": "hold_min",
        "transform": "log2",
        "scale": 1.0,
        "activated_only": False,
        "words": "hold",
        "label": "hold, per doubling",
        "unit": "min",
        "level": "firing",
        "same": SAME_LOG2_HOLD,
    },
    "activated": {
        "column": "activation",
        "transform": "activated",
        "scale": 1.0,
        "activated_only": False,
        "words": "activation",
        "label": "activated with KOH",
        "unit": "",
        "level": "lot",
        "same": 0.5,
    },
    "koh_ratio": {
        "column": "koh_ratio",
        "transform": "linear",
        "scale": 1.0,
        "activated_only": True,
        "words": "KOH ratio",
        "label": "KOH ratio, per g/g (activated lots)",
        "unit": "g/g",
        "level": "lot",
        "same": 0.1,
    },
    "activation_temperature": {
        "column": "activation_temperature_C",
        "transform": "linear",
        "scale": 100.0,
        "activated_only": True,
        "words": "activation temperature",
        "label": "activation temperature, per 100 °C (activated lots)",
        "unit": "°C",
        "level": "activation_firing",
        "same": SAME_TEMPERATURE_C / 100,
    },
    "activation_log2_hold": {
        "column": "activation_hold_min",
        "transform": "log2",
        "scale": 1.0,
        "activated_only": True,
        "words": "activation hold",
        "label": "activation hold, per doubling (activated lots)",
        "unit": "min",
        "level": "activation_firing",
        "same": SAME_LOG2_HOLD,
    },
}


FEED_COVARIATES = {
    "feed_ash": ("ash_d_percent", "ash of the feed", "ash of the feed, per 10 % of dry feed"),
    "feed_lignin": (
        "lignin_d_percent",
        "lignin of the feed",
        "lignin of the feed, per 10 % of dry feed",
    ),
    "feed_moisture": (
        "moisture_ar_percent",
        "moisture of the feed",
        "moisture of the feed, per 10 % as received",
    ),
}
FEED_ALIAS_R2 = 0.9


def feed_covariates(lots: pd.DataFrame, feedstocks: pd.DataFrame) -> tuple[dict, list[dict]]:
    """What is known of the feeds, as slopes that explain part of their differences.

    Parameters
    ----------
    lots : DataFrame
        One row per lot: feedstock.
    feedstocks : DataFrame
        feedstock, and ash_d_percent, lignin_d_percent, moisture_ar_percent where known. [%]

    Returns
    -------
    covariates : dict
        As `make_covariates`, with ``values`` by feedstock.
    dropped : list of dict
        ``term`` and ``reason``; what is given for no feedstock is not mentioned.

    Notes
    -----
    Three feedstocks are asked for each slope and four beside, since a slope over few feedstocks
    follows any of them; each must be known for every feedstock measured, vary, and not follow
    from those before to 90 % (common practice, no source). For tests, where feedstock is fixed,
    they have no room and are left out.
    """
    names = sorted(set(lots["feedstock"]))
    room = (len(names) - 4) // 3
    made: dict[str, dict] = {}
    dropped = []
    columns = [np.ones(len(names))]
    for name, (column, words, label) in FEED_COVARIATES.items():
        if column not in feedstocks or feedstocks.empty:
            continue
        known = pd.to_numeric(feedstocks[column], errors="coerce")
        known = pd.Series(known.to_numpy(float), index=feedstocks["feedstock"].astype(str))
        values = known[~known.index.duplicated()].reindex(names).to_numpy(float)
        if not np.isfinite(values).any():
            continue
        missing = [f for f, v in zip(names, values, strict=True) if not np.isfinite(v)]
        reason = ""
        if missing:
            reason = f"not given for {', '.join(missing[:4])}"
        elif len(made) >= room:
            reason = "too few feedstocks for another slope"
        elif np.ptp(values) < 1.0:
            reason = "it hardly varies between the feedstocks"
        else:
            others = np.column_stack(columns)
            rest = values - others @ np.linalg.lstsq(others, values, rcond=None)[0]
            if rest @ rest < (1 - FEED_ALIAS_R2) * ((values - values.mean()) ** 2).sum():
                reason = "it changes with what is known of the feeds already"
        if reason:
            dropped.append({"term": words, "reason": reason})
            continue
        columns.append(values)
        made[name] = {
            "column": "feedstock",
            "transform": "feed",
            "scale": 10.0,
            "activated_only": False,
            "words": words,
            "label": f"{label}, feedstocks pooled",
            "unit": "%",
            "level": "feedstock",
            "same": 0.1,
            "centre": float(values.mean()),
            "lo": float(values.min()),
            "hi": float(values.max()),
            "values": dict(zip(names, map(float, values), strict=True)),
        }
    return made, dropped


def make_covariates(lots: pd.DataFrame) -> dict[str, dict]:
    """Covariates with the centres of this screen.

    Parameters
    ----------
    lots : DataFrame
        One row per lot: activation, peak_temperature_C, hold_min, koh_ratio,
        activation_temperature_C, activation_hold_min.

    Returns
    -------
    dict
        Name to a plain dict (see `COVARIATES`) with ``centre`` (mean over the lots, over the
        activated lots where it concerns only them), ``lo`` and ``hi`` (range in the column's
        own unit); None where no value is given.
    """
    activated = is_activated(lots["activation"])
    made = {}
    for name, kind in COVARIATES.items():
        covariate = dict(kind, centre=0.0, lo=None, hi=None)
        if kind["transform"] != "activated":
            use = activated if kind["activated_only"] else np.ones(len(lots), dtype=bool)
            raw = pd.to_numeric(lots[kind["column"]], errors="coerce").to_numpy(float)[use]
            raw = raw[np.isfinite(raw)]
            if raw.size:
                covariate["centre"] = float(np.mean(_transform(raw, kind["transform"])))
                covariate["lo"], covariate["hi"] = float(raw.min()), float(raw.max())
        made[name] = covariate
    return made


def covariate_columns(conditions: pd.DataFrame, covariates: dict[str, dict]) -> pd.DataFrame:
    """Centred and scaled covariates, one column each.

    Parameters
    ----------
    conditions : DataFrame
        The columns named in `covariates`; an absent column or value stands for the centre.
    covariates : dict
        From `make_covariates`.

    Returns
    -------
    DataFrame
        Same index; zero where a covariate does not apply (not activated) or is not given. Holds
        below `SHORTEST_HOLD_MIN` count as that.
    """
    activated = is_activated(conditions["activation"])
    columns = {}
    for name, kind in covariates.items():
        if kind["transform"] == "activated":
            columns[name] = activated.astype(float)
            continue
        if kind["transform"] == "feed":
            raw = conditions["feedstock"].map(kind["values"]).to_numpy(float)
        elif kind["column"] in conditions:
            raw = pd.to_numeric(conditions[kind["column"]], errors="coerce").to_numpy(float)
        else:
            raw = np.full(len(conditions), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = (_transform(raw, kind["transform"]) - kind["centre"]) / kind["scale"]
        value = np.where(np.isfinite(value), value, 0.0)
        columns[name] = np.where(activated, value, 0.0) if kind["activated_only"] else value
    return pd.DataFrame(columns, index=conditions.index)


def term_columns(
    conditions: pd.DataFrame, covariates: dict[str, dict], terms: Iterable[dict]
) -> pd.DataFrame:
    """Columns of the chosen terms: products of covariates; see `covariate_columns`."""
    base = covariate_columns(conditions, covariates)
    columns = {}
    for term in terms:
        value = np.ones(len(conditions))
        for factor in term["factors"]:
            value = value * base[factor].to_numpy()
        columns[term["name"]] = value
    return pd.DataFrame(columns, index=conditions.index)


def short_hold_flags(covariates: dict[str, dict]) -> list[str]:
    """A sentence for each hold that was shorter than the scale of the model reaches down to."""
    return [
        f"{kind['words'].capitalize()} counts as {SHORTEST_HOLD_MIN:g} min where it was shorter "
        f"(down to {kind['lo']:g} min): the model works per doubling."
        for kind in covariates.values()
        if kind["transform"] == "log2" and kind["lo"] is not None
        if kind["lo"] < SHORTEST_HOLD_MIN
    ]


def is_activated(activation: pd.Series) -> np.ndarray:
    """True where a lot is activated: the entry is neither empty nor ``none``."""
    values = activation.tolist() if isinstance(activation, pd.Series) else activation
    found = [value not in (None, "", "none") and value == value for value in values]
    return np.array(found, dtype=bool)


def _transform(values: np.ndarray, transform: str) -> np.ndarray:
    if transform == "log2":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.log2(np.maximum(values, SHORTEST_HOLD_MIN))
    return values

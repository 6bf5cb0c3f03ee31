"""Every comparison a plan is made for: how sure it will be, and what difference it can tell."""

from itertools import combinations

import numpy as np
import pandas as pd

from charscreen.models.covariates import COVARIATES
from charscreen.quality.matrices import experiment_parts
from charscreen.quality.planned import (
    Planned,
    activated_rows,
    feedstock_columns,
    fixed_columns,
)
from charscreen.quality.power import Precision, detectable, power_of, precision_of
from charscreen.quality.scatter import Scatter, percent_of

COLUMNS = (
    *("kind", "first", "second", "at", "unit", "se_percent", "df", "power"),
    *("detectable_percent", "lots_first", "lots_second", "firings_shared"),
)
FEEDSTOCKS = "feedstock"
CENTRE = "centre of the conditions"


def log_delta(delta_percent: float) -> float:
    """δ on the log scale: what lies δ below is (1 - δ) times as much."""
    return -float(np.log1p(-delta_percent / 100.0))


def fixed_view_matrix(planned: Planned, rows: pd.DataFrame, feedstocks: np.ndarray) -> np.ndarray:
    """Model matrix with feedstock fixed, as the models test it.

    Parameters
    ----------
    planned : Planned
    rows : DataFrame
        activation and the conditions.
    feedstocks : (n, v - 1) array
        Dummies of the feedstocks, or their mean.
    """
    parts = [fixed_columns(planned, rows), feedstocks]
    if _is_crossed(planned):
        parts.append(feedstocks * activated_rows(rows)[:, None])
    return np.hstack(parts)


def _is_crossed(planned: Planned) -> bool:
    """Whether each feedstock has a gain by activation of its own in the models' tests."""
    if "activated" not in planned.terms.names or len(planned.record["feedstocks"]) < 2:
        return False
    lots = planned.lots
    counts = lots.groupby(["feedstock", activated_rows(lots)])["aliquot"].nunique().unstack()
    return counts.shape[1] == 2 and bool((counts.fillna(0) >= 2).all().all())


def plan_precision(planned: Planned, scatter: Scatter) -> Precision | None:
    """Precision of the effects with feedstock fixed; None where they cannot all be told."""
    lots = planned.lots
    X = fixed_view_matrix(planned, lots, feedstock_columns(planned, lots))
    if np.linalg.matrix_rank(X) < X.shape[1] or len(X) <= X.shape[1]:
        return None
    parts = experiment_parts(planned)
    if not lots["activation_firing"].notna().any():
        del parts["activation_firing_percent"]
    return precision_of(X, parts, {key: scatter.variance(key) for key in parts})


def compare_all(
    planned: Planned, scatter: Scatter, *, delta_percent: float
) -> tuple[pd.DataFrame, Precision | None]:
    """Comparisons of feedstocks and of conditions.

    Parameters
    ----------
    planned : Planned
    scatter : Scatter
        Taken as the truth the plan meets.
    delta_percent : float
        Difference the power is given for. [%]

    Returns
    -------
    table : DataFrame
        `COLUMNS`: each pair of feedstocks at the centre of the conditions (both with and without
        activation where feedstocks have gains of their own), and each pair of levels of every
        factor that has a term; standard error, degrees of freedom, power for δ of the two-sided
        test, and the difference that is told with a power of 80 %.
    precision : Precision or None
        None, with an empty table, where feedstocks and conditions cannot all be told apart.
    """
    precision = plan_precision(planned, scatter)
    if precision is None:
        return pd.DataFrame(columns=list(COLUMNS)), None
    rows, contrasts = _feedstock_pairs(planned)
    more, beside = _condition_pairs(planned)
    contrasts = np.vstack([*contrasts, *beside]) if rows or more else np.zeros((0, 0))
    table = pd.DataFrame([*rows, *more], columns=list(COLUMNS))
    if table.empty:
        return table, precision
    se, df = precision.se(contrasts), precision.df(contrasts)
    table["se_percent"] = [percent_of(value) for value in se]
    table["df"] = df
    table["power"] = power_of(log_delta(delta_percent), se=se, df=df)
    told = detectable(se=se, df=df)
    table["detectable_percent"] = np.where(
        told < 20, 100.0 * np.expm1(np.minimum(told, 20)), np.nan
    )
    return table, precision


def _feedstock_pairs(planned: Planned) -> tuple[list[dict], list[np.ndarray]]:
    names, lots = planned.record["feedstocks"], planned.lots
    counts = lots.groupby("feedstock")["lot"].nunique()
    firings = {name: set(here) for name, here in lots.groupby("feedstock")["firing"]}
    sides = planned.record["activations"] if _is_crossed(planned) else [None]
    dummies = np.vstack([np.zeros(len(names) - 1), np.eye(len(names) - 1)])
    rows, contrasts = [], []
    for side in sides:
        at = pd.DataFrame({"activation": [side or "none"] * len(names)})
        X = fixed_view_matrix(planned, at, dummies)
        for i, j in combinations(range(len(names)), 2):
            one, two = names[i], names[j]
            rows.append(
                {
                    "kind": FEEDSTOCKS,
                    "first": one,
                    "second": two,
                    "at": CENTRE if side is None else f"{CENTRE}, activation {side}",
                    "unit": "",
                    "lots_first": int(counts[one]),
                    "lots_second": int(counts[two]),
                    "firings_shared": len(firings[one] & firings[two]),
                }
            )
            contrasts.append(X[i] - X[j])
    return rows, contrasts


def _condition_pairs(planned: Planned) -> tuple[list[dict], list[np.ndarray]]:
    """Pairs of levels of each factor with a term, the other factors at their centre."""
    lots, v = planned.lots, len(planned.record["feedstocks"])
    mean = np.full(v - 1, 1.0 / v)
    usual = lots["activation"].value_counts().index[0]
    rows, contrasts = [], []
    for name, kind in planned.covariates.items():
        if name not in planned.terms.names:
            continue
        column, activated_only = kind["column"], kind["activated_only"]
        here = lots[activated_rows(lots)] if activated_only else lots
        levels = sorted(set(here[column].dropna()))
        side = "KOH" if activated_only else usual
        for one, two in combinations(levels, 2):
            at = pd.DataFrame({"activation": [side, side]})
            at[column] = [one, two]
            X = fixed_view_matrix(planned, at, np.vstack([mean, mean]))
            firings = [set(here.loc[here[column] == level, "firing"]) for level in (one, two)]
            rows.append(
                {
                    "kind": COVARIATES.get(name, kind)["words"],
                    "first": _text(one),
                    "second": _text(two),
                    "at": "mean feedstock" + (", activated" if activated_only else ""),
                    "unit": kind["unit"],
                    "lots_first": int((here[column] == one).sum()),
                    "lots_second": int((here[column] == two).sum()),
                    "firings_shared": len(firings[0] & firings[1]),
                }
            )
            contrasts.append(X[1] - X[0])
    return rows, contrasts


def _text(level: object) -> str:
    return level if isinstance(level, str) else f"{level:g}"

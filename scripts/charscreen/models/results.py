"""Result tables of the pooled view: scatter, residuals, deviations of single runs."""

import numpy as np
import pandas as pd
from scipy.special import expit

from charscreen.models.fixed_view import FixedView, estimates
from charscreen.models.tables import (
    RESIDUAL_COLUMNS,
    VARIANCE_COLUMNS,
    predict_draws,
    to_scale,
)
from charscreen.models.terms import Terms


def with_feed_effects(view: FixedView, pooled, terms: Terms, interval: float) -> pd.DataFrame:
    """Effects of the fixed view, and below them what is known of the feeds, of the pooled one."""
    names = [term["name"] for term in terms.feed if term["name"] in pooled.fixed_effects]
    if not names:
        return view.effects
    place = [list(pooled.fixed_effects.index).index(name) for name in names]
    more = estimates(pooled, np.eye(len(pooled.fixed_effects))[place], interval)
    labels = {term["name"]: term["label"] for term in terms.feed}
    more.insert(0, "term", [labels[name] for name in names])
    more["robust_estimate"] = np.nan
    return more if view.effects.empty else pd.concat([view.effects, more], ignore_index=True)


def variance_table(rows, kind, draws, fit, settings) -> pd.DataFrame:
    """Scatter by level from the posterior of the pooled view."""
    tail = (100 - settings["interval_percent"]) / 200
    typical = float(np.mean(to_scale(kind.scale, rows["value"])))
    table = []
    for level in fit.variance_components.index:
        v = draws[f"v[{level}]"].to_numpy()
        lo, middle, hi = np.quantile(v, [tail, 0.5, 1 - tail])
        table.append(
            {
                "level": kind.unit if level == "residual" else level,
                "variance": middle,
                "sd": np.sqrt(middle),
                "sd_percent": _relative(kind.scale, middle, typical),
                "lo": _relative(kind.scale, lo, typical),
                "hi": _relative(kind.scale, hi, typical),
                "n_levels": len(rows) if level == "residual" else fit.random_effects[level].size,
                "share_percent": np.nan if level.startswith("feedstock") else middle,
            }
        )
    frame = pd.DataFrame(table, columns=VARIANCE_COLUMNS)
    frame["share_percent"] *= 100 / frame["share_percent"].sum()
    return frame


def _relative(scale: str, variance: float, typical: float) -> float:
    """Standard deviation relative to the value, in percent; on the logit scale at the mean."""
    if scale == "log":
        return 100 * float(np.sqrt(np.expm1(variance)))
    return 100 * float(np.sqrt(variance)) * (1 - float(expit(typical)))


def residuals_table(data, fit) -> pd.DataFrame:
    """Conditional residuals of the pooled view, one row per observation."""
    residual = np.asarray(fit.residuals, dtype=float)
    table = data[["id", "firing", "lot", "feedstock"]].copy()
    table["fitted"] = np.asarray(fit.fitted_values, dtype=float)
    table["residual"] = residual
    scatter = np.sqrt(fit.variance_components["residual"] / data["w"].to_numpy(float))
    table["standardised"] = residual / scatter
    table["leverage"] = fit.deletion.leverage
    table["order"] = data["order"]
    table["run_order"] = data["run_order"]
    table["weight"] = data["w"]
    return table[RESIDUAL_COLUMNS]


def deviations(rows, kind, model, draws) -> list[dict]:
    """Observed minus predicted per run on the log scale, firing and lot scatter left in."""
    mean = draws.mean().to_frame().T
    eta = predict_draws(model, mean, rows)[0]
    off = to_scale(kind.scale, rows["value"]) - eta
    if kind.scale == "logit":
        # d log(p) = (1 - p) d logit(p)
        off = off * (1 - expit(eta))
    table = rows[["aliquot", "lot", "activation"]].assign(off=off)
    means = table.groupby(["aliquot", "lot", "activation"])["off"].mean()
    return [
        {"run": run, "lot": lot, "activated": activation != "none", "value": float(value)}
        for (run, lot, activation), value in means.items()
    ]

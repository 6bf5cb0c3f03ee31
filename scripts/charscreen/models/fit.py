"""Fitting one model of the screen in two views: feedstock fixed, and feedstock pooled."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from charscreen.mixed import MixedModelError, fit_mixed
from charscreen.models.covariates import make_covariates, short_hold_flags, term_columns
from charscreen.models.fixed_view import fixed_view, plain_flag
from charscreen.models.left_out import (
    factors_left_out,
    give_room,
    side_sentence,
    smaller_side,
    uncompared_flags,
)
from charscreen.models.levels import Levels, choose_levels
from charscreen.models.tables import (
    RESIDUAL_COLUMNS,
    VARIANCE_COLUMNS,
    ModelTables,
    predict_draws,
    to_scale,
)
from charscreen.models.terms import Terms, choose_terms

DEFAULTS = {"draws": 4000, "prior_scale": 1.0, "seed": 0, "interval_percent": 90.0}
METHODS = [
    "Feedstock fixed: effects and means by restricted maximum likelihood, intervals with "
    "Kenward-Roger degrees of freedom (Kenward & Roger 1997, Biometrics 53, 983).",
    "Feedstock pooled, for decisions: feedstocks, their slopes and their answers to activation "
    "are random and drawn towards their mean by their own scatter; the posterior has a half-t "
    "prior on the ratio of each standard deviation to that of the residual.",
    "Scatter: posterior medians and equal-tailed intervals of the pooled view; shares are of the "
    "scatter of the experiment, differences between feedstocks not counted.",
    "Predictions are for a new firing and a new lot, as the median over both.",
]


@dataclass(frozen=True)
class ModelKind:
    """What is modelled.

    Parameters
    ----------
    name : str
        char_yield, activation_yield or capacitance.
    words : str
        The same in a sentence.
    response : str
        Column that the values come from.
    scale : str
        ``log``, or ``logit`` of percent.
    unit : str
        What one row is: ``lot`` or ``cell``.
    covariates : tuple of str
        Which of `charscreen.models.terms.COVARIATES` may enter.
    stream : int
        Number that sets its random draws apart from those of other models.
    """

    name: str
    words: str
    response: str
    scale: str
    unit: str
    covariates: tuple[str, ...]
    stream: int


def fit_model(
    rows: pd.DataFrame, kind: ModelKind, *, settings: Mapping, none_reason: str
) -> ModelTables:
    """Fit both views of one model and put everything into tables.

    Parameters
    ----------
    rows : DataFrame
        From `charscreen.models.observations.observation_rows`, one row per observation.
    kind : ModelKind
        What is modelled.
    settings : mapping
        draws, prior_scale, seed, interval_percent; see `DEFAULTS`. [-, -, -, %]
    none_reason : str
        Why there is no model where `rows` is empty, in words.

    Returns
    -------
    ModelTables
        With ``fitted`` False and a reason where the data do not suffice.
    """
    settings = {**DEFAULTS, **settings}
    rows, flags = _usable(rows, kind)
    base = {"name": kind.name, "words": kind.words, "response": kind.response}
    base |= {"scale": kind.scale, "unit": kind.unit}
    if rows.empty:
        return ModelTables({"fitted": False, "reason": none_reason, **base, "flags": flags})
    runs = rows.drop_duplicates("aliquot")
    made = make_covariates(runs)
    covariates = {name: made[name] for name in made if name in kind.covariates}
    terms = choose_terms(runs, covariates)
    n_feedstocks = rows["feedstock"].nunique()
    spare = give_room(terms, covariates, len(runs) - n_feedstocks - len(terms.chosen))
    left_out = factors_left_out(runs, covariates, terms)
    leave = smaller_side(runs, left_out)
    if leave is not None:
        leaving = rows["aliquot"].isin(runs.loc[leave, "aliquot"])
        smaller = fit_model(
            rows[~leaving].reset_index(drop=True),
            kind,
            settings=settings,
            none_reason=none_reason,
        )
        return _say_left_out(smaller, side_sentence(rows[leaving], kind.words), flags)
    flags += short_hold_flags(covariates)
    flags += uncompared_flags(left_out, kind.words)
    if len(rows) - n_feedstocks < 2 or len(rows) < 4:
        reason = (
            f"{len(rows)} {kind.unit}{'s' if len(rows) != 1 else ''} of {n_feedstocks} "
            f"feedstock{'s' if n_feedstocks != 1 else ''} do not show how much repeats scatter; "
            "measure at least two more repeats"
        )
        return ModelTables({"fitted": False, "reason": reason, **base, "flags": flags})
    if spare < 1 and kind.unit == "cell":
        terms.forbids.append(
            "No feedstock has a second lot: the scatter between lots is not known, and "
            "differences between feedstocks may be differences between lots."
        )
    levels = choose_levels(rows, terms, unit=kind.unit)
    data = _data(rows, kind, covariates, terms)
    try:
        pooled = fit_mixed(
            terms.formula(), data, random=[*levels.pooled, *levels.random], weights=None
        )
        seed = int(np.random.SeedSequence([settings["seed"], kind.stream]).generate_state(1)[0])
        posterior = pooled.posterior(
            n=settings["draws"], seed=seed, prior_scale=settings["prior_scale"]
        )
    except MixedModelError as error:
        return ModelTables({"fitted": False, "reason": str(error), **base, "flags": flags})
    draws = _draws(posterior, levels)
    model = {"fitted": True, "reason": "", **base}
    model |= _record(rows, kind, covariates, terms, levels, pooled, posterior, settings, seed)
    model |= left_out
    model["flags"] = flags + model["flags"]
    effects, means, found = fixed_view(
        data, terms, levels, scale=kind.scale, interval_percent=settings["interval_percent"]
    )
    model["dropped"] += found.pop("dropped")
    model["flags"] = list(dict.fromkeys([*model["flags"], *found.pop("flags")]))
    model |= found
    model["deviations"] = _deviations(rows, kind, model, draws)
    return ModelTables(
        model=model,
        effects=effects,
        variance=_variance(rows, kind, draws, pooled, settings),
        means=means,
        residuals=_residuals(rows, pooled),
        draws=draws,
    )


def _usable(rows: pd.DataFrame, kind: ModelKind) -> tuple[pd.DataFrame, list[str]]:
    """Rows inside the range of the scale, and a sentence on those outside."""
    top = np.inf if kind.scale == "log" else 100.0
    good = (rows["value"] > 0) & (rows["value"] < top)
    flags = []
    if not good.all():
        names = ", ".join(rows.loc[~good, "id"])
        bounds = "above zero" if kind.scale == "log" else "between 0 and 100 %"
        flags.append(f"Left out of the model of {kind.words}, not {bounds}: {names}.")
    return rows[good].reset_index(drop=True), flags


def _say_left_out(tables: ModelTables, sentence: str, flags: list[str]) -> ModelTables:
    """Put into the record that one side of activation left the model."""
    model = tables.model
    model["flags"] = list(dict.fromkeys([*flags, sentence, *model["flags"]]))
    if not model["fitted"]:
        model["reason"] += f". {sentence.rstrip('.')}"
        return tables
    reason = "too few lots are measured to tell what activation changes"
    model["activation_reason"] = reason
    for row in model["dropped"]:
        if row["term"] == "activation":
            row["reason"] = reason
    start = "Nothing can be said about what activation changes"
    model["forbids"] = [
        f"{start}: {reason.removesuffix(' to tell what activation changes')}."
        if text.startswith(start)
        else text
        for text in model["forbids"]
    ]
    return tables


def _data(rows, kind: ModelKind, covariates, terms: Terms) -> pd.DataFrame:
    data = rows.copy()
    data["y"] = to_scale(kind.scale, rows["value"])
    columns = term_columns(rows, covariates, terms.chosen)
    for name in columns:
        data[name] = columns[name]
    return data


def _draws(posterior, levels: Levels) -> pd.DataFrame:
    """Draws of what predictions need; effects of single firings and lots are left out."""
    columns = {f"b[{name}]": posterior.fixed[name] for name in posterior.fixed}
    for term in levels.pooled:
        if term in posterior.random:
            effects = posterior.random[term]
            columns |= {f"u[{term}|{level}]": effects[level] for level in effects}
    columns |= {f"v[{name}]": posterior.variance[name] for name in posterior.variance}
    return pd.DataFrame({k: np.asarray(v, dtype=float) for k, v in columns.items()})


def _record(rows, kind, covariates, terms, levels, fit, posterior, settings, seed) -> dict:
    """The plain record of the pooled view: all that predictions and the report need."""
    fitted = [name for name in fit.variance_components.index if name != "residual"]
    pooled = []
    for term in levels.pooled:
        if term in fitted:
            slope = "|" in term
            pooled.append(
                {
                    "name": term,
                    "levels": [str(level) for level in posterior.random[term].columns],
                    "centre": float(fit.centres[term]) if slope else 0.0,
                    "scale": float(fit.scales[term]) if slope else 1.0,
                }
            )
    flags = list(levels.flags)
    flags += [plain_flag(flag) for flag in (*fit.flags, *posterior.flags)]
    if not fit.converged:
        flags.append("The fit did not converge: take its numbers as rough.")
    return {
        "formula": terms.formula(),
        "terms": terms.chosen,
        "covariates": covariates,
        "random": [name for name in levels.random if name in fitted],
        "pooled": pooled,
        "dropped": terms.dropped + levels.dropped,
        "forbids": terms.forbids + levels.forbids,
        "flags": flags,
        "converged": bool(fit.converged),
        "singular": bool(fit.singular),
        "n": len(rows),
        "n_lots": int(rows["lot"].nunique()),
        "n_firings": int(rows["firing"].nunique()),
        "feedstocks": sorted(set(rows["feedstock"])),
        "activations": sorted(set(rows["activation"])) if "activated" in kind.covariates else None,
        "reml_variances": {str(k): float(v) for k, v in fit.variance_components.items()},
        "posterior": {
            "draws": len(posterior.fixed),
            "seed": seed,
            "prior_scale": float(settings["prior_scale"]),
            "effective_size": _number(posterior.effective_size),
            "pareto_k": _number(posterior.pareto_k),
        },
        "interval_percent": float(settings["interval_percent"]),
        "methods": METHODS,
    }


def _number(value: object) -> float | None:
    value = float(value)
    return value if np.isfinite(value) else None


def _variance(rows, kind, draws, fit, settings) -> pd.DataFrame:
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


def _residuals(rows, fit) -> pd.DataFrame:
    residual = np.asarray(fit.residuals, dtype=float)
    table = rows[["id", "firing", "lot", "feedstock"]].copy()
    table["fitted"] = np.asarray(fit.fitted_values, dtype=float)
    table["residual"] = residual
    table["standardised"] = residual / np.sqrt(fit.variance_components["residual"])
    return table[RESIDUAL_COLUMNS]


def _deviations(rows, kind, model, draws) -> list[dict]:
    """Observed minus predicted per run on the log scale, firing and lot scatter left in."""
    mean = draws.mean().to_frame().T
    eta = predict_draws(model, mean, rows)[0]
    off = to_scale(kind.scale, rows["value"]) - eta
    if kind.scale == "logit":
        # d log(p) = (1 - p) d logit(p)
        off = off * (1 - expit(eta))
    table = rows[["aliquot", "lot", "activation"]].assign(off=off)
    found = []
    for (run, lot, activation), group in table.groupby(["aliquot", "lot", "activation"]):
        found.append(
            {
                "run": run,
                "lot": lot,
                "activated": activation != "none",
                "value": float(group["off"].mean()),
            }
        )
    return found

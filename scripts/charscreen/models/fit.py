"""Fitting one model of the screen in two views: feedstock fixed, and feedstock pooled."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.mixed.errors import MixedModelError
from charscreen.mixed.fit import fit_mixed
from charscreen.models.alternatives import alternative_flag, compare_alternatives
from charscreen.models.budget import budget_table, effort_table, level_draws
from charscreen.models.checks import check_model, power_profile
from charscreen.models.contrasts import inference_table
from charscreen.models.covariates import (
    feed_covariates,
    make_covariates,
    short_hold_flags,
    term_columns,
)
from charscreen.models.fixed_view import FixedView, fixed_view, plain_flag
from charscreen.models.influence import influence_flags, influence_table
from charscreen.models.left_out import (
    factors_left_out,
    give_room,
    side_sentence,
    smaller_side,
    uncompared_flags,
)
from charscreen.models.levels import Levels, choose_levels
from charscreen.models.reading import Reading, weigh_readings
from charscreen.models.results import (
    deviations,
    residuals_table,
    variance_table,
    with_feed_effects,
)
from charscreen.models.tables import GROUP_COLUMNS, ModelTables, to_scale
from charscreen.models.terms import Terms, choose_terms
from charscreen.words import agree, count_words

DEFAULTS = {
    "draws": 4000,
    "prior_scale": 1.0,
    "seed": 0,
    "interval_percent": 90.0,
    "costs": {"firing": 240.0, "lot": 30.0, "cell": 30.0},
    "crucibles": 6,
}
METHODS = [
    "Feedstock fixed: effects and means by restricted maximum likelihood, intervals with "
    "Kenward-Roger degrees of freedom (Kenward & Roger 1997, Biometrics 53, 983).",
    "Feedstock pooled, for decisions: feedstocks, their slopes and their answers to activation "
    "are random and drawn towards their mean by their own scatter; the posterior has a half-t "
    "prior on the ratio of each standard deviation to that of the residual.",
    "Scatter: posterior medians and equal-tailed intervals of the pooled view; shares are of the "
    "scatter of the experiment, differences between feedstocks not counted.",
    "Predictions are for a new firing and a new lot, as the median over both.",
    "Influence: what leaving out a firing, a lot or a cell would change at the same ratios of the "
    "scatter; alternatives: AICc from the full likelihood, and the error of predicting each "
    "firing from the others.",
]


@dataclass(frozen=True)
class ModelKind:
    """What is modelled.

    Parameters
    ----------
    name : str
        One of `charscreen.models.names.MODEL_NAMES`.
    words : str
        The same in a sentence.
    response : str
        Column that the values come from.
    scale : str
        ``log``, or ``logit`` of percent.
    unit : str
        What one row is: ``lot``, ``run`` (a lot or an aliquot of one) or ``cell``.
    covariates : tuple of str
        Which of `charscreen.models.covariates.COVARIATES` may enter.
    stream : int
        Number that sets its random draws apart from those of other models.
    none_reason : str
        Why there is no model where nothing is measured, in words.
    best : str
        ``highest`` or ``lowest``: which mean leads.
    """

    name: str
    words: str
    response: str
    scale: str
    unit: str
    covariates: tuple[str, ...]
    stream: int
    none_reason: str
    best: str = "highest"


def fit_model(
    rows: pd.DataFrame,
    kind: ModelKind,
    *,
    settings: Mapping,
    feedstocks: pd.DataFrame | None = None,
) -> ModelTables:
    """Fit both views of one model and put everything into tables.

    Parameters
    ----------
    rows : DataFrame
        From `charscreen.models.observations.observation_rows`, one row per observation.
    kind : ModelKind
        What is modelled.
    settings : mapping
        draws, prior_scale, seed, interval_percent, costs (firing, lot, cell), crucibles; see
        `DEFAULTS`. [-, -, -, %, any one unit, -]
    feedstocks : DataFrame, optional
        What is known of the feeds, for `charscreen.models.covariates.feed_covariates`.

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
        return ModelTables({"fitted": False, "reason": kind.none_reason, **base, "flags": flags})
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
            feedstocks=feedstocks,
        )
        return _say_left_out(smaller, side_sentence(rows[leaving], kind.words), flags)
    flags += short_hold_flags(covariates)
    flags += uncompared_flags(left_out, kind.words)
    if feedstocks is not None:
        of_feed, dropped = feed_covariates(runs, feedstocks)
        covariates |= of_feed
        terms.feed = [
            {"name": name, "factors": [name], "label": of_feed[name]["label"]} for name in of_feed
        ]
        terms.dropped += dropped
    if len(rows) - n_feedstocks < 2 or len(rows) < 4:
        reason = (
            f"{count_words(len(rows), kind.unit)} of {count_words(n_feedstocks, 'feedstock')} "
            f"{agree(len(rows), 'does', 'do')} not show how much repeats scatter; measure at "
            "least two more repeats"
        )
        return ModelTables({"fitted": False, "reason": reason, **base, "flags": flags})
    if spare < 1 and kind.unit == "cell":
        terms.forbids.append(
            "No feedstock has a second lot: the scatter between lots is not known, and "
            "differences between feedstocks may be differences between lots."
        )
    levels = choose_levels(rows, terms, unit=kind.unit)
    data = _data(rows, kind, covariates, terms)
    random = [*levels.pooled, *levels.random]
    try:
        reading = weigh_readings(terms.pooled_formula(), data, random, kind.scale)
        data["w"] = reading.weights
        pooled = reading.fit or fit_mixed(terms.pooled_formula(), data, random=random, weights="w")
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
    model["reading"] = {"variance": reading.variance, "weighted": reading.weighted}
    interval = settings["interval_percent"]
    view = fixed_view(data, terms, levels, scale=kind.scale, interval_percent=interval)
    found = dict(view.record)
    model["dropped"] += found.pop("dropped")
    model["flags"] += found.pop("flags")
    model |= found
    model["deviations"] = deviations(rows, kind, model, draws)
    tables = ModelTables(
        model=model,
        effects=with_feed_effects(view, pooled, terms, interval),
        variance=variance_table(rows, kind, draws, pooled, settings),
        means=view.means,
        residuals=residuals_table(data, pooled),
        draws=draws,
    )
    if view.fit is not None:
        tables.inference = inference_table(view.fit)
    _add_checks(tables, view, data, levels, kind, reading)
    tables.alternatives = compare_alternatives(data, terms, random, scale=kind.scale, fit=pooled)
    model["flags"] += alternative_flag(tables.alternatives)
    _add_budget(tables, levels, kind, reading, settings)
    model["flags"] = list(dict.fromkeys(model["flags"]))
    return tables


def _add_checks(
    tables: ModelTables,
    view: FixedView,
    data: pd.DataFrame,
    levels: Levels,
    kind: ModelKind,
    reading: Reading,
) -> None:
    """Checks, influence and effects of single groups, from the view with feedstock fixed."""
    if view.fit is None:
        return
    fit = view.fit
    profile = power_profile(fit, data["value"].to_numpy(float), kind.scale)
    tables.model["power_profile"] = profile
    tables.checks, robust, flags = check_model(
        view,
        data,
        levels.random,
        scale=kind.scale,
        unit=kind.unit,
        reading=reading,
        profile=profile,
    )
    if robust is not None:
        tables.effects.loc[: len(robust) - 1, "robust_estimate"] = robust
    feedstocks = view.means["feedstock"].tolist()
    sign = 1.0 if kind.best == "highest" else -1.0
    means = feedstocks, sign * view.contrasts
    tables.influence = influence_table(fit, data, means, view.labels)
    tables.model["flags"] += flags + influence_flags(
        tables.influence,
        kind.unit,
        kind.best,
        feedstocks_differ=tables.model["reml_variances"].get("feedstock", 1.0) > 0,
    )
    groups = []
    for k, name in enumerate(fit.random):
        effects = fit.random_effects[name]
        standard = fit.deletion.standardised_effects(k)
        groups += [
            {"level": name, "group": group, "effect": effect, "standardised": value}
            for group, effect, value in zip(effects.index, effects, standard, strict=True)
        ]
    tables.groups = pd.DataFrame(groups, columns=GROUP_COLUMNS)


def _add_budget(tables, levels, kind, reading, settings) -> None:
    """Shares of the scatter, and what would be the best number of cells and lots."""
    fitted = [name for name in levels.random if f"v[{name}]" in tables.draws]
    parts = level_draws(tables.draws, fitted, kind.unit, reading)
    interval = settings["interval_percent"]
    tables.budget = budget_table(parts, interval)
    if "firing" in fitted and (kind.unit != "cell" or {"lot", "aliquot"} & set(fitted)):
        tables.effort = effort_table(
            parts,
            unit=kind.unit,
            costs=settings["costs"],
            crucibles=int(settings["crucibles"]),
            interval_percent=interval,
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
    columns = term_columns(rows, covariates, [*terms.feed, *terms.chosen])
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
        "formula": terms.pooled_formula(),
        "terms": [*terms.feed, *terms.chosen],
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
        "order_by": {"firings": rows["order_by"].iloc[0], "rows": rows["run_order_by"].iloc[0]},
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

"""The view with feedstock fixed: effects and means, with Kenward-Roger intervals."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from charscreen.mixed.errors import MixedModelError
from charscreen.mixed.fit import MixedFit, fit_mixed
from charscreen.models.covariates import is_activated
from charscreen.models.levels import Levels
from charscreen.models.tables import EFFECT_COLUMNS, MEAN_COLUMNS, natural
from charscreen.models.terms import Terms
from charscreen.words import LEVELS, activation_words, level_words, list_words

LEAST_DF = 1.0
"""Below so many degrees of freedom a t interval has no meaning (common practice, no source)."""


@dataclass
class FixedView:
    """Effects and means with feedstock as a fixed effect.

    Parameters
    ----------
    effects : DataFrame
        term (in words), estimate, se, df, lo, hi, p; on the scale of the model.
    means : DataFrame
        feedstock, activation, estimate, lo, hi on the natural scale, n_lots, n_firings: at the
        centre of the covariates (mean peak temperature, hold and so on of the lots measured).
    record : dict
        formula_fixed, converged_fixed, singular_fixed, reml_variances_fixed, and the lists
        dropped and flags.
    fit : MixedFit or None
        None where it could not be fitted.
    labels : list of str
        Coefficients in words, length p.
    contrasts : (m, p) array
        Coefficients of the means, row by row.
    """

    effects: pd.DataFrame
    means: pd.DataFrame
    record: dict
    fit: MixedFit | None = None
    labels: list[str] = field(default_factory=list)
    contrasts: np.ndarray | None = None


def fixed_view(
    data: pd.DataFrame, terms: Terms, levels: Levels, *, scale: str, interval_percent: float
) -> FixedView:
    """Effects and means with feedstock as a fixed effect.

    Parameters
    ----------
    data : DataFrame
        One row per observation: y (on the scale of the model), w (known relative weights),
        feedstock, activation, the columns of `terms` and the levels of the experiment.
    terms : Terms
        Fixed terms beside feedstock.
    levels : Levels
        Random levels; its pooled terms are not used here.
    scale : str
        ``log`` or ``logit``.
    interval_percent : float
        Level of the intervals. [%]

    Returns
    -------
    FixedView

    Notes
    -----
    Every feedstock has a gain by activation of its own where each was measured in two lots both
    with and without; else all share one gain. Where the model gives a feedstock one value with
    and without activation, its mean has one row, at the side with more lots. Below `LEAST_DF`
    degrees of freedom lo, hi and p are missing.
    """
    record: dict = {"dropped": [], "flags": [], "converged_fixed": None, "singular_fixed": None}
    several = data["feedstock"].nunique() > 1
    first = ["feedstock"] if several else []
    if several and "activated" in terms.names:
        if _is_crossed(data):
            first.append("feedstock:activated")
        else:
            record["dropped"].append(
                {
                    "term": "feedstock by activation (fixed)",
                    "reason": "not every feedstock was measured in two lots both with and "
                    "without activation; the means take the same gain for all",
                }
            )
    record["formula_fixed"] = terms.formula(*first)
    try:
        fit = fit_mixed(record["formula_fixed"], data, random=levels.random, weights="w")
        effects = estimates(fit, np.eye(len(fit.fixed_effects)), interval_percent)
        means, contrasts = _means(fit, data, scale, interval_percent)
    except MixedModelError as error:
        record["flags"].append(f"No effects and means with feedstock fixed: {error}")
        return FixedView(
            pd.DataFrame(columns=EFFECT_COLUMNS), pd.DataFrame(columns=MEAN_COLUMNS), record
        )
    labels = [_label(name, terms, data) for name in fit.fixed_effects.index]
    effects.insert(0, "term", labels)
    record["converged_fixed"], record["singular_fixed"] = bool(fit.converged), bool(fit.singular)
    record["reml_variances_fixed"] = {str(k): float(v) for k, v in fit.variance_components.items()}
    record["flags"] += [plain_flag(flag) for flag in fit.flags]
    if not fit.converged:
        record["flags"].append("The fit with feedstock fixed did not converge.")
    effects["robust_estimate"] = np.nan
    record["flags"] += _no_interval(effects, means)
    return FixedView(effects[EFFECT_COLUMNS], means[MEAN_COLUMNS], record, fit, labels, contrasts)


def plain_flag(flag: str) -> str:
    """A flag of the mixed model as a sentence."""
    flag = flag.replace("random term '", "random level '")
    for level in LEVELS:
        flag = flag.replace(f"'{level}'", level_words(level))
    return flag[:1].upper() + flag[1:].rstrip(".") + "."


def _no_interval(effects: pd.DataFrame, means: pd.DataFrame) -> list[str]:
    """A sentence on the effects and means that have no interval."""
    names = effects.loc[effects["lo"].isna(), "term"].tolist()
    bare = means[means["lo"].isna()]
    if len(bare) == len(means):
        names.append("all means")
    else:
        names += [
            f"the mean of {row['feedstock']} ({activation_words(row)})"
            for row in bare.to_dict("records")
        ]
    if not names:
        return []
    return [f"Too few firings or lots to give an interval for {list_words(names)}."]


def _is_crossed(data: pd.DataFrame) -> bool:
    """Whether every feedstock has two lots both with and without activation."""
    activated = is_activated(data["activation"])
    counts = data.groupby(["feedstock", activated])["aliquot"].nunique().unstack(fill_value=0)
    return counts.shape[1] == 2 and bool((counts >= 2).all().all())


def estimates(fit: MixedFit, contrasts: np.ndarray, interval_percent: float) -> pd.DataFrame:
    """Estimate, Kenward-Roger se and df, interval and p of contrasts, (m, p) array."""
    estimate = contrasts @ fit.fixed_effects.to_numpy()
    covariance = fit.fixed_effects_cov_kr.to_numpy()
    se = np.sqrt(np.einsum("ij,jk,ik->i", contrasts, covariance, contrasts))
    df = np.array([float(fit.df(row, method="kenward_roger")) for row in contrasts])
    df = np.round(df, 9)  # one degree of freedom must not fall short by rounding
    half = stdtrit(df, 0.5 + interval_percent / 200) * se
    p = 2 * stdtr(df, -np.abs(estimate / se))
    lo, hi = estimate - half, estimate + half
    lo, hi, p = (np.where(df >= LEAST_DF, value, np.nan) for value in (lo, hi, p))
    return pd.DataFrame({"estimate": estimate, "se": se, "df": df, "lo": lo, "hi": hi, "p": p})


def _label(name: str, terms: Terms, data: pd.DataFrame) -> str:
    """A coefficient in words."""
    first = min(data["feedstock"])
    if name == "Intercept":
        plain = ", not activated," if "activated" in terms.names else ""
        return f"{first}{plain} at the centre of the screen"
    if name.startswith("feedstock[T."):
        level, _, rest = name.removeprefix("feedstock[T.").partition("]")
        return f"{level} by activation, against {first}" if rest else f"{level} against {first}"
    return {term["name"]: term["label"] for term in terms.chosen}[name]


def _means(fit: MixedFit, data: pd.DataFrame, scale: str, interval_percent: float):
    """Means per feedstock and activation at the centre of the covariates, natural scale."""
    place = {name: k for k, name in enumerate(fit.fixed_effects.index)}
    groups, contrasts = [], []
    for (feedstock, activation), group in data.groupby(["feedstock", "activation"], sort=True):
        contrast = np.zeros(len(place))
        on = ["Intercept", f"feedstock[T.{feedstock}]"]
        if activation != "none":
            on += ["activated", f"feedstock[T.{feedstock}]:activated"]
        for name in on:
            if name in place:
                contrast[place[name]] = 1.0
        groups.append(
            {
                "feedstock": feedstock,
                "activation": activation,
                "n_lots": int(group["lot"].nunique()),
                "n_firings": int(group["firing"].nunique()),
            }
        )
        contrasts.append(contrast)
    kept = _distinct(groups, contrasts)
    groups, contrasts = [groups[k] for k in kept], [contrasts[k] for k in kept]
    table = estimates(fit, np.array(contrasts), interval_percent)
    for name in ("estimate", "lo", "hi"):
        table[name] = natural({"scale": scale}, table[name].to_numpy())
    means = pd.concat([pd.DataFrame(groups), table[["estimate", "lo", "hi"]]], axis=1)
    return means, np.array(contrasts)


def _distinct(groups: list[dict], contrasts: list[np.ndarray]) -> list[int]:
    """Places of the means to list: of two that are one and the same, that with more lots."""
    best: dict[bytes, int] = {}
    for k, contrast in enumerate(contrasts):
        key = contrast.tobytes()
        if key not in best or groups[k]["n_lots"] > groups[best[key]]["n_lots"]:
            best[key] = k
    return sorted(best.values())

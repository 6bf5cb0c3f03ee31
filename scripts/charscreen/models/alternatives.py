"""Other models of the same values: fewer terms, another scale, an asymptotic exponential."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from charscreen.mixed.errors import MixedModelError
from charscreen.mixed.fit import MixedFit, fit_mixed
from charscreen.models.tables import ALTERNATIVE_COLUMNS
from charscreen.models.terms import Terms

DECAY_C = (25.0, 50.0, 75.0, 100.0, 150.0, 200.0, 300.0, 450.0, 700.0, 1000.0)
"""Temperatures over which the exponential may fall to 1/e, tried in turn. [°C]"""
BETTER_AICC = 4.0
"""An alternative better by this much in AICc (and in prediction) is pointed out (common practice,
no source)."""


@dataclass(frozen=True)
class Alternative:
    """One model to compare.

    Parameters
    ----------
    name, words : str
        For the table.
    scale : str
        ``log``, ``logit`` (of percent) or ``natural``.
    terms : list of str
        Columns of the fixed part.
    extra : int
        Parameters beside coefficients, variances and residual.
    """

    name: str
    words: str
    scale: str
    terms: list[str]
    extra: int = 0


def compare_alternatives(
    data: pd.DataFrame, terms: Terms, random: Sequence[str], *, scale: str, fit: MixedFit
) -> pd.DataFrame:
    """Alternatives to a model, by AICc and by predicting firings left out.

    Parameters
    ----------
    data : DataFrame
        One row per observation: value (natural scale), peak_temperature_C, firing, the columns
        of `terms` and of `random`; ``w``, known relative weights.
    terms : Terms
        Fixed terms chosen.
    random : sequence of str
        Random terms of the pooled view.
    scale : str
        Scale of the chosen model.
    fit : MixedFit
        The chosen model.

    Returns
    -------
    DataFrame
        Columns `ALTERNATIVE_COLUMNS`, the chosen one first. error_percent is the root mean
        square of log(observed / predicted), each firing predicted from the others with its own
        feedstocks' pooled effects. [%]

    Notes
    -----
    AICc = deviance + 2 k + 2 k (k + 1) / (n - k - 1), from the full (not restricted)
    likelihood, the Jacobian of the scale counted, so that scales can be compared (Burnham &
    Anderson 2002, Model Selection and Multimodel Inference; from memory). The asymptotic
    exponential is a + b exp(-(T - T_least) / c) with an asymptote a of each feedstock; c is the
    best of `DECAY_C` at the ratios of the chosen model and counts as a parameter.
    """
    chosen, *others = _list(terms, scale)
    rows = [_row(data, chosen, fit)]
    for alternative in others:
        if alternative.name == "asymptotic":
            decay = _best_decay(data, alternative, fit)
            data = data.assign(fall=_fall(data, decay))
            words = f"{alternative.words} (to 1/e in {decay:g} °C)"
            alternative = Alternative(alternative.name, words, scale, alternative.terms, 1)
        found = _fit(data, alternative, random, fit)
        if found is not None:
            rows.append(_row(data, alternative, found))
    table = pd.DataFrame(rows, columns=[c for c in ALTERNATIVE_COLUMNS if c != "chosen"])
    table["delta_aicc"] = table["aicc"] - table["aicc"].min()
    share = np.exp(-0.5 * table["delta_aicc"])
    table["weight"] = share / share.sum()
    table["chosen"] = ["yes" if name == "chosen" else "no" for name in table["alternative"]]
    return table[ALTERNATIVE_COLUMNS]


def alternative_flag(table: pd.DataFrame) -> list[str]:
    """A sentence where an alternative is clearly better than the chosen model."""
    chosen = table[table["chosen"] == "yes"]
    if chosen.empty:
        return []
    own = chosen.iloc[0]
    better = table[
        (table["aicc"] < own["aicc"] - BETTER_AICC)
        & (table["error_percent"] < own["error_percent"])
    ]
    if better.empty:
        return []
    best = better.loc[better["aicc"].idxmin()]
    return [
        f"Another model describes these data better: {best['words']} (AICc lower by "
        f"{own['aicc'] - best['aicc']:.1f}, firings left out predicted to "
        f"{best['error_percent']:.1f} % instead of {own['error_percent']:.1f} %)."
    ]


def _list(terms: Terms, scale: str) -> list[Alternative]:
    feed = [term["name"] for term in terms.feed]
    names = [*feed, *terms.names]
    labels = {term["name"]: term["label"] for term in terms.chosen}
    found = [Alternative("chosen", "the chosen terms", scale, names)]
    for term in terms.chosen:
        # What another term is built on cannot be left out alone.
        built_on = [t for t in terms.chosen if t is not term and term["name"] in t["factors"]]
        if not built_on:
            words = f"without {labels[term['name']]}"
            rest = [name for name in names if name != term["name"]]
            found.append(Alternative(f"without_{term['name']}", words, scale, rest))
    if feed:
        words = "without what is known of the feeds"
        found.append(Alternative("without_feed", words, scale, terms.names))
    if "temperature" in names:
        rest = [n for n in names if n not in ("temperature", "temperature_squared")]
        rest = [n for n in rest if "temperature" not in _factors(terms, n)]
        words = "asymptotic exponential in peak temperature"
        found.append(Alternative("asymptotic", words, scale, ["fall", *rest]))
    for other in ("log", "natural") if scale == "logit" else ("natural",):
        words = {"log": "on the log scale", "natural": "without a transformation"}[other]
        found.append(Alternative(f"scale_{other}", f"the chosen terms {words}", other, names))
    return found


def _factors(terms: Terms, name: str) -> list[str]:
    every = [*terms.feed, *terms.chosen]
    return next(term["factors"] for term in every if term["name"] == name)


def _fall(data: pd.DataFrame, decay_C: float) -> np.ndarray:
    temperature = data["peak_temperature_C"].to_numpy(float)
    return np.exp(-(temperature - temperature.min()) / decay_C)


def _best_decay(data, alternative: Alternative, fit: MixedFit) -> float:
    """The decay of least squares at the ratios of the chosen model."""
    y, _ = _transformed(data["value"].to_numpy(float), alternative.scale)
    others = [data[name].to_numpy(float) for name in alternative.terms[1:]]
    squares = [
        fit.deletion.residual_squares(
            y, np.column_stack([np.ones(len(y)), _fall(data, decay), *others])
        )
        for decay in DECAY_C
    ]
    return DECAY_C[int(np.argmin(squares))]


def _fit(data, alternative: Alternative, random, chosen: MixedFit) -> MixedFit | None:
    formula = "y ~ " + " + ".join(["1", *alternative.terms])
    y, _ = _transformed(data["value"].to_numpy(float), alternative.scale)
    try:
        return fit_mixed(formula, data.assign(y=y), random=random, weights="w", start=chosen.ratios)
    except MixedModelError:
        return None


def _transformed(value: np.ndarray, scale: str) -> tuple[np.ndarray, float]:
    """Values on a scale, and the log of its Jacobian summed."""
    if scale == "log":
        return np.log(value), float(-np.log(value).sum())
    if scale == "logit":
        share = value / 100.0
        return logit(share), float(-np.log(100.0 * share * (1.0 - share)).sum())
    return value, 0.0


def _back(y: np.ndarray, scale: str) -> np.ndarray:
    if scale == "log":
        return np.exp(y)
    return 100.0 * expit(y) if scale == "logit" else y


def _row(data: pd.DataFrame, alternative: Alternative, fit: MixedFit) -> dict:
    n = fit.n_observations
    k = len(fit.fixed_effects) + len(fit.variance_components) + alternative.extra
    value = data["value"].to_numpy(float)
    y, jacobian = _transformed(value, alternative.scale)
    deviance = fit.ml_deviance - 2.0 * jacobian
    aicc = deviance + 2 * k + 2 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.nan
    predicted = np.full(n, np.nan)
    for rows in data.groupby("firing").indices.values():
        predicted[rows] = y[rows] - fit.deletion.leave_out(rows)[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.log(value / _back(predicted, alternative.scale))
    known = np.isfinite(error)
    return {
        "alternative": alternative.name,
        "words": alternative.words,
        "scale": alternative.scale,
        "n_parameters": k,
        "deviance": deviance,
        "aicc": aicc,
        "error_percent": 100 * np.sqrt(np.mean(error[known] ** 2)) if known.any() else np.nan,
        "n_predicted": int(known.sum()),
    }

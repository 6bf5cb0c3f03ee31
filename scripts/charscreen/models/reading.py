"""What the readings themselves scatter, and weights where that differs between observations."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.mixed.fit import MixedFit, fit_mixed

MATTERS = 0.2
"""Spread of the reading variances, as a share of the residual variance, from which on observations
are weighed by them (common practice, no source)."""
LEAST_OWN = 0.1
"""Least share of the residual variance taken as the observations' own."""


@dataclass(frozen=True)
class Reading:
    """The part of the residual that the readings explain.

    Parameters
    ----------
    variance : float or None
        Mean variance of a reading on the scale of the model; None where no reading has one.
    weights : (n,) array
        Relative weights of the observations; all 1 where reading variances do not matter.
    weighted : bool
        Whether they are used. The residual variance is then what the observations scatter beside
        their reading, else both together.
    fit : MixedFit or None
        The pooled view without weights, where it was fitted and none are used.
    """

    variance: float | None
    weights: np.ndarray
    weighted: bool
    fit: MixedFit | None = None


def reading_variance(value: np.ndarray, se: np.ndarray, scale: str) -> np.ndarray:
    """Variance (n,) of a reading on the scale of the model, nan where its error is not known.

    Parameters
    ----------
    value, se : (n,) array
        Value and its standard error, natural scale; percent where the scale is logit.
    scale : str
        ``log`` or ``logit``.

    Notes
    -----
    To first order: (se / value)^2, or (se / (value (1 - value / 100)))^2 (JCGM 100, 5.1.2).
    """
    slope = value if scale == "log" else value * (1.0 - value / 100.0)
    return (se / slope) ** 2


def weigh_readings(formula: str, data: pd.DataFrame, random: Sequence[str], scale: str) -> Reading:
    """Known weights of the observations from the standard errors of their readings.

    Parameters
    ----------
    formula : str
        Of the pooled view.
    data : DataFrame
        value, se and the columns of the model.
    random : sequence of str
    scale : str
        ``log`` or ``logit``.

    Returns
    -------
    Reading

    Notes
    -----
    The variance of observation i is s^2 + r_i^2, r_i^2 that of its reading, so its weight is
    s^2 / (s^2 + r_i^2). s^2 starts as the unweighted residual variance less the mean r_i^2, not
    below a tenth of it, and comes from the weighted fit twice after that. A reading without a
    standard error counts as the median one.
    """
    ones = np.ones(len(data))
    r2 = reading_variance(data["value"].to_numpy(float), data["se"].to_numpy(float), scale)
    known = np.isfinite(r2)
    if not known.any():
        return Reading(None, ones, False)
    r2 = np.where(known, r2, np.median(r2[known]))
    fit = fit_mixed(formula, data, random=random)
    residual = fit.variance_components["residual"]
    low, high = np.quantile(r2, [0.05, 0.95])
    if high - low <= MATTERS * residual:
        return Reading(float(r2.mean()), ones, False, fit)
    own = max(residual - float(r2.mean()), LEAST_OWN * residual)
    for _ in range(2):
        weights = own / (own + r2)
        fit = fit_mixed(formula, data, random=random, weights=weights, start=fit.ratios)
        own = max(fit.variance_components["residual"], LEAST_OWN * residual)
    return Reading(float(r2.mean()), own / (own + r2), True)

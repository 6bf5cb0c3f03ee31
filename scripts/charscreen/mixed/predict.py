"""Predictions of a mixed model for other rows, with intervals for a mean and for a new lot."""

import numpy as np
import pandas as pd

from .errors import MixedModelError
from .fitted import Fitted
from .inference import inference_of, products_through_v
from .means import check_coverage, t_quantile
from .random_part import group_labels
from .random_term import RandomTerm


def predict(
    fit: Fitted, new: pd.DataFrame, level: str = "population", *, coverage: float = 0.95
) -> pd.DataFrame:
    """Predictions for other rows.

    Parameters
    ----------
    fit : Fitted
    new : DataFrame
        m rows with the columns of the fixed part, the covariates of random slopes and, for
        `level` conditional, the grouping columns.
    level : {"population", "conditional"}
        Population: the mean over all levels of the random terms. Conditional: the mean of the
        levels named; a level that was not fitted counts as a new one with effect 0.
    coverage : float
        Of the intervals.

    Returns
    -------
    DataFrame
        Index of `new`. mean, se, df, lo, hi: the mean at that level. se_new, df_new, lo_new,
        hi_new: one new observation; for population with new levels of all random terms (a new lot
        in a new firing; a grouping column of `new` that is empty contributes nothing), for
        conditional in the levels named. Empty where the fixed part is not estimable.

    Raises
    ------
    MixedModelError
        A column is missing or has a level of the fixed part that was not fitted.

    Notes
    -----
    Population: standard error and df by Kenward and Roger's method. Otherwise the variance
    v = sum of its parts at the estimated variances, with 2 v^2 / (g' W g) degrees of freedom, g
    the slopes of v by the variances (numeric for conditional), W their covariance from the
    expected information. The uncertainty of the variances themselves is in the df only.
    """
    if level not in ("population", "conditional"):
        raise ValueError(f"level must be population or conditional, not '{level}'.")
    check_coverage(coverage)
    rows, estimable = fit._fixed.matrix(new)
    inference = inference_of(fit)
    basis = inference.to_basis(rows)
    mean = rows @ fit.fixed_effects.to_numpy()
    touched = [_touch(term, new, needed=level == "conditional") for term in fit._terms]
    if level == "population":
        variance, slopes = inference.gradients(basis)
        adjusted = ((basis @ inference.adjusted) * basis).sum(axis=1)
        df = inference.df_single(rows, "kenward_roger")
        squares = np.column_stack(
            [*[values**2 for _, values in touched], np.ones(len(new))]
        )  # a new level of each term, and the residual
        extra = squares @ np.append(inference._phi, 1.0)
    else:
        for k, (codes, values) in enumerate(touched):
            effects = fit.random_effects[fit.random[k]].to_numpy()
            mean = mean + np.where(codes >= 0, effects[codes] * values, 0.0)
        variance, slopes = _conditional_variance(fit, basis, touched)
        adjusted = variance
        df = inference_df(variance, slopes, inference.variance_cov)
        squares = np.zeros((len(new), len(touched) + 1))
        squares[:, -1] = 1.0
        extra = np.ones(len(new))
    df_new = inference_df(variance + extra, slopes + squares, inference.variance_cov)
    se = np.sqrt(np.maximum(adjusted, 0.0) * fit._sigma2)
    se_new = np.sqrt(np.maximum(adjusted + extra, 0.0) * fit._sigma2)
    for values in (mean, se, df, se_new, df_new):
        values[~estimable] = np.nan
    half = t_quantile(0.5 + 0.5 * coverage, df) * se
    half_new = t_quantile(0.5 + 0.5 * coverage, df_new) * se_new
    return pd.DataFrame(
        {
            "mean": mean,
            "se": se,
            "df": df,
            "lo": mean - half,
            "hi": mean + half,
            "se_new": se_new,
            "df_new": df_new,
            "lo_new": mean - half_new,
            "hi_new": mean + half_new,
        },
        index=new.index,
    )


def inference_df(variance: np.ndarray, slopes: np.ndarray, W: np.ndarray) -> np.ndarray:
    """2 v^2 / (g' W g) for variances (m,) with slopes (m, K + 1)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return 2.0 * variance**2 / np.einsum("li,ij,lj->l", slopes, W, slopes)


def _touch(term: RandomTerm, new: pd.DataFrame, *, needed: bool):
    """Level (m,), -1 for a new one, and entry of Z (m,) of each new row for one random term."""
    values = np.ones(len(new))
    if term.covariate:
        if term.covariate not in new:
            raise MixedModelError(f"column {term.covariate} of '{term.name}' is missing.")
        raw = pd.to_numeric(new[term.covariate], errors="coerce").to_numpy(float)
        if not np.isfinite(raw).all():
            raise MixedModelError(
                f"column {term.covariate} has a value that is empty or no number."
            )
        values = (raw - term.centre) / term.scale
    absent = [name for name in term.columns if name not in new]
    if absent:
        if needed:
            raise MixedModelError(f"column {', '.join(absent)} of '{term.name}' is missing.")
        return np.full(len(new), -1), values
    labels = group_labels(new, term.columns)
    place = {name: at for at, name in enumerate(term.levels)}
    codes = np.array([place.get(label, -1) for label in labels], dtype=int)
    return codes, np.where([label is None for label in labels], 0.0, values)


def _conditional_variance(fit: Fitted, basis: np.ndarray, touched):
    """Variance (m,) of the prediction error and its slopes (m, K + 1), residual variance 1."""
    theta = fit._theta
    K = len(theta)
    value = _error_variance(fit, theta, basis, touched)
    slopes = np.empty((len(basis), K + 1))
    for k in range(K):
        phi = theta[k] ** 2
        step = 1e-4 * max(phi, 1e-2)
        up, down = theta.copy(), theta.copy()
        up[k] = np.sqrt(phi + step)
        down[k] = np.sqrt(max(phi - step, 0.0))
        rise = _error_variance(fit, up, basis, touched) - _error_variance(fit, down, basis, touched)
        slopes[:, k] = rise / (up[k] ** 2 - down[k] ** 2)
    slopes[:, K] = value - slopes[:, :K] @ theta**2
    return value, slopes


def _error_variance(fit: Fitted, theta: np.ndarray, basis: np.ndarray, touched) -> np.ndarray:
    """z D z' - z D Z'V^-1 Z D z' + d (X'V^-1X)^-1 d', d = x - z D Z'V^-1 X, D squared ratios."""
    g = products_through_v(fit._products, theta)
    phi = theta**2
    own = np.zeros(len(basis))
    d = basis.copy()
    entries = [
        phi[k] * np.where(codes >= 0, values, 0.0) for k, (codes, values) in enumerate(touched)
    ]
    for k, (codes, values) in enumerate(touched):
        own += phi[k] * values**2
        d -= entries[k][:, None] * g.xz[k][:, codes].T
        for j in range(len(touched)):
            own -= entries[k] * entries[j] * g.zz[k, j].at(codes, touched[j][0])
    return own + ((d @ np.linalg.inv(g.xx)) * d).sum(axis=1)

"""Tests of terms, estimated means and their comparison."""

from collections.abc import Sequence
from itertools import combinations, product

import numpy as np
import pandas as pd

from .errors import MixedModelError
from .fitted import Fitted
from .inference import check_method, inference_of
from .tukey import studentised_range_tail

ADJUSTMENTS = ("tukey", "holm", "none")
LARGE_DF = 1e10


def test_terms(fit: Fitted, method: str) -> pd.DataFrame:
    """F test of each term of the fixed part, marginality respected.

    Parameters
    ----------
    fit : Fitted
    method : {"kenward_roger", "satterthwaite"}

    Returns
    -------
    DataFrame
        term, F, df_num, df_den, p; without the intercept.

    Notes
    -----
    A term is tested after all terms that do not contain it: its hypothesis is what its
    coefficients are expected to be in the model without the terms that contain it (a:b contains
    a, ``I(t ** 2)`` contains t), by least squares with the weights of the fit. So the answer does
    not depend on the coding, and the hypotheses do not depend on the variances.
    """
    check_method(method)
    fixed = fit._fixed
    beta = fit.fixed_effects.to_numpy()
    rows = []
    for term in fixed.terms:
        if not term.factors:
            continue
        contrasts = _term_contrasts(fit, term)
        F, df_num, df_den = inference_of(fit).f_test(contrasts, beta, method)
        rows.append((term.name, F, df_num, df_den, f_tail(F, df_num, df_den)))
    return pd.DataFrame(rows, columns=["term", "F", "df_num", "df_den", "p"])


def _term_contrasts(fit: Fitted, term) -> np.ndarray:
    """Hypothesis (k, p) of a term: itself plus its share in the terms that contain it."""
    fixed = fit._fixed
    outer = [t.columns for t in fixed.terms if fixed.contained_in(term, t)]
    outer = np.concatenate(outer) if outer else np.zeros(0, dtype=int)
    others = np.setdiff1d(np.arange(len(fixed.names)), np.concatenate([term.columns, outer]))
    order = np.concatenate([others, term.columns, outer])
    R = np.linalg.qr(fit._R[:, order], mode="r")
    own = slice(len(others), len(others) + len(term.columns))
    contrasts = np.zeros((len(term.columns), len(fixed.names)))
    contrasts[:, term.columns] = np.eye(len(term.columns))
    contrasts[:, outer] = np.linalg.solve(R[own, own], R[own, own.stop :])
    return contrasts


def estimated_means(
    fit: Fitted,
    factors: str | Sequence[str],
    method: str = "kenward_roger",
    *,
    at: dict[str, float] | None = None,
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Means per level of one or several factors.

    Parameters
    ----------
    fit : Fitted
    factors : str or sequence of str
        Columns that the formula uses as factors.
    method : {"kenward_roger", "satterthwaite"}
        For standard errors and degrees of freedom.
    at : dict, optional
        Values for covariates; those not named are at their mean over the rows.
    coverage : float
        Of the interval.

    Returns
    -------
    DataFrame
        The factors, then mean, se, df, lo, hi, on the scale of the response. All levels of the
        other factors weigh the same. Empty where the data do not support the mean.

    Raises
    ------
    MixedModelError
        A factor or covariate is not in the formula.
    """
    check_method(method)
    check_coverage(coverage)
    grid, rows, estimable = _mean_rows(fit, factors, at)
    mean = rows @ fit.fixed_effects.to_numpy()
    se = _se(rows, inference_of(fit).covariance(method))
    df = inference_of(fit).df_single(rows, method)
    for values in (mean, se, df):
        values[~estimable] = np.nan
    half = t_quantile(0.5 + 0.5 * coverage, df) * se
    return grid.assign(mean=mean, se=se, df=df, lo=mean - half, hi=mean + half)


def check_coverage(coverage: float) -> None:
    """Raise ValueError unless `coverage` lies between 0 and 1."""
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, not {coverage}.")


def compare(
    fit: Fitted,
    factors: str | Sequence[str],
    adjust: str = "tukey",
    method: str = "kenward_roger",
    *,
    at: dict[str, float] | None = None,
) -> pd.DataFrame:
    """Differences of all pairs of estimated means.

    Parameters
    ----------
    fit, factors, method, at
        As in `estimated_means`.
    adjust : {"tukey", "holm", "none"}
        For the number of pairs: studentised range of all levels, Holm's step-down, or nothing.

    Returns
    -------
    DataFrame
        level_1, level_2, difference (first less second), se, df, t, p. Levels of several factors
        are joined by a space. Pairs that the data do not support are empty.
    """
    check_method(method)
    if adjust not in ADJUSTMENTS:
        raise ValueError(f"adjust must be one of {', '.join(ADJUSTMENTS)}, not '{adjust}'.")
    grid, rows, estimable = _mean_rows(fit, factors, at)
    labels = [" ".join(map(str, level)) for level in grid.itertuples(index=False)]
    pairs = list(combinations(range(len(labels)), 2))
    if not pairs:
        raise MixedModelError("there is one level only, nothing to compare.")
    first, second = np.array(pairs).T
    contrasts = rows[first] - rows[second]
    known = estimable[first] & estimable[second]
    difference = contrasts @ fit.fixed_effects.to_numpy()
    se = _se(contrasts, inference_of(fit).covariance(method))
    df = inference_of(fit).df_single(contrasts, method)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = difference / se
    known &= np.isfinite(t)
    p = np.full(len(pairs), np.nan)
    if adjust == "tukey":
        p[known] = studentised_range_tail(
            np.sqrt(2.0) * np.abs(t[known]), int(estimable.sum()), df[known]
        )
    else:
        p[known] = t_two_sided(t[known], df[known])
        if adjust == "holm":
            p[known] = _holm(p[known])
    for values in (difference, se, df, t):
        values[~known] = np.nan
    return pd.DataFrame(
        {
            "level_1": [labels[i] for i in first],
            "level_2": [labels[i] for i in second],
            "difference": difference,
            "se": se,
            "df": df,
            "t": t,
            "p": p,
        }
    )


def _mean_rows(fit: Fitted, factors: str | Sequence[str], at: dict[str, float] | None):
    """Grid of the factors, the mean's coefficients (m, p) for each, and whether estimable."""
    fixed = fit._fixed
    factors = [factors] if isinstance(factors, str) else list(dict.fromkeys(factors))
    if not factors:
        raise MixedModelError("name at least one factor.")
    unknown = [name for name in factors if name not in fixed.categories]
    if unknown:
        known = ", ".join(fixed.categories) or "none"
        hints = [
            f" The numbers of {name} are levels where it is written C({name})."
            for name in unknown
            if name in fixed.numeric
        ]
        raise MixedModelError(
            f"no factor {', '.join(unknown)} in the formula; it has {known}.{''.join(hints)}"
        )
    strange = [name for name in at or {} if name not in fixed.numeric]
    if strange:
        known = ", ".join(fixed.numeric) or "none"
        raise MixedModelError(f"no covariate {', '.join(strange)} in the formula; it has {known}.")
    others = [name for name in fixed.categories if name not in factors]
    wanted = list(product(*[fixed.categories[name] for name in factors]))
    averaged = list(product(*[fixed.categories[name] for name in others]))
    cells = [level + rest for level in wanted for rest in averaged]
    data = pd.DataFrame(cells, columns=[*factors, *others]).assign(
        **{**fixed.numeric, **(at or {})}
    )
    rows, estimable = fixed.matrix(data)
    shape = (len(wanted), len(averaged))
    rows = rows.reshape(*shape, -1).mean(axis=1)
    return pd.DataFrame(wanted, columns=factors), rows, estimable.reshape(shape).all(axis=1)


def _se(rows: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    return np.sqrt(np.maximum(((rows @ covariance) * rows).sum(axis=1), 0.0))


def _holm(p: np.ndarray) -> np.ndarray:
    order = np.argsort(p, kind="stable")
    steps = p[order] * np.arange(len(p), 0, -1)
    out = np.empty_like(p)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out


def f_tail(F: float, df_num: float, df_den: float) -> float:
    """Upper tail probability of the F distribution; the denominator df may be infinite."""
    from scipy.special import fdtrc

    return float(fdtrc(df_num, min(df_den, LARGE_DF), max(F, 0.0)))


def t_two_sided(t: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Two-sided tail probability of Student's t; df may be infinite."""
    from scipy.special import stdtr

    return 2.0 * stdtr(np.minimum(df, LARGE_DF), -np.abs(t))


def t_quantile(probability: float, df: np.ndarray) -> np.ndarray:
    """Quantile of Student's t; df may be infinite, nan stays nan."""
    from scipy.special import stdtrit

    return stdtrit(np.minimum(df, LARGE_DF), probability)

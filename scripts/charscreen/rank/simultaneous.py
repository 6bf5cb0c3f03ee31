"""Critical values for many comparisons of estimated means at once, by the multivariate t."""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaincinv, ndtr, ndtri, stdtrit

from charscreen.mixed.tukey import studentised_range_tail

POINTS = 2**13
_MOST_VALUES = 2e8  # work per call: points times pairs
_LARGE_DF = 1e6
_DISTINCT_DF = 40
_EVEN = 1e-6  # relative; so alike count as equal


def equal_correlation_chance(
    limit: float, comparisons: int, df: float, *, correlation: float = 0.5
) -> float:
    """Chance that all of several t variables with one correlation stay below a limit.

    Parameters
    ----------
    limit : float
        Common upper limit.
    comparisons : int
        Number of variables.
    df : float
        Degrees of freedom of their common standard error; infinity allowed.
    correlation : float
        Between any two, from 0 up to below 1; 1/2 for differences from one of several equally
        sure means.

    Notes
    -----
    With common part z and standard error s the variables are independent:
    integral of f(s) integral of phi(z) Phi((sqrt(rho) z + limit s) / sqrt(1 - rho))^k dz ds.
    Gauss-Legendre quadrature over z in [-8.5, 8.5] and over the quantile scale of s.
    """
    z, weight_z = _gauss(-8.5, 8.5, 120)
    weight_z = weight_z * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    if df >= _LARGE_DF:
        s, weight_s = np.ones(1), np.ones(1)
    else:
        # Normal scores of the chi-square quantile: smooth at both ends for any df.
        x, weight_s = _gauss(-7.5, 7.5, 120)
        weight_s = weight_s * np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi)
        s = np.sqrt(2 * gammaincinv(df / 2, ndtr(x)) / df)
    inside = (np.sqrt(correlation) * z + limit * s[:, None]) / np.sqrt(1 - correlation)
    return float(weight_s @ (ndtr(inside) ** comparisons) @ weight_z)


def equal_correlation_limit(
    probability: float, comparisons: int, df: float, *, correlation: float = 0.5
) -> float:
    """Limit below which all of several t variables stay with a stated chance.

    Parameters
    ----------
    probability : float
        Between 0.5 and 1.
    comparisons, df, correlation
        As for `equal_correlation_chance`.
    """

    def short(limit: float) -> float:
        chance = equal_correlation_chance(limit, comparisons, df, correlation=correlation)
        return chance - probability

    high = float(stdtrit(min(df, _LARGE_DF), 1 - (1 - probability) / comparisons)) + 0.1
    return float(brentq(short, -3.0, high, xtol=1e-9))


def limits_against_each(
    covariance: np.ndarray, df: np.ndarray, *, probability: float, seed: int = 0
) -> np.ndarray:
    """Critical values of the differences of all means from each one in turn, one-sided.

    Parameters
    ----------
    covariance : (n, n) array
        Of the estimated means.
    df : (n, n) array
        Degrees of freedom of their differences.
    probability : float
        Chance that for a given mean all its differences hold at once.
    seed : int
        Of the quasi-random points.

    Returns
    -------
    (n, n) array
        Row i: how many standard errors the difference of i from j may be off. Zero where the
        two are one and the same.

    Notes
    -----
    Where all differences are equally sure: equal correlation 1/2, by quadrature. Else by
    scrambled Sobol points of the multivariate t. Each difference keeps its own degrees of
    freedom: the limit of a pair is its own t quantile at the Bonferroni level times one factor
    per row, found so that the row holds with the stated chance; the standard errors of one row
    are taken to err together (our own choice: exact where the degrees of freedom are equal).
    """
    se = difference_se(covariance)
    n = len(se)
    alike = _all_alike(se, df)
    if alike is not None:
        limits = np.full((n, n), equal_correlation_limit(probability, n - 1, alike))
        np.fill_diagonal(limits, 0.0)
        return limits
    quantile = _t_quantile(df, 1 - (1 - probability) / (n - 1))
    limits = np.zeros((n, n))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(se > 0, 1 / (se * quantile), 0.0)
    points = _points(covariance, df, seed)
    for i in range(n):
        others = np.flatnonzero(se[i] > 0)
        if len(others):
            largest = _largest_error(points, i, others, scale[i, others])
            factor = np.quantile(largest, probability, method="higher")
            limits[i, others] = factor * quantile[i, others]
    return limits


def limits_all_pairs(
    covariance: np.ndarray, df: np.ndarray, *, probability: float, seed: int = 0
) -> np.ndarray:
    """Critical values of all differences of estimated means at once, two-sided.

    Parameters
    ----------
    covariance, df, probability, seed
        As for `limits_against_each`; the chance is that all pairs hold at once.

    Returns
    -------
    (n, n) array
        How many standard errors each difference may be off; zero where two are one and the same.

    Notes
    -----
    Where all differences are equally sure: the studentised range (Tukey). Else as in
    `limits_against_each`, with one factor for all pairs.
    """
    se = difference_se(covariance)
    n = len(se)
    alike = _all_alike(se, df)
    if alike is not None:
        high = 2 * float(stdtrit(min(alike, _LARGE_DF), 1 - (1 - probability) / (n * n))) + 2

        def beyond(limit: float) -> float:
            tail = studentised_range_tail(np.array([np.sqrt(2) * limit]), n, np.array([alike]))
            return float(tail[0]) - (1 - probability)

        limits = np.full((n, n), brentq(beyond, 1e-3, high, xtol=1e-9))
        np.fill_diagonal(limits, 0.0)
        return limits
    quantile = _t_quantile(df, 1 - (1 - probability) / (n * (n - 1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(se > 0, 1 / (se * quantile), 0.0)
    points = _points(covariance, df, seed)
    largest = np.zeros(points.errors.shape[1])
    for i in range(n - 1):
        others = np.arange(i + 1, n)
        found = _largest_error(points, i, others, scale[i, others], two_sided=True)
        np.maximum(largest, found, out=largest)
    factor = np.quantile(largest, probability, method="higher")
    return np.where(se > 0, factor * quantile, 0.0)


def difference_se(covariance: np.ndarray) -> np.ndarray:
    """Standard errors (n, n) of all differences; exactly zero where two are one and the same."""
    variance = np.diag(covariance)
    square = variance[:, None] + variance[None, :] - 2 * covariance
    small = 1e-10 * max(float(variance.max(initial=0.0)), 1e-300)
    return np.sqrt(np.where(square > small, square, 0.0))


def _all_alike(se: np.ndarray, df: np.ndarray) -> float | None:
    """The common degrees of freedom where all differences are equally sure, else None."""
    off = ~np.eye(len(se), dtype=bool)
    if len(se) < 2 or not se[off].min() > 0:
        return None
    if np.ptp(se[off]) > _EVEN * se[off].max() or not np.isfinite(se[off]).all():
        return None
    known = np.minimum(df[off], _LARGE_DF)
    return float(known.mean()) if np.ptp(known) <= 1e-4 * known.max() else None


def _t_quantile(df: np.ndarray, probability: float) -> np.ndarray:
    return stdtrit(np.minimum(np.where(np.isfinite(df), df, _LARGE_DF), _LARGE_DF), probability)


class _Points(NamedTuple):
    """Quasi-random points of the multivariate t.

    Parameters
    ----------
    errors : (n, points) array
        Errors of the means.
    stretch : (m, points) array
        sqrt(df / chi-square) by distinct degrees of freedom, from one number per point.
    which : (n, n) int array
        Which of these each pair takes.
    """

    errors: np.ndarray
    stretch: np.ndarray
    which: np.ndarray


def _largest_error(
    points: _Points, i: int, others: np.ndarray, scale: np.ndarray, *, two_sided: bool = False
) -> np.ndarray:
    """Largest of the scaled errors of the differences of others from one mean, by point."""
    which = points.which[i, others]
    order = np.argsort(which, kind="stable")
    kinds, starts = np.unique(which[order], return_index=True)
    size = points.errors[others[order]]
    size -= points.errors[i]
    size *= scale[order, None]
    if two_sided:
        np.abs(size, out=size)
    # A stretch is above zero, so the largest of those that take the same one stays the largest.
    largest = [part.max(axis=0) for part in np.split(size, starts[1:])]
    return (np.array(largest) * points.stretch[kinds]).max(axis=0)


def _points(covariance: np.ndarray, df: np.ndarray, seed: int) -> _Points:
    """Points for means of some covariance, whose differences have these degrees of freedom."""
    of_means, of_differences = (np.asarray(a, dtype=float).tobytes() for a in (covariance, df))
    return _points_of(len(covariance), of_means, of_differences, seed)


@lru_cache(maxsize=1)  # both sets of limits of a merit rest on the same points
def _points_of(n: int, covariance_bytes: bytes, df_bytes: bytes, seed: int) -> _Points:
    from scipy.stats import qmc

    covariance, df = (np.frombuffer(b).reshape(n, n) for b in (covariance_bytes, df_bytes))
    points = POINTS
    while points > 2**11 and points * n * n > _MOST_VALUES:
        points //= 2
    root, axes = np.linalg.eigh(covariance)
    kept = root > 1e-12 * max(float(root.max()), 1e-300)
    factor = axes[:, kept] * np.sqrt(root[kept])
    # Signs of eigenvectors are arbitrary; fixed here so that the same input gives the same points.
    factor *= np.where(factor[np.abs(factor).argmax(axis=0), np.arange(factor.shape[1])] < 0, -1, 1)
    sobol = qmc.Sobol(factor.shape[1] + 1, scramble=True, rng=np.random.default_rng(seed))
    uniform = np.clip(sobol.random(points), 1e-12, 1 - 1e-12)
    known = np.minimum(np.where(np.isfinite(df), df, _LARGE_DF), _LARGE_DF)
    if len(np.unique(known)) > _DISTINCT_DF:
        known = np.exp(np.floor(np.log(known) / 0.05) * 0.05)  # on the safe side
    distinct, which = np.unique(known, return_inverse=True)
    chi = np.array([2 * gammaincinv(d / 2, uniform[:, -1]) for d in distinct])
    errors = factor @ ndtri(uniform[:, :-1]).T
    return _Points(errors, np.sqrt(distinct[:, None] / chi), which.reshape(df.shape))


def _gauss(low: float, high: float, nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of Gauss-Legendre quadrature on an interval."""
    x, weight = np.polynomial.legendre.leggauss(nodes)
    return 0.5 * (high - low) * x + 0.5 * (high + low), 0.5 * (high - low) * weight

"""Comparison with the best: Gupta's subset and Hsu's simultaneous intervals."""

from dataclasses import dataclass

import numpy as np

from charscreen.rank.simultaneous import difference_se, limits_against_each


@dataclass(frozen=True)
class BestComparison:
    """What estimated means say about which is the best.

    Parameters
    ----------
    in_subset : (n,) bool array
        Gupta's subset.
    lo, hi : (n,) array
        Hsu's constrained intervals for each mean less the best of the others. [unit of the means]
    limits : (n, n) array
        Critical values behind them, in standard errors.
    """

    in_subset: np.ndarray
    lo: np.ndarray
    hi: np.ndarray
    limits: np.ndarray


def compare_with_best(
    estimate: np.ndarray,
    covariance: np.ndarray,
    df: np.ndarray,
    *,
    probability: float = 0.9,
    seed: int = 0,
) -> BestComparison:
    """Gupta's subset and Hsu's multiple comparisons with the best; more is better.

    Parameters
    ----------
    estimate : (n,) array
        Estimated means.
    covariance : (n, n) array
        Theirs.
    df : (n, n) array
        Degrees of freedom of their differences.
    probability : float
        Chance that the subset holds the best, and that all intervals hold at once.
    seed : int
        See `charscreen.rank.simultaneous.limits_against_each`.

    Returns
    -------
    BestComparison

    Raises
    ------
    ValueError
        Fewer than two means, or a value that is not finite.

    Notes
    -----
    With d_i the one-sided critical values against i and se the standard errors of differences:
    hi_i = max(0, min_j (m_i - m_j + d_ij se_ij)); the subset holds every i with hi_i > 0;
    lo_i = 0 where i is alone in it, else min over its other members j of
    min(0, m_i - m_j - d_ji se_ij). An end at zero means that i is, or that it is not, the best.
    Means that are one and the same stay in the subset together.

    References
    ----------
    Gupta (1965). On some multiple decision (selection and ranking) rules. Technometrics 7,
    225-245. Hsu (1984). Constrained simultaneous confidence intervals for multiple comparisons
    with the best. Annals of Statistics 12, 1136-1144. Hsu (1996). Multiple Comparisons: Theory
    and Methods. All from memory.
    """
    estimate = np.asarray(estimate, dtype=float)
    n = len(estimate)
    if n < 2:
        raise ValueError("there is one mean only, nothing to compare")
    if not (np.isfinite(estimate).all() and np.isfinite(covariance).all()):
        raise ValueError("means and covariance must be finite")
    limits = limits_against_each(covariance, df, probability=probability, seed=seed)
    reach = limits * difference_se(covariance)
    difference = estimate[:, None] - estimate[None, :]
    same = reach <= 0
    above = np.where(same, np.inf, difference + reach).min(axis=1)
    in_subset = above > 0
    hi = np.where(np.isfinite(above), np.maximum(above, 0.0), 0.0)
    below = np.minimum(difference - reach.T, 0.0)
    lo = np.zeros(n)
    for i in range(n):
        rivals = in_subset & ~same[i]
        if rivals.any():
            lo[i] = below[i, rivals].min()
    return BestComparison(in_subset, lo, hi, limits)

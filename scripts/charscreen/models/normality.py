"""Shapiro and Wilk's test, without the weight of a whole library of statistics at each start."""

import numpy as np

LEAST, MOST = 4, 5000
"""Numbers of values that the approximation was made for."""
_LAST = (-2.706056, 4.434685, -2.07119, -0.147981, 0.221157, 0.0)
_LAST_BUT_ONE = (-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, 0.0)


def shapiro_wilk(values: np.ndarray) -> tuple[float, float]:
    """W and p of the hypothesis that values come from one normal distribution.

    Parameters
    ----------
    values : (n,) array
        4 to 5000 finite numbers.

    Returns
    -------
    W, p : float
        Both 1 where all values are the same.

    Raises
    ------
    ValueError
        Too few or too many values.

    Notes
    -----
    W = (a'x)^2 / sum (x - mean)^2 of the sorted values x. Royston's approximations of a and of
    the distribution of W: J. P. Royston (1995), Remark AS R94, Applied Statistics 44, 547-551
    (from memory; checked against SciPy's own, which agrees to the digits of its normal quantiles).
    """
    from scipy.special import ndtr

    x = np.sort(np.asarray(values, dtype=float))
    n = len(x)
    if not LEAST <= n <= MOST:
        raise ValueError(f"the test takes {LEAST} to {MOST} values, not {n}.")
    x -= np.median(x)
    squares = float(((x - x.mean()) ** 2).sum())
    if not squares > 0:
        return 1.0, 1.0
    a = _coefficients(n)
    W = min(float(a @ (x[::-1][: len(a)] - x[: len(a)])) ** 2 / squares, 1.0)
    y = np.log(1.0 - W) if W < 1.0 else -np.inf
    if n <= 11:
        gamma = 0.459 * n - 2.273
        if y >= gamma:
            return W, 0.0
        y = -np.log(gamma - y)
        mean = np.polyval((-6.714e-4, 0.025054, -0.39978, 0.544), n)
        sd = np.exp(np.polyval((-0.0020322, 0.062767, -0.77857, 1.3822), n))
    else:
        log_n = np.log(n)
        mean = np.polyval((0.0038915, -0.083751, -0.31082, -1.5861), log_n)
        sd = np.exp(np.polyval((0.0030302, -0.082676, -0.4803), log_n))
    return W, float(ndtr(-(y - mean) / sd))


def _coefficients(n: int) -> np.ndarray:
    """Upper half of the weights a, the greatest value's first, (n // 2,)."""
    from scipy.special import ndtri

    m = -ndtri((np.arange(1, n // 2 + 1) - 0.375) / (n + 0.25))
    length = 2.0 * float(m @ m)
    ends = [np.polyval(_LAST, n**-0.5) + m[0] / np.sqrt(length)]
    if n > 5:
        ends.append(np.polyval(_LAST_BUT_ONE, n**-0.5) + m[1] / np.sqrt(length))
    k = len(ends)
    rest = (length - 2.0 * float(m[:k] @ m[:k])) / (1.0 - 2.0 * float(np.dot(ends, ends)))
    return np.concatenate([ends, m[k:] / np.sqrt(rest)])

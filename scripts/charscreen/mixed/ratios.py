"""Importance sampling of the ratios sigma_k / sigma from restricted likelihood times prior."""

import numpy as np

from .likelihood import Likelihood

PRIOR_DF = 3.0
PROPOSAL_DF = 3.0  # heavy tails: 5 left Pareto k above 0.7 on real data with few levels
ENOUGH = 1000.0  # effective sample size asked for
SCOUTS = 1024  # points of the first round, which only place the proposal
ROUNDS = (2048, 4096, 8192)  # points of the rounds that may count
LOG_BOUNDS = (-12.0, 8.0)  # of the search for the mode, on the log ratio
LARGEST = 600.0  # ratio over its unit; beyond, the unit normal scale runs out of numbers


def sample_ratios(
    products: Likelihood, theta: np.ndarray, prior_scale: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Weighted points of the ratios' posterior.

    Parameters
    ----------
    products : Likelihood
        Of a model with K > 0 random terms.
    theta : (K,) array
        Ratios at the restricted maximum, where the search for the mode starts.
    prior_scale : float
        Scale of the half-t prior on each ratio.
    rng : Generator

    Returns
    -------
    points : (m, K) array
        Ratios.
    weights : (m,) array
        They add up to one.

    Notes
    -----
    Scrambled Sobol points are sent through a multivariate t with 3 degrees of freedom. The first
    round works on the log ratios around the mode and only finds the place. Then each ratio is put
    on a scale where a half-logistic variable is unit normal, which takes away most of the
    skewness that a ratio near zero has on the log scale; the proposal there has the weighted
    mean and covariance of the points before, and is refitted, widened and given more points until
    the effective size is reached.
    """
    K = products.K
    centre, spread = _mode(products, theta, prior_scale)
    eta, log_proposal = _proposal_points(centre, 1.2 * spread, SCOUTS, rng)
    eta = np.clip(eta, *LOG_BOUNDS)
    points = np.exp(eta)
    log_weight = _log_target(products, points, prior_scale) + eta.sum(axis=1) - log_proposal
    weights = _normalised(log_weight)
    unit = np.clip(0.5 * np.sqrt(weights @ points**2), 1e-4, None)
    best: tuple[float, np.ndarray, np.ndarray] | None = None
    widen = 1.3
    for count in ROUNDS:
        size = effective_size(weights)
        trust = size / (size + 20.0 * K)
        normal = to_normal(points, unit)
        centre = weights @ normal
        shifted = normal - centre
        spread = (shifted * weights[:, None]).T @ shifted
        # A few heavy points give no sound correlations, and must not make the proposal narrow.
        own = np.diag(np.maximum(np.diag(spread), 0.01))
        spread = trust * spread + (1.0 - trust) * own + 1e-4 * own
        normal, log_proposal = _proposal_points(centre, widen * spread, count, rng)
        points, log_slope = from_normal(normal, unit)
        log_weight = _log_target(products, points, prior_scale) + log_slope - log_proposal
        weights = _normalised(log_weight)
        size = effective_size(weights)
        if best is None or size > best[0]:
            best = size, points, weights
        if size >= ENOUGH:
            break
        widen *= 1.3
    return best[1], best[2]


def log_prior(theta: np.ndarray, prior_scale: float) -> np.ndarray:
    """Log density of the half-t prior, up to a constant, summed over the last axis."""
    return -0.5 * (PRIOR_DF + 1) * np.log1p((theta / prior_scale) ** 2 / PRIOR_DF).sum(axis=-1)


def to_normal(theta: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Ratios on the scale where a half-logistic with scale `unit` is unit normal."""
    from scipy.special import ndtri

    x = np.clip(theta / unit, 1e-12, LARGEST)
    below = np.tanh(0.5 * x)
    above = 2.0 * np.exp(-x) / (1.0 + np.exp(-x))
    return np.where(below < 0.5, ndtri(below), -ndtri(above))


def from_normal(normal: np.ndarray, unit: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverse of `to_normal`, (m, K), and the log of its slope summed over terms, (m,)."""
    from scipy.special import log_ndtr, ndtr

    normal = np.clip(normal, -30.0, 30.0)
    below, above = ndtr(normal), ndtr(-normal)
    x = np.where(
        below < 0.5, 2.0 * np.arctanh(np.minimum(below, 0.6)), np.log((2.0 - above) / above)
    )
    log_slope = (
        -0.5 * normal**2
        + 0.5 * np.log(2.0 / np.pi)
        - log_ndtr(-normal)
        - np.log1p(below)
        + np.log(unit)
    )
    return x * unit, log_slope.sum(axis=1)


def _log_target(products: Likelihood, theta: np.ndarray, prior_scale: float) -> np.ndarray:
    return products.batch(theta).log_density + log_prior(theta, prior_scale)


def _normalised(log_weight: np.ndarray) -> np.ndarray:
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _mode(products: Likelihood, theta: np.ndarray, prior_scale: float):
    """Mode and inverse curvature of the density of the log ratios."""
    from scipy.optimize import minimize

    def loss(eta):
        theta = np.exp(eta)
        value, gradient = products.deviance(theta)
        ratio = (theta / prior_scale) ** 2 / PRIOR_DF
        slope = 1.0 - (PRIOR_DF + 1) * ratio / (1.0 + ratio)
        prior = log_prior(theta, prior_scale) + eta.sum()
        return 0.5 * value - prior, 0.5 * gradient * theta - slope

    start = np.log(np.clip(theta, 0.1 * prior_scale, 10.0 * prior_scale))
    bounds = [LOG_BOUNDS] * products.K
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x
    hessian = np.empty((products.K, products.K))
    for k in range(products.K):
        step = np.zeros(products.K)
        step[k] = 1e-4
        hessian[k] = (loss(found + step)[1] - loss(found - step)[1]) / 2e-4
    roots, axes = np.linalg.eigh(0.5 * (hessian + hessian.T))
    return found, (axes / np.clip(roots, 0.25, None)) @ axes.T


def _proposal_points(centre, spread, count, rng):
    """Quasi-random points of a multivariate t and their log density, up to a constant."""
    from scipy.special import chdtri, ndtri
    from scipy.stats import qmc

    K = len(centre)
    uniform = qmc.Sobol(d=K + 1, scramble=True, rng=rng).random(count)
    uniform = np.clip(uniform, 1e-10, 1.0 - 1e-10)
    stretch = np.sqrt(PROPOSAL_DF / chdtri(PROPOSAL_DF, uniform[:, K]))
    offset = ndtri(uniform[:, :K]) * stretch[:, None]
    root = np.linalg.cholesky(spread)
    density = -0.5 * (PROPOSAL_DF + K) * np.log1p((offset**2).sum(axis=1) / PROPOSAL_DF)
    return centre + offset @ root.T, density


def effective_size(weights: np.ndarray) -> float:
    """Effective number of points behind weights that add up to one."""
    return float(1.0 / (weights**2).sum())


def tail_shape(weight: np.ndarray) -> float:
    """Pareto shape k of the largest importance weights.

    Parameters
    ----------
    weight : (m,) array
        Weights that add up to one.

    Returns
    -------
    float
        Fitted to the largest min(m / 5, 3 sqrt(m)) weights above the next one; minus infinity
        where these are all equal.
    """
    m = len(weight)
    count = int(min(m // 5, np.ceil(3.0 * np.sqrt(m))))
    tail = np.sort(weight)[-(count + 1) :]
    excess = tail[1:] - tail[0]
    if not excess[-1] > 0:
        return float("-inf")
    excess = np.maximum(excess, 1e-12 * excess[-1])
    grid = 30 + int(np.sqrt(count))
    quartile = excess[int(count / 4 + 0.5) - 1]
    j = np.arange(1, grid + 1)
    b = 1.0 / excess[-1] + (1.0 - np.sqrt(grid / (j - 0.5))) / (3.0 * quartile)
    k = np.log1p(-b[:, None] * excess).mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        fit = count * (np.log(-b / k) - k - 1.0)
    fit = np.where(np.isfinite(fit), fit, -np.inf)
    share = np.exp(fit - fit.max())
    b_mean = float((share * b).sum() / share.sum())
    shape = float(np.log1p(-b_mean * excess).mean())
    return (count * shape + 5.0) / (count + 10.0)

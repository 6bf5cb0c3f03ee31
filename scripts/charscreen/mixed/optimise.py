"""Restricted maximum likelihood: the ratios at which the profiled deviance is least."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .likelihood import Likelihood

LARGEST_RATIO = 1e4
NEGLIGIBLE = 1e-3  # a ratio below this is tried at exactly zero
SAME_DEVIANCE = 1e-7
STEEP = 1e-6
OFF_ZERO = np.geomspace(0.003, 100.0, 30)  # where a ratio found to be zero is tried
SAME_CURVATURE = 10.0  # a Newton step that lowers the slope by less needs new second derivatives
STEPS = 16
FLAT, ROUNDED = 1e-9, 1e-12  # slopes that are small enough, and that are nothing but rounding
COARSE = {"ftol": 1e-9, "gtol": 1e-5}  # Newton steps do the rest


@dataclass(frozen=True)
class Optimum:
    """Result of the search.

    Parameters
    ----------
    theta : (K,) array
        Ratios sigma_k / sigma; exactly 0 where the variance estimate is zero.
    value : float
        Deviance there, without its constant.
    converged : bool
        The slope vanishes, or points into the bound where a ratio is zero.
    flags : list of str
    """

    theta: np.ndarray
    value: float
    converged: bool
    flags: list[str]


def find_optimum(
    products: Likelihood, names: list[str], start: Mapping[str, float] | None = None
) -> Optimum:
    """Ratios of least restricted deviance from several starts.

    Parameters
    ----------
    products : Likelihood
    names : list of str
        Names of the K random terms, for the flags.
    start : mapping of str to float, optional
        Ratios by name to start from, instead of several starts.

    Returns
    -------
    Optimum

    Notes
    -----
    Bounded quasi-Newton search (L-BFGS-B) in the ratios with the analytic gradient, from the two
    best of a few coarse points, then Newton steps on the gradient. The deviance is even in
    every ratio, so its slope vanishes at zero: there other ratios are tried instead.
    """
    K = products.K
    if K == 0:
        return Optimum(np.zeros(0), products.deviance(np.zeros(0))[0], True, [])
    points = _starts(products) if start is None else [_from_given(names, start)]
    theta = _settle_zeros(products, _best_of(products, points[:2]))
    if K > 1 and start is None and (theta == 0.0).any():
        # The deviance may have one hollow at zero and a deeper one away from it.
        theta = _settle_zeros(products, _best_of(products, [theta, *points]))
    theta = _polish(products, theta)
    value, gradient = products.deviance(theta)
    if np.abs(gradient * theta).max() > STEEP:
        # Too far for Newton steps: the search goes on to its own end first.
        theta = _descend(products, theta, finely=True)
        theta = _polish(products, _settle_zeros(products, theta))
        value = products.deviance(theta)[0]
    for _ in range(K + 1):
        trial = _off_zero(products, theta, value)
        if trial is None:
            break
        trial = _polish(products, _settle_zeros(products, _descend(products, trial)))
        better = products.deviance(trial)[0]
        if better > value - SAME_DEVIANCE:
            break  # the true least is so close to zero that it is no better
        theta, value = trial, better
    value, gradient = products.deviance(theta)
    free = theta > 0
    flat = np.abs(gradient[free] * theta[free]).max(initial=0.0) <= 1e-4
    converged = bool(flat and np.isfinite(value))
    flags = []
    if not converged:
        flags.append("the search for the variances did not converge; do not rely on this fit")
    for k in np.flatnonzero(theta > 0.9 * LARGEST_RATIO):
        converged = False
        flags.append(f"the residual is negligible beside '{names[k]}'; its ratio has no bound")
    return Optimum(theta, value, converged, flags)


def _best_of(products: Likelihood, points: list[np.ndarray]) -> np.ndarray:
    """The best end of the searches from some points; the first of those that are alike."""
    best, where = np.inf, points[0]
    for point in points:
        theta = _descend(products, point)
        value = products.deviance(theta)[0]
        if value < best - SAME_DEVIANCE:
            best, where = value, theta
    return where


def _from_given(names: list[str], start: Mapping[str, float]) -> np.ndarray:
    """Start from given ratios; one at zero would never leave it."""
    return np.array([min(max(start.get(name, 0.3), 0.05), LARGEST_RATIO) for name in names])


def _starts(products: Likelihood) -> list[np.ndarray]:
    """Coarse points, the best first: all ratios equal, and each in turn large or small."""
    K = products.K
    points = [np.full(K, value) for value in (0.1, 0.4, 1.0, 2.5)]
    if K > 1:
        for k in range(K):
            for value in (0.05, 2.5):
                point = np.full(K, 0.6)
                point[k] = value
                points.append(point)
    points = np.array(points)
    order = np.argsort(-products.batch(points).log_density, kind="stable")
    return [points[i] for i in order]


def _descend(products: Likelihood, start: np.ndarray, *, finely: bool = False) -> np.ndarray:
    from scipy.optimize import minimize

    result = minimize(
        products.deviance,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, LARGEST_RATIO)] * products.K,
        options={"maxiter": 300, **({"ftol": 1e-13, "gtol": 1e-7} if finely else COARSE)},
    )
    return np.asarray(result.x, dtype=float)


def _settle_zeros(products: Likelihood, theta: np.ndarray) -> np.ndarray:
    """Ratios that end close to zero become zero where that is no worse."""
    theta = theta.copy()
    value = products.deviance(theta)[0]
    for k in np.argsort(theta):
        if 0.0 < theta[k] < NEGLIGIBLE:
            trial = theta.copy()
            trial[k] = 0.0
            at_zero = products.deviance(trial)[0]
            if at_zero <= value + SAME_DEVIANCE:
                theta, value = trial, at_zero
    return theta


def _off_zero(products: Likelihood, theta: np.ndarray, value: float) -> np.ndarray | None:
    """A better point with one of the zero ratios above zero; None where there is none.

    In the ratio the slope at zero always vanishes, and a search that steps over a small ratio
    ends there; so the line of each is looked over.
    """
    zeros = np.flatnonzero(theta == 0.0)
    if zeros.size == 0:
        return None
    points = np.repeat(theta[None], len(zeros) * len(OFF_ZERO), axis=0)
    points[np.arange(len(points)), np.repeat(zeros, len(OFF_ZERO))] = np.tile(OFF_ZERO, len(zeros))
    deviances = -2.0 * products.batch(points).log_density
    best = int(deviances.argmin())
    return points[best] if deviances[best] < value - SAME_DEVIANCE else None


def _polish(products: Likelihood, theta: np.ndarray) -> np.ndarray:
    """Newton steps on the analytic gradient, over the ratios above zero."""
    free = np.flatnonzero(theta > 0)
    if free.size == 0:
        return theta
    value, gradient = products.deviance(theta)
    steepness, curvature = _steepness(theta, gradient, free), None
    for _ in range(STEPS):
        if steepness < ROUNDED:
            break
        if curvature is None:
            curvature = np.linalg.eigh(_hessian(products, theta, gradient, free))
        roots, axes = curvature
        if roots[0] <= 0:
            break
        move = -axes @ ((axes.T @ gradient[free]) / roots)
        trial = theta.copy()
        trial[free] = np.clip(theta[free] + move, 0.1 * theta[free], LARGEST_RATIO)
        new_value, new_gradient = products.deviance(trial)
        if not new_value <= value + 1e-9:
            break
        before = steepness
        theta, value, gradient = trial, new_value, new_gradient
        steepness = _steepness(theta, gradient, free)
        if steepness * SAME_CURVATURE > before:
            if steepness < FLAT:
                break  # rounding lets it fall no further
            curvature = None
    return theta


def _steepness(theta: np.ndarray, gradient: np.ndarray, free: np.ndarray) -> float:
    """Largest slope of the deviance by the logarithm of a ratio above zero."""
    return float(np.abs(gradient[free] * np.maximum(theta[free], 0.1)).max())


def _hessian(
    products: Likelihood, theta: np.ndarray, gradient: np.ndarray, free: np.ndarray
) -> np.ndarray:
    """Second derivatives of the deviance by the ratios above zero, near enough for a step."""
    hessian = np.empty((free.size, free.size))
    for i, k in enumerate(free):
        step = 1e-5 * max(theta[k], 1e-2)
        up = theta.copy()
        up[k] += step
        hessian[i] = (products.deviance(up)[1] - gradient)[free] / step
    return 0.5 * (hessian + hessian.T)


def least_ml_deviance(products: Likelihood, theta: np.ndarray) -> float:
    """Least deviance of the full likelihood over the ratios, without its constant.

    Parameters
    ----------
    products : Likelihood
    theta : (K,) array
        Ratios to start from; a zero may grow.
    """
    from scipy.optimize import minimize

    def deviances(points: np.ndarray) -> np.ndarray:
        core = products.batch(points)
        return core.log_v + products.n * np.log(core.residual_ss)

    K = products.K
    if K == 0:
        return float(deviances(np.zeros((1, 0)))[0])

    def value_and_slope(at: np.ndarray):
        step = 1e-4 * np.maximum(at, 0.1)
        moves = np.diag(step)
        found = deviances(np.vstack([at, at + moves, np.abs(at - moves)]))
        return found[0], (found[1 : K + 1] - found[K + 1 :]) / (2.0 * step)

    start = np.maximum(theta, 0.05)
    bounds = [(0.0, LARGEST_RATIO)] * K
    result = minimize(value_and_slope, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return float(min(result.fun, deviances(theta[None, :])[0]))

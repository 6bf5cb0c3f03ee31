"""Least squares: curves that are linear in some of their parameters, and the exponential decay."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from charscreen.curves import line_fit

FEW = 20  # with fewer readings one scatter is assumed for all
_MOST_STEPS = 200
_DIFFERENCE = 1e-6  # relative step of a central difference: error about 1e-10 of the derivative


@dataclass(frozen=True)
class SeparableFit:
    """Least-squares fit of y = Σ aⱼ·φⱼ(x; p).

    Parameters
    ----------
    linear : (m,) array
        The factors a.
    nonlinear : (k,) array
        The parameters p.
    covariance : (m + k, m + k) array
        Of the linear parameters, then the others.
    rss : float
        Sum of squared residuals.
    n : int
        Readings used.
    """

    linear: np.ndarray
    nonlinear: np.ndarray
    covariance: np.ndarray
    rss: float
    n: int

    @property
    def se(self) -> np.ndarray:
        """Standard errors of the linear parameters, then the others."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    @property
    def aicc(self) -> float:
        """Akaike's criterion corrected for few readings; the scatter counts as a parameter.

        n·ln(RSS/n) + 2k + 2k(k + 1)/(n - k - 1) (Hurvich & Tsai, Biometrika 1989, from memory).
        """
        k = len(self.linear) + len(self.nonlinear) + 1
        if self.n <= k + 1:
            return float("inf")
        core = self.n * np.log(max(self.rss, 1e-300) / self.n)
        return float(core + 2 * k + 2 * k * (k + 1) / (self.n - k - 1))


def fit_separable(
    basis: Callable[[np.ndarray, np.ndarray], np.ndarray],
    x: np.ndarray,
    y: np.ndarray,
    *,
    start: Sequence[float] = (),
) -> SeparableFit:
    """A curve that is linear in some of its parameters, by least squares.

    Parameters
    ----------
    basis : callable
        ``basis(x, p)`` gives the (n, m) matrix of φⱼ(x; p).
    x, y : (n,) arrays
        Readings.
    start : sequence of k floats
        Where the nonlinear parameters start, none of them zero; the linear ones need no start.

    Returns
    -------
    SeparableFit

    Raises
    ------
    ValueError
        Fewer readings than parameters, values that are not finite, or no least found.

    Notes
    -----
    Variable projection (Golub & Pereyra, SIAM J. Numer. Anal. 1973, 10, 413, in the simpler form
    of Kaufman 1975, both from memory): at each p the best a is known, so only p is sought, by
    damped Gauss-Newton steps. Covariance s²·(JᵀJ)⁻¹ with the derivatives by all parameters and
    s² = RSS/(n - m - k), the usual linearised one.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    p = np.array(start, dtype=float)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("a fit needs finite values")
    phi, a, rss = _best_linear(basis, x, y, p)
    if len(y) <= phi.shape[1] + len(p):
        raise ValueError("fewer readings than the curve has parameters")
    damping, settled = 1e-3, len(p) == 0
    for _ in range(_MOST_STEPS):
        if settled:
            break
        slopes = _slopes(basis, x, a, p)
        slopes = slopes - phi @ np.linalg.lstsq(phi, slopes, rcond=None)[0]
        normal = slopes.T @ slopes
        downhill = slopes.T @ (y - phi @ a)
        scale = np.maximum(np.diag(normal), 1e-300)
        while True:
            step = np.linalg.solve(normal + damping * np.diag(scale), downhill)
            trial = _best_linear(basis, x, y, p + step)
            small = bool(np.all(np.abs(step) <= 1e-11 * np.abs(p)))
            if trial[2] <= rss or small:
                break
            damping *= 10.0
            if damping > 1e20:
                raise ValueError("no least found: the curve does not suit the readings")
        if trial[2] <= rss:
            p, (phi, a, rss) = p + step, trial
            damping = max(damping * 0.1, 1e-15)
        settled = small
    if not settled:
        raise ValueError("no least found: the curve does not suit the readings")
    jacobian = np.hstack([phi, _slopes(basis, x, a, p)]) if len(p) else phi
    size = np.linalg.norm(jacobian, axis=0)
    size[size == 0] = 1.0
    inverse = np.linalg.pinv((jacobian / size).T @ (jacobian / size), hermitian=True)
    s2 = rss / (len(y) - jacobian.shape[1])
    return SeparableFit(a, p, s2 * inverse / np.outer(size, size), rss, len(y))


def _best_linear(basis, x, y, p) -> tuple[np.ndarray, np.ndarray, float]:
    """Basis, linear parameters and sum of squares at given nonlinear parameters."""
    with np.errstate(all="ignore"):
        phi = np.asarray(basis(x, p), float)
    if not np.isfinite(phi).all():
        return phi, np.zeros(phi.shape[1]), float("inf")
    a = np.linalg.lstsq(phi, y, rcond=None)[0]
    return phi, a, float(np.sum((y - phi @ a) ** 2))


def _slopes(basis, x, a, p) -> np.ndarray:
    """Derivatives of the curve by its nonlinear parameters."""
    columns = []
    for k in range(len(p)):
        step = np.zeros(len(p))
        step[k] = _DIFFERENCE * (abs(p[k]) or 1.0)
        columns.append((basis(x, p + step) @ a - basis(x, p - step) @ a) / (2.0 * step[k]))
    return np.stack(columns, axis=1)


@dataclass(frozen=True)
class ExponentialFit:
    """A fitted decay V = V₀·exp(-t/τ).

    Parameters
    ----------
    voltage_0_V, tau_s : float
        V₀ at time zero of the record [V]; time constant [s].
    voltage_0_V_se, tau_s_se : float
        Standard errors from the scatter about the curve.
    r_squared : float
        Of the straight line of ln V (``line``), or of V (``curve``).
    n : int
        Readings used.
    """

    voltage_0_V: float
    tau_s: float
    voltage_0_V_se: float
    tau_s_se: float
    r_squared: float
    n: int


def fit_exponential(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    *,
    method: str = "line",
    least_sd: float | np.ndarray = 0.0,
) -> ExponentialFit:
    """A decay to zero fitted to readings.

    Parameters
    ----------
    time_s : (n,) array
        [s]
    voltage_V : (n,) array
        All positive. [V]
    method : str
        ``line``: straight line of ln V against t by ordinary least squares. ``curve``: V itself
        by `fit_separable`, started from the line.
    least_sd : float or (n,) array
        Scatter of ln V known beforehand, of all readings or of each (timing by hand over τ,
        rounding over V); the scatter found is not taken smaller. ``line`` only.

    Returns
    -------
    ExponentialFit

    Raises
    ------
    ValueError
        Fewer than three readings, readings that are not positive, no decay, unknown method.

    Notes
    -----
    Which to use: the line weighs each reading by its relative error and suits errors in
    proportion to the voltage (timing, meter gain, a capacitor that is not ideal); the curve
    suits a constant noise in volts. From 20 readings on the standard errors of the line allow
    for unequal scatter (leverage-corrected sandwich form, HC3); with fewer one scatter is
    assumed for all readings.
    """
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    if len(time_s) < 3 or np.ptp(time_s) <= 0:
        raise ValueError("an exponential needs three readings at different times")
    if (voltage_V <= 0).any():
        raise ValueError("readings of zero or below cannot follow an exponential")
    if method == "line":
        return _fit_line(time_s, voltage_V, least_sd)
    if method == "curve":
        return _fit_curve(time_s, voltage_V)
    raise ValueError(f"method is '{method}': use line or curve")


def _fit_line(t: np.ndarray, v: np.ndarray, least_sd: float | np.ndarray) -> ExponentialFit:
    y = np.log(v)
    value, slope, mean, spread = line_fit(t, y)
    if slope >= 0:
        raise ValueError("the voltage does not fall")
    residual = y - value - slope * (t - mean)
    n = len(t)
    if n < FEW:
        e2 = np.full(n, float(residual @ residual) / (n - 2))
    else:
        leverage = 1.0 / n + (t - mean) ** 2 / spread
        e2 = (residual / (1.0 - leverage)) ** 2
    e2 = np.maximum(e2, np.square(least_sd))
    var_slope = float(np.sum((t - mean) ** 2 * e2)) / spread**2
    var_value = float(np.sum(e2)) / n**2
    covariance = float(np.sum((t - mean) * e2)) / (n * spread)
    intercept = value - slope * mean
    var_intercept = var_value + mean**2 * var_slope - 2 * mean * covariance
    tau = -1.0 / slope
    total = float(np.sum((y - y.mean()) ** 2))
    return ExponentialFit(
        voltage_0_V=float(np.exp(intercept)),
        tau_s=tau,
        voltage_0_V_se=float(np.exp(intercept) * np.sqrt(max(var_intercept, 0.0))),
        tau_s_se=float(tau**2 * np.sqrt(var_slope)),
        r_squared=1.0 - float(np.sum(residual**2)) / total if total > 0 else 1.0,
        n=n,
    )


def _fit_curve(t: np.ndarray, v: np.ndarray) -> ExponentialFit:
    start = _fit_line(t, v, 0.0)
    fit = fit_separable(lambda x, p: np.exp(-p[0] * x)[:, None], t, v, start=[1.0 / start.tau_s])
    (v0,), (rate,) = fit.linear, fit.nonlinear
    if rate <= 0:
        raise ValueError("the voltage does not fall")
    total = float(np.sum((v - v.mean()) ** 2))
    return ExponentialFit(
        voltage_0_V=float(v0),
        tau_s=float(1.0 / rate),
        voltage_0_V_se=float(fit.se[0]),
        tau_s_se=float(fit.se[1] / rate**2),
        r_squared=1.0 - fit.rss / total if total > 0 else 1.0,
        n=fit.n,
    )


def fit_or_none(
    t: np.ndarray,
    v: np.ndarray,
    method: str = "line",
    least_sd: float | np.ndarray = 0.0,
) -> ExponentialFit | None:
    """`fit_exponential`, or None where a part of a record shows no decay."""
    try:
        return fit_exponential(t, v, method=method, least_sd=least_sd)
    except ValueError:
        return None

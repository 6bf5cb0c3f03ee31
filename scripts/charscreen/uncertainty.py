"""Measurement uncertainty: law of propagation, shortest interval of draws, balance readings."""

from collections.abc import Callable, Sequence

import numpy as np

# Step of the numerical derivative, as a share of the standard uncertainty: small enough that
# curvature does not count (a first-order law is what we state), large against rounding.
_STEP_SHARE = 0.01


def propagate(
    function: Callable[..., np.ndarray],
    values: Sequence,
    u: Sequence,
    correlation: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Value of a function and its standard uncertainty by the law of propagation.

    Parameters
    ----------
    function : callable
        Called as ``function(*values)``; must work elementwise where arrays are given.
    values : sequence of n_inputs floats or (n_rows,) arrays
        Estimates of the inputs, each in its own unit.
    u : sequence of n_inputs floats or (n_rows,) arrays
        Standard uncertainties in the units of `values`. Zero or missing: the input is exact.
    correlation : (n_inputs, n_inputs) array, optional
        Correlation coefficients; None for independent inputs.

    Returns
    -------
    y, u_y : float or (n_rows,) array
        The value and its standard uncertainty, both in the unit of the function.

    Raises
    ------
    ValueError
        Where lengths differ, an uncertainty is negative, or the correlation matrix is not a
        symmetric positive semi-definite matrix with a unit diagonal.

    Notes
    -----
    u_y² = Σᵢ Σⱼ cᵢ cⱼ uᵢ uⱼ rᵢⱼ with sensitivities cᵢ = ∂f/∂xᵢ by central differences.

    References
    ----------
    JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2 and 5.2.2.
    """
    if len(values) != len(u):
        raise ValueError(f"{len(values)} values but {len(u)} uncertainties")
    x = [np.asarray(value, dtype=float) for value in values]
    spread = [np.nan_to_num(np.asarray(item, dtype=float), nan=0.0) for item in u]
    if any(np.any(item < 0) for item in spread):
        raise ValueError("a standard uncertainty is negative")
    r = _checked_correlation(correlation, len(x))

    y = np.asarray(function(*x), dtype=float)
    contributions = []
    for i, (centre, width) in enumerate(zip(x, spread, strict=True)):
        if not np.any(width > 0):
            contributions.append(np.zeros_like(y))
            continue
        step = _STEP_SHARE * width
        up = np.asarray(function(*x[:i], centre + step, *x[i + 1 :]), dtype=float)
        down = np.asarray(function(*x[:i], centre - step, *x[i + 1 :]), dtype=float)
        contributions.append((up - down) / (2 * _STEP_SHARE))
    c = np.stack([np.broadcast_to(item, y.shape) for item in contributions])
    variance = np.einsum("i...,ij,j...->...", c, r, c)
    u_y = np.sqrt(np.maximum(variance, 0.0))
    return (float(y), float(u_y)) if y.ndim == 0 else (y, u_y)


def shortest_interval(draws: np.ndarray, *, coverage: float = 0.95) -> tuple[float, float]:
    """Ends of the shortest interval that holds a share of the draws.

    Parameters
    ----------
    draws : (n,) array
        Any unit.
    coverage : float
        Share of draws inside, between 0 and 1.

    Raises
    ------
    ValueError
        Where the coverage is not between 0 and 1.

    References
    ----------
    JCGM 101:2008, 5.3.4 and 7.7.4.
    """
    if not 0 < coverage < 1:
        raise ValueError(f"coverage {coverage} is not between 0 and 1")
    ordered = np.sort(np.asarray(draws, dtype=float))
    inside = min(int(coverage * ordered.size + 0.5), ordered.size - 1)
    widths = ordered[inside:] - ordered[: ordered.size - inside]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + inside])


def reading_uncertainty(
    *, readability_g: np.ndarray, repeatability_g: np.ndarray, readings: np.ndarray = 1
) -> np.ndarray:
    """Standard uncertainty of a mass from reading the balance alone, without calibration. [g]

    Parameters
    ----------
    readability_g : float or array
        Smallest step of the display. [g]
    repeatability_g : float or array
        Standard deviation of repeated weighings. [g]
    readings : int or array
        How many readings the mass is made of: 1 for a net mass, 2 for gross minus tare.

    Notes
    -----
    u² = n·(r²/12 + s²): a display of step r hides a rectangular error of standard deviation
    r/√12 in each reading (JCGM 100:2008, clause F.2.2.1 from memory).
    """
    return np.sqrt(readings * (np.square(readability_g) / 12.0 + np.square(repeatability_g)))


def _checked_correlation(correlation: np.ndarray | None, n: int) -> np.ndarray:
    if correlation is None:
        return np.eye(n)
    r = np.asarray(correlation, dtype=float)
    if r.shape != (n, n):
        raise ValueError(f"the correlation matrix is {r.shape}, not ({n}, {n})")
    if not (np.allclose(r, r.T) and np.allclose(np.diag(r), 1.0)):
        raise ValueError("a correlation matrix is symmetric with ones on its diagonal")
    # Published coefficients are rounded, so a slightly negative eigenvalue is let pass.
    if np.linalg.eigvalsh(r).min() < -0.02:
        raise ValueError("these correlations cannot all hold at once (not positive semi-definite)")
    return r

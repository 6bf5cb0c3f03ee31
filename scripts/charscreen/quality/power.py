"""Standard errors, degrees of freedom and power of comparisons, before anything is measured."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import nct
from scipy.stats import t as student

LEVEL = 0.05
"""Two-sided level of the planned tests (common practice, no source)."""
_NO_NEWS = 1e-9


@dataclass(frozen=True)
class Precision:
    """What a design tells of its fixed effects at known variances.

    Parameters
    ----------
    covariance : (p, p) array
        Of the estimates by generalised least squares.
    sensitivities : (K, p, p) array
        How that covariance changes with each variance.
    of_variances : (K, K) array
        Covariance of the estimated variances (REML).
    informative : (K, K) array
        Projection on what the design can tell of the variances.
    """

    covariance: np.ndarray
    sensitivities: np.ndarray
    of_variances: np.ndarray
    informative: np.ndarray

    def se(self, contrasts: np.ndarray) -> np.ndarray:
        """Standard errors of contrasts, (m, p) to (m,)."""
        contrasts = np.atleast_2d(contrasts)
        variance = np.einsum("ij,jk,ik->i", contrasts, self.covariance, contrasts)
        return np.sqrt(np.maximum(variance, 0.0))

    def df(self, contrasts: np.ndarray) -> np.ndarray:
        """Degrees of freedom of contrasts; 0 where the scatter they rest on cannot be told.

        Notes
        -----
        2 v² / var(v) with v = l'Cl, var(v) = g'Wg, g the derivatives of v by the variances and W
        the inverse of the expected REML information: for a single contrast this is what Kenward &
        Roger 1997 (Biometrics 53, 983) come to, and exact where the design is balanced.
        """
        contrasts = np.atleast_2d(contrasts)
        gradients = np.einsum("ij,ajk,ik->ia", contrasts, self.sensitivities, contrasts)
        spread = np.einsum("ia,ab,ib->i", gradients, self.of_variances, gradients)
        variance = self.se(contrasts) ** 2
        unseen = gradients - gradients @ self.informative
        blind = np.abs(unseen).max(axis=1) > 1e-6 * np.abs(gradients).max(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = 2.0 * variance**2 / spread
        return np.where(blind | ~np.isfinite(df), 0.0, df)


def precision_of(
    X: np.ndarray, parts: Mapping[str, np.ndarray], variances: Mapping[str, float]
) -> Precision:
    """Precision of the fixed effects of a design.

    Parameters
    ----------
    X : (n, p) array
        Model matrix of full rank.
    parts : mapping of str to (n, n) array
        Structure of each level of the experiment.
    variances : mapping of str to float
        Variance of each.

    Notes
    -----
    V = Σ v_k V_k; C = (X'V⁻¹X)⁻¹; dC/dv_k = C X'V⁻¹V_kV⁻¹X C; expected REML information
    ½ tr(P V_j P V_k) with P = V⁻¹ - V⁻¹XCX'V⁻¹. Levels that coincide share one variance: the
    generalised inverse takes their sum, and what no data tell counts as unknown.
    """
    n = len(X)
    stack = np.array(list(parts.values()))
    V = np.tensordot([variances[name] for name in parts], stack, axes=1)
    factor = cho_factor(V + 1e-12 * np.trace(V) / n * np.eye(n), lower=True)
    weighted = cho_solve(factor, X)
    covariance = np.linalg.inv(X.T @ weighted)
    P = cho_solve(factor, np.eye(n)) - weighted @ covariance @ weighted.T
    side = weighted @ covariance
    sensitivities = side.T @ stack @ side
    through = P @ stack
    information = 0.5 * np.einsum("aij,bji->ab", through, through)
    # Scaled, so that a small variance is not taken for one that cannot be told.
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    scale[np.diag(information) <= _NO_NEWS * np.diag(information).max(initial=0.0)] = 0.0
    values, vectors = np.linalg.eigh(information * np.outer(scale, scale))
    seen = values > 1e-8
    basis = vectors[:, seen]
    inverse = (basis / values[seen]) @ basis.T
    of_variances = inverse * np.outer(scale, scale)
    back = np.divide(1.0, scale, out=np.zeros_like(scale), where=scale > 0)
    informative = (basis @ basis.T) * np.outer(scale, back)
    return Precision(covariance, sensitivities, of_variances, informative)


def power_of(
    effect: float | np.ndarray, *, se: np.ndarray, df: np.ndarray, level: float = LEVEL
) -> np.ndarray:
    """Chance that a two-sided t test tells an effect of a given size from none.

    Parameters
    ----------
    effect : float or array
        True size, in the unit of `se`.
    se, df : array
        Standard error and degrees of freedom of its estimate.
    level : float
        Level of the test.

    Returns
    -------
    array
        0 where there are no degrees of freedom: nothing can then be tested.

    Notes
    -----
    P(|T| > t) with T noncentral t of parameter effect/se.
    """
    effect, se, df = np.broadcast_arrays(
        np.asarray(effect, float), np.asarray(se, float), np.asarray(df, float)
    )
    out = np.zeros(se.shape)
    tested = (df > 0) & (se > 0)
    away = np.abs(effect[tested]) / se[tested]
    critical = student.isf(level / 2.0, df[tested])
    upper = nct.sf(critical, df[tested], away)
    lower = nct.cdf(-critical, df[tested], away)
    out[tested] = np.nan_to_num(upper, nan=1.0) + np.nan_to_num(lower, nan=0.0)
    return np.clip(out, 0.0, 1.0)


def detectable(
    *, se: np.ndarray, df: np.ndarray, power: float = 0.8, level: float = LEVEL
) -> np.ndarray:
    """Effect that a test tells with a given power; missing where nothing can be tested.

    Parameters
    ----------
    se, df : (m,) array
        Standard error and degrees of freedom.
    power, level : float
        Wanted power, level of the test.

    Returns
    -------
    (m,) array
        In the unit of `se`, by halving an interval until it is known to a millionth.

    Notes
    -----
    In standard errors it hangs on the degrees of freedom alone, and lies near t(level/2) +
    t(1 - power); below twice that sum the interval begins.
    """
    se, df = np.asarray(se, float), np.asarray(df, float)
    tested = (df > 0) & (se > 0)
    kinds, place = np.unique(df[tested], return_inverse=True)
    low = np.zeros(kinds.shape)
    high = 2.0 * (student.isf(level / 2.0, kinds) + student.ppf(power, kinds))
    for _ in range(24):
        middle = (low + high) / 2.0
        enough = power_of(middle, se=1.0, df=kinds, level=level) >= power
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    out = np.full(se.shape, np.nan)
    out[tested] = high[place] * se[tested]
    return out

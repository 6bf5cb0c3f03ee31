"""What leaving rows out would change, in closed form at the fitted ratios."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .fit import MixedFit

SINGULAR = 1e-9  # share of a group's own information below which something rests on it alone


class Deletion:
    """Rows left out of a fitted model, the ratios of the variances kept.

    Parameters
    ----------
    fit : MixedFit

    Attributes
    ----------
    leverage : (n,) array
        Weight of each row in its own conditional fit, 0 to 1.

    Notes
    -----
    With P = V^-1 - V^-1 X F X' V^-1, F = (X'V^-1X)^-1, leaving the rows I out is the same as
    giving each a coefficient of its own, so the errors of predicting them from all other rows
    (fixed part and random effects) are P_II^-1 (P y)_I and the coefficients move by
    F X'V^-1_I times these (Christensen, Pearson & Johnson 1992, Technometrics 34, 38-45; from
    memory). Nothing of n x n is formed but the blocks I x I.
    """

    def __init__(self, fit: "MixedFit"):
        from scipy.linalg import cholesky, solve_triangular

        self._fit = fit
        root = np.sqrt(fit._weights)
        self._root = root
        n = len(root)
        Z = [np.zeros((n, len(term.levels))) for term in fit._terms]
        for z, term, ratio in zip(Z, fit._terms, fit._theta, strict=True):
            used = np.flatnonzero(term.codes >= 0)
            z[used, term.codes[used]] = ratio * (term.values * root)[used]
        whole = np.hstack([np.zeros((n, 0)), *Z])
        H = whole.T @ whole + np.eye(whole.shape[1])
        self._B = solve_triangular(cholesky(H, lower=True), whole.T, lower=True)
        X = fit._fixed.X * root[:, None]
        self._VX = X - self._B.T @ (self._B @ X)
        self._information = X.T @ self._VX
        self._F = np.linalg.inv(self._information)
        error = fit._fixed.y * root - X @ fit.fixed_effects.to_numpy()
        self._Py = error - self._B.T @ (self._B @ error)
        own = 1.0 - (self._B**2).sum(axis=0)
        own -= ((self._VX @ self._F) * self._VX).sum(axis=1)
        self._own = own
        self.leverage = np.clip(1.0 - own, 0.0, 1.0)

    def leave_out(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """What leaving out some rows changes.

        Parameters
        ----------
        rows : (m,) int array

        Returns
        -------
        errors : (m,) array
            Observed less predicted from all other rows; nan where these cannot predict.
        shift : (p,) array
            Coefficients with all rows less those without; nan where they cannot be had.
        cook : float
            Cook's distance: the shift against the coefficients' covariance, per coefficient.
        """
        delta = self._errors(rows)
        if delta is None:
            return np.full(len(rows), np.nan), np.full(len(self._F), np.nan), float("nan")
        shift = self._F @ (self._VX[rows].T @ delta)
        cook = shift @ self._information @ shift / (len(shift) * self._fit._sigma2)
        return delta / self._root[rows], shift, float(cook)

    def residual_squares(self, y: np.ndarray, X: np.ndarray | None = None) -> float:
        """Penalised residual sum of squares of other values or columns at the same ratios.

        Parameters
        ----------
        y : (n,) array
            Response.
        X : (n, p) array, optional
            Columns of the fixed part; those of the fit where left out.
        """
        X = self._fit._fixed.X if X is None else X
        both = np.column_stack([X, y]) * self._root[:, None]
        inner = self._B @ both
        G = both.T @ both - inner.T @ inner
        return float(G[-1, -1] - G[-1, :-1] @ np.linalg.lstsq(G[:-1, :-1], G[:-1, -1])[0])

    def _errors(self, rows: np.ndarray) -> np.ndarray | None:
        """Weighted errors of prediction from all other rows; None where these cannot predict."""
        B, VX = self._B[:, rows], self._VX[rows]
        P = np.eye(len(rows)) - B.T @ B - VX @ self._F @ VX.T
        roots, axes = np.linalg.eigh(P)
        if roots[0] <= SINGULAR:
            return None
        return axes @ ((axes.T @ self._Py[rows]) / roots)

    def standardised(self) -> np.ndarray:
        """Conditional residuals over their own standard deviations, (n,)."""
        return self._Py / np.sqrt(np.maximum(self._own, 1e-12) * self._fit._sigma2)

    def standardised_effects(self, k: int) -> np.ndarray:
        """Conditional modes of random term k over their standard deviations, (levels,).

        nan where the variance is zero or a level has no information of its own.
        """
        fit, term = self._fit, self._fit._terms[k]
        Z = np.zeros((len(self._root), len(term.levels)))
        used = np.flatnonzero(term.codes >= 0)
        Z[used, term.codes[used]] = (term.values * self._root)[used]
        VZ = Z - self._B.T @ (self._B @ Z)
        own = (Z * VZ).sum(axis=0)
        beside = self._VX.T @ Z
        own -= (beside * (self._F @ beside)).sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            out = (Z.T @ self._Py) / np.sqrt(own * fit._sigma2)
        return np.where((own > SINGULAR) & (fit._theta[k] > 0), out, np.nan)

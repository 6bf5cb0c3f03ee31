"""What leaving rows out would change, in closed form at the fitted ratios."""

from collections.abc import Sequence
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
    memory). Rows that share no level, directly or through others, are independent: all is worked
    out cluster by cluster, so that the cost grows with the number of firings, not with its cube.
    """

    def __init__(self, fit: "MixedFit"):
        self._fit = fit
        root = np.sqrt(fit._weights)
        self._root = root
        self._clusters = [
            (rows, _half_of_inverse(fit, rows, root[rows])) for rows in _clusters(fit._terms)
        ]
        # Cluster of each row and its place there; -1 for a row without any level.
        self._place = np.full((len(root), 2), -1)
        for number, (rows, _) in enumerate(self._clusters):
            self._place[rows, 0], self._place[rows, 1] = number, np.arange(len(rows))
        X = fit._fixed.X * root[:, None]
        self._VX = self._without_random(X)
        self._information = X.T @ self._VX
        self._F = np.linalg.inv(self._information)
        self._Py = self._without_random(fit._fixed.y * root - X @ fit.fixed_effects.to_numpy())
        own = np.ones(len(root))
        for rows, B in self._clusters:
            own[rows] -= (B**2).sum(axis=0)
        own -= ((self._VX @ self._F) * self._VX).sum(axis=1)
        self._own = own
        self.leverage = np.clip(1.0 - own, 0.0, 1.0)

    def _without_random(self, columns: np.ndarray) -> np.ndarray:
        """Weighted columns times the inverse of the weighted V."""
        out = columns.copy()
        for rows, B in self._clusters:
            out[rows] -= B.T @ (B @ columns[rows])
        return out

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
        G = both.T @ both
        for rows, B in self._clusters:
            inner = B @ both[rows]
            G -= inner.T @ inner
        return float(G[-1, -1] - G[-1, :-1] @ np.linalg.lstsq(G[:-1, :-1], G[:-1, -1])[0])

    def _errors(self, rows: np.ndarray) -> np.ndarray | None:
        """Weighted errors of prediction from all other rows; None where these cannot predict."""
        VX = self._VX[rows]
        P = np.eye(len(rows))
        numbers, places = self._place[rows].T
        for number in np.unique(numbers[numbers >= 0]):
            at = np.flatnonzero(numbers == number)
            B = self._clusters[number][1][:, places[at]]
            P[np.ix_(at, at)] -= B.T @ B
        P -= VX @ self._F @ VX.T
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
        own, pull = np.zeros(len(term.levels)), np.zeros(len(term.levels))
        for rows, B in self._clusters:
            levels, Z = _columns(term, rows, self._root[rows])
            VZ = Z - B.T @ (B @ Z)
            beside = self._VX[rows].T @ Z
            own[levels] = (Z * VZ).sum(axis=0) - (beside * (self._F @ beside)).sum(axis=0)
            pull[levels] = Z.T @ self._Py[rows]
        with np.errstate(divide="ignore", invalid="ignore"):
            out = pull / np.sqrt(own * fit._sigma2)
        return np.where((own > SINGULAR) & (fit._theta[k] > 0), out, np.nan)


def _clusters(terms: Sequence) -> list[np.ndarray]:
    """Rows that hang together through levels of any term, sorted; rows without one are left out."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not terms:
        return []
    n = len(terms[0].codes)
    used = [np.flatnonzero(term.codes >= 0) for term in terms]
    starts = n + np.cumsum([0, *(len(term.levels) for term in terms)])
    levels = [
        start + term.codes[at] for start, term, at in zip(starts[:-1], terms, used, strict=True)
    ]
    pairs = (np.concatenate(used), np.concatenate(levels))
    graph = coo_array((np.ones(len(pairs[0]), dtype=np.int8), pairs), shape=(starts[-1],) * 2)
    _, labels = connected_components(graph, directed=False)
    rows = np.unique(pairs[0])
    rows = rows[np.argsort(labels[rows], kind="stable")]
    return np.split(rows, np.flatnonzero(np.diff(labels[rows])) + 1) if len(rows) else []


def _columns(term, rows: np.ndarray, root: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Levels of a term that some rows have, and its weighted columns for these, (rows, levels)."""
    used = np.flatnonzero(term.codes[rows] >= 0)
    levels, codes = np.unique(term.codes[rows[used]], return_inverse=True)
    Z = np.zeros((len(rows), len(levels)))
    Z[used, codes] = term.values[rows[used]] * root[used]
    return levels, Z


def _half_of_inverse(fit: "MixedFit", rows: np.ndarray, root: np.ndarray) -> np.ndarray:
    """B of one cluster, with V^-1 = 1 - B'B on its weighted rows."""
    from scipy.linalg import cholesky, solve_triangular

    Z = [
        ratio * _columns(term, rows, root)[1]
        for term, ratio in zip(fit._terms, fit._theta, strict=True)
    ]
    whole = np.hstack(Z)
    H = whole.T @ whole + np.eye(whole.shape[1])
    return solve_triangular(cholesky(H, lower=True), whole.T, lower=True)

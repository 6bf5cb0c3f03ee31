"""What leaving rows out would change, in closed form at the fitted ratios."""

from collections.abc import Sequence

import numpy as np

from .fitted import Fitted

CLUSTER_MOST = 500  # rows worked out at once, as one dense block
SINGULAR = 1e-9  # share of a group's own information below which something rests on it alone


class Deletion:
    """Rows left out of a fitted model, the ratios of the variances kept.

    Parameters
    ----------
    fit : Fitted

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
    Terms that would join all rows (such as random feedstocks) are added to these by a correction
    of the rank of their levels.
    """

    def __init__(self, fit: Fitted):
        self._fit = fit
        root = np.sqrt(fit._weights)
        self._root = root
        terms = list(zip(fit._terms, fit._theta, strict=True))
        self._inner, across = _split(fit._terms)
        inner = [terms[k] for k in self._inner]
        self._clusters = [
            (rows, _half_of_inverse(inner, rows, root[rows]))
            for rows in _clusters([term for term, _ in inner])
        ]
        self._across = np.zeros((0, len(root)))
        if across:
            everything = np.arange(len(root))
            Z = np.hstack(
                [terms[k][1] * _columns(terms[k][0], everything, root)[1] for k in across]
            )
            self._across = _half(Z, self._without_random(Z))
        # Cluster of each row and its place there; -1 for a row without any level.
        self._place = np.full((len(root), 2), -1)
        for number, (rows, _) in enumerate(self._clusters):
            self._place[rows, 0], self._place[rows, 1] = number, np.arange(len(rows))
        X = fit._fixed.X * root[:, None]
        self._VX = self._without_random(X)
        self._information = X.T @ self._VX
        self._F = np.linalg.inv(self._information)
        self._Py = self._without_random(fit._fixed.y * root - X @ fit.fixed_effects.to_numpy())
        own = 1.0 - (self._across**2).sum(axis=0)
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
        return out - self._across.T @ (self._across @ columns)

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

    def residual_squares(self, y: np.ndarray, X: np.ndarray | None = None) -> np.ndarray:
        """Penalised residual sums of squares of other values or columns at the same ratios.

        Parameters
        ----------
        y : (n,) or (n, k) array
            Response, or k of them.
        X : (n, p) array, optional
            Columns of the fixed part; those of the fit where left out.

        Returns
        -------
        float or (k,) array
        """
        X = self._fit._fixed.X if X is None else X
        p = X.shape[1]
        both = np.column_stack([X, y]) * self._root[:, None]
        G = both.T @ both
        for rows, B in self._clusters:
            inner = B @ both[rows]
            G -= inner.T @ inner
        inner = self._across @ both
        G -= inner.T @ inner
        beside = G[:p, p:]
        left = np.diag(G)[p:] - (beside * np.linalg.lstsq(G[:p, :p], beside)[0]).sum(axis=0)
        return left if y.ndim == 2 else left[0]

    def _errors(self, rows: np.ndarray) -> np.ndarray | None:
        """Weighted errors of prediction from all other rows; None where these cannot predict."""
        VX = self._VX[rows]
        P = np.eye(len(rows))
        numbers, places = self._place[rows].T
        for number in np.unique(numbers[numbers >= 0]):
            at = np.flatnonzero(numbers == number)
            B = self._clusters[number][1][:, places[at]]
            P[np.ix_(at, at)] -= B.T @ B
        C = self._across[:, rows]
        P -= C.T @ C + VX @ self._F @ VX.T
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
        if k in self._inner:
            groups = [(rows, *_columns(term, rows, self._root[rows])) for rows, _ in self._clusters]
        else:
            everything = np.arange(len(self._root))
            groups = [(everything, *_columns(term, everything, self._root))]
        for number, (rows, levels, Z) in enumerate(groups):
            if k in self._inner:
                B, C = self._clusters[number][1], self._across[:, rows] @ Z
                seen = (Z * (Z - B.T @ (B @ Z))).sum(axis=0) - (C**2).sum(axis=0)
            else:
                seen = (Z * self._without_random(Z)).sum(axis=0)
            beside = self._VX[rows].T @ Z
            own[levels] = seen - (beside * (self._F @ beside)).sum(axis=0)
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
    found = term.codes[rows]
    levels = np.unique(found)
    levels = levels[levels >= 0]
    Z = (found[:, None] == levels) * (term.values[rows] * root)[:, None]
    return levels, Z


def _half_of_inverse(terms: Sequence, rows: np.ndarray, root: np.ndarray) -> np.ndarray:
    """B of one cluster, with V^-1 = 1 - B'B on its weighted rows."""
    Z = np.hstack([ratio * _columns(term, rows, root)[1] for term, ratio in terms])
    return _half(Z, Z)


def _half(Z: np.ndarray, VZ: np.ndarray) -> np.ndarray:
    """L^-1 (V^-1 Z)' with L L' = 1 + Z'V^-1 Z: what further columns Z take off V^-1, halved."""
    from scipy.linalg.lapack import dpotrf, dtrtrs

    H = Z.T @ VZ
    H[np.arange(len(H)), np.arange(len(H))] += 1.0
    return dtrtrs(dpotrf(H, lower=1)[0], VZ.T, lower=1)[0]


def _split(terms: Sequence) -> tuple[list[int], list[int]]:
    """Places of the terms whose clusters stay small, and of those that would join them."""
    inner: list[int] = []
    across: list[int] = []
    for k in sorted(range(len(terms)), key=lambda k: -len(terms[k].levels)):
        found = _clusters([terms[j] for j in [*inner, k]])
        is_large = max(map(len, found), default=0) > CLUSTER_MOST
        (across if is_large else inner).append(k)
    return sorted(inner), across

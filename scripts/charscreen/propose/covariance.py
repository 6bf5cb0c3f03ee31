"""The covariance of the data of a model under one draw of its variances, as a root."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky
from scipy.sparse import csr_array


class Levels:
    """Which rows share which levels of the random terms.

    Parameters
    ----------
    ties : sequence of (codes, weights)
        For each random term the level of each row (n,), -1 for none, and the row's weight (n,).
    n : int
        Number of rows.

    Notes
    -----
    A level that one row has to itself adds to that row's own variance alone; the others are the
    columns of Z.
    """

    def __init__(self, ties: Sequence[tuple[np.ndarray, np.ndarray]], n: int):
        self._alone = np.zeros((len(ties), n))
        rows, columns, values, term_of = [], [], [], []
        for k, (codes, weights) in enumerate(ties):
            known = np.flatnonzero(codes >= 0)
            _, place, count = np.unique(codes[known], return_inverse=True, return_counts=True)
            is_alone = count[place] == 1
            self._alone[k, known[is_alone]] = weights[known[is_alone]] ** 2
            shared = known[~is_alone]
            levels, column = np.unique(codes[shared], return_inverse=True)
            rows.append(shared)
            columns.append(column + len(term_of))
            values.append(weights[shared])
            term_of += [k] * len(levels)
        empty = [np.zeros(0, int)]
        self._rows, self._columns = (np.concatenate(part or empty) for part in (rows, columns))
        self._values = np.concatenate(values or [np.zeros(0)])
        self._term_of = np.array(term_of, dtype=int)

    def root(self, variances: np.ndarray, own: np.ndarray) -> "Root":
        """The root at given variances.

        Parameters
        ----------
        variances : (K,) array
            One per random term.
        own : (n,) array
            Variance of each row beside those, positive.
        """
        scale = 1.0 / np.sqrt(own + variances @ self._alone)
        spread = np.sqrt(variances)[self._term_of]
        values = self._values * scale[self._rows] * spread[self._columns]
        shape = (len(own), len(self._term_of))
        shares = csr_array((values, (self._rows, self._columns)), shape=shape)
        inner = (shares.T @ shares).toarray()
        inner[np.diag_indices_from(inner)] += 1.0
        return Root(scale, shares, cholesky(inner, lower=True, overwrite_a=True))


@dataclass(frozen=True)
class Root:
    """K with K'K = V^-1, V = E + Z S Z' the covariance of the data; never written out.

    Parameters
    ----------
    scale : (n,) array
        E^-1/2: rows by themselves.
    shares : (n, L) sparse array
        A = E^-1/2 Z S^1/2: what rows share.
    inner : (L, L) array
        Lower root of I + A'A.

    Notes
    -----
    For columns C, with P = E^-1/2 C and T = (I + A'A)^-1 A'P, K C is P - A T above T: the remainder
    of the least squares fit of (P, 0) by (A, I), whose squares add up to C'V^-1 C (the identity of
    Woodbury without its difference of large numbers). The cost grows with the rows and with the
    cube of the shared levels, not of the rows.
    """

    scale: np.ndarray
    shares: csr_array
    inner: np.ndarray

    def times(self, columns: np.ndarray) -> np.ndarray:
        """K C, (n + L, q), of columns C, (n, q)."""
        scaled = columns * self.scale[:, None]
        fitted = cho_solve((self.inner, True), self.shares.T @ scaled)
        return np.vstack([scaled - self.shares @ fitted, fitted])


@dataclass(frozen=True)
class Solved:
    """The data under one draw of the variances.

    Parameters
    ----------
    root : Root
        K, (m, n).
    x : (m, p) array
        K X.
    gram : (p, p) array
        Lower root of X'V^-1 X.
    b : (p,) array
        Generalised least squares coefficients.
    rest : (m,) array
        K (y - X b).
    """

    root: Root
    x: np.ndarray
    gram: np.ndarray
    b: np.ndarray
    rest: np.ndarray

    @property
    def size(self) -> int:
        """Numbers that it holds."""
        return self.root.inner.size + self.x.size + len(self.rest) + self.root.shares.nnz


def solve(root: Root, x: np.ndarray, y: np.ndarray) -> Solved:
    """Generalised least squares of the data: X (n, p) and y (n,)."""
    made = root.times(np.column_stack([x, y]))
    of_x, of_y = made[:, :-1], made[:, -1]
    gram = cholesky(of_x.T @ of_x, lower=True)
    b = cho_solve((gram, True), of_x.T @ of_y)
    return Solved(root, of_x, gram, b, of_y - of_x @ b)

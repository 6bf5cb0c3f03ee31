"""A design under search: its lots, and the inverse that judges a change without starting anew."""

from dataclasses import dataclass

import numpy as np

from charscreen.designs.problem import DETERMINANT, Problem

# Gains are compared to so many digits, so that rounding of the machine decides nothing.
_DIGITS = 9


@dataclass
class Layout:
    """A design by positions of its settings.

    Parameters
    ----------
    feed, lot, activation : (n_lots,) int arrays
        Feedstock, lot setting and activation firing (-1 for none) of each lot.
    firing : (n_lots,) int array
        Char firing of each lot, never changed.
    setting : (n_firings,) int array
        Setting of each char firing.
    activation_setting : (n_activation_firings,) int array
        Setting of each activation firing.
    """

    feed: np.ndarray
    lot: np.ndarray
    activation: np.ndarray
    firing: np.ndarray
    setting: np.ndarray
    activation_setting: np.ndarray

    def copy(self) -> "Layout":
        """A layout that can be changed apart from this one."""
        return Layout(*(np.array(getattr(self, name)) for name in self.__dataclass_fields__))


class Judge:
    """The criterion of a layout, and what it would be after lots are exchanged.

    Parameters
    ----------
    problem : Problem
    layout : Layout
        Changed in place by `apply`.

    Notes
    -----
    With t = (x, z) a lot's row of fixed and random columns, C = Σ t t' + diag(prior, 1/ratio) is
    the matrix of Henderson's mixed-model equations: log det(X'V⁻¹X) = log det C - log det(Z'Z +
    1/ratio), and the upper left part of C⁻¹ is the covariance of the fixed effects. Any exchange
    of r lots is then a change of C of rank 2r: det(C + U'ΣU) = det C · det(I + ΣUC⁻¹U').
    """

    def __init__(self, problem: Problem, layout: Layout) -> None:
        self.problem, self.layout = problem, layout
        self.p = len(problem.terms.names)
        self.q = len(problem.sizes) + problem.activation_firings
        self.refresh()

    def refresh(self) -> float:
        """Reckon everything anew; the criterion, less being better."""
        problem, layout = self.problem, self.layout
        T = self.lot_rows(np.arange(len(layout.feed)))
        m = self.p + self.q
        C = np.zeros((len(problem.ratios), m, m))
        C[:, : self.p, : self.p] = problem.prior
        for r, ratio in enumerate(problem.ratios):
            C[r, range(self.p, m), range(self.p, m)] = 1.0 / max(ratio, 1e-9)
        C += T.T @ T
        self.S = np.linalg.inv(C)
        if problem.criterion == DETERMINANT:
            G = C[:, self.p :, self.p :]
            self.Sz = np.linalg.inv(G)
            logs = np.linalg.slogdet(C)[1] - np.linalg.slogdet(G)[1]
            self.value = -float(logs.mean()) / self.p
        else:
            self._weigh()
            self.value = float(np.log(self.traces).mean())
        return self.value

    def _weigh(self) -> None:
        S = self.S[:, : self.p]
        SB = S.transpose(0, 2, 1) @ self.problem.weights
        self.Q = SB @ S
        self.traces = np.einsum("rij,ji->r", S[:, :, : self.p], self.problem.weights)

    def rows(self, feed, firing, lot, activation) -> np.ndarray:
        """(n, p + q) rows of lots in given char firings and activation firings."""
        problem, layout = self.problem, self.layout
        setting = layout.setting[firing]
        chosen = (
            layout.activation_setting[np.maximum(activation, 0)]
            if len(layout.activation_setting)
            else np.zeros(len(feed), dtype=int)
        )
        return self.join(problem.rows(feed, setting, lot, chosen), firing, activation)

    def join(self, X: np.ndarray, firing: np.ndarray, activation: np.ndarray) -> np.ndarray:
        """Fixed columns joined with those of the random firings."""
        T = np.zeros((len(X), self.p + self.q))
        T[:, : self.p] = X
        T[np.arange(len(X)), self.p + firing] = 1.0
        on = np.flatnonzero(activation >= 0)
        T[on, self.p + len(self.problem.sizes) + activation[on]] = 1.0
        return T

    def lot_rows(self, lots: np.ndarray) -> np.ndarray:
        """Rows of lots as they are."""
        a = self.layout
        return self.rows(a.feed[lots], a.firing[lots], a.lot[lots], a.activation[lots])

    def after(self, out: np.ndarray, into: np.ndarray, *, same_firings: bool = False) -> np.ndarray:
        """The criterion after each of several exchanges.

        Parameters
        ----------
        out : (k, m) or (n, k, m) array
            Rows taken out, the same for every exchange or each its own.
        into : (n, k, m) array
            Rows put in.
        same_firings : bool
            No lot changes its char firing or activation firing, so one term need not be reckoned.

        Returns
        -------
        (n,) array
        """
        n, k, m = into.shape
        out = np.broadcast_to(out, (n, k, m))
        U = np.concatenate([out, into], axis=1)
        sign = np.repeat([-1.0, 1.0], k)
        flat = U.reshape(n * 2 * k, m)
        G = self._gram(flat, self.S, U)
        if self.problem.criterion == DETERMINANT:
            change = _logdet(G, sign)
            if not same_firings:
                z = np.ascontiguousarray(U[:, :, self.p :])
                change = change - _logdet(self._gram(z.reshape(n * 2 * k, -1), self.Sz, z), sign)
            return np.round(self.value - change.mean(axis=0) / self.p, _DIGITS)
        H = self._gram(flat, self.Q, U)
        K = G + np.diag(sign)
        drop = np.trace(np.linalg.solve(K, H), axis1=-2, axis2=-1)
        values = np.log(np.maximum(self.traces[:, None] - drop, 1e-300)).mean(axis=0)
        good = (_logdet(G, sign) > -20).all(axis=0)
        return np.round(np.where(good, values, np.inf), _DIGITS)

    @staticmethod
    def _gram(flat: np.ndarray, S: np.ndarray, U: np.ndarray) -> np.ndarray:
        n, k2, m = U.shape
        US = (flat @ S).reshape(len(S), n, k2, m)
        return US @ U.transpose(0, 2, 1)

    def apply(self, out: np.ndarray, into: np.ndarray, value: float) -> None:
        """Take over an exchange whose criterion is known; the layout is changed by the caller."""
        U = np.concatenate([out, into])
        sign = np.repeat([-1.0, 1.0], [len(out), len(into)])
        self.S = _update(self.S, U, sign)
        if self.problem.criterion == DETERMINANT:
            self.Sz = _update(self.Sz, U[:, self.p :], sign)
        else:
            self._weigh()
        self.value = float(value)


def _logdet(G: np.ndarray, sign: np.ndarray) -> np.ndarray:
    det = np.linalg.det(np.eye(G.shape[-1]) + sign[:, None] * G)
    return np.log(np.maximum(det, 1e-300))


def _update(S: np.ndarray, U: np.ndarray, sign: np.ndarray) -> np.ndarray:
    SU = S @ U.T
    K = U @ SU + np.diag(sign)
    S = S - SU @ np.linalg.solve(K, SU.transpose(0, 2, 1))
    return 0.5 * (S + S.transpose(0, 2, 1))

"""The restricted likelihood of a mixed model, its gradient, and effects given the ratios.

Eliminating the first term with squared ratio phi leaves cross-products of the core
C = A_rr - sum_l w_l a_l a_l', w_l = phi / (1 + phi d_l); the second term is eliminated from
what is left in the same way. log|V| + log|X'V^-1X| is the log-determinant of all steps, and the
Schur complement of the response is the residual sum of squares (Bates, Mächler, Bolker & Walker
2015, J. Stat. Softw. 67(1), in another order of elimination; from memory).
"""

from dataclasses import dataclass

import numpy as np

from .crossproducts import CrossProducts

CANCELS = 1e3  # phi d beyond which the products of classes lose digits
CHUNK_LIMIT = 500_000  # numbers in one batch of core matrices: stays in the cache
ROWS_LIMIT = 60_000  # numbers in one batch of effects, likewise


@dataclass(frozen=True)
class Core:
    """What a batch of m ratio vectors gives; see `Likelihood.batch`.

    Parameters
    ----------
    log_density : (m,) array
        Restricted log likelihood, profiled over the residual variance, up to a constant.
    log_v : (m,) array
        Log-determinant of V.
    residual_ss : (m,) array
        Penalised residual sum of squares.
    factor : (m, c, c) array or None
        Lower Cholesky factor of the scaled core that is left after the eliminations.
    solved : (m, c) array or None
        factor^-1 times the scaled right side.
    """

    log_density: np.ndarray
    log_v: np.ndarray
    residual_ss: np.ndarray
    factor: np.ndarray | None = None
    solved: np.ndarray | None = None


class Likelihood(CrossProducts):
    """Cross-products and the restricted likelihood that follows from them."""

    def __init__(self, terms, Q, e, root_weights):
        super().__init__(terms, Q, e, root_weights)
        self._make_classes()

    def _make_classes(self) -> None:
        """Second levels made up alike are eliminated as one class: see `_many_reduced`.

        With S = (beside, -its sums by group), the sum over a class of S_a' S_b is kept for every
        pair of pieces a, b that occur in it: its weight is the product of theirs.
        """
        self._class_own = None
        if self.second is None or self.core_sums is None:
            return
        makeup = np.column_stack([self.own, self.own_sums.T])
        kinds, place = np.unique(makeup, axis=0, return_inverse=True)
        pieces = np.concatenate([self.beside[None], -self.beside_sums])
        place = place.reshape(-1)
        if len(kinds) * self.c**2 * 3 > 4_000_000 or len(kinds) > 0.3 * len(self.own):
            return
        stack, kept = [], []
        for kind in range(len(kinds)):
            rows = pieces[:, place == kind]
            present = [a for a in range(len(pieces)) if rows[a].any()]
            for i, a in enumerate(present):
                for b in present[i:]:
                    product = rows[a].T @ rows[b]
                    stack.append(product if a == b else product + product.T)
                    kept.append((kind, a, b))
        if len(stack) > 0.5 * len(self.own) or len(stack) * self.c**2 > 4_000_000:
            return
        self._kept = np.array(kept).T
        self._class_products = np.array(stack).reshape(len(stack), -1)
        self._class_size = np.bincount(place)
        self._class_own = kinds

    def deviance(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Profiled restricted deviance without its constant, and its gradient.

        Parameters
        ----------
        theta : (K,) array
            Ratios sigma_k / sigma.

        Returns
        -------
        value : float
            log|V| + log|Q'V^-1Q| + (n - p) log(residual sum of squares).
        gradient : (K,) array
            Derivative by theta.

        Notes
        -----
        The gradient runs backwards through the elimination: with H the scaled core, the
        derivative by the core cross-products is H^-1 + (n-p)/r^2 v v', v = (solution, -1),
        and every ratio enters through them.
        """
        from scipy.linalg.lapack import dpotrf, dpotri

        phi = float(theta[self.first] ** 2) if self.K else 0.0
        own, beside, C = self.reduced(phi)
        value = float(self.log_determinant_first(phi)) if self.K else 0.0
        if self.second is not None:
            phi2 = float(theta[self.second] ** 2)
            grown = 1.0 + phi2 * own
            w2 = phi2 / grown
            halved = beside * np.sqrt(w2)[:, None]
            C = C - halved.T @ halved
            value += float(np.log(grown).sum())
        m, q = self.c - 1, self.q
        s = np.ones(m)
        s[:q] = theta[self.owner]
        H = C[:m, :m] * np.multiply.outer(s, s)
        H.ravel()[: q * (m + 1) : m + 1] += 1.0
        factor, trouble = dpotrf(H, lower=1)
        if trouble:
            raise np.linalg.LinAlgError("the core is not positive definite.")
        value += 2.0 * float(np.log(factor.diagonal()).sum())
        inverse, _ = dpotri(factor, lower=1)  # above its diagonal there is nothing
        adjoint = np.zeros((m + 1, m + 1))
        np.add(inverse, inverse.T, out=adjoint[:m, :m])
        adjoint[np.arange(m), np.arange(m)] = inverse.diagonal()
        h = s * C[:m, m]
        v = adjoint[:m, :m] @ h
        r2 = C[m, m] - h @ v
        value += self.nu * float(np.log(r2))
        gradient = np.zeros(self.K)
        if not self.K:
            return value, gradient
        ends = np.append(v, -1.0)
        adjoint += (self.nu / r2) * np.multiply.outer(ends, ends)
        s_all = np.append(s, 1.0)
        if self.rest:
            pull = 2.0 * ((C[:q] * s_all) * adjoint[:q]).sum(axis=1)
            for k in self.rest:
                gradient[k] = pull[self.place[k]].sum()
        by_core = adjoint
        by_core *= s_all[:, None]
        by_core *= s_all
        by_own, by_beside = own, beside
        if self.second is not None:
            turned = beside @ by_core
            t = (turned * beside).sum(axis=1)
            slope = own / grown - t / grown**2
            gradient[self.second] = 2.0 * theta[self.second] * slope.sum()
            by_own = w2 + t * w2**2
            by_beside = -2.0 * w2[:, None] * turned
        d, count = (self.d, 1.0) if self.core_sums is None else (self.d_group, self.group_size)
        pull = self.pull_on_weights(by_own, by_beside, by_core)
        slope = count * d / (1.0 + phi * d) - pull / (1.0 + phi * d) ** 2
        gradient[self.first] = 2.0 * theta[self.first] * slope.sum()
        return value, gradient

    def batch(self, theta: np.ndarray, *, keep: bool = False) -> Core:
        """Restricted log likelihood at many ratio vectors, up to the same constant.

        Parameters
        ----------
        theta : (m, K) array
            One vector of ratios per row.
        keep : bool
            Whether to keep the factors, for `effects`.

        Returns
        -------
        Core
            `log_density` is minus half of `deviance`.
        """
        width = self.c * (self.c + (len(self.own) if self._class_own is None else 0))
        size = max(1, CHUNK_LIMIT // width)
        parts = [self._batch(theta[at : at + size], keep) for at in range(0, len(theta), size)]
        return Core(
            *[
                np.concatenate(pieces) if pieces[0] is not None else None
                for pieces in zip(*parts, strict=True)
            ]
        )

    def _batch(self, theta, keep):
        count = len(theta)
        log_v = np.zeros(count)
        if self.K:
            log_v = self.log_determinant_first(theta[:, self.first] ** 2)
        C, more = self._many_reduced(theta)
        log_v = log_v + more
        m, q = self.c - 1, self.q
        if q:
            scale = np.ones((count, self.c))
            scale[:, :q] = theta[:, self.owner]
            C *= scale[:, :, None]
            C *= scale[:, None, :]
            C[:, np.arange(q), np.arange(q)] += 1.0
        # With the response as its last row, the factor holds the solution and the residual.
        L = factored(C)
        logs = 2.0 * np.log(np.diagonal(L, axis1=1, axis2=2))
        log_v = log_v + logs[:, :q].sum(axis=1)
        density = -0.5 * (log_v + logs[:, q:m].sum(axis=1) + self.nu * logs[:, m])
        r2 = L[:, m, m] ** 2
        if not keep:
            return density, log_v, r2, None, None
        return density, log_v, r2, L[:, :m, :m], L[:, m, :m]

    def _many_reduced(self, theta):
        """The core (m, c, c) after both eliminations, and log-determinants of the second."""
        count, c = len(theta), self.c
        if self.first is None:
            return np.repeat(self.core[None], count, axis=0), np.zeros(count)
        phi = theta[:, self.first] ** 2
        if self._class_own is not None:
            sound = phi * self.d_group[-1] < CANCELS
            if not sound.any():
                return self._by_level(theta)
            if not sound.all():
                C, more = np.empty((count, c, c)), np.empty(count)
                C[sound], more[sound] = self._by_class(theta[sound])
                C[~sound], more[~sound] = self._by_level(theta[~sound])
                return C, more
            return self._by_class(theta)
        return self._by_level(theta)

    def _by_class(self, theta):
        """`_many_reduced` from the products of classes."""
        c = self.c
        w = self.weights(theta[:, self.first, None] ** 2)
        C = (w @ self.core_sums.reshape(len(self.d_group), -1)).reshape(-1, c, c)
        np.subtract(self.core, C, out=C)
        phi2 = theta[:, self.second, None] ** 2
        ones = np.column_stack([np.ones(len(theta)), w])
        grown = 1.0 + phi2 * (self._class_own[:, 0] - w @ self._class_own[:, 1:].T)
        kind, a, b = self._kept
        weight = (phi2 / grown)[:, kind] * ones[:, a] * ones[:, b]
        C -= (weight @ self._class_products).reshape(-1, c, c)
        return C, np.log(grown) @ self._class_size

    def _by_level(self, theta):
        """`_many_reduced` level by level."""
        c = self.c
        phi = theta[:, self.first] ** 2
        if self.core_sums is None:
            parts = [self.reduced(value) for value in phi]
            own, beside, C = (np.stack(piece) for piece in zip(*parts, strict=True))
        else:
            w = self.weights(phi[:, None])
            C = (w @ self.core_sums.reshape(len(self.d_group), -1)).reshape(-1, c, c)
            np.subtract(self.core, C, out=C)
        if self.second is None:
            return C, np.zeros(len(theta))
        phi2 = theta[:, self.second, None] ** 2
        if self.core_sums is not None:
            own = self.own - w @ self.own_sums
            sums = self.beside_sums.reshape(len(self.d_group), -1)
            beside = (w @ sums).reshape(-1, len(self.own), c)
            np.subtract(self.beside, beside, out=beside)
        grown = 1.0 + phi2 * own
        beside *= np.sqrt(phi2 / grown)[:, :, None]
        C -= beside.transpose(0, 2, 1) @ beside
        return C, np.log(grown).sum(axis=1)

    def core_effects(self, theta, core: Core, where, noise=0.0) -> np.ndarray:
        """Core effects and coefficients (n, q + p) given ratios: their modes, or a draw.

        Parameters
        ----------
        theta : (m, K) array
            The ratios that `core` was made with.
        core : Core
            From `batch` with `keep`.
        where : (n,) int array
            Which of the m each row of the result belongs to; ascending.
        noise : (n, q + p) array or 0
            Standard normal numbers times the residual standard deviation; 0 for the modes.
        """
        from scipy.linalg.lapack import dtrtrs

        v = core.solved[where] + noise
        starts = np.flatnonzero(np.diff(where, prepend=-1))
        for at, end in zip(starts, [*starts[1:], len(where)], strict=True):
            v[at:end] = dtrtrs(core.factor[where[at]].T, v[at:end].T)[0].T
        if self.q:
            v[:, : self.q] *= theta[where][:, self.owner]
        return v

    def effects(self, k: int, theta, v, second=None, sigma=None, rng=None, *, unit: float = 1.0):
        """Effects of one random term given ratios and the core's effects: modes, or draws.

        Parameters
        ----------
        k : int
            Number of the term.
        theta : (n, K) array
        v : (n, q + p) array
            From `core_effects`.
        second : (n, L2) array, optional
            Effects of the term `second`, where there is one and `k` is `first`.
        sigma : (n,) array, optional
            Residual standard deviation of each draw; None for the modes.
        rng : Generator, optional
            For draws.
        unit : float
            What `v`, `second` and `sigma`, and so the effects, are multiplied by.

        Returns
        -------
        (n, levels) array
        """
        if k in self.place:
            return v[:, self.place[k]]
        ends = np.column_stack([-v, np.full(len(v), unit)])
        out = np.empty((len(v), self.sizes[k]))
        size = max(1, ROWS_LIMIT // max(len(self.d), 1))
        for at in range(0, len(v), size):
            part = slice(at, at + size)
            if k == self.second:
                own, gap = self._second_gap(theta[part, self.first, None] ** 2, ends[part])
            else:
                own = self.d if len(self.d_group) > 1 else self.d_group
                gap = ends[part] @ self.side.T
                if second is not None:
                    gap -= self.entry * second[part][:, self.link]
            deviation = None if sigma is None else sigma[part, None]
            _shrink(theta[part, k, None], own, gap, deviation, rng, out[part])
        return out

    def _second_gap(self, phi, ends):
        """Own products (n, L2) of the second levels and what the core leaves over of them."""
        if self.core_sums is not None:
            w = self.weights(phi)
            own = self.own - w @ self.own_sums
            missing = ends @ self.beside.T
            for g in range(len(self.d_group)):
                missing -= w[:, g, None] * (ends @ self.beside_sums[g].T)
            return own, missing
        at, to = self._linked, self.link[self._linked]
        w = self.weights(phi)[:, at] * self.entry[at]
        L2 = len(self.own)
        own = self.own - sum_columns(to, w * self.entry[at], L2)
        return own, ends @ self.beside.T - sum_columns(to, w * (ends @ self.side[at].T), L2)


def factored(stack: np.ndarray) -> np.ndarray:
    """Lower Cholesky factors of a stack (m, c, c), in its place: a copy costs as much again."""
    from scipy.linalg.lapack import dpotrf

    for matrix in stack:
        _, trouble = dpotrf(matrix.T, lower=0, overwrite_a=1)
        if trouble:
            raise np.linalg.LinAlgError("the core is not positive definite.")
    return stack


def sum_columns(codes: np.ndarray, columns: np.ndarray, size: int) -> np.ndarray:
    """Sums (n, size) over the columns (n, k) with equal codes (k,), which are sorted."""
    out = np.zeros((len(columns), size))
    if len(codes):
        starts = np.flatnonzero(np.diff(codes, prepend=-1))
        out[:, codes[starts]] = np.add.reduceat(columns, starts, axis=1)
    return out


def _shrink(ratio, own, gap, sigma, rng, out) -> None:
    """Fill `out` with modes or draws of levels from their ratio, own products and gaps."""
    grown = 1.0 + ratio**2 * own
    if sigma is None:
        np.multiply(ratio**2 / grown, gap, out=out)
        return
    rng.standard_normal(out=out)
    out *= sigma * ratio / np.sqrt(grown)
    gap *= ratio**2 / grown
    out += gap

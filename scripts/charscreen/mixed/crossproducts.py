"""The restricted likelihood of a mixed model from cross-products of levels.

All random terms are independent with one variance each, so with ratios theta_k = sigma_k / sigma
the covariance of the (weighted) response is sigma^2 (I + sum theta_k^2 Z_k Z_k'). Each row
touches at most one level of a term, hence Z_k' Z_k is diagonal: the term with the most levels is
eliminated in closed form and only a small dense core is factorised. Where another term is
nested above it (firings over lots) that one is eliminated level by level as well.
"""

from dataclasses import dataclass

import numpy as np

from .levels import cross_levels, sum_by_level

OUTER_LIMIT = 4_000_000  # numbers kept for outer products by group of equal levels
CHUNK_LIMIT = 500_000  # numbers in one batch of core matrices: stays in the cache


@dataclass
class Core:
    """What a batch of m ratio vectors gives; see `CrossProducts.batch`.

    Parameters
    ----------
    log_density : (m,) array
        Restricted log likelihood, profiled over the residual variance, up to a constant.
    residual_ss : (m,) array
        Penalised residual sum of squares.
    factor : (m, c, c) array or None
        Lower Cholesky factor of the scaled core that is left after the eliminations.
    solved : (m, c) array or None
        factor^-1 times the scaled right side.
    scale : (m, c) array or None
        Ratio of each core level, 1 for a fixed column.
    own : (m, L) array or None
        Cross-product of each level of the second eliminated term with itself.
    beside : (m, L, c + 1) array or None
        Its cross-products with the core, the response last.
    """

    log_density: np.ndarray
    residual_ss: np.ndarray
    factor: np.ndarray | None = None
    solved: np.ndarray | None = None
    scale: np.ndarray | None = None
    own: np.ndarray | None = None
    beside: np.ndarray | None = None


class CrossProducts:
    """Cross-products of random levels, fixed columns and response, and what follows from them.

    Parameters
    ----------
    terms : list of RandomTerm
        K random terms.
    Q : (n, p) array
        Orthonormal basis of the weighted fixed part.
    e : (n,) array
        Weighted response less its least-squares fit, of any size.
    root_weights : (n,) array
        Square roots of the weights.

    Notes
    -----
    Order of the levels inside: first the term with the most levels, then the *core*: the levels
    of the other terms (one that the first is nested in leads), the fixed columns, the response.
    Eliminating the first term leaves core cross-products
    C = A_rr - sum_l phi / (1 + phi d_l) a_l a_l' with phi its squared ratio, d_l the level's own
    cross-product and a_l its row; levels of equal d_l share their sum of a_l a_l', so for
    balanced data an evaluation does not depend on their number.
    Then log|V| + log|X'V^-1X| is the log-determinant of both steps and the Schur complement of the
    response is the residual sum of squares (Bates, Mächler, Bolker & Walker 2015, J. Stat.
    Softw. 67(1), in another order of elimination; from memory).
    """

    def __init__(self, terms, Q, e, root_weights):
        self.n, self.p = Q.shape
        self.nu = self.n - self.p
        self.K = len(terms)
        self.first = max(range(self.K), key=lambda k: len(terms[k].levels)) if terms else None
        self.sizes = [len(term.levels) for term in terms]
        self.rest, self.second = self._order(terms, root_weights)
        self.q_core = sum(self.sizes[k] for k in self.rest)
        self.c = self.q_core + self.p + 1
        self.owner = np.repeat(self.rest, [self.sizes[k] for k in self.rest]).astype(int)
        ends = np.cumsum([0, *[self.sizes[k] for k in self.rest]])
        self.place = {
            k: slice(a, b) for k, a, b in zip(self.rest, ends[:-1], ends[1:], strict=True)
        }
        dense = np.column_stack([Q, e])
        core = np.zeros((self.c, self.c))
        core[self.q_core :, self.q_core :] = dense.T @ dense
        for i, k in enumerate(self.rest):
            for j in self.rest[: i + 1]:
                block = cross_levels(terms[k], terms[j], root_weights)
                core[self.place[k], self.place[j]] = block
                core[self.place[j], self.place[k]] = block.T
            sums = sum_by_level(terms[k], dense, root_weights)
            core[self.place[k], self.q_core :] = sums
            core[self.q_core :, self.place[k]] = sums.T
        self.core = core
        self.d = np.zeros(0)
        self.side = np.zeros((0, self.c))
        if terms:
            head = terms[self.first]
            self.d = cross_levels(head, head, root_weights).diagonal().copy()
            self.side = np.hstack(
                [
                    *[cross_levels(head, terms[k], root_weights) for k in self.rest],
                    sum_by_level(head, dense, root_weights),
                ]
            )
        # Levels with equal d are eliminated with equal weight: keep the sum of their products.
        self.d_group, group = np.unique(self.d, return_inverse=True)
        self.group_size = np.bincount(group, minlength=len(self.d_group))
        self.outer = None
        if len(self.d_group) * self.c**2 <= OUTER_LIMIT:
            self.outer = np.empty((len(self.d_group), self.c, self.c))
            for g in range(len(self.d_group)):
                rows = self.side[group == g]
                self.outer[g] = rows.T @ rows

    def _order(self, terms, root_weights):
        """The terms of the core, and the largest that the first is nested in, which then leads.

        If each level of the first term touches at most one level of another, eliminating the
        first leaves that other's own block diagonal, so it can be eliminated by level too.
        """
        rest = [k for k in range(self.K) if k != self.first]
        for k in sorted(rest, key=lambda k: -self.sizes[k]):
            cross = cross_levels(terms[self.first], terms[k], root_weights)
            if ((cross != 0.0).sum(axis=1) <= 1).all():
                return [k, *[j for j in rest if j != k]], k
        return rest, None

    def reduced(self, phi: float) -> np.ndarray:
        """Core cross-products (c, c) with the first term eliminated at squared ratio `phi`."""
        if self.first is None:
            return self.core.copy()
        if self.outer is not None:
            weight = phi / (1.0 + phi * self.d_group)
            return self.core - np.tensordot(weight, self.outer, axes=1)
        weight = phi / (1.0 + phi * self.d)
        return self.core - self.side.T @ (self.side * weight[:, None])

    def _scale(self, theta: np.ndarray) -> np.ndarray:
        """Multiplier of each core column: its ratio for a level, 1 for a fixed column."""
        return np.concatenate([theta[self.owner], np.ones(self.p)])

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
        from scipy.linalg import cho_solve, cholesky

        phi = float(theta[self.first] ** 2) if self.K else 0.0
        C = self.reduced(phi)
        s = self._scale(theta)
        m = self.c - 1
        H = C[:m, :m] * np.outer(s, s)
        H[np.arange(self.q_core), np.arange(self.q_core)] += 1.0
        L = cholesky(H, lower=True, check_finite=False)
        h = s * C[:m, m]
        v = cho_solve((L, True), h, check_finite=False)
        r2 = C[m, m] - h @ v
        value = (
            self.group_size @ np.log1p(phi * self.d_group)
            + 2.0 * np.log(np.diag(L)).sum()
            + self.nu * np.log(r2)
        )
        adjoint = np.empty((self.c, self.c))
        adjoint[:m, :m] = cho_solve((L, True), np.eye(m), check_finite=False)
        adjoint[m] = adjoint[:, m] = 0.0
        ends = np.append(v, -1.0)
        adjoint += (self.nu / r2) * np.outer(ends, ends)
        gradient = np.zeros(self.K)
        if self.K:
            s_all = np.append(s, 1.0)
            pull = 2.0 * np.einsum("ij,j,ij->i", C[: self.q_core], s_all, adjoint[: self.q_core])
            for k in self.rest:
                gradient[k] = pull[self.place[k]].sum()
            by_core = adjoint * np.outer(s_all, s_all)
            if self.outer is not None:
                by_weight = np.tensordot(self.outer, by_core, axes=2)
                slope = self.group_size * self.d_group / (1.0 + phi * self.d_group)
                slope = slope - by_weight / (1.0 + phi * self.d_group) ** 2
            else:
                by_weight = ((self.side @ by_core) * self.side).sum(axis=1)
                slope = self.d / (1.0 + phi * self.d) - by_weight / (1.0 + phi * self.d) ** 2
            gradient[self.first] = 2.0 * theta[self.first] * slope.sum()
        return float(value), gradient

    @property
    def q_last(self) -> int:
        """Number of levels in the core that `batch` factorises."""
        return self.q_core - (self.sizes[self.second] if self.second is not None else 0)

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
        width = self.q_last + self.p + 1
        size = max(1, CHUNK_LIMIT // (width * (width + self.q_core - self.q_last)))
        parts = [self._batch(theta[at : at + size], keep) for at in range(0, len(theta), size)]
        return Core(
            *[
                np.concatenate(pieces) if pieces[0] is not None else None
                for pieces in zip(*parts, strict=True)
            ]
        )

    def _batch(self, theta, keep):
        count = len(theta)
        ahead = np.zeros(count)
        if self.K:
            phi = theta[:, self.first, None] ** 2
            ahead = np.log1p(phi * self.d_group) @ self.group_size
        own = beside = None
        if self.second is None:
            C = self._core_part(theta, slice(None), slice(None))
        else:
            inner, outer = slice(0, self.sizes[self.second]), slice(self.sizes[self.second], None)
            own = self._core_part(theta, inner, None)
            beside = self._core_part(theta, inner, outer)
            phi = theta[:, self.second, None] ** 2
            weight = phi / (1.0 + phi * own)
            C = self._core_part(theta, outer, outer)
            C -= beside.transpose(0, 2, 1) @ (beside * weight[:, :, None])
            ahead = ahead + np.log1p(phi * own).sum(axis=1)
        m, q = C.shape[1] - 1, self.q_last
        scale = np.ones((count, m))
        scale[:, :q] = theta[:, self.owner[self.q_core - q :]]
        H = C[:, :m, :m] * scale[:, :, None] * scale[:, None, :]
        H[:, np.arange(q), np.arange(q)] += 1.0
        L = np.linalg.cholesky(H)
        solved = solve_lower(L, scale * C[:, :m, m])
        r2 = C[:, m, m] - (solved**2).sum(axis=1)
        logs = np.log(np.diagonal(L, axis1=1, axis2=2)).sum(axis=1)
        density = -0.5 * (ahead + 2.0 * logs + self.nu * np.log(r2))
        if keep:
            return density, r2, L, solved, scale, own, beside
        return density, r2, None, None, None, None, None

    def _core_part(self, theta, rows: slice, columns: slice | None) -> np.ndarray:
        """Core cross-products after the first elimination, per ratio vector; None: the diagonal."""

        def part(stack):
            if columns is None:
                return np.diagonal(stack, axis1=-2, axis2=-1)[..., rows]
            return stack[..., rows, columns]

        base = part(self.core)
        if self.first is None:
            return np.repeat(base[None], len(theta), axis=0)
        phi = theta[:, self.first] ** 2
        if self.outer is not None:
            weight = phi[:, None] / (1.0 + phi[:, None] * self.d_group)
            pieces = np.ascontiguousarray(part(self.outer)).reshape(len(self.d_group), -1)
            return base - (weight @ pieces).reshape(len(theta), *base.shape)
        weight = phi[:, None] / (1.0 + phi[:, None] * self.d)
        if columns is None:
            return base - weight @ self.side[:, rows] ** 2
        left, right = self.side[:, rows], self.side[:, columns]
        return np.stack([base - left.T @ (right * w[:, None]) for w in weight])

    def effects(
        self,
        theta: np.ndarray,
        core: Core,
        where: np.ndarray,
        sigma: np.ndarray | None = None,
        rng: np.random.Generator | None = None,
    ) -> tuple[np.ndarray, dict[int, np.ndarray]]:
        """Coefficients and effects given ratios: their modes, or one draw for each row.

        Parameters
        ----------
        theta : (m, K) array
            The ratios that `core` was made with.
        core : Core
            From `batch` with `keep`.
        where : (n,) int array
            Which of the m each row of the result belongs to.
        sigma : (n,) array, optional
            Residual standard deviation of each draw; None for the modes.
        rng : Generator, optional
            For draws.

        Returns
        -------
        fixed : (n, p) array
            Coefficients in the orthonormal basis.
        random : dict of int to (n, levels) array
            Effects by term.
        """

        def scatter(columns: int) -> np.ndarray | float:
            if sigma is None:
                return 0.0
            return sigma[:, None] * rng.standard_normal((len(where), columns))

        def by_level(k: int, own, gap) -> np.ndarray:
            ratio = theta[where, k, None]
            shrink = 1.0 + ratio**2 * own
            noise = scatter(self.sizes[k])
            return ratio**2 / shrink * gap + ratio / np.sqrt(shrink) * noise

        right = core.solved[where] + scatter(core.solved.shape[1])
        v = core.scale[where] * solve_upper(core.factor[where], right)
        if self.second is not None:
            beside = core.beside[where]
            gap = beside[:, :, -1] - (beside[:, :, :-1] @ v[:, :, None])[:, :, 0]
            v = np.hstack([by_level(self.second, core.own[where], gap), v])
        random = {k: v[:, self.place[k]] for k in self.rest}
        if self.first is not None:
            gap = self.side[:, -1] - v @ self.side[:, :-1].T
            random[self.first] = by_level(self.first, self.d, gap)
        return v[:, self.q_core :], random


def solve_lower(L: np.ndarray, b: np.ndarray) -> np.ndarray:
    """L^-1 b for a stack of lower triangles: (m, c, c) and (m, c) give (m, c)."""
    x = np.empty_like(b)
    for i in range(b.shape[1]):
        x[:, i] = (b[:, i] - np.einsum("mj,mj->m", L[:, i, :i], x[:, :i])) / L[:, i, i]
    return x


def solve_upper(L: np.ndarray, b: np.ndarray) -> np.ndarray:
    """L'^-1 b for a stack of lower triangles: (m, c, c) and (m, c) give (m, c)."""
    x = b.copy()
    for i in range(b.shape[1] - 1, -1, -1):
        x[:, i] /= L[:, i, i]
        x[:, :i] -= L[:, i, :i] * x[:, i, None]
    return x

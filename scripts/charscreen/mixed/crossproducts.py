"""Cross-products of levels, fixed columns and response, arranged for elimination by blocks.

All random terms are independent with one variance each, so with ratios theta_k = sigma_k / sigma
the covariance of the (weighted) response is sigma^2 (I + sum theta_k^2 Z_k Z_k'). Each row
touches at most one level of a term, hence Z_k' Z_k is diagonal: the term with the most levels,
*first*, is eliminated in closed form. If it is nested in another term (lots in firings), that one,
*second*, keeps a diagonal block and is eliminated level by level as well. What is left, the
*core*, holds the levels of the other terms, the fixed columns and the response.
"""

import numpy as np

from .levels import cross_levels, nested_in, own_products, sum_by_level, sum_runs

OUTER_LIMIT = 4_000_000  # numbers kept for sums by group of equal levels
ROUNDING = 1e-16  # what interpolation between groups may be off by
WIDEST = 1e4  # ratio of cross-products over which it would need too many groups


class CrossProducts:
    """Cross-products of random levels, fixed columns and response.

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

    Attributes
    ----------
    first, second : int or None
        Numbers of the eliminated terms.
    rest : list of int
        The terms of the core.
    d : (L1,) array
        Cross-product of each first level with itself.
    link, entry : (L1,) int array, (L1,) array
        The second level that a first level touches (-1 for none), and their cross-product.
    side : (L1, c) array
        Cross-products of the first levels with the core; its last column is the response.
    own, beside, core : (L2,), (L2, c), (c, c) arrays
        Of the second levels with themselves and with the core, and of the core with itself.
    d_group, group_size : (G,) arrays
        From `group_levels`: first levels of equal d share a group, and so a weight
        w = phi / (1 + phi d); the sums of their shares.
    own_sums, beside_sums, core_sums : (G, L2), (G, L2, c), (G, c, c) arrays or None
        Per group, what its weight takes away from `own`, `beside` and `core`.

    Notes
    -----
    With balanced data there is one group, and an evaluation does not depend on the number of
    first levels. Without groups (None) each evaluation sums over them.
    """

    def __init__(self, terms, Q, e, root_weights):
        self.n, self.p = Q.shape
        self.nu = self.n - self.p
        self.K = len(terms)
        self.sizes = [len(term.levels) for term in terms]
        self.first = max(range(self.K), key=lambda k: self.sizes[k]) if terms else None
        self.second, link = self._find_second(terms)
        self.rest = [k for k in range(self.K) if k not in (self.first, self.second)]
        self.q = sum(self.sizes[k] for k in self.rest)
        self.c = self.q + self.p + 1
        self.owner = np.repeat(self.rest, [self.sizes[k] for k in self.rest]).astype(int)
        ends = np.cumsum([0, *[self.sizes[k] for k in self.rest]])
        self.place = {
            k: slice(a, b) for k, a, b in zip(self.rest, ends[:-1], ends[1:], strict=True)
        }
        dense = np.column_stack([Q, e])
        self.core = np.zeros((self.c, self.c))
        self.core[self.q :, self.q :] = dense.T @ dense
        for i, k in enumerate(self.rest):
            for j in self.rest[: i + 1]:
                block = cross_levels(terms[k], terms[j], root_weights)
                self.core[self.place[k], self.place[j]] = block
                self.core[self.place[j], self.place[k]] = block.T
            sums = sum_by_level(terms[k], dense, root_weights)
            self.core[self.place[k], self.q :] = sums
            self.core[self.q :, self.place[k]] = sums.T
        self.d, self.side = self._of_term(terms, self.first, dense, root_weights)
        self.own, self.beside = self._of_term(terms, self.second, dense, root_weights)
        self.link = np.full(len(self.d), -1)
        self.entry = np.zeros(len(self.d))
        if self.second is not None:
            self.link = link
            inner, outer = terms[self.first], terms[self.second]
            used = (inner.codes >= 0) & (outer.codes >= 0)
            products = (inner.values * outer.values * root_weights**2)[used]
            self.entry = np.bincount(inner.codes[used], products, minlength=len(self.d))
        # The linked first levels in the order of their second level.
        order = np.argsort(self.link, kind="stable")
        self._linked = order[self.link[order] >= 0]
        self._make_groups()

    def _find_second(self, terms):
        """The largest term that the first is nested in, and the links; None where there is none."""
        others = [k for k in range(self.K) if k != self.first]
        for k in sorted(others, key=lambda k: -self.sizes[k]):
            link = nested_in(terms[self.first], terms[k])
            if link is not None:
                return k, link
        return None, None

    def _of_term(self, terms, k, dense, root_weights):
        """Cross-products of the levels of a term with themselves and with the core."""
        if k is None:
            return np.zeros(0), np.zeros((0, self.c))
        blocks = [cross_levels(terms[k], terms[j], root_weights) for j in self.rest]
        side = np.hstack([*blocks, sum_by_level(terms[k], dense, root_weights)])
        return own_products(terms[k], root_weights), side

    def _make_groups(self) -> None:
        self.d_group, shares = group_levels(self.d)
        G, L2, c = len(self.d_group), len(self.own), self.c
        self.group_size = shares.sum(axis=1)
        self.own_sums = self.beside_sums = self.core_sums = None
        if G * (L2 + c) * c > OUTER_LIMIT:
            return
        self.own_sums = np.zeros((G, L2))
        self.beside_sums = np.zeros((G, L2, c))
        self.core_sums = np.zeros((G, c, c))
        for g, share in enumerate(shares):
            used = np.flatnonzero(share)
            rows = self.side[used]
            self.core_sums[g] = rows.T @ (rows * share[used, None])
            if L2:
                self.own_sums[g], self.beside_sums[g] = self._linked_sums(share)

    def _linked_sums(self, weight: np.ndarray):
        """Weighted sums over the first levels of each second level, for `own` and `beside`."""
        at = self._linked
        scaled = (weight * self.entry)[at, None]
        own = sum_runs(self.link[at], scaled * self.entry[at, None], len(self.own))[:, 0]
        return own, sum_runs(self.link[at], scaled * self.side[at], len(self.own))

    def weights(self, phi: float | np.ndarray) -> np.ndarray:
        """phi / (1 + phi d) per group of first levels, or per level without groups."""
        d = self.d if self.core_sums is None else self.d_group
        return phi / (1.0 + phi * d)

    def reduced(self, phi: float):
        """`own`, `beside` and `core` with the first term eliminated at squared ratio `phi`."""
        if self.first is None:
            return self.own, self.beside, self.core
        w = self.weights(phi)
        if self.core_sums is None:
            core = self.core - self.side.T @ (self.side * w[:, None])
            if not len(self.own):
                return self.own, self.beside, core
            own, beside = self._linked_sums(w)
            return self.own - own, self.beside - beside, core
        if len(w) == 1:
            return (
                self.own - w[0] * self.own_sums[0],
                self.beside - w[0] * self.beside_sums[0],
                self.core - w[0] * self.core_sums[0],
            )
        return (
            self.own - w @ self.own_sums,
            self.beside - np.tensordot(w, self.beside_sums, axes=1),
            self.core - np.tensordot(w, self.core_sums, axes=1),
        )

    def pull_on_weights(self, own: np.ndarray, beside: np.ndarray, core: np.ndarray) -> np.ndarray:
        """Sum of the pulls on `own`, `beside`, `core` times what each weight takes from them.

        Parameters
        ----------
        own, beside, core : (L2,), (L2, c), (c, c) arrays
            Derivatives of any function by the reduced parts.

        Returns
        -------
        (G,) or (L1,) array
            Minus its derivative by each weight; see `weights`.
        """
        if self.core_sums is None:
            out = ((self.side @ core) * self.side).sum(axis=1)
            at, to = self._linked, self.link[self._linked]
            out[at] += self.entry[at] ** 2 * own[to]
            out[at] += self.entry[at] * (self.side[at] * beside[to]).sum(axis=1)
            return out
        G = len(self.d_group)
        out = self.core_sums.reshape(G, -1) @ core.ravel()
        if len(own):
            out += self.own_sums @ own + self.beside_sums.reshape(G, -1) @ beside.ravel()
        return out

    def log_determinant_first(self, phi: float | np.ndarray) -> np.ndarray:
        """Sum of log(1 + phi d) over the first levels, for one or many squared ratios."""
        return np.log1p(np.multiply.outer(phi, self.d_group)) @ self.group_size


def group_levels(d: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Few cross-products that stand for all, and the share of each level in each of them.

    Parameters
    ----------
    d : (L1,) array
        Cross-product of each level with itself.

    Returns
    -------
    d_group : (G,) array
        Ascending, the least and the greatest `d` included.
    shares : (G, L1) array
        f(d) = f(d_group) @ shares for f(d) = phi / (1 + phi d) and log(1 + phi d), any phi >= 0.

    Notes
    -----
    With few different `d`, as many groups and shares of 0 and 1. With more (rows of unequal
    weight), the shares of Lagrange's interpolation from Chebyshev points in t = log d: the poles
    of f lie at t = -log phi + i pi (2 k + 1), so with h half the range of t the error falls as
    rho^-G, rho = pi / h + sqrt((pi / h)^2 + 1), whatever phi (Trefethen 2013, Approximation Theory
    and Approximation Practice, ch. 5 and 8; from memory).
    """
    kinds, place = np.unique(d, return_inverse=True)
    G = _points_needed(kinds)
    if len(kinds) <= G:
        return kinds, (place.reshape(-1) == np.arange(len(kinds))[:, None]).astype(float)
    t = np.log(kinds)
    middle, half = 0.5 * (t[0] + t[-1]), 0.5 * (t[-1] - t[0])
    points = middle - half * np.cos(np.pi * np.arange(G) / (G - 1))
    pull = (-1.0) ** np.arange(G)
    pull[[0, -1]] *= 0.5
    gap = t - points[:, None]
    hit = np.abs(gap) <= 1e-15 * (1.0 + np.abs(t))
    shares = pull[:, None] / np.where(hit, 1.0, gap)
    shares = np.where(hit.any(axis=0), hit, shares)
    shares /= shares.sum(axis=0)
    d_group = np.exp(points)
    d_group[[0, -1]] = kinds[[0, -1]]
    return d_group, shares[:, place.reshape(-1)]


def _points_needed(kinds: np.ndarray) -> float:
    """Points from which the interpolation is exact; infinite where that would take too many."""
    if len(kinds) < 3 or not 0.0 < kinds[-1] <= WIDEST * kinds[0]:
        return np.inf
    reach = 2.0 * np.pi / np.log(kinds[-1] / kinds[0])
    return int(np.ceil(-np.log(ROUNDING) / np.arcsinh(reach))) + 2

"""Degrees of freedom and adjusted covariance: Satterthwaite and Kenward-Roger.

Everything is computed from G = [Z X]' V^-1 [Z X], a matrix of levels and coefficients; no matrix
of observations is formed. Units: the residual variance is 1 and the fixed part is the orthonormal
basis Q of the fit, until a contrast is turned into that basis.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .fitted import Fitted
from .likelihood import Likelihood

NEAR_TWO = 1e-5  # so close to two degrees of freedom the match is lost in rounding
METHODS = ("kenward_roger", "satterthwaite")


def check_method(method: str) -> None:
    """Raise ValueError unless `method` is one of `METHODS`."""
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}, not '{method}'.")


class Block:
    """Z_i' V^-1 Z_j: full, or diag(own) - left @ right' for a term with itself.

    The second form spares the square of the number of levels of the largest term.
    """

    def __init__(self, full=None, *, own=None, left=None, right=None):
        self.full, self.own, self.left, self.right = full, own, left, right

    def sum_of_squares(self) -> float:
        """Sum of all squared entries."""
        if self.full is not None:
            return float((self.full**2).sum())
        cross = self.own @ (self.left * self.right).sum(axis=1)
        squares = ((self.left.T @ self.left) * (self.right.T @ self.right)).sum()
        return float(self.own @ self.own - 2.0 * cross + squares)

    def trace(self) -> float:
        """Sum of the diagonal."""
        if self.full is not None:
            return float(np.trace(self.full))
        return float(self.own.sum() - (self.left * self.right).sum())

    def between(self, one: np.ndarray, two: np.ndarray) -> np.ndarray:
        """one @ block @ two' of (k, levels) and (l, levels), or the same of vectors."""
        if self.full is not None:
            return one @ self.full @ two.T
        return (one * self.own) @ two.T - (one @ self.left) @ (two @ self.right).T

    def at(self, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """Entries (m,) at pairs of levels."""
        if self.full is not None:
            return self.full[rows, columns]
        same = np.where(rows == columns, self.own[rows], 0.0)
        return same - (self.left[rows] * self.right[columns]).sum(axis=1)


@dataclass(frozen=True)
class Levels:
    """Products through V^-1 at the fitted ratios.

    Parameters
    ----------
    zz : dict of (int, int) to Block
        Z_i' V^-1 Z_j.
    xz : dict of int to (p, levels) array
        Q' V^-1 Z_k.
    xx : (p, p) array
        Q' V^-1 Q.
    zy : dict of int to (levels,) array
        Z_k' V^-1 e.
    xy : (p,) array
        Q' V^-1 e.
    """

    zz: dict
    xz: dict
    xx: np.ndarray
    zy: dict
    xy: np.ndarray


def products_through_v(products: Likelihood, theta: np.ndarray) -> Levels:
    """Cross-products of all levels, coefficients and the response through V^-1.

    Parameters
    ----------
    products : Likelihood
    theta : (K,) array
        Ratios.

    Returns
    -------
    Levels

    Notes
    -----
    The first term is eliminated in closed form, the other levels by a Cholesky factor of their
    own size: G = A1 - A1_z T (I + T C T)^-1 T A1_z' with A1 the cross-products after the first
    step, C their part for the other levels and T their ratios.
    """
    from scipy.linalg import cho_factor, cho_solve

    phi = float(theta[products.first] ** 2) if products.K else 0.0
    own, beside, core = products.reduced(phi)
    L2 = len(own)
    q = L2 + products.q
    C = np.block([[np.diag(own), beside], [beside.T, core]])
    side = np.hstack([np.zeros((len(products.d), L2)), products.side])
    linked = np.flatnonzero(products.link >= 0)
    side[linked, products.link[linked]] = products.entry[linked]
    place = {k: slice(at.start + L2, at.stop + L2) for k, at in products.place.items()}
    t = theta[products.owner]
    if products.second is not None:
        place[products.second] = slice(0, L2)
        t = np.concatenate([np.full(L2, theta[products.second]), t])
    shrink = 1.0 / (1.0 + phi * products.d)
    head = side * shrink[:, None]
    size = len(products.d)
    left = right = np.zeros((size, 0))
    if q:
        H = C[:q, :q] * np.outer(t, t)
        H[np.arange(q), np.arange(q)] += 1.0
        factor = cho_factor(H, lower=True)
        columns = np.vstack([head[:, :q], C[:, :q]]) * t
        solved = cho_solve(factor, columns.T).T
        left, right = solved[:size], columns[:size]
        head = head - left @ columns[size:].T
        C = C - solved[size:] @ columns[size:].T
    zz, xz, zy = {}, {}, {}
    fixed = slice(q, q + products.p)
    for i in place:
        for j in place:
            zz[i, j] = Block(C[place[i], place[j]])
        xz[i] = C[fixed, place[i]]
        zy[i] = C[place[i], -1]
    if products.first is not None:
        i = products.first
        zz[i, i] = Block(own=products.d * shrink, left=left, right=right)
        for j in place:
            zz[i, j] = Block(head[:, place[j]])
            zz[j, i] = Block(head[:, place[j]].T)
        xz[i] = head[:, fixed].T
        zy[i] = head[:, -1]
    return Levels(zz, xz, C[fixed, fixed], zy, C[fixed, -1])


def inference_of(fit: Fitted) -> "Inference":
    """The degrees of freedom of a fit, worked out when first asked for and kept with it."""
    if fit.kept_inference is None:
        fit.kept_inference = Inference(fit)
    return fit.kept_inference


class Inference:
    """Degrees of freedom of a fitted model.

    Parameters
    ----------
    fit : Fitted

    Notes
    -----
    Variance parameters: one per random term, then the residual. With P_i = X'V^-1 V_i V^-1 X and
    Q_ij = X'V^-1 V_i V^-1 V_j V^-1 X, a contrast c has variance v = c' F c, F = (X'V^-1X)^-1, with
    slope c' F P_i F c by parameter i. What belongs to the residual, V_0 = I, follows from
    sum of psi_i V_i = V.

    References
    ----------
    Kenward & Roger (1997). Small sample inference for fixed effects from restricted maximum
    likelihood. Biometrics 53(3), 983-997 (from memory). Satterthwaite (1946). An approximate
    distribution of estimates of variance components. Biometrics Bulletin 2(6), 110-114 (from
    memory).
    """

    def __init__(self, fit: Fitted):
        self._products = fit._products
        self._theta = fit._theta
        self._phi = fit._theta**2
        self._sigma2 = fit._sigma2
        self._R = fit._R
        self._unit = fit._unit
        self._levels = products_through_v(fit._products, fit._theta)
        self.F = np.linalg.inv(self._levels.xx)
        self.F = 0.5 * (self.F + self.F.T)

    def to_basis(self, contrasts: np.ndarray) -> np.ndarray:
        """Contrasts (l, p) of the coefficients as contrasts in the orthonormal basis."""
        return np.linalg.solve(self._R.T, np.atleast_2d(contrasts).T).T

    @cached_property
    def P(self) -> np.ndarray:
        """(K + 1, p, p): X'V^-1 V_i V^-1 X."""
        g, K = self._levels, self._products.K
        out = [g.xz[k] @ g.xz[k].T for k in range(K)]
        out.append(g.xx - sum((f * m for f, m in zip(self._phi, out, strict=True)), 0.0))
        return np.array(out)

    @cached_property
    def Q(self) -> np.ndarray:
        """(K + 1, K + 1, p, p): X'V^-1 V_i V^-1 V_j V^-1 X."""
        g, K = self._levels, self._products.K
        p = self._products.p
        out = np.zeros((K + 1, K + 1, p, p))
        for i in range(K):
            for j in range(i + 1):
                out[i, j] = g.zz[i, j].between(g.xz[i], g.xz[j])
                out[j, i] = out[i, j].T
        for j in range(K):
            out[K, j] = self.P[j] - np.tensordot(self._phi, out[:K, j], axes=1)
            out[j, K] = out[K, j].T
        out[K, K] = self.P[K] - np.tensordot(self._phi, out[:K, K], axes=1)
        return out

    @cached_property
    def expected(self) -> np.ndarray:
        """(K + 1, K + 1): tr(P V_i P V_j), twice the expected information."""
        g, K = self._levels, self._products.K
        whole = np.zeros((K + 1, K + 1))
        for i in range(K):
            for j in range(K):
                whole[i, j] = g.zz[i, j].sum_of_squares()
        trace = np.array([g.zz[k, k].trace() for k in range(K)])
        whole[K, :K] = whole[:K, K] = trace - self._phi @ whole[:K, :K]
        of_v = self._products.n - self._phi @ trace
        whole[K, K] = of_v - self._phi @ whole[:K, K]
        FP = self.F @ self.P
        first = np.tensordot(self.Q, self.F.T, axes=2)
        return whole - 2.0 * first + self._traces(FP)

    @staticmethod
    def _traces(stack: np.ndarray) -> np.ndarray:
        """tr(A_i A_j) for a stack (k, p, p)."""
        flat = stack.reshape(len(stack), -1)
        return flat @ stack.transpose(0, 2, 1).reshape(len(stack), -1).T

    @cached_property
    def variance_cov(self) -> np.ndarray:
        """(K + 1, K + 1): covariance of the variance estimates from the expected information."""
        return 2.0 * np.linalg.pinv(self.expected, rcond=1e-12, hermitian=True)

    @cached_property
    def _observed_cov(self) -> np.ndarray:
        """Covariance of the variance estimates from the observed information.

        A variance estimated as zero is held at zero: its row and column are zero.
        """
        g, K, products = self._levels, self._products.K, self._products
        coefficients = self.F @ g.xy
        # Z'Pe and Z'PZ with P the projection through V^-1 beside the fixed part.
        pe = {k: g.zy[k] - g.xz[k].T @ coefficients for k in range(K)}
        quadratic = np.zeros((K + 1, K + 1))
        for i in range(K):
            for j in range(K):
                beside = (g.xz[i] @ pe[i]) @ self.F @ (g.xz[j] @ pe[j])
                quadratic[i, j] = g.zz[i, j].between(pe[i], pe[j]) - beside
        own = np.array([pe[k] @ pe[k] for k in range(K)])
        quadratic[K, :K] = quadratic[:K, K] = own - self._phi @ quadratic[:K, :K]
        # e'Pe is n - p in units of the estimated residual variance.
        scale = self._sigma2 / self._unit**2
        residual = products.nu * scale - self._phi @ own
        quadratic[K, K] = residual - self._phi @ quadratic[:K, K]
        hessian = -self.expected + 2.0 * quadratic / scale
        free = np.append(self._theta > 0, True)
        out = np.zeros_like(hessian)
        out[np.ix_(free, free)] = 2.0 * np.linalg.inv(hessian[np.ix_(free, free)])
        return out

    @cached_property
    def adjusted(self) -> np.ndarray:
        """(p, p): Kenward and Roger's covariance in the basis, residual variance 1."""
        W = self.variance_cov
        FP = self.F @ self.P
        middle = np.tensordot(W, self.Q, axes=2)
        middle -= (self.P @ np.tensordot(W, FP, axes=1)).sum(axis=0)
        out = self.F + 2.0 * self.F @ middle @ self.F
        return 0.5 * (out + out.T)

    def covariance(self, method: str) -> np.ndarray:
        """(p, p): covariance of the coefficients for tests by `method`, in data units."""
        check_method(method)
        inner = self.adjusted if method == "kenward_roger" else self.F
        back = np.linalg.inv(self._R)
        return self._sigma2 * back @ inner @ back.T

    def gradients(self, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Variances (l,) of contrasts in the basis and their slopes (l, K + 1)."""
        FL = basis @ self.F
        variance = (FL * basis).sum(axis=1)
        slopes = ((FL @ self.P) * FL).sum(axis=2).T
        return variance, slopes

    def df_single(self, contrasts: np.ndarray, method: str) -> np.ndarray:
        """Degrees of freedom of single contrasts.

        Parameters
        ----------
        contrasts : (l, p) array
        method : {"kenward_roger", "satterthwaite"}

        Returns
        -------
        (l,) array
            nan for a contrast of zeros.

        Notes
        -----
        2 v^2 / (g' A g), g the slopes of v by the variances. A is their covariance from the
        expected information for Kenward and Roger's method (what it comes to for one
        contrast), from the observed one for Satterthwaite's.
        """
        check_method(method)
        basis = self.to_basis(contrasts)
        variance, slopes = self.gradients(basis)
        A = self.variance_cov if method == "kenward_roger" else self._observed_cov
        spread = np.einsum("li,ij,lj->l", slopes, A, slopes)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(variance > 0, 2.0 * variance**2 / spread, np.nan)

    def f_test(self, contrasts: np.ndarray, beta: np.ndarray, method: str):
        """F, numerator and denominator degrees of freedom of contrasts (l, p) that are all zero.

        `contrasts` must have full row rank.
        """
        check_method(method)
        basis = self.to_basis(contrasts)
        estimate = np.atleast_2d(contrasts) @ beta
        rows = len(basis)
        if method == "satterthwaite":
            return self._f_satterthwaite(basis, estimate, rows)
        return self._f_kenward_roger(basis, estimate, rows)

    def _f_satterthwaite(self, basis, estimate, rows):
        roots, axes = np.linalg.eigh(basis @ self.F @ basis.T)
        turned = axes.T @ basis
        variance, slopes = self.gradients(turned)
        F = float(((axes.T @ estimate) ** 2 / (self._sigma2 * roots)).sum() / rows)
        df = 2.0 * variance**2 / np.einsum("li,ij,lj->l", slopes, self._observed_cov, slopes)
        return F, rows, pooled_df(df)

    def _f_kenward_roger(self, basis, estimate, rows):
        LFL = basis @ self.F @ basis.T
        theta = basis.T @ np.linalg.solve(LFL, basis)
        W = self.variance_cov
        inner = theta @ self.F @ self.P @ self.F
        traces = np.trace(inner, axis1=1, axis2=2)
        A1 = float(traces @ W @ traces)
        A2 = float((W * self._traces(inner)).sum())
        q = rows
        adjusted = self._sigma2 * basis @ self.adjusted @ basis.T
        wald = float(estimate @ np.linalg.solve(adjusted, estimate)) / q
        if q == 1 or A2 <= 0.0:
            return wald, q, 2.0 / A2 if A2 > 0.0 else float("inf")
        with np.errstate(divide="ignore", invalid="ignore"):
            scale, df = _match_f(np.float64(A1), np.float64(A2), q)
        if not (df > 2.0 + NEAR_TWO and scale > 0.0):
            # So little information has no F with the wanted variance: unscaled, and with the
            # degrees of freedom that balanced data have and the match tends to near 2.
            return wald, q, 2.0 * q / A2
        return scale * wald, q, df


def _match_f(A1: float, A2: float, q: int) -> tuple[float, float]:
    """Scale and denominator df whose F has Kenward and Roger's approximate mean and variance."""
    B = (A1 + 6.0 * A2) / (2.0 * q)
    g = ((q + 1.0) * A1 - (q + 4.0) * A2) / ((q + 2.0) * A2)
    base = 3.0 * q + 2.0 * (1.0 - g)
    c1, c2, c3 = g / base, (q - g) / base, (q + 2.0 - g) / base
    mean = 1.0 / (1.0 - A2 / q)
    spread = 2.0 / q * (1.0 + c1 * B) / ((1.0 - c2 * B) ** 2 * (1.0 - c3 * B))
    df = 4.0 + (q + 2.0) / (q * spread / (2.0 * mean**2) - 1.0)
    return df / (mean * (df - 2.0)), df


def pooled_df(df: np.ndarray) -> float:
    """Denominator df of an F made of independent squared t with these df, by its mean."""
    if np.ptp(df) < 1e-6 * df.mean():
        return float(df.mean())
    if (df <= 2.0).any():
        return 2.0
    total = float((df / (df - 2.0)).sum())
    return 2.0 * total / (total - len(df))

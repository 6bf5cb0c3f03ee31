"""A fitted mixed model: its estimates, and what further questions to it are answered from."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from .fixed_part import FixedPart
from .likelihood import Likelihood
from .optimise import find_optimum
from .random_term import RandomTerm


class Fitted:
    """Estimates of a linear mixed model at its optimum; see `charscreen.mixed.fit.MixedFit`.

    Attributes
    ----------
    formula : str
    response_name : str
    random : list of str
        The random terms that were fitted.
    n_observations : int
    fixed_effects : Series, (p,)
        Estimates, indexed by column name.
    fixed_effects_cov : DataFrame, (p, p)
        Their covariance at the estimated variances, not adjusted.
    variance_components : Series
        One variance per random term in the order given, ``residual`` last.
    reml_deviance : float
        Minus twice the restricted log likelihood.
    random_effects : dict of str to Series
        Conditional modes by random term, indexed by level.
    fitted_values, residuals : Series, (n,)
        Conditional on the random effects; indexed as the data.
    converged : bool
    singular : bool
        A variance is estimated as zero.
    flags : list of str
        What was dropped and why, zero variances, trouble in the search.
    centres, scales : dict of str to float
        Of the covariate of each random slope, by name of the random term.
    """

    def __init__(
        self,
        *,
        formula: str,
        data: pd.DataFrame,
        fixed: FixedPart,
        terms: list[RandomTerm],
        weights: np.ndarray,
        start: Mapping[str, float] | None,
        flags: list[str],
    ):
        self.formula = formula
        self.kept_inference = None  # see `charscreen.mixed.inference.inference_of`
        self.response_name = fixed.response_name
        self.random = [term.name for term in terms]
        self.n_observations = len(fixed.y)
        self.centres = {term.name: term.centre for term in terms if term.covariate}
        self.scales = {term.name: term.scale for term in terms if term.covariate}
        self._fixed = fixed
        self._terms = terms
        self._weights = weights
        root = np.sqrt(weights)
        Q, self._R = fixed.basis
        weighted_y = (fixed.y - fixed.centre) * root
        self._nu = Q.shape[0] - Q.shape[1]
        left_over = weighted_y - Q @ (Q.T @ weighted_y)
        left_over -= Q @ (Q.T @ left_over)
        self._ols = np.linalg.solve(self._R, Q.T @ weighted_y)
        if fixed.centre:
            self._ols[fixed.names.index("Intercept")] += fixed.centre
        self._unit = float(np.sqrt(left_over @ left_over / self._nu))
        self._products = Likelihood(terms, Q, left_over / self._unit, root)
        optimum = find_optimum(self._products, self.random, start)
        self._theta = optimum.theta
        self.converged = optimum.converged
        self.singular = bool((optimum.theta == 0.0).any())
        self.flags = [*flags, *optimum.flags]
        for k in np.flatnonzero(optimum.theta == 0.0):
            self.flags.append(
                f"the variance of '{self.random[k]}' is estimated as zero: these data show no more "
                "scatter between its levels than within them, which does not prove there is none"
            )
        self._solve(data.index, weights, optimum.value)

    def _solve(self, index: pd.Index, weights: np.ndarray, value: float) -> None:
        """Estimates at the optimum from one factorisation of the core."""
        products, fixed = self._products, self._fixed
        at = self._theta[None, :]
        core = products.batch(at, keep=True)
        v = products.core_effects(at, core, np.zeros(1, dtype=int))
        second = None if products.second is None else products.effects(products.second, at, v)
        gamma = v[:, products.q :]
        nu, unit = self._nu, self._unit
        sigma2 = float(core.residual_ss[0]) / nu
        self._sigma2 = sigma2 * unit**2
        beta = self._ols + unit * np.linalg.solve(self._R, gamma[0])
        names = fixed.names
        self.fixed_effects = pd.Series(beta, index=names, name="estimate")
        corner = core.factor[0][products.q :, products.q :]
        half = np.linalg.solve(corner, np.linalg.inv(self._R).T)
        self.fixed_effects_cov = pd.DataFrame(
            self._sigma2 * (half.T @ half), index=names, columns=names
        )
        self.variance_components = pd.Series(
            [*(self._theta**2 * self._sigma2), self._sigma2],
            index=[*self.random, "residual"],
            name="variance",
        )
        self.reml_deviance = float(
            value
            + 2.0 * nu * np.log(unit)
            + nu * (1.0 + np.log(2.0 * np.pi / nu))
            + 2.0 * np.log(np.abs(np.diag(self._R))).sum()
            - np.log(weights).sum()
        )
        self.random_effects = {}
        fitted = fixed.X @ beta
        for k, term in enumerate(self._terms):
            effects = unit * products.effects(k, at, v, second)[0]
            self.random_effects[term.name] = pd.Series(effects, index=term.levels, name="effect")
            used = term.codes >= 0
            fitted[used] += effects[term.codes[used]] * term.values[used]
        self.fitted_values = pd.Series(fitted, index=index, name="fitted")
        self.residuals = pd.Series(fixed.y - fitted, index=index, name="residual")

    @property
    def ratios(self) -> dict[str, float]:
        """sigma_k / sigma by random term."""
        return dict(zip(self.random, map(float, self._theta), strict=True))

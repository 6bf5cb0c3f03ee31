"""Fitting a linear mixed model, and the object that answers for the fit."""

from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from . import means
from .deletion import Deletion
from .errors import MixedModelError
from .fitted import Fitted
from .fixed_part import read_fixed
from .inference import Inference, inference_of
from .optimise import least_ml_deviance
from .posterior import Posterior, draw_posterior
from .predict import predict as predict_rows
from .random_part import drop_unidentified, read_random

PERFECT = 1e-12  # share of the response's sum of squares below which nothing is left over


class MixedFit(Fitted):
    """A fitted linear mixed model; made by `fit_mixed`. Attributes as in `Fitted`."""

    @property
    def inference(self) -> Inference:
        """Degrees of freedom and adjusted covariance, computed when first asked for."""
        return inference_of(self)

    @cached_property
    def deletion(self) -> Deletion:
        """Leverage, and what leaving rows out would change, computed when first asked for."""
        return Deletion(self)

    @cached_property
    def ml_deviance(self) -> float:
        """Minus twice the greatest log likelihood (not restricted), to compare fixed parts.

        Notes
        -----
        Minimised over the ratios from those of the restricted fit; restricted likelihoods of
        models with different fixed parts must not be compared.
        """
        n = self.n_observations
        least = least_ml_deviance(self._products, self._theta)
        constant = n * (1.0 + np.log(2.0 * np.pi / n)) + 2.0 * n * np.log(self._unit)
        return float(least + constant - np.log(self._weights).sum())

    @cached_property
    def fixed_effects_cov_kr(self) -> pd.DataFrame:
        """Covariance of the fixed effects with Kenward and Roger's adjustment, (p, p)."""
        names = self._fixed.names
        return pd.DataFrame(self.inference.covariance("kenward_roger"), index=names, columns=names)

    def df(self, contrast: Sequence[float], method: str = "kenward_roger") -> float:
        """Denominator degrees of freedom of a contrast of the fixed effects.

        Parameters
        ----------
        contrast : (p,) or (l, p) array, or Series indexed by coefficient
            One contrast for a t test, or l independent ones for a joint F test.
        method : {"kenward_roger", "satterthwaite"}

        Returns
        -------
        float
        """
        names = self._fixed.names
        if isinstance(contrast, pd.Series):
            unknown = [name for name in contrast.index if name not in names]
            if unknown:
                raise ValueError(f"no coefficient {', '.join(map(str, unknown))}.")
            contrast = contrast.reindex(names, fill_value=0.0)
        rows = np.atleast_2d(np.asarray(contrast, dtype=float))
        if rows.shape[1] != len(names):
            raise ValueError(f"a contrast needs {len(names)} numbers, not {rows.shape[1]}.")
        if len(rows) == 1:
            return float(self.inference.df_single(rows, method)[0])
        if np.linalg.matrix_rank(rows) < len(rows):
            raise ValueError("the rows of a joint contrast must be independent and finite.")
        return self.inference.f_test(rows, self.fixed_effects.to_numpy(), method)[2]

    def test_terms(self, method: str = "kenward_roger") -> pd.DataFrame:
        """F test of each term of the fixed part; see `charscreen.mixed.means.test_terms`."""
        return means.test_terms(self, method)

    def estimated_means(
        self,
        factors: str | Sequence[str],
        method: str = "kenward_roger",
        *,
        at: dict[str, float] | None = None,
        coverage: float = 0.95,
    ) -> pd.DataFrame:
        """Means per level of factors; see `charscreen.mixed.means.estimated_means`."""
        return means.estimated_means(self, factors, method, at=at, coverage=coverage)

    def compare(
        self,
        factors: str | Sequence[str],
        adjust: str = "tukey",
        method: str = "kenward_roger",
        *,
        at: dict[str, float] | None = None,
    ) -> pd.DataFrame:
        """All pairs of estimated means; see `charscreen.mixed.means.compare`."""
        return means.compare(self, factors, adjust, method, at=at)

    def predict(
        self, new: pd.DataFrame, level: str = "population", *, coverage: float = 0.95
    ) -> pd.DataFrame:
        """Predictions with intervals; see `charscreen.mixed.predict.predict`."""
        return predict_rows(self, new, level, coverage=coverage)

    def posterior(self, n: int, seed: int, prior_scale: float = 1.0) -> Posterior:
        """Draws of effects and variances with the uncertainty of the variances included.

        Parameters
        ----------
        n : int
            Number of draws.
        seed : int
            The same seed gives the same draws.
        prior_scale : float
            Scale of the half-t prior on each ratio sigma_k / sigma; 1 is weak: it lets a level
            scatter several times as much as the residual or not at all.

        Returns
        -------
        Posterior
            See there for the method.
        """
        return draw_posterior(self, n, seed=seed, prior_scale=prior_scale)


def fit_mixed(
    formula: str,
    data: pd.DataFrame,
    random: Sequence[str] = (),
    weights: str | Sequence[float] | None = None,
    *,
    start: Mapping[str, float] | None = None,
) -> MixedFit:
    """Fit a linear mixed model by restricted maximum likelihood.

    Parameters
    ----------
    formula : str
        Fixed part, for example ``log_F ~ feedstock * temperature`` (formulaic, treatment
        contrasts).
    data : DataFrame
        One row per observation, n rows, no missing value in the response or the fixed part.
    random : sequence of str
        Random terms: ``"firing"``, ``"firing:run"`` (crossed columns), or
        ``"feedstock|peak_temperature_C"`` (a slope independent of its intercept, its covariate
        centred and scaled over the rows). All are independent. A missing value in a grouping
        column is no level: the row stays and that term contributes nothing to it.
    weights : str or (n,) sequence, optional
        Known relative weights: the residual variance of a row is ``residual / weight``. A string
        names a column.
    start : mapping of str to float, optional
        Ratios sigma_k / sigma by random term where the search may start, for example `ratios` of
        a fit to nearly the same rows; saves the search over several starts.

    Returns
    -------
    MixedFit
        Terms that the data cannot support are left out and named in `flags`.

    Raises
    ------
    MixedModelError
        The formula or a column cannot be used, a value is missing, the response does not vary,
        or fewer observations than coefficients.

    Notes
    -----
    y = X b + sum Z_k u_k + e with u_k ~ N(0, sigma_k^2 I), e ~ N(0, sigma^2 / w). The deviance,
    profiled over b and sigma^2, is minimised over the ratios sigma_k / sigma.

    References
    ----------
    Bates, Mächler, Bolker & Walker (2015). Fitting linear mixed-effects models using lme4.
    Journal of Statistical Software 67(1), doi:10.18637/jss.v067.i01 (from memory).
    """
    if isinstance(random, str):
        random = [random]
    if not isinstance(data, pd.DataFrame):
        raise MixedModelError(f"data must be a pandas DataFrame, not {type(data).__name__}.")
    if len(data) == 0:
        raise MixedModelError("there are no rows to fit.")
    weight = _read_weights(weights, data)
    fixed = read_fixed(formula, data, weight)
    n, p = fixed.X.shape
    if n <= p:
        raise MixedModelError(
            f"{n} observations cannot carry {p} coefficients and a scatter. Use a smaller formula."
        )
    root = np.sqrt(weight)
    weighted = (fixed.y - fixed.centre) * root
    Q, _ = fixed.basis
    left_over = weighted - Q @ (Q.T @ weighted)
    centred = (fixed.y - np.average(fixed.y, weights=weight)) * root
    if left_over @ left_over <= PERFECT * (centred @ centred):
        raise MixedModelError(
            f"the fixed part describes {fixed.response_name} without any remainder, so there is "
            "no scatter to judge it by. Use a smaller formula or measure replicates."
        )
    terms, flags = read_random(random, data)
    terms, more = drop_unidentified(terms, root, Q)
    return MixedFit(
        formula=formula,
        data=data,
        fixed=fixed,
        terms=terms,
        weights=weight,
        start=start,
        flags=[*fixed.flags, *flags, *more],
    )


def _read_weights(weights, data: pd.DataFrame) -> np.ndarray:
    if weights is None:
        return np.ones(len(data))
    if isinstance(weights, str):
        if weights not in data:
            raise MixedModelError(f"no column {weights} for the weights.")
        weights = data[weights]
    values = pd.to_numeric(pd.Series(np.asarray(weights)), errors="coerce").to_numpy(float)
    if values.shape != (len(data),):
        raise MixedModelError(f"{values.size} weights for {len(data)} rows.")
    bad = np.flatnonzero(~(np.isfinite(values) & (values > 0)))
    if bad.size:
        raise MixedModelError(
            f"weights must be positive numbers; {bad.size} are not, first at position {bad[0]}."
        )
    return values

"""Posterior draws of a mixed model by quasi-random importance sampling over the ratios."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .fitted import Fitted
from .likelihood import Likelihood
from .ratios import ENOUGH, effective_size, sample_ratios, tail_shape

DRAW_CHUNK = 1_000_000  # numbers in one batch of factors: stays in the cache


class EffectDraws(Mapping):
    """Draws of the effects of each random term, made when first asked for.

    Most of the numbers of a posterior are effects of single lots, which few questions need. Each
    term has random numbers of its own, so what is asked for first does not matter.
    """

    def __init__(self, fit: Fitted, theta, core_effects, sigma, rng: np.random.Generator):
        self._products, self._unit = fit._products, fit._unit
        self._levels = {term.name: term.levels for term in fit._terms}
        self._given = theta, core_effects * fit._unit
        self._sigma = sigma * fit._unit
        # The fastest of the sound generators: most of the time goes into normal numbers.
        seeds = rng.integers(2**63, size=len(self._levels))
        self._rngs = [np.random.Generator(np.random.SFC64(int(seed))) for seed in seeds]
        self._raw: dict[int, np.ndarray] = {}
        self._made: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._made:
            levels = self._levels[name]
            values = self._draw(list(self._levels).index(name))
            self._made[name] = pd.DataFrame(values, columns=levels, copy=False)
        return self._made[name]

    def __contains__(self, name: object) -> bool:
        return name in self._levels

    def __iter__(self) -> Iterator[str]:
        return iter(self._levels)

    def __len__(self) -> int:
        return len(self._levels)

    def _draw(self, k: int) -> np.ndarray:
        """Effects (n, levels) of term k."""
        products = self._products
        if k not in self._raw:
            second = None
            if k == products.first and products.second is not None:
                second = self._draw(products.second)
            self._raw[k] = products.effects(
                k, *self._given, second, self._sigma, self._rngs[k], unit=self._unit
            )
        return self._raw[k]


@dataclass(frozen=True)
class Posterior:
    """Draws from the posterior of a mixed model.

    Attributes
    ----------
    fixed : DataFrame, (n, p)
        Fixed coefficients.
    random : mapping of str to DataFrame, (n, levels)
        Effects of the levels of each random term, drawn when a term is first asked for.
    variance : DataFrame, (n, K + 1)
        Variances of the random terms, ``residual`` last.
    pareto_k : float
        Shape of the tail of the importance weights; above 0.7 the draws are not to be trusted.
    effective_size : float
        Effective number of points behind the ratios, at least 1000 if all is well; nan where
        there is no random term, since the draws are then exact.
    flags : list of str
    """

    fixed: pd.DataFrame
    random: Mapping[str, pd.DataFrame]
    variance: pd.DataFrame
    pareto_k: float
    effective_size: float
    flags: list[str]


def draw_posterior(fit: Fitted, n: int, *, seed: int, prior_scale: float = 1.0) -> Posterior:
    """Draws of coefficients, random effects and variances given the data.

    Parameters
    ----------
    fit : Fitted
    n : int
        Number of draws.
    seed : int
    prior_scale : float
        Scale of the half-t prior (3 degrees of freedom) on each ratio sigma_k / sigma.

    Returns
    -------
    Posterior

    Raises
    ------
    ValueError
        `n` is no positive whole number, or `prior_scale` is not positive.

    Notes
    -----
    Prior: flat on the coefficients, 1 / sigma^2 on the residual variance, and on each ratio
    theta_k a half-t with 3 degrees of freedom. Given the ratios everything else is exact:
    sigma^2 = S / chi^2 with n - p degrees of freedom, S the residual sum of squares of the
    penalised fit, and effects and coefficients jointly normal. So only the ratios are sampled, by
    quasi-random importance sampling (`sample_ratios`) from the restricted likelihood profiled
    over sigma^2 times the prior; the weighted points are resampled systematically.

    References
    ----------
    Vehtari, Simpson, Gelman, Yao & Gabry (2024). Pareto smoothed importance sampling. Journal of
    Machine Learning Research 25(72) (from memory): the diagnostic k. Zhang & Stephens (2009).
    Technometrics 51(3), 316-325 (from memory): its estimate.
    """
    if n < 1 or n != int(n) or not prior_scale > 0:
        raise ValueError("draws (a whole number) and prior scale must be positive.")
    n = int(n)
    products = fit._products
    rng = np.random.default_rng(seed)
    flags: list[str] = []
    if products.K:
        points, weights = sample_ratios(products, fit._theta, prior_scale, rng)
        effective, pareto_k = effective_size(weights), tail_shape(weights)
        if effective < ENOUGH:
            flags.append(
                f"the draws of the variances rest on {effective:.0f} effective points, fewer than "
                f"{ENOUGH:.0f}: probabilities are coarse"
            )
        if pareto_k > 0.7:
            flags.append(
                f"the importance weights have a heavy tail (Pareto k {pareto_k:.2f}, above 0.7): "
                "the draws may miss part of the posterior"
            )
        ladder = (np.arange(n) + rng.random()) / n
        chosen = np.searchsorted(np.cumsum(weights), ladder).clip(max=len(weights) - 1)
        theta = points[chosen]
    else:
        effective, pareto_k = float("nan"), float("nan")
        theta, chosen = np.zeros((n, 0)), np.zeros(n, dtype=int)
    order = rng.permutation(n)
    core_effects, sigma2 = draw_core(products, theta, chosen, order, rng)
    shuffled = np.empty_like(theta)
    shuffled[order] = theta
    unit = fit._unit
    beta = fit._ols + unit * np.linalg.solve(fit._R, core_effects[:, products.q :].T).T
    variance = np.column_stack([shuffled**2, np.ones(n)]) * (sigma2 * unit**2)[:, None]
    return Posterior(
        fixed=pd.DataFrame(beta, columns=fit._fixed.names),
        random=EffectDraws(fit, shuffled, core_effects, np.sqrt(sigma2), rng),
        variance=pd.DataFrame(variance, columns=[*fit.random, "residual"]),
        pareto_k=pareto_k,
        effective_size=effective,
        flags=flags,
    )


def draw_core(
    products: Likelihood,
    theta: np.ndarray,
    chosen: np.ndarray,
    place: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Draws of residual variance, coefficients and the effects in the core, given ratios.

    Parameters
    ----------
    products : Likelihood
    theta : (n, K) array
        Ratios of each draw.
    chosen : (n,) int array
        Sorted; draws with the same number have the same ratios and share a factorisation.
    place : (n,) int array
        Row of the result that each draw goes to.
    rng : Generator

    Returns
    -------
    core_effects : (n, q + p) array
        Effects of the levels in the core, then coefficients in the orthonormal basis.
    sigma2 : (n,) array
        Residual variance.
    """
    n = len(theta)
    core_effects = np.empty((n, products.q + products.p))
    sigma2 = np.empty(n)
    chunk = max(1, DRAW_CHUNK // products.c**2)
    for at in range(0, n, chunk):
        part = slice(at, min(n, at + chunk))
        own, where = np.unique(chosen[part], return_inverse=True)
        at_own = theta[at + np.searchsorted(chosen[part], own)]
        core = products.batch(at_own, keep=True)
        s2 = core.residual_ss[where] / rng.chisquare(products.nu, size=len(where))
        noise = rng.standard_normal((len(where), core_effects.shape[1])) * np.sqrt(s2)[:, None]
        rows = place[part]
        sigma2[rows] = s2
        core_effects[rows] = products.core_effects(at_own, core, where, noise)
    return core_effects, sigma2

"""Posterior draws of a mixed model by quasi-random importance sampling over the ratios."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .likelihood import Likelihood
from .ratios import ENOUGH, effective_size, sample_ratios, tail_shape

if TYPE_CHECKING:
    from .fit import MixedFit

DRAW_CHUNK = 1_000_000  # numbers in one batch of factors: stays in the cache


@dataclass(frozen=True)
class Posterior:
    """Draws from the posterior of a mixed model.

    Attributes
    ----------
    fixed : DataFrame, (n, p)
        Fixed coefficients.
    random : dict of str to DataFrame, (n, levels)
        Effects of the levels of each random term.
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
    random: dict[str, pd.DataFrame]
    variance: pd.DataFrame
    pareto_k: float
    effective_size: float
    flags: list[str]


def draw_posterior(fit: "MixedFit", n: int, *, seed: int, prior_scale: float = 1.0) -> Posterior:
    """Draws of coefficients, random effects and variances given the data.

    Parameters
    ----------
    fit : MixedFit
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
        `n` or `prior_scale` is not positive.

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
    if n < 1 or not prior_scale > 0:
        raise ValueError("draws and prior scale must be positive.")
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
    fixed, random, sigma2 = draw_effects(products, theta, chosen, order, rng)
    unit = fit._unit
    beta = fit._ols + unit * np.linalg.solve(fit._R, fixed.T).T
    sigma2 *= unit**2
    shuffled = np.empty_like(theta)
    shuffled[order] = theta
    variance = np.column_stack([shuffled**2 * sigma2[:, None], sigma2])
    return Posterior(
        fixed=pd.DataFrame(beta, columns=fit._fixed.names),
        random={
            term.name: pd.DataFrame(_scaled(random[k], unit), columns=term.levels, copy=False)
            for k, term in enumerate(fit._terms)
        },
        variance=pd.DataFrame(variance, columns=[*fit.random, "residual"]),
        pareto_k=pareto_k,
        effective_size=effective,
        flags=flags,
    )


def _scaled(values: np.ndarray, unit: float) -> np.ndarray:
    values *= unit
    return values


def draw_effects(
    products: Likelihood,
    theta: np.ndarray,
    chosen: np.ndarray,
    place: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, dict[int, np.ndarray], np.ndarray]:
    """Draws of coefficients, effects and residual variance given ratios.

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
    fixed : (n, p) array
        Coefficients in the orthonormal basis.
    random : dict of int to (n, levels) array
    sigma2 : (n,) array
        Residual variance.
    """
    n = len(theta)
    core_effects = np.empty((n, products.q + products.p))
    ratios = np.empty_like(theta)
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
        ratios[rows] = theta[part]
        core_effects[rows] = products.core_effects(at_own, core, where, noise)
    random = products.level_effects(ratios, core_effects, np.sqrt(sigma2), rng)
    return core_effects[:, products.q :], random, sigma2

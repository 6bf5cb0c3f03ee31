"""How much a plan tells of its effects, against a bound that no plan can pass."""

from dataclasses import dataclass
from itertools import combinations_with_replacement, islice
from math import comb

import numpy as np
import pandas as pd

from charscreen.quality.comparisons import fixed_view_matrix
from charscreen.quality.matrices import CELL, FIRING, LOT
from charscreen.quality.planned import Planned, feedstock_columns
from charscreen.quality.power import Precision
from charscreen.quality.scatter import Scatter

MOST_DESIGNS = 20_000
_ROUNDS, _FEW_ROUNDS, _LARGE_GRID = 60, 5, 3_000
_FIRING_COLUMNS = ["peak_temperature_C", "hold_min"]
_LOT_COLUMNS = [
    *("feedstock", "activation", "koh_ratio", "activation_temperature_C", "activation_hold_min"),
]


@dataclass(frozen=True)
class Efficiency:
    """How a plan compares with the best there can be.

    Parameters
    ----------
    d_efficiency : float or None
        |X'V⁻¹X|^(1/p) over its bound.
    d_efficiency_exhaustive : float or None
        The same over the best of all plans; None where there are too many to try.
    designs_tried : int
        Plans tried for it.
    i_variance_mean : float or None
        Mean variance of a prediction over all feedstocks and conditions, log scale.
    """

    d_efficiency: float | None
    d_efficiency_exhaustive: float | None
    designs_tried: int
    i_variance_mean: float | None


def judge_efficiency(planned: Planned, scatter: Scatter, precision: Precision | None) -> Efficiency:
    """Efficiency of a plan for its effects with feedstock fixed.

    Parameters
    ----------
    planned : Planned
    scatter : Scatter
    precision : Precision or None
        From `charscreen.quality.comparisons.plan_precision`; without one nothing is told.

    Notes
    -----
    The bound: with W the columns of the firings (intercept among them), S those of the lots,
    s² the variance of a lot's mean, |X'V⁻¹X| = |W'V⁻¹W| |S'(V⁻¹ - ...)S| is at most
    |Σ m_f w_f w_f'| |S'(I - P_W)S| / s^(2 dim S), m_f = k_f/(s² + k_f v_firing), since V is at
    least s²I; each factor is at most that of the best continuous design over the grid of this
    plan's conditions and kinds of lot (multiplicative algorithm of Silvey, Titterington & Torsney
    1978, from memory; what it still lacks is added by the equivalence theorem). A balanced
    orthogonal plan reaches the bound; elsewhere it cannot always be reached.
    """
    if precision is None:
        return Efficiency(None, None, 0, None)
    grid = _grid(planned)
    X = fixed_view_matrix(planned, grid, feedstock_columns(planned, grid))
    variance = np.einsum("ij,jk,ik->i", X, precision.covariance, X)
    p = X.shape[1]
    here = -np.linalg.slogdet(precision.covariance)[1]
    bound = _log_bound(planned, scatter, X)
    best, tried = _exhaustive(planned, scatter)
    against = None if best is None else float(np.exp((here - best) / p))
    return Efficiency(float(np.exp((here - bound) / p)), against, tried, float(variance.mean()))


def _lot_variance(planned: Planned, scatter: Scatter) -> float:
    return scatter.variance(LOT) + scatter.variance(CELL) / planned.cells_per_lot


def _grid(planned: Planned) -> pd.DataFrame:
    """Every condition of the plan's grid with every kind of lot it holds."""
    lots = planned.lots
    conditions = pd.DataFrame({"_": [0]})
    for name in _FIRING_COLUMNS:
        conditions = conditions.merge(pd.DataFrame({name: sorted(set(lots[name]))}), how="cross")
    kinds = lots[_LOT_COLUMNS].drop_duplicates().sort_values(_LOT_COLUMNS, ignore_index=True)
    return conditions.drop(columns="_").merge(kinds, how="cross")


def _firing_terms(planned: Planned) -> list[bool]:
    """Whether each column of the fixed part belongs to the firing, the intercept first."""
    kinds = planned.covariates
    return [True] + [
        all(kinds[factor]["level"] == "firing" for factor in term["factors"])
        for term in planned.terms.chosen
    ]


def _log_bound(planned: Planned, scatter: Scatter, grid: np.ndarray) -> float:
    """Logarithm of the bound on the determinant of the information."""
    of_firing = np.zeros(grid.shape[1], dtype=bool)
    of_firing[: len(planned.terms.chosen) + 1] = _firing_terms(planned)
    W, S = grid[:, of_firing], grid[:, ~of_firing]
    variance = _lot_variance(planned, scatter)
    sizes = planned.lots.groupby("firing").size().to_numpy(float)
    weight = (sizes / (variance + sizes * scatter.variance(FIRING))).sum()
    whole = W.shape[1] * np.log(weight) + _best_log_det(np.unique(W, axis=0), 0)
    if not S.shape[1]:
        return whole
    per_lot = S.shape[1] * np.log(sizes.sum() / variance)
    return whole + per_lot + _best_log_det(np.hstack([W, S]), W.shape[1])


def _best_log_det(points: np.ndarray, nuisance: int) -> float:
    """Upper bound on log|M| - log|M₁₁| over all weights on points, M₁₁ the nuisance columns."""
    n, p = points.shape
    wanted = p - nuisance
    weights = np.full(n, 1.0 / n)
    bound = np.inf
    for _ in range(_ROUNDS if n <= _LARGE_GRID else _FEW_ROUNDS):
        M = points.T @ (weights[:, None] * points)
        pull = np.einsum("ij,ij->i", points @ np.linalg.pinv(M), points)
        value = np.linalg.slogdet(M)[1]
        if nuisance:
            corner = M[:nuisance, :nuisance]
            first = points[:, :nuisance]
            pull -= np.einsum("ij,ij->i", first @ np.linalg.pinv(corner), first)
            value -= np.linalg.slogdet(corner)[1]
        lacking = pull.max() - wanted
        bound = min(bound, value + lacking)
        if lacking < 1e-9:
            break
        weights = weights * np.maximum(pull, 0.0) / wanted
        weights /= weights.sum()
    return float(bound)


def _exhaustive(planned: Planned, scatter: Scatter) -> tuple[float | None, int]:
    """Best log determinant of all plans with these firings, and how many were tried.

    Firings hold equally many lots of any kinds of the grid; only without activation, since what
    an activation firing holds would have to be chosen as well.
    """
    lots = planned.lots
    sizes = lots.groupby("firing").size()
    k, firings = int(sizes.iloc[0]), len(sizes)
    if sizes.nunique() > 1 or lots["activation_firing"].notna().any():
        return None, 0
    kinds = lots["feedstock"].nunique()
    n_conditions = int(np.prod([lots[name].nunique() for name in _FIRING_COLUMNS]))
    contents = n_conditions * comb(kinds + k - 1, k)
    total = comb(contents + firings - 1, firings)
    if total > MOST_DESIGNS:
        return None, 0
    grid = _grid(planned)
    X = fixed_view_matrix(planned, grid, feedstock_columns(planned, grid))
    inverse = np.linalg.inv(
        scatter.variance(FIRING) * np.ones((k, k)) + _lot_variance(planned, scatter) * np.eye(k)
    )
    one_firing = []
    for start in range(0, len(grid), kinds):
        for lots_in in combinations_with_replacement(range(start, start + kinds), k):
            rows = X[list(lots_in)]
            one_firing.append(rows.T @ inverse @ rows)
    return _best_of(np.array(one_firing), firings), total


def _best_of(parts: np.ndarray, firings: int) -> float | None:
    """Largest log determinant of the sums of so many parts, each any number of times."""
    best = -np.inf
    chosen = combinations_with_replacement(range(len(parts)), firings)
    while picks := list(islice(chosen, 2_000)):
        sign, value = np.linalg.slogdet(parts[np.array(picks)].sum(axis=1))
        best = max(best, float(np.where(sign > 0, value, -np.inf).max()))
    return best if np.isfinite(best) else None

"""The chance of finding the best: many screens of one plan, drawn, analysed and chosen from."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.quality.matrices import (
    ACTIVATION_FIRING,
    CELL,
    FIRING,
    LOT,
    gain_matrix,
    truth_matrix,
)
from charscreen.quality.planned import Planned, can_be_chosen
from charscreen.quality.scatter import Scatter

SIMULATIONS = 10_000
_TIE = 1e-9


@dataclass(frozen=True)
class Chances:
    """What came of many drawn screens.

    Parameters
    ----------
    best, within, best_feedstock : float
        Share of screens in which the choice was the best candidate, within δ of it, of the
        feedstock of the best.
    loss : float
        Mean of what the choice lies below the best, as a fraction of the best.
    simulations : int
        Screens drawn.
    """

    best: float
    within: float
    best_feedstock: float
    loss: float
    loss_se: float
    simulations: int

    def se(self, share: float) -> float:
        """Standard error of a share from the finite number of screens."""
        return float(np.sqrt(share * (1.0 - share) / self.simulations))


def chances_of_finding(
    whole: Planned,
    candidates: pd.DataFrame,
    scatter: Scatter,
    *,
    delta_percent: float,
    rng: np.random.Generator,
    part: Planned | None = None,
    simulations: int = SIMULATIONS,
    truth: Mapping[str, np.ndarray] | None = None,
    measured_only: bool = True,
) -> Chances:
    """How often a plan finds the best, or one within δ, under stated scatter.

    Parameters
    ----------
    whole : Planned
        Analysis of the whole plan, which says what may be true.
    candidates : DataFrame
        From `charscreen.quality.planned.candidates_of`: what is to be chosen between.
    scatter : Scatter
        How truth and data are drawn; the analysis takes it as known.
    delta_percent : float
        δ: how far below the best a choice may lie. [%]
    rng : numpy.random.Generator
    part : Planned, optional
        Analysis of what is really measured, where that is another number of firings.
    simulations : int
        Screens to draw.
    truth : mapping, optional
        ``candidates`` (n_candidates,) and ``lots`` (n_lots,): one fixed truth in place of drawn
        ones, log scale.
    measured_only : bool
        Choose only conditions with a lot of their own; see `planned.can_be_chosen`.

    Returns
    -------
    Chances

    Notes
    -----
    True effects of conditions, feedstocks, their slopes and gains are drawn from the stated
    spreads; the mean of each lot is its truth plus effects of its firing, activation firing, lot
    and the mean of its cells, all normal on the log scale; the choice is the candidate with the
    highest prediction of the pooled analysis. A candidate that this part of the plan does not
    measure cannot be chosen, but may be the best.
    """
    part = whole if part is None else part
    ranked = can_be_chosen(part, candidates, measured_only=measured_only)
    if not ranked.any():
        return Chances(0.0, 0.0, 0.0, np.nan, np.nan, simulations)
    if truth is None:
        size = truth_matrix(whole, scatter, candidates)
        drawn = rng.standard_normal((simulations, size.shape[1]))
        true = drawn @ size.T
        lots = drawn @ truth_matrix(whole, scatter, part.lots).T
    else:
        true = np.broadcast_to(truth["candidates"], (simulations, len(candidates)))
        lots = np.broadcast_to(truth["lots"], (simulations, len(part.lots)))
    data = lots + draw_scatter(part, scatter, rng, simulations)
    chosen = np.flatnonzero(ranked)
    predicted = data @ gain_matrix(part, scatter, candidates[ranked]).T
    pick = chosen[predicted.argmax(axis=1)]
    return _count(true, pick, candidates["feedstock"], delta_percent)


def draw_scatter(
    part: Planned, scatter: Scatter, rng: np.random.Generator, simulations: int
) -> np.ndarray:
    """Scatter of the means of lots, (simulations, n_lots), log scale."""
    lots = part.lots
    out = rng.standard_normal((simulations, len(lots))) * scatter.sd(CELL)
    out /= np.sqrt(part.cells_per_lot)
    for key, column in ((FIRING, "firing"), (ACTIVATION_FIRING, "activation_firing"), (LOT, "lot")):
        codes, labels = pd.factorize(lots[column])
        if len(labels):
            effects = rng.standard_normal((simulations, len(labels))) * scatter.sd(key)
            out += np.where(codes >= 0, effects[:, codes], 0.0)
    return out


def _count(
    true: np.ndarray, pick: np.ndarray, feedstocks: pd.Series, delta_percent: float
) -> Chances:
    n = len(true)
    best = true.argmax(axis=1)
    below = true[np.arange(n), best] - true[np.arange(n), pick]
    loss = -np.expm1(-below)
    of = pd.factorize(feedstocks)[0]
    return Chances(
        best=float(np.mean(below <= _TIE)),
        within=float(np.mean(below <= -np.log1p(-delta_percent / 100.0) + _TIE)),
        best_feedstock=float(np.mean(of[best] == of[pick])),
        loss=float(loss.mean()),
        loss_se=float(loss.std(ddof=1) / np.sqrt(n)) if n > 1 else float("nan"),
        simulations=n,
    )

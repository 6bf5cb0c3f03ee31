"""The same effort split otherwise between firings, lots and cells."""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from charscreen.quality.planned import Planned, activated_rows, plan_analysis
from charscreen.quality.probability import chances_of_finding
from charscreen.quality.scatter import Scatter
from charscreen.rank.candidates import CONDITION

COLUMNS = (
    *("firings", "activation_firings", "lots_per_firing", "lots", "cells_per_lot", "cells"),
    *("effort_percent", "p_best", "p_best_se", "p_within_delta", "p_within_delta_se"),
    *("loss_percent", "like_the_plan"),
)
CELLS = (1, 2, 4)
LAYOUTS = 2
PER_LAYOUT = 1_500
_FIRING = ["peak_temperature_C", "hold_min"]
_KIND = [name for name in CONDITION if name not in _FIRING]


def split_effort(
    whole: Planned,
    scatter: Scatter,
    *,
    costs: Mapping[str, float],
    crucibles: int,
    delta_percent: float,
    seed: int,
    progress: Callable[[str], None] = lambda text: None,
) -> pd.DataFrame:
    """What the effort of a plan gives when it goes into more firings, lots or cells.

    Parameters
    ----------
    whole : Planned
        Analysis of the plan.
    scatter : Scatter
    costs : mapping
        ``firing``, ``lot``, ``cell``: effort of one more of each, in any one unit.
    crucibles : int
        Lots one firing can take.
    delta_percent : float
        δ. [%]
    seed : int
        Of layouts and screens.
    progress : callable
        Told what is being done.

    Returns
    -------
    DataFrame
        `COLUMNS`, by lots per firing and cells per lot; ``effort_percent`` of that of the plan.

    Notes
    -----
    For each split as many firings as the effort allows, with conditions and kinds of lot of the
    plan dealt round them at random, so a little worse than a plan that was laid out. The choice is
    between all feedstocks at all conditions of the plan's grid, measured or predicted, so that
    splits with few lots are not barred from most of them; hence these chances compare with each
    other, not with those of the plan.
    """
    deal = _Deal(whole)
    effort = _effort(whole, deal, costs, crucibles)
    rows = []
    for per_firing in _lots_per_firing(crucibles, deal.per_firing):
        progress(f"{per_firing} lots per firing")
        for cells in sorted({*CELLS, whole.cells_per_lot}):
            firings = deal.firings_for(effort, per_firing, cells, costs, crucibles)
            if firings < 1 or firings * per_firing < len(deal.feedstocks):
                continue
            rng = np.random.default_rng([seed, per_firing, cells])
            found = []
            for _ in range(LAYOUTS):
                lots = deal.lay_out(firings, per_firing, crucibles, rng)
                found.append(
                    chances_of_finding(
                        whole,
                        deal.candidates,
                        scatter,
                        delta_percent=delta_percent,
                        rng=rng,
                        part=plan_analysis(lots, cells_per_lot=cells),
                        simulations=PER_LAYOUT,
                        measured_only=False,
                    )
                )
            used = deal.effort(firings, per_firing, cells, costs, crucibles)
            rows.append(
                {
                    "firings": firings,
                    "activation_firings": deal.activation_firings(firings, per_firing, crucibles),
                    "lots_per_firing": per_firing,
                    "lots": firings * per_firing,
                    "cells_per_lot": cells,
                    "cells": firings * per_firing * cells,
                    "effort_percent": 100.0 * used / effort,
                    **_mean("p_best", [chances.best for chances in found]),
                    **_mean("p_within_delta", [chances.within for chances in found]),
                    "loss_percent": 100.0 * float(np.mean([chances.loss for chances in found])),
                    "like_the_plan": "yes"
                    if (per_firing, cells) == (deal.per_firing, whole.cells_per_lot)
                    else "no",
                }
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))


class _Deal:
    """Kinds of lot and conditions of a plan, ready to be dealt round any number of firings."""

    def __init__(self, whole: Planned):
        lots = whole.lots
        self.kinds = _sorted_rows(lots, _KIND)
        self.conditions = _sorted_rows(lots, _FIRING)
        self.feedstocks = sorted(set(lots["feedstock"]))
        self.activated_share = float(activated_rows(self.kinds).mean())
        self.per_firing = round(len(lots) / lots["firing"].nunique())
        grid = self.kinds.merge(self.conditions, how="cross")
        # As the ranking's own table; every one counts as measured.
        self.candidates = grid.assign(n_lots=1, n_cells=1, candidate=np.arange(len(grid)))

    def activation_firings(self, firings: int, per_firing: int, crucibles: int) -> int:
        activated = round(self.activated_share * firings * per_firing)
        return -(-activated // crucibles)

    def effort(self, firings, per_firing, cells, costs, crucibles) -> float:
        """Effort of a split, in the unit of `costs`."""
        fired = firings + self.activation_firings(firings, per_firing, crucibles)
        lots = firings * per_firing
        return fired * costs["firing"] + lots * (costs["lot"] + cells * costs["cell"])

    def firings_for(self, effort: float, per_firing, cells, costs, crucibles) -> int:
        """Most char firings that an effort allows."""
        firings = 0
        while self.effort(firings + 1, per_firing, cells, costs, crucibles) <= effort * (1 + 1e-9):
            firings += 1
        return firings

    def lay_out(
        self, firings: int, per_firing: int, crucibles: int, rng: np.random.Generator
    ) -> pd.DataFrame:
        """Lots in the form of `charscreen.quality.planned.lots_of`."""
        n = firings * per_firing
        kinds = self.kinds.iloc[_rounds(len(self.kinds), n, rng)].reset_index(drop=True)
        where = _rounds(len(self.conditions), firings, rng)
        conditions = self.conditions.iloc[np.repeat(where, per_firing)].reset_index(drop=True)
        lots = pd.concat([kinds, conditions], axis=1)
        names = [f"R{i:04d}" for i in range(n)]
        lots["id"] = lots["aliquot"] = lots["lot"] = names
        lots["firing"] = [f"F{i // per_firing:04d}" for i in range(n)]
        activated = np.flatnonzero(activated_rows(lots))
        second = np.full(n, None, dtype=object)
        # Any order, so that activation firings cross char firings.
        second[rng.permutation(activated)] = [
            f"A{i // crucibles:04d}" for i in range(len(activated))
        ]
        lots["activation_firing"] = pd.Series(second, dtype=object)
        lots["assembly_batch"] = lots["feed_batch"] = None
        return lots


def _sorted_rows(lots: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    return lots[columns].drop_duplicates().sort_values(columns, ignore_index=True)


def _rounds(n: int, places: int, rng: np.random.Generator) -> np.ndarray:
    """Numbers below n for so many places: each once before any comes again, in random order."""
    rounds = -(-places // n)
    return np.concatenate([rng.permutation(n) for _ in range(rounds)])[:places]


def _effort(whole: Planned, deal: _Deal, costs: Mapping[str, float], crucibles: int) -> float:
    """Effort of the plan itself."""
    lots = whole.lots
    fired = lots["firing"].nunique() + lots["activation_firing"].dropna().nunique()
    return fired * costs["firing"] + len(lots) * (
        costs["lot"] + whole.cells_per_lot * costs["cell"]
    )


def _lots_per_firing(crucibles: int, planned: int) -> list[int]:
    """Up to five numbers of lots per firing, one and the plan's own among them."""
    most = max(crucibles, planned)
    steps = np.unique(np.round(np.geomspace(1, most, 4)).astype(int))
    return sorted({*steps.tolist(), planned})


def _mean(name: str, shares: list[float]) -> dict[str, float]:
    values = np.array(shares)
    p = float(values.mean())
    within = p * (1 - p) / (PER_LAYOUT * len(values))
    between = float(values.var(ddof=1)) / len(values) if len(values) > 1 else 0.0
    return {name: p, f"{name}_se": float(np.sqrt(max(within, between)))}

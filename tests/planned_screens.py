"""Screens drawn from a plan under stated scatter, with known truth, taken through fit and rank."""

from contextlib import contextmanager
from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
import pandas as pd
from capacitance_model import fit_capacitance_model
from charscreen.models import fit
from charscreen.models.fixed_view import FixedView
from charscreen.models.tables import empty_table
from charscreen.quality.matrices import CELL, truth_matrix
from charscreen.quality.planned import Planned, candidates_of, lots_of, plan_analysis
from charscreen.quality.probability import draw_scatter
from charscreen.quality.scatter import Scatter
from charscreen.rank.ranking import rank_candidates

MERIT = "electrode_F_per_g"
TYPICAL_F_PER_G = 120.0


@dataclass(frozen=True)
class PlannedScreens:
    """Draws screens of one plan."""

    design: pd.DataFrame
    whole: Planned
    candidates: pd.DataFrame
    scatter: Scatter

    def draw(self, seed: int) -> tuple[pd.DataFrame, np.ndarray]:
        """Cells as collect gives them, and the true value of every candidate. [F/g]"""
        rng = np.random.default_rng(seed)
        size = truth_matrix(self.whole, self.scatter, self.candidates)
        drawn = rng.standard_normal(size.shape[1])
        true = TYPICAL_F_PER_G * np.exp(size @ drawn)
        lots = self.whole.lots
        without_cells = self.scatter.times(CELL, 0.0)
        log_f = truth_matrix(self.whole, self.scatter, lots) @ drawn
        log_f = log_f + draw_scatter(self.whole, without_cells, rng, 1)[0]
        rows = []
        for lot, value in zip(lots.to_dict("records"), log_f, strict=True):
            for k in range(self.whole.cells_per_lot):
                noise = rng.normal(0.0, self.scatter.sd(CELL))
                farads = TYPICAL_F_PER_G * float(np.exp(value + noise))
                row = {"cell": f"{lot['id']}-{k + 1}", "run": lot["id"], MERIT: farads}
                names = ("lot", "feedstock", "firing", "activation", "activation_firing")
                numbers = ("koh_ratio", "peak_temperature_C", "hold_min")
                rows.append(row | {name: lot[name] for name in (*names, *numbers)})
        return pd.DataFrame(rows), true

    def rank(self, seed: int, *, draws: int = 1000) -> dict:
        """Truth and choice of one drawn screen: loss as a fraction, and the chance claimed."""
        cells, true = self.draw(seed)
        settings = {"draws": draws, "prior_scale": 1.0, "seed": seed}
        done = pd.DataFrame({"firing": []})
        fitted = fit_capacitance_model(cells, self.design, done, settings=settings)
        _, summary, *_ = rank_candidates(
            self.candidates,
            {"capacitance": fitted.model},
            {"capacitance": fitted.draws},
            merits=[MERIT],
            seed=seed,
        )
        found = summary["merits"][MERIT]
        place = self.candidates["candidate"].tolist().index(found["best"])
        return {"loss": 1.0 - true[place] / true.max(), "claimed": found["p_best"]}


@contextmanager
def only_what_ranks():
    """Fits without checks, alternatives, budget and the view for tests: no ranking asks for them.

    They take nine tenths of the time of a fit; `rank` gives the same with and without.
    """
    nothing = FixedView(empty_table("effects"), empty_table("means"), {"dropped": [], "flags": []})
    with (
        patch.object(fit, "fixed_view", lambda *_, **__: nothing),
        patch.object(fit, "compare_alternatives", lambda *_, **__: empty_table("alternatives")),
        patch.object(fit, "alternative_flag", lambda _: []),
        patch.object(fit, "_add_budget", lambda *_: None),
    ):
        yield


def screens_of(design: pd.DataFrame, scatter: Scatter, *, cells_per_lot: int) -> PlannedScreens:
    """Screens of a plan's design."""
    lots = lots_of(design)
    whole = plan_analysis(lots, cells_per_lot=cells_per_lot)
    return PlannedScreens(design, whole, candidates_of(design), scatter)

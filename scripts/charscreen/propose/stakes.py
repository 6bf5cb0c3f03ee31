"""What is at stake in the final choice, put together from the results of fit and rank."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.propose.knowledge import model_rows
from charscreen.propose.search import Stakes
from charscreen.rank.facts import Facts
from charscreen.rank.merits import MeritSource


def make_stakes(
    merit: str,
    *,
    candidates: pd.DataFrame,
    ranked: pd.DataFrame,
    models: Mapping[str, dict],
    draws: Mapping[str, pd.DataFrame],
    residuals: Mapping[str, pd.DataFrame],
    cells: pd.DataFrame,
    yields: pd.DataFrame,
    design: pd.DataFrame,
    firings: pd.DataFrame,
    facts: Facts,
) -> Stakes | None:
    """What is chosen between by a merit, or None where no candidate is ranked by it.

    Parameters
    ----------
    merit : str
        Name of the merit.
    candidates : DataFrame
        All candidates of the ranking.
    ranked : DataFrame
        Draws behind the ranking, a column ``<merit>|<candidate>`` for each that is ranked.
    models, draws, residuals : mapping
        Records, posterior draws and residuals of the models that the ranking uses.
    cells, yields, design, firings : DataFrame
        What was collected, and the design.
    facts : Facts
        What merits are made with beside measurements.
    """
    start = f"{merit}|"
    names = [column.removeprefix(start) for column in ranked if column.startswith(start)]
    if not names:
        return None
    rows = candidates.set_index("candidate", drop=False).loc[names].reset_index(drop=True)
    fitted = {name: model for name, model in models.items() if model.get("fitted")}
    own_draws = {name: draws[name] for name in fitted}
    at_mean = {name: table.mean().to_frame().T for name, table in own_draws.items()}

    at_one = MeritSource(rows, models, at_mean, seed=0, facts=facts)

    def merit_of(single: Mapping[str, pd.DataFrame]) -> np.ndarray:
        return np.asarray(at_one.fed({**at_mean, **single}).quantity(merit).values[0])

    drawn = MeritSource(rows, models, own_draws, seed=0, facts=facts).draws_of(merit)
    return Stakes(
        merit=merit,
        unit=drawn.unit,
        candidates=rows.assign(basis=drawn.basis),
        values=ranked[[start + name for name in names]].to_numpy(float),
        sign=1.0 if drawn.better == "more" else -1.0,
        merit_of=merit_of,
        models=fitted,
        draws=own_draws,
        rows={
            name: model_rows(
                fitted[name],
                residuals[name],
                cells=cells,
                yields=yields,
                design=design,
                firings=firings,
            )
            for name in fitted
            if name in drawn.models
        },
    )

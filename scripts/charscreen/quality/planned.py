"""A plan as the models will see it: its lots, the terms they support, what can be chosen."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.models.covariates import (
    covariate_columns,
    is_activated,
    make_covariates,
    term_columns,
)
from charscreen.models.left_out import factors_left_out, give_room, smaller_side
from charscreen.models.levels import Levels, choose_levels
from charscreen.models.observations import observation_rows
from charscreen.models.performance import CAPACITANCE
from charscreen.models.tables import not_covered
from charscreen.models.terms import Terms, choose_terms
from charscreen.rank.candidates import CONDITION, list_candidates
from charscreen.rank.one_level import keep_one_level
from charscreen.rank.reasons import WHAT

_NO_FIRINGS = pd.DataFrame({"firing": pd.Series(dtype=object)})


@dataclass(frozen=True)
class Planned:
    """A plan with the analysis it will get.

    Parameters
    ----------
    lots : DataFrame
        One row per lot that is analysed, as `charscreen.models.observations` gives them.
    covariates : dict
        Of the models, with the centres of this plan.
    terms : Terms
        Fixed terms the models will hold beside feedstock, and which they drop and why.
    levels : Levels
        Random levels of the models, and which they drop and why.
    cells_per_lot : int
        Cells made from each lot.
    record : dict
        What the models would note of themselves for predicting.
    """

    lots: pd.DataFrame
    covariates: dict
    terms: Terms
    levels: Levels
    cells_per_lot: int
    record: dict


def lots_of(design: pd.DataFrame) -> pd.DataFrame:
    """The lots of a plan in the form in which the models take them, each measured once.

    Parameters
    ----------
    design : DataFrame
        Design table: run, feedstock, firing, peak_temperature_C, hold_min; parent, activation,
        koh_ratio and the columns of the activation firing where given.
    """
    table = design.reset_index(drop=True)
    parent = table["parent"] if "parent" in table else pd.Series(None, index=table.index)
    table = table.assign(lot=parent.where(parent.notna() & (parent != ""), table["run"]), value=1.0)
    return observation_rows(table, design, _NO_FIRINGS, value="value", identity="run")


def plan_analysis(lots: pd.DataFrame, *, cells_per_lot: int) -> Planned:
    """The analysis that lots will get, chosen as the models choose it.

    Parameters
    ----------
    lots : DataFrame
        From `lots_of`, or some of its rows.
    cells_per_lot : int
        Cells made from each.

    Notes
    -----
    Follows `charscreen.models.fit.fit_model`: where activation cannot have a term, the side with
    fewer lots leaves. What is known of the feeds (ash, lignin) is not counted on.
    """
    lots = lots.reset_index(drop=True)
    made = make_covariates(lots)
    covariates = {name: made[name] for name in made if name in CAPACITANCE.covariates}
    terms = choose_terms(lots, covariates)
    n_feedstocks = lots["feedstock"].nunique()
    give_room(terms, covariates, len(lots) - n_feedstocks - len(terms.chosen))
    left_out = factors_left_out(lots, covariates, terms)
    leave = smaller_side(lots, left_out)
    if leave is not None:
        return plan_analysis(lots[~leave], cells_per_lot=cells_per_lot)
    cells = lots.loc[np.repeat(np.arange(len(lots)), cells_per_lot)].reset_index(drop=True)
    levels = choose_levels(cells, terms, unit="cell")
    record = {
        "fitted": True,
        "covariates": covariates,
        "terms": terms.chosen,
        "feedstocks": sorted(set(lots["feedstock"])),
        "activations": sorted(set(lots["activation"])),
        **left_out,
    }
    return Planned(lots, covariates, terms, levels, cells_per_lot, record)


def candidates_of(design: pd.DataFrame) -> pd.DataFrame:
    """What the plan lets one choose between: each feedstock at each of its conditions.

    The same table as the ranking's own, as if every lot had been measured.

    Parameters
    ----------
    design : DataFrame
        Design table.
    """
    design = design.reset_index(drop=True)
    cells = pd.DataFrame({"cell": design["run"], "run": design["run"], "electrode_F_per_g": 1.0})
    return list_candidates(design, None, pd.DataFrame(), cells)


def can_be_chosen(
    planned: Planned, candidates: pd.DataFrame, *, measured_only: bool = True
) -> np.ndarray:
    """Whether each candidate would be ranked, had only the planned lots been measured.

    Parameters
    ----------
    planned : Planned
        The analysis; it may be that of a part of the plan.
    candidates : DataFrame
        From `candidates_of`, of the whole plan.
    measured_only : bool
        Only at conditions with a lot of their own, as the ranking does; else wherever the models
        predict.

    Returns
    -------
    (n_candidates,) bool array
    """
    candidates = candidates.reset_index(drop=True)
    reasons = not_covered(planned.record, candidates)
    if measured_only:
        measured = set(_keys(planned.lots))
        here = [key in measured for key in _keys(candidates)]
        reasons = [r or ("" if at else "not fired") for r, at in zip(reasons, here, strict=True)]
    reasons = keep_one_level(
        candidates, reasons, {"capacitance": planned.record}, words=WHAT, counts=["n_cells"]
    )
    return np.array([not reason for reason in reasons], dtype=bool)


def _keys(rows: pd.DataFrame) -> list[tuple]:
    """The condition of each row, numbers missing where they do not apply as None."""
    columns = [
        [None if value != value else value for value in rows[name].tolist()] for name in CONDITION
    ]
    return list(zip(*columns, strict=True))


def fixed_columns(planned: Planned, rows: pd.DataFrame) -> np.ndarray:
    """Intercept and fixed terms at rows, (n, p)."""
    columns = term_columns(rows, planned.covariates, planned.terms.chosen)
    return np.column_stack([np.ones(len(rows)), *(columns[name] for name in columns)])


def base_columns(planned: Planned, rows: pd.DataFrame) -> pd.DataFrame:
    """Centred covariates at rows."""
    return covariate_columns(rows, planned.covariates)


def feedstock_columns(planned: Planned, rows: pd.DataFrame) -> np.ndarray:
    """Feedstock as a fixed effect: dummies of all but the first, (n, v - 1)."""
    names = planned.record["feedstocks"]
    return np.column_stack(
        [(rows["feedstock"] == name).to_numpy(float) for name in names[1:]]
        or [np.zeros((len(rows), 0))]
    )


def activated_rows(rows: pd.DataFrame) -> np.ndarray:
    """Which rows are activated."""
    return is_activated(rows["activation"])

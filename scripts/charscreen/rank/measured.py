"""The best of the candidates that were measured themselves, for the choice that can be made now."""

import numpy as np
import pandas as pd

from charscreen.basis import is_measured
from charscreen.rank.merits import MeritDraws


def measured_summary(table: pd.DataFrame, drawn: MeritDraws, *, group_probability: float) -> dict:
    """The best measured candidate of one merit, and its standing among the measured ones.

    Parameters
    ----------
    table : DataFrame
        Rows of the ranking by this merit, best first, with position in the draws.
    drawn : MeritDraws
        The draws behind them.
    group_probability : float
        From this probability of being beaten on, a candidate is told apart from the best.

    Returns
    -------
    dict
        n, best, estimate, lo, hi, p_best, expected_loss [unit of the merit], group (measured
        candidates not told apart, the best included) and p_best_in_group: all among the
        measured candidates only. ``predicted_ahead``: of the first candidate of all, where it is
        not measured, the id (else null), and ``p_predicted_ahead`` the share of draws in which it
        is ahead of the best measured one. Only n (0) and best (null) where none is measured.

    Notes
    -----
    With v the draws of the measured candidates and b the best of them by its estimate: p_best is
    P(v_b = max v), a tie shared; expected_loss the mean of max v - v_b; i is told apart where
    P(v_b > v_i) >= `group_probability`. Common practice for posterior draws, no source.
    """
    rows = table[[is_measured(row) for row in table.to_dict("records")]]
    if rows.empty:
        return {"n": 0, "best": None}
    values = drawn.oriented[:, rows["position"].to_numpy()]
    top = values.max(axis=1)
    first = values == top[:, None]
    near = np.mean(values[:, [0]] > values, axis=0) < group_probability
    best, leader = rows.iloc[0], table.iloc[0]
    ahead = None
    if leader["candidate"] != best["candidate"]:
        ahead = float(np.mean(drawn.oriented[:, leader["position"]] > values[:, 0]))
    return {
        "n": len(rows),
        "best": best["candidate"],
        "estimate": float(best["estimate"]),
        "lo": float(best["estimate_lo"]),
        "hi": float(best["estimate_hi"]),
        "p_best": float(np.mean(first[:, 0] / first.sum(axis=1))),
        "expected_loss": float(np.mean(top - values[:, 0])),
        "group": list(rows.loc[near, "candidate"]),
        "p_best_in_group": float(np.mean(first[:, near].any(axis=1))),
        "predicted_ahead": None if ahead is None else leader["candidate"],
        "p_predicted_ahead": ahead,
    }

"""One number out of several merits: the weighted desirability of Derringer and Suich."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.rank.front import common_draws
from charscreen.rank.ranking import rank_statistics

COLUMNS = [
    "candidate",
    "desirability",
    "desirability_lo",
    "desirability_hi",
    "p_best",
    "p_top3",
    "expected_rank",
    "rank_lo",
    "rank_hi",
    "expected_loss",
    "p_unacceptable",
]


def desirability_of(values: np.ndarray, wish: Mapping, better: str) -> np.ndarray:
    """Desirability of values of one merit, from 0 to 1.

    Parameters
    ----------
    values : array
        Of the merit. [unit of the merit]
    wish : mapping
        low, high [unit of the merit]; target where neither end is the best; exponent.
    better : str
        ``more`` or ``less``.

    Notes
    -----
    More is better: 0 up to low, ((y - low)/(high - low))^r, 1 from high on; less is better: the
    other way round. With a target: rising from low to the target, falling from it to high.
    Derringer & Suich (1980), J. Quality Technology 12, 214 (from memory).
    """
    low, high = float(wish["low"]), float(wish["high"])
    target = wish.get("target")
    values = np.asarray(values, dtype=float)
    if target is None:
        share = (values - low) / (high - low)
        share = share if better == "more" else 1 - share
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            rising = np.where(target > low, (values - low) / (target - low), 1.0)
            falling = np.where(high > target, (high - values) / (high - target), 1.0)
        share = np.where((values < low) | (values > high), 0.0, np.minimum(rising, falling))
    return np.clip(share, 0.0, 1.0) ** float(wish.get("exponent", 1.0))


def overall(parts: np.ndarray, weights: Sequence[float]) -> np.ndarray:
    """Weighted geometric mean over the last axis; zero where a part that counts is zero.

    Parameters
    ----------
    parts : (..., n_merits) array
        Not negative.
    weights : sequence of float, length n_merits
        Not negative, one above zero.
    """
    with np.errstate(divide="ignore"):
        return overall_of_logs(np.log(parts), weights)


def overall_of_logs(logs: np.ndarray, weights: Sequence[float]) -> np.ndarray:
    """As `overall`, from the logarithms of the parts: for many weights of the same parts."""
    weights = np.asarray(weights, dtype=float)
    weights = weights / weights.sum()
    with np.errstate(invalid="ignore"):
        terms = np.where(weights > 0, weights * logs, 0.0)
    return np.exp(terms.sum(axis=-1))


def wishes_of(parts: np.ndarray, wishes: Mapping[str, Mapping], better: Mapping) -> np.ndarray:
    """Desirabilities (..., n_merits) of oriented values (..., n_merits); see `common_draws`."""
    made = [
        desirability_of(
            parts[..., k] * (1.0 if better[name] == "more" else -1.0), wish, better[name]
        )
        for k, (name, wish) in enumerate(wishes.items())
    ]
    return np.stack(made, axis=-1)


def desirability_table(
    draws: pd.DataFrame,
    wishes: Mapping[str, Mapping],
    better: Mapping[str, str],
    *,
    interval_percent: float = 90.0,
) -> pd.DataFrame:
    """Candidates by their desirability over all wishes together.

    Parameters
    ----------
    draws : DataFrame
        One column ``<merit>|<candidate>`` each.
    wishes : mapping of str to mapping
        Per merit low, high, target, exponent, weight.
    better : mapping of str to str
        ``more`` or ``less`` by merit.
    interval_percent : float
        Level of the intervals. [%]

    Returns
    -------
    DataFrame
        Columns `COLUMNS`, by falling desirability: median over the draws and interval, chances
        and ranks as in the ranking, p_unacceptable the share of draws in which it is zero. Empty
        without wishes or candidates that have all their merits.
    """
    if not wishes:
        return pd.DataFrame(columns=COLUMNS)
    candidates, values = common_draws(draws, list(wishes), better)
    if not candidates or not len(values):
        return pd.DataFrame(columns=COLUMNS)
    total = overall(
        wishes_of(values, wishes, better), [wish.get("weight", 1.0) for wish in wishes.values()]
    )
    found = rank_statistics(total, interval_percent=interval_percent)
    found = found.rename(
        columns={
            "estimate": "desirability",
            "estimate_lo": "desirability_lo",
            "estimate_hi": "desirability_hi",
        }
    )
    found["candidate"] = candidates
    found["p_unacceptable"] = (total == 0).mean(axis=0)
    return found[COLUMNS].sort_values(
        ["desirability", "expected_loss", "candidate"],
        ascending=[False, True, True],
        kind="stable",
        ignore_index=True,
    )

"""What cannot be told apart: the posterior answer beside that of tests, for each merit."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.models.contrasts import FixedMeans, fixed_means
from charscreen.models.tables import not_covered
from charscreen.rank.best_comparison import compare_with_best
from charscreen.rank.letters import compact_letters
from charscreen.rank.rank_band import rank_band, share_inside
from charscreen.rank.simultaneous import difference_se, limits_all_pairs

COLUMNS = [
    "candidate",
    "merit",
    "in_posterior_group",
    "band_lo",
    "band_hi",
    "estimate_fixed",
    "in_gupta_subset",
    "hsu_lo_percent",
    "hsu_hi_percent",
    "letters",
]
FIXED_MODELS = {
    "electrode_F_per_g": ("capacitance", 1.0),
    "cell_F_per_g": ("capacitance", 0.25),
    "carbon_g_per_kg_d": ("overall_yield", 1.0),
    "device_F_per_kg_d": ("device_farads", 1.0),
    "esr_area_ohm_cm2": ("esr_area", 1.0),
}
"""Merits that are the response of one model, and its factor; all on the log scale."""
_NO_MODEL = "it is not the response of one model"


def group_candidates(
    ranking: pd.DataFrame,
    draws: pd.DataFrame,
    models: Mapping[str, dict],
    inference: Mapping[str, pd.DataFrame],
    better: Mapping[str, str],
    *,
    probability: float = 0.9,
    seed: int = 0,
) -> tuple[pd.DataFrame, dict]:
    """Groups, letters and joint band of ranks of all merits.

    Parameters
    ----------
    ranking : DataFrame
        candidate, merit, group, feedstock and the conditions; merits one after the other.
    draws : DataFrame
        One column ``<merit>|<candidate>`` each.
    models, inference : mapping
        Records of the models and their tables from `charscreen.models.contrasts`, by name.
    better : mapping of str to str
        ``more`` or ``less`` by merit.
    probability : float
        Of the subset, the intervals, the letters (each together) and the band.
    seed : int
        Of quasi-random points.

    Returns
    -------
    groups : DataFrame
        Columns `COLUMNS`, in the order of `ranking`. in_posterior_group, in_gupta_subset:
        ``yes`` or ``no``. band_lo, band_hi: ranks of the joint band. estimate_fixed: mean with
        feedstock fixed [unit of the merit]. hsu_lo_percent, hsu_hi_percent: the candidate against
        the best of the others. [% of that] The last five are empty where there is no such view.
    summary : dict
        ``probability`` and per merit ``n``, ``posterior_group``, ``gupta_subset`` (None without),
        ``no_fixed_view`` (why, or ""), ``letters_exact``, ``df_lo``, ``df_hi``, ``band_share``.
    """
    tables, merits = [], {}
    for merit, rows in ranking.groupby("merit", sort=False):
        rows = rows.reset_index(drop=True)
        sign = 1.0 if better[merit] == "more" else -1.0
        own = [f"{merit}|{name}" for name in rows["candidate"]]
        values = sign * draws[own].to_numpy(float)
        table = pd.DataFrame({"candidate": rows["candidate"], "merit": merit})
        in_group = rows["group"].map(lambda text: isinstance(text, str) and bool(text))
        table["in_posterior_group"] = np.where(in_group, "yes", "no")
        table["band_lo"], table["band_hi"] = rank_band(values, probability=probability)
        lo, hi = table["band_lo"].to_numpy(), table["band_hi"].to_numpy()
        found = {
            "n": len(rows),
            "posterior_group": table.loc[in_group, "candidate"].tolist(),
            "band_share": share_inside(values, lo, hi),
        }
        for name in COLUMNS[5:]:
            table[name] = None if name in ("in_gupta_subset", "letters") else np.nan
        found |= _add_tests(table, rows, models, inference, merit, sign, probability, seed)
        tables.append(table)
        merits[merit] = found
    whole = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=COLUMNS)
    return whole[COLUMNS], {"probability": float(probability), "merits": merits}


def _add_tests(table, rows, models, inference, merit, sign, probability, seed) -> dict:
    """Fill in the view with feedstock fixed; gives its part of the summary."""
    means, factor, where, reason = _means(rows, models, inference, merit)
    found = {"gupta_subset": None, "no_fixed_view": reason, "letters_exact": None}
    found |= {"df_lo": None, "df_hi": None}
    if means is None:
        return found
    value = sign * means.estimate
    best = compare_with_best(value, means.covariance, means.df, probability=probability, seed=seed)
    limits = limits_all_pairs(means.covariance, means.df, probability=probability, seed=seed)
    differs = np.abs(value[:, None] - value) > limits * difference_se(means.covariance)
    differs &= limits > 0
    order = np.argsort(-value, kind="stable")
    letters, exact = compact_letters(differs[np.ix_(order, order)])
    by_place = [""] * len(order)
    for text, k in zip(letters, order, strict=True):
        by_place[k] = text
    ends = np.sort(100 * np.expm1(sign * np.column_stack([best.lo, best.hi])), axis=1)
    table.loc[where, "estimate_fixed"] = factor * np.exp(means.estimate)
    table.loc[where, "in_gupta_subset"] = np.where(best.in_subset, "yes", "no")
    table.loc[where, "hsu_lo_percent"] = ends[:, 0]
    table.loc[where, "hsu_hi_percent"] = ends[:, 1]
    table.loc[where, "letters"] = by_place
    known = means.df[np.isfinite(means.df)]
    subset = table.loc[table["in_gupta_subset"] == "yes", "candidate"].tolist()
    found |= {"gupta_subset": subset, "letters_exact": bool(exact)}
    if len(known):
        found |= {"df_lo": float(known.min()), "df_hi": float(known.max())}
    return found


def _means(rows, models, inference, merit) -> tuple[FixedMeans | None, float, np.ndarray, str]:
    """Fixed means of the rows that have them, the merit's factor, which, and why not."""
    none = np.zeros(len(rows), dtype=bool)
    if merit not in FIXED_MODELS:
        return None, 1.0, none, _NO_MODEL
    name, factor = FIXED_MODELS[merit]
    model, table = models.get(name, {}), inference.get(name)
    if not model.get("fitted") or table is None or not len(table):
        return None, factor, none, "its model was not fitted with feedstock fixed"
    if model["scale"] != "log":
        return None, factor, none, "its model is not on the log scale"
    where = np.array([not reason for reason in not_covered(model, rows)], dtype=bool)
    if where.sum() < 2:
        return None, factor, none, "its model reaches fewer than two candidates"
    means = fixed_means(model, table, rows[where])
    if means is None or not np.isfinite(means.covariance).all():
        return None, factor, none, "its model has no covariance with feedstock fixed"
    return means, factor, where, ""

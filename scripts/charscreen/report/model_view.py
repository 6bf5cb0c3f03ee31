"""Model tables as far as they can be read: levels by what they hold, intervals where known."""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.rounding import is_number

LEAST_DF = 1.0
# A mean is acted on, an effect compares two of them, so it may be vaguer.
MOST_FACTOR, MOST_FACTOR_EFFECT = 5.0, 10.0
NOT_KNOWN = "not known"
WHY_NOT_KNOWN = (
    "Not known: there are too few firings or lots (fewer than {df:g} degree of freedom, or an "
    "interval that runs to {factor:g} times the value or to 1/{factor:g} of it)."
)
# From coarse to fine. What is not fitted as a level of its own stands in the next one below.
CHAIN = {"cell": ("firing", "lot", "aliquot", "cell"), "lot": ("firing", "lot")}


def record_of(model: Mapping) -> Mapping:
    """Record of a model; empty where there is none."""
    return model.get("json") or {}


def view_of_models(models: Mapping[str, Mapping]) -> dict[str, dict]:
    """Tables of all models, ready to be shown.

    Parameters
    ----------
    models : mapping of str to mapping
        As in `charscreen.report.page.render_report`: effects, variance, means, residuals, json.

    Returns
    -------
    dict of str to dict
        The same with new tables: in ``variance`` levels that the model could not tell apart
        carry a joined name (``lot+cell``); in ``means`` and ``effects`` lo and hi are NaN where
        the interval says nothing (see `is_known`), and p where it has no ground.
    """
    return {name: _view(model) for name, model in models.items()}


def _view(model: Mapping) -> dict:
    shown = dict(model)
    record = record_of(model)
    scale = record.get("scale")
    if _has_rows(model.get("variance")):
        shown["variance"] = joined_levels(model["variance"], record)
    if _has_rows(model.get("means")):
        shown["means"] = _blanked(model["means"], str(scale))
    if _has_rows(model.get("effects")):
        # Effects stand on the scale of the model already.
        on_scale = scale if scale not in ("log", "logit") else "effects"
        shown["effects"] = _blanked(model["effects"], str(on_scale))
    return shown


def _has_rows(table: pd.DataFrame | None) -> bool:
    return table is not None and len(table) > 0


def joined_levels(variance: pd.DataFrame, record: Mapping) -> pd.DataFrame:
    """The scatter table with levels named by all they hold.

    Parameters
    ----------
    variance : DataFrame
        Column level.
    record : mapping
        Keys unit (what one observation is: cell or lot) and n_firings of the model.

    Notes
    -----
    A level that is not in the table has its scatter in the next finer one. Two cases are not
    joined: with one firing the data hold no scatter between firings at all, and lots that were
    not divided are their own only aliquots.
    """
    chain = CHAIN.get(str(record.get("unit")))
    if chain is None:
        return variance
    here = set(variance["level"])
    names, waiting = {}, []
    for level in chain:
        if level in here:
            names[level] = "+".join([*waiting, level])
            waiting = []
        elif level == "lot" or (level == "firing" and (record.get("n_firings") or 0) > 1):
            waiting.append(level)
    return variance.assign(level=[names.get(level, level) for level in variance["level"]])


def is_known(row: Mapping, scale: str) -> bool:
    """Whether an interval says anything.

    Parameters
    ----------
    row : mapping
        estimate, lo, hi; df where it is given.
    scale : str
        ``log`` or ``logit`` for values on the natural scale (the latter in percent),
        ``effects`` for values on the scale of such a model; others are judged by df alone.

    Notes
    -----
    Below 1 degree of freedom the Kenward-Roger approximation has nothing to stand on. An
    interval that runs to five times a mean or a fifth of it (the odds of it, for a yield), or to
    ten times what an effect multiplies by, tells nothing from nothing (common practice, no
    source).
    """
    if not (is_number(row.get("lo")) and is_number(row.get("hi"))):
        return False
    if is_number(row.get("df")) and row["df"] < LEAST_DF:
        return False
    if scale not in ("log", "logit", "effects") or not is_number(row.get("estimate")):
        return True
    lo, middle, hi = (_on_scale(row[name], scale) for name in ("lo", "estimate", "hi"))
    most = MOST_FACTOR_EFFECT if scale == "effects" else MOST_FACTOR
    return not max(hi - middle, middle - lo) > math.log(most)


def _on_scale(value: float, scale: str) -> float:
    if scale == "effects":
        return value
    part, rest = (value, 1.0) if scale == "log" else (value, 100.0 - value)
    if part <= 0:
        return -math.inf
    return math.log(part / rest) if rest > 0 else math.inf


def _blanked(table: pd.DataFrame, scale: str) -> pd.DataFrame:
    known = [is_known(row, scale) for row in table.to_dict("records")]
    shown = table.copy()
    for name in ("lo", "hi"):
        shown[name] = pd.to_numeric(table[name]).where(known, np.nan)
    if {"p", "df"} <= set(table.columns):
        df = pd.to_numeric(table["df"])
        shown["p"] = pd.to_numeric(table["p"]).where(~(df < LEAST_DF), np.nan)
    return shown


def why_not_known(*, effects: bool) -> str:
    """A sentence on what `is_known` refuses, for a table of effects or of means."""
    factor = MOST_FACTOR_EFFECT if effects else MOST_FACTOR
    return WHY_NOT_KNOWN.format(df=LEAST_DF, factor=factor)


def without_interval(means: pd.DataFrame | None) -> list[str]:
    """Feedstocks with a mean whose interval is not known, in the order of the table."""
    if not _has_rows(means):
        return []
    rows = means[means["estimate"].map(is_number)]
    rows = rows[~(rows["lo"].map(is_number) & rows["hi"].map(is_number))]
    return list(dict.fromkeys(rows["feedstock"]))

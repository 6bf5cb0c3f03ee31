"""Candidates at levels that the models cannot compare: those of one level stay."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.models.covariates import covariate_columns, is_activated
from charscreen.models.terms import levels_of


def keep_one_level(
    candidates: pd.DataFrame,
    reasons: Sequence[str],
    models: Mapping[str, dict],
    *,
    words: Mapping[str, str],
    counts: Sequence[str],
) -> list[str]:
    """Reasons why candidates have no place, with those of all levels but one.

    Parameters
    ----------
    candidates : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    reasons : sequence of str
        Per candidate why it has no place so far, or "".
    models : mapping of str to dict
        Records of the fitted models that the merit rests on, by name.
    words : mapping of str to str
        What each model describes.
    counts : sequence of str
        Columns of counts that must not be zero for a condition to be measured: n_yields,
        n_cells.

    Returns
    -------
    list of str
        As `reasons`.

    Notes
    -----
    A model gives all levels of a factor without a term one value (``uncompared`` in its record),
    so candidates that differ in it would tie by neglect. Of all combinations of such levels that
    with the most measured lots stays, at a tie that with more feedstocks, then the lowest. A
    feedstock must have been measured at it. Factors of the activation are asked of activated
    candidates only, after those of the char firing.
    """
    reasons = list(reasons)
    activated = is_activated(candidates["activation"])
    for of_activated in (False, True):
        factors = _factors(models, words, of_activated=of_activated)
        rows = np.array([not r for r in reasons], dtype=bool)
        if of_activated:
            rows &= activated
        if not factors or not rows.any():
            continue
        asked = candidates[rows].reset_index(drop=True)
        found = _reasons(asked, factors, counts)
        for place, reason in zip(np.flatnonzero(rows), found, strict=True):
            reasons[place] = reason
    return reasons


def _factors(models: Mapping, words: Mapping, *, of_activated: bool) -> dict[str, dict]:
    """Factors to hold still, with their covariate and why, each once."""
    factors: dict[str, dict] = {}
    for name, model in models.items():
        for row in model.get("uncompared", []):
            kind = model["covariates"][row["factor"]]
            # The activation step concerns activated candidates alone, whatever its factor.
            only = kind["activated_only"] or name == "activation_yield"
            if only == of_activated and row["factor"] not in factors:
                why = f"the model of {words[name]} has no term for {row['words']} ({row['reason']})"
                factors[row["factor"]] = {"kind": kind, "why": why}
    return factors


def _reasons(asked: pd.DataFrame, factors: Mapping, counts: Sequence[str]) -> list[str]:
    """Per candidate asked why it is not among those of the one level, or ""."""
    base = covariate_columns(asked, {name: f["kind"] for name, f in factors.items()})
    levels = np.column_stack(
        [levels_of(base[name].to_numpy(), f["kind"]["same"]) for name, f in factors.items()]
    )
    keys = [tuple(map(int, row)) for row in levels]
    if len(set(keys)) == 1:
        return [""] * len(asked)
    measured = (asked[list(counts)] > 0).all(axis=1).to_numpy()
    lots = asked["n_lots"].to_numpy() * measured

    def weight(key: tuple) -> tuple:
        here = np.array([k == key for k in keys])
        return lots[here].sum(), asked.loc[here, "feedstock"].nunique()

    best = max(sorted(set(keys)), key=weight)
    here = np.array([key == best for key in keys])
    known = set(asked["feedstock"])
    for column in counts:
        known &= set(asked.loc[here & (asked[column] > 0).to_numpy(), "feedstock"])
    at = " and ".join(_place(asked[here], f["kind"]) for f in factors.values())
    why = "; ".join(f["why"] for f in factors.values())
    reasons = []
    for row, stays in zip(asked.to_dict("records"), here, strict=True):
        if not stays:
            reason = (
                f"{why}, so only candidates at {at} are ranked: no other has more lots measured"
            )
        elif row["feedstock"] not in known:
            reason = f"{why}, and nothing of this feedstock is measured at {at} yet"
        else:
            reason = ""
        reasons.append(reason)
    return reasons


def _place(rows: pd.DataFrame, kind: Mapping) -> str:
    """The level in words, for example ``peak temperature 700 °C``."""
    values = pd.to_numeric(rows[kind["column"]], errors="coerce").dropna()
    if values.empty:
        return f"the usual {kind['words']}"
    lo, hi = f"{values.min():g}", f"{values.max():g}"
    span = lo if lo == hi else f"{lo} to {hi}"
    return f"{kind['words']} {span} {kind['unit']}".strip()

"""Factors without a term in a model: which of them, and what may still be compared."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.models.covariates import covariate_columns, is_activated, term_columns
from charscreen.models.terms import ALIAS_R2, Terms, constant_value, explained
from charscreen.words import first_upper

NO_ROOM = "too few lots for another term"
SPARE_LOTS = 2
"""Fewer lots than this beside the fixed terms, and the scatter of lots is guesswork."""
NEAR = 1.5
"""A condition this many times the width of a level away from those measured is another one."""


def give_room(terms: Terms, covariates: Mapping[str, dict], spare: int) -> int:
    """Drop terms until lots enough are left to show scatter; say what this forbids.

    Parameters
    ----------
    terms : Terms
        Changed in place: ``chosen``, ``dropped`` and ``forbids``.
    covariates : mapping
        From `charscreen.models.covariates.make_covariates`.
    spare : int
        Lots less feedstocks less chosen terms.

    Returns
    -------
    int
        Spare lots afterwards.

    Notes
    -----
    Last terms go first, activation after all others: it mostly changes most, and each lot tells
    something about it where only a whole firing does about peak temperature and hold (common
    practice, no source).
    """
    while spare < SPARE_LOTS and terms.chosen:
        place = len(terms.chosen) - 1
        if terms.chosen[place]["name"] == "activated" and place > 0:
            place -= 1
        term = terms.chosen.pop(place)
        spare += 1
        if len(term["factors"]) == 1:
            words = covariates[term["name"]]["words"]
            forbids = f"Nothing can be said about the effect of {words}: {NO_ROOM}."
        else:
            words = term["label"].partition(", per")[0]
            forbids = f"Nothing can be said about {words}: {NO_ROOM}."
        terms.dropped.append({"term": words, "reason": NO_ROOM})
        terms.forbids.append(forbids)
    return spare


def factors_left_out(lots: pd.DataFrame, covariates: Mapping[str, dict], terms: Terms) -> dict:
    """Factors without a term, and whether feedstock and the kept terms stand for them.

    Parameters
    ----------
    lots : DataFrame
        One row per lot measured, as for `charscreen.models.terms.choose_terms`.
    covariates : mapping
        From `charscreen.models.covariates.make_covariates`.
    terms : Terms
        Terms kept.

    Returns
    -------
    dict
        ``uncompared``, list of ``factor``, ``words``, ``reason``: it differs between lots and
        nothing in the model stands for it, so the model gives its levels one value.
        ``tied``, list of ``factor``, ``words``, ``intercept``, ``feedstock`` and ``terms``
        (coefficients): the factor did not vary, or feedstock and terms explain it to 98 %; the
        model holds where the factor has the value that these give.
    """
    base = covariate_columns(lots, covariates)
    feedstocks = sorted(set(lots["feedstock"]))
    of_feedstock = [(lots["feedstock"] == name).to_numpy(float) for name in feedstocks]
    kept = term_columns(lots, covariates, terms.chosen)
    matrix = np.column_stack([np.ones(len(lots)), *of_feedstock, *(kept[c] for c in kept)])
    activated = is_activated(lots["activation"])
    reasons = {row["term"]: row["reason"] for row in terms.dropped}
    found: dict[str, list[dict]] = {"uncompared": [], "tied": []}
    for name, kind in covariates.items():
        column = base[name].to_numpy()
        of_activation = kind["transform"] == "activated"
        if name in terms.names or (of_activation and np.ptp(column) == 0):
            continue
        if not of_activation and kind["lo"] is None:
            continue
        if kind["activated_only"] and not activated.any():
            continue
        entry = {"factor": name, "words": kind["words"]}
        if constant_value(lots, column, kind) is not None:
            b = np.zeros(matrix.shape[1])
        elif explained(column, list(matrix.T)) > ALIAS_R2:
            b = np.linalg.lstsq(matrix, column, rcond=None)[0]
        else:
            entry["reason"] = reasons.get(kind["words"], NO_ROOM)
            found["uncompared"].append(entry)
            continue
        n = len(feedstocks) + 1
        entry["intercept"] = float(b[0])
        entry["feedstock"] = dict(zip(feedstocks, map(float, b[1:n]), strict=True))
        entry["terms"] = dict(zip(terms.names, map(float, b[n:]), strict=True))
        found["tied"].append(entry)
    return found


def uncompared_flags(found: Mapping, words: str) -> list[str]:
    """A sentence for each factor that differs between lots and has no term.

    Parameters
    ----------
    found : mapping
        From `factors_left_out`.
    words : str
        What the model describes.
    """
    return [
        f"{first_upper(row['words'])} differed between lots but has no term in the model of "
        f"{words} ({row['reason']}): candidates that differ in it are not compared, and what it "
        "changes counts as scatter or as part of other effects."
        for row in found["uncompared"]
    ]


def smaller_side(lots: pd.DataFrame, found: Mapping) -> np.ndarray | None:
    """Whether each lot is on the side of activation that has to leave the model.

    Parameters
    ----------
    lots : DataFrame
        One row per lot: activation.
    found : mapping
        From `factors_left_out`.

    Returns
    -------
    (n_lots,) bool array or None
        The side with fewer lots, at a tie the activated one; None where activation has a term
        or something stands for it. Kept, these lots would count as lots of the other side.
    """
    if not any(row["factor"] == "activated" for row in found["uncompared"]):
        return None
    activated = is_activated(lots["activation"])
    return activated if 2 * activated.sum() <= len(lots) else ~activated


def side_sentence(rows: pd.DataFrame, words: str) -> str:
    """Why the rows of one side of activation left the model.

    Parameters
    ----------
    rows : DataFrame
        The rows that leave: id, activation.
    words : str
        What the model describes.
    """
    side = "activated" if is_activated(rows["activation"]).all() else "not activated"
    return (
        f"Left out of the model of {words}: {', '.join(sorted(rows['id']))} ({side}); too few "
        "lots are measured to tell what activation changes."
    )


def not_tied(model: Mapping, conditions: pd.DataFrame) -> list[str]:
    """Per condition the reason why a factor without a term forbids to ask the model, or "".

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    conditions : DataFrame
        feedstock, activation and the columns of the covariates.
    """
    reasons = [""] * len(conditions)
    tied = model.get("tied", [])
    if not tied or conditions.empty:
        return reasons
    base = covariate_columns(conditions, model["covariates"])
    kept = term_columns(conditions, model["covariates"], model["terms"])
    for row in tied:
        kind = model["covariates"][row["factor"]]
        expected = row["intercept"] + conditions["feedstock"].map(row["feedstock"]).fillna(0.0)
        for name, slope in row["terms"].items():
            expected = expected + slope * kept[name].to_numpy()
        asked = base[row["factor"]].to_numpy()
        near = 0.25 if kind["transform"] == "activated" else NEAR * kind["same"]
        away = np.abs(asked - expected.to_numpy(float)) > near
        if kind["activated_only"]:
            away &= is_activated(conditions["activation"])
        if kind["transform"] != "activated":
            # A condition that is not given stands for that of the screen.
            given = pd.Series(np.nan, index=conditions.index)
            if kind["column"] in conditions:
                given = pd.to_numeric(conditions[kind["column"]], errors="coerce")
            away &= given.notna().to_numpy()
        reason = (
            f"the model has no term for {row['words']}, and what is measured lies at another one"
        )
        reasons = [r or (reason if far else "") for r, far in zip(reasons, away, strict=True)]
    return reasons

"""Fixed terms of a model: which of them the design can support.

Terms are chosen by the design alone, never by looking at the response, so that the intervals
keep their stated level.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from charscreen.models.covariates import SAME_TEMPERATURE_C, covariate_columns, is_activated

ALIAS_R2 = 0.98
"""A column explained to this share by the columns before it counts as aliased with them: what
the kiln did differs a little from the plan, and that little must not carry an effect."""


@dataclass
class Terms:
    """Fixed terms chosen, and what was dropped.

    Parameters
    ----------
    chosen : list of dict
        ``name`` (of the coefficient), ``factors`` (covariates multiplied), ``label``.
    feed : list of dict
        The same for what is known of the feeds; only where feedstock is random.
    dropped : list of dict
        ``term`` and ``reason`` in words.
    forbids : list of str
        Sentences: claims that the dropped terms forbid.
    """

    chosen: list[dict] = field(default_factory=list)
    feed: list[dict] = field(default_factory=list)
    dropped: list[dict] = field(default_factory=list)
    forbids: list[str] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        """Names of the chosen terms in order."""
        return [term["name"] for term in self.chosen]

    def formula(self, *first: str) -> str:
        """Formula of the fixed part, with further terms such as ``feedstock`` put first."""
        return "y ~ " + " + ".join(["1", *first, *self.names])

    def pooled_formula(self) -> str:
        """Formula of the fixed part where feedstock is random."""
        return self.formula(*(term["name"] for term in self.feed))


def choose_terms(lots: pd.DataFrame, covariates: dict[str, dict]) -> Terms:
    """The fixed terms that this design supports, beside feedstock.

    Parameters
    ----------
    lots : DataFrame
        One row per lot measured: feedstock, firing, activation_firing and the columns of
        `covariates`.
    covariates : dict
        From `make_covariates`.

    Returns
    -------
    Terms
        In this order: peak temperature, log2 of hold, activation, KOH ratio, activation
        temperature and hold, then squared temperature and temperature by activation.

    Notes
    -----
    A main effect stays if its column varies, is not explained to 98 % by feedstock and the
    terms before it, and, where it belongs to the firing, if at least two firings more than
    such terms remain. Squared temperature needs three levels with two firings each and four
    firings to spare; temperature by activation needs two temperatures with two lots each, both
    with and without activation. An interaction or square enters only with its main effects.
    The rules look at the design only (common practice, no source).
    """
    terms = Terms()
    if lots.empty:
        return terms
    constant = []
    base = covariate_columns(lots, covariates)
    matrix = [np.ones(len(lots))]
    feedstocks = sorted(set(lots["feedstock"]))
    matrix += [(lots["feedstock"] == name).to_numpy(float) for name in feedstocks[1:]]
    for name, kind in covariates.items():
        column = base[name].to_numpy()
        if kind["activated_only"] and not is_activated(lots["activation"]).any():
            continue
        value = constant_value(lots, column, kind)
        if value is not None:
            terms.dropped.append({"term": kind["words"], "reason": f"it did not vary ({value})"})
            constant.append(f"{kind['words']} ({value})")
            continue
        reason = (
            _missing(lots, column, kind)
            or _too_few_firings(lots, kind, terms, covariates)
            or _aliased(lots, base, name, covariates, terms, matrix)
        )
        if reason:
            _drop(terms, kind["words"], *reason)
            continue
        terms.chosen.append({"name": name, "factors": [name], "label": kind["label"]})
        matrix.append(column)
    if constant:
        terms.forbids.append(
            "Nothing can be said about the effect of what did not vary: "
            + ", ".join(constant)
            + "."
        )
    _add_square(lots, base, terms, matrix)
    _add_interaction(lots, base, terms, matrix)
    return terms


def _drop(terms: Terms, words: str, reason: str, forbids: str = "") -> None:
    terms.dropped.append({"term": words, "reason": reason})
    if forbids:
        terms.forbids.append(forbids)


def _number(value: float) -> str:
    return f"{value:.4g}"


def _missing(lots: pd.DataFrame, column: np.ndarray, kind: dict) -> tuple[str, str] | None:
    """Reason and forbidden claim where there is no value, or activation has one side only."""
    if kind["transform"] != "activated":
        return (f"no {kind['words']} is given", "") if kind["lo"] is None else None
    if column.min() < column.max():
        return None
    which = "every lot measured is activated" if column[0] else "no activated lot is measured"
    return which, f"Nothing can be said about what activation changes: {which}."


def constant_value(lots: pd.DataFrame, column: np.ndarray, kind: dict) -> str | None:
    """The one value of a covariate that does not vary, as text."""
    if kind["transform"] == "activated" or kind["lo"] is None:
        return None
    use = is_activated(lots["activation"]) if kind["activated_only"] else np.full(len(lots), True)
    if np.ptp(column[use]) >= kind["same"]:
        return None
    lo, hi = _number(kind["lo"]), _number(kind["hi"])
    return f"{lo} {kind['unit']}" if lo == hi else f"{lo} to {hi} {kind['unit']}"


def _too_few_firings(
    lots: pd.DataFrame, kind: dict, terms: Terms, covariates: dict
) -> tuple[str, str] | None:
    """Reason where the whole-plot terms would use up the firings."""
    level = kind["level"]
    if level == "lot":
        return None
    n_firings = lots[level].nunique()
    used = sum(covariates[t["factors"][0]]["level"] == level for t in terms.chosen)
    if used + 1 <= n_firings - 2:
        return None
    words = kind["words"]
    what = "firing" if level == "firing" else "activation firing"
    count = f"1 {what}" if n_firings == 1 else f"{n_firings} {what}s"
    return (
        f"{count} cannot tell its effect from the scatter between {what}s",
        f"Nothing can be said about the effect of {words}: {count} cannot tell it from the "
        f"scatter between {what}s.",
    )


def explained(column: np.ndarray, matrix: list[np.ndarray]) -> float:
    """Share of a column's variation that other columns explain (R²); 1 where it has none."""
    centred = column - column.mean()
    total = float(centred @ centred)
    if total <= 1e-12:
        return 1.0
    others = np.column_stack(matrix)
    coefficients, *_ = np.linalg.lstsq(others, column, rcond=None)
    rest = column - others @ coefficients
    return 1.0 - float(rest @ rest) / total


def _aliased(
    lots: pd.DataFrame,
    base: pd.DataFrame,
    name: str,
    covariates: dict,
    terms: Terms,
    matrix: list[np.ndarray],
) -> tuple[str, str] | None:
    """Reason where feedstock and earlier terms explain a column."""
    kind = covariates[name]
    words, column = kind["words"], base[name].to_numpy()
    one = np.ones(len(lots))
    for earlier in terms.names:
        other = covariates[earlier]
        if other["level"] != kind["level"]:
            continue
        if explained(column, [one, base[earlier].to_numpy()]) > ALIAS_R2:
            reason = f"{words} and {other['words']} changed together"
            if kind["level"] != "lot":
                reason += " in every firing"
            return reason, (
                f"The effects of {other['words']} and {words} cannot be told apart: they "
                f"changed together; what stands under {other['words']} is that of both."
            )
    if explained(column, matrix) <= ALIAS_R2:
        return None
    dummies = [(lots["feedstock"] == f).to_numpy(float) for f in sorted(set(lots["feedstock"]))]
    if explained(column, dummies) > ALIAS_R2:
        return (
            f"no feedstock was measured at more than one {words}"
            if name != "activated"
            else "no feedstock was measured both with and without activation",
            f"The effect of {words} cannot be told from the differences between feedstocks.",
        )
    names = ", ".join(["feedstock", *(covariates[t]["words"] for t in terms.names)])
    return (
        f"it cannot be told from {names} together",
        f"The effect of {words} cannot be told from {names} together.",
    )


def levels_of(values: np.ndarray, same: float) -> np.ndarray:
    """Number of the level each value belongs to: sorted values, a new level at each wide gap.

    Parameters
    ----------
    values : (n,) array
        For example peak temperatures. [°C]
    same : float
        Gap up to which neighbours count as one level, in the unit of `values`.
    """
    order = np.argsort(values, kind="stable")
    labels = np.empty(len(values), dtype=int)
    labels[order] = np.concatenate([[0], np.cumsum(np.diff(values[order]) > same)])
    return labels


def _add_square(lots, base, terms: Terms, matrix: list[np.ndarray]) -> None:
    if "temperature" not in terms.names:
        return
    label = "peak temperature squared"
    levels = levels_of(lots["peak_temperature_C"].to_numpy(float), SAME_TEMPERATURE_C)
    firings = pd.Series(lots["firing"].to_numpy()).groupby(levels).nunique()
    used = sum(t["name"] in ("temperature", "log2_hold") for t in terms.chosen)
    column = base["temperature"].to_numpy() ** 2
    if len(firings) < 3:
        _drop(
            terms,
            label,
            f"only {len(firings)} levels of peak temperature",
            "Whether the best peak temperature lies between those fired cannot be said: "
            "two levels show no bend.",
        )
    elif (firings >= 2).sum() < 3 or lots["firing"].nunique() < used + 5:
        _drop(terms, label, "fewer than two firings at each of three peak temperatures")
    elif explained(column, matrix) > ALIAS_R2:
        _drop(terms, label, "it cannot be told from the other terms")
    else:
        terms.chosen.append(
            {
                "name": "temperature_squared",
                "factors": ["temperature", "temperature"],
                "label": "peak temperature squared, per (100 °C)²",
            }
        )
        matrix.append(column)


def _add_interaction(lots, base, terms: Terms, matrix: list[np.ndarray]) -> None:
    if not {"temperature", "activated"} <= set(terms.names):
        return
    label = "peak temperature by activation"
    levels = levels_of(lots["peak_temperature_C"].to_numpy(float), SAME_TEMPERATURE_C)
    activated = base["activated"].to_numpy() > 0
    enough = all(
        (np.unique(levels[side], return_counts=True)[1] >= 2).sum() >= 2
        for side in (activated, ~activated)
    )
    column = base["temperature"].to_numpy() * base["activated"].to_numpy()
    if not enough:
        _drop(
            terms,
            label,
            "fewer than two lots at two peak temperatures, with and without activation",
            "Whether activation gains more after a hotter firing cannot be said.",
        )
    elif explained(column, matrix) > ALIAS_R2:
        _drop(terms, label, "it cannot be told from the other terms")
    else:
        terms.chosen.append(
            {
                "name": "temperature_by_activation",
                "factors": ["temperature", "activated"],
                "label": "peak temperature by activation, per 100 °C",
            }
        )
        matrix.append(column)

"""What stands for what in a plan: terms that change together, and levels that coincide."""

import numpy as np
import pandas as pd

from charscreen.designs.terms import FACTORS, QUADRATIC, Terms, model_matrix, terms_of
from charscreen.quality.planned import Planned

COLUMNS = ("kind", "term", "other", "value", "meaning")
CORRELATION, ALIAS, EXPLAINED, COINCIDE = "correlation", "alias", "explained", "coincide"
_SHOWN = 1e-6
_LEVELS = (
    ("firing", "lot", "firings", "lots"),
    ("activation_firing", "firing", "activation firings", "char firings"),
    ("activation_firing", "feedstock", "activation firings", "feedstocks"),
    ("firing", "feedstock", "char firings", "feedstocks"),
)


def factor_levels(design: pd.DataFrame) -> dict[str, list]:
    """Levels of each factor that a design varies or holds, by column."""
    levels = {}
    for name in FACTORS:
        if name in design:
            found = [v for v in design[name].tolist() if v is not None and v == v and v != ""]
            levels[name] = sorted(set(found))
    return levels


def terms_in(design: pd.DataFrame, *, model: str = QUADRATIC) -> Terms:
    """Terms of a model over the factors that a design varies; see `charscreen.designs.terms`."""
    return terms_of(sorted(set(design["feedstock"])), factor_levels(design), model=model)


def confounding_table(design: pd.DataFrame, planned: Planned) -> pd.DataFrame:
    """What cannot be told apart in a plan, or only in part.

    Parameters
    ----------
    design : DataFrame
        Design table.
    planned : Planned
        Its analysis: which terms the models drop.

    Returns
    -------
    DataFrame
        `COLUMNS`. ``correlation``: between the columns of two main effects (0 apart, ±1 the
        same). ``alias``: how much of a second-order term that is left out of a model with
        feedstocks and main effects goes into a main effect, both coded -1 to 1. ``explained``: the
        share of a main effect's column that feedstocks and the other main effects explain (0 free,
        1 not to be told). ``coincide``: two levels of the experiment, the share of groups of the
        first that hold one of the second only. ``dropped``: a term the models will leave out, why.

    Notes
    -----
    Alias matrix (X₁'X₁)⁻¹X₁'X₂ of Box & Draper (from memory), lots counted alike; a design whose
    X₁ has not full rank gives the least-norm answer.
    """
    rows = _between_terms(design) + _between_levels(planned.lots)
    rows += [
        {"kind": "dropped", "term": row["term"], "other": "", "value": np.nan,
         "meaning": f"left out of the models: {row['reason']}"}
        for row in [*planned.terms.dropped, *planned.levels.dropped]
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _between_terms(design: pd.DataFrame) -> list[dict]:
    terms = terms_in(design)
    X, names = model_matrix(design, terms)
    v = len(terms.feedstocks)
    main = [j for j in range(v, len(names)) if len(terms.products[j - v]) == 1]
    second = [j for j in range(v, len(names)) if j not in main]
    rows = []
    for place, i in enumerate(main):
        for j in main[place + 1 :]:
            value = _correlation(X[:, i], X[:, j])
            rows.append(_row(CORRELATION, names[i], names[j], value))
    first = X[:, [*range(v), *main]]
    for j in main:
        others = np.delete(first, v + main.index(j), axis=1)
        rows.append(
            _row(EXPLAINED, names[j], "feedstocks and other factors", _share(X[:, j], others))
        )
    if main and second:
        aliases = np.linalg.lstsq(first, X[:, second], rcond=None)[0][v:]
        for place, i in enumerate(main):
            for k, j in enumerate(second):
                if abs(aliases[place, k]) > _SHOWN:
                    rows.append(_row(ALIAS, names[i], names[j], aliases[place, k]))
    return rows


def _row(kind: str, term: str, other: str, value: float) -> dict:
    value = 0.0 if abs(value) < 1e-12 else float(value)
    if kind == CORRELATION:
        meaning = "set apart" if abs(value) < 0.05 else "change together in part"
        if abs(value) > 0.98:
            meaning = "change together: one effect stands for both"
    elif kind == EXPLAINED:
        meaning = "free" if value < 0.1 else "partly tied"
        if value > 0.98:
            meaning = "cannot be told"
    else:
        meaning = f"{value:+.2g} of {other} goes into {term} where the model leaves it out"
    return {"kind": kind, "term": term, "other": other, "value": value, "meaning": meaning}


def _correlation(one: np.ndarray, two: np.ndarray) -> float:
    one, two = one - one.mean(), two - two.mean()
    size = np.sqrt((one @ one) * (two @ two))
    return float(one @ two / size) if size > 0 else 0.0


def _share(column: np.ndarray, others: np.ndarray) -> float:
    """Share of a column's variation that others, an intercept among them, explain."""
    centred = column - column.mean()
    total = float(centred @ centred)
    if total <= 1e-12:
        return 1.0
    left = column - others @ np.linalg.lstsq(others, column, rcond=None)[0]
    return float(np.clip(1.0 - left @ left / total, 0.0, 1.0))


def _between_levels(lots: pd.DataFrame) -> list[dict]:
    """How often a group of one level holds one of another only."""
    rows = []
    for outer, inner, words, inner_words in _LEVELS:
        known = lots[lots[outer].notna()]
        if known.empty:
            continue
        alone = float((known.groupby(outer)[inner].nunique() == 1).mean())
        text = f"{100 * alone:.0f} % of the {words} hold one of the {inner_words} only"
        if alone == 1.0:
            text += ": the two cannot be told apart"
        rows.append(
            {
                "kind": COINCIDE,
                "term": words,
                "other": inner_words,
                "value": alone,
                "meaning": text,
            }
        )
    return rows

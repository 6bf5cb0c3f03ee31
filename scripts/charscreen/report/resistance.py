"""Series resistance of cells in words, with its uncertainty."""

import pandas as pd

from charscreen.rounding import is_number, significant, with_uncertainty
from charscreen.words import count_words

COVERAGE = 2.0


def resistance_words(cells: pd.DataFrame) -> str:
    """One or two sentences on the series resistance of cells; empty where none has any.

    Parameters
    ----------
    cells : DataFrame
        Columns esr_ohm, esr_ohm_se [Ω]; the latter may be missing.

    Notes
    -----
    A resistance is told apart from 0 where it is more than two standard uncertainties above it;
    one without an uncertainty where it is above 0. The others are counted and never shown as
    a value, since a resistance below 0 is only scatter.
    """
    known = cells[cells["esr_ohm"].map(is_number)]
    if known.empty:
        return ""
    value = pd.to_numeric(known["esr_ohm"])
    se = pd.to_numeric(known["esr_ohm_se"]) if "esr_ohm_se" in known else value * float("nan")
    is_apart = value > COVERAGE * se.fillna(0.0)
    if len(value) == 1:
        return _of_one(value.iloc[0], se.iloc[0], bool(is_apart.iloc[0]))
    n, n_zero = len(value), int((~is_apart).sum())
    unsure = f"not told apart from 0 (less than {COVERAGE:g} standard uncertainties above it)"
    if n_zero == n:
        return f"Series resistance: in all of {count_words(n, 'cell')} {unsure}."
    text = f"Series resistance of {count_words(n, 'cell')}: "
    middle = float(value.median())
    typical = float(se.median())
    if middle > COVERAGE * (typical if is_number(typical) else 0.0):
        text += f"median {significant(middle, 2)} Ω"
    else:
        text += "median not told apart from 0"
    if is_number(typical):
        text += (
            f"; standard uncertainty of one cell {significant(typical, 2)} Ω "
            f"(median of {count_words(int(se.notna().sum()), 'cell')})"
        )
    text += ". "
    if n_zero:
        text += f"In {count_words(n_zero, 'cell')} it is {unsure}; in the others it lies"
    else:
        text += "It lies"
    low, high = value[is_apart].idxmin(), value[is_apart].idxmax()
    if low == high:
        return f"{text} at {_with_se(value[low], se[low])}."
    return (
        f"{text} between {_with_se(value[low], se[low])} and {_with_se(value[high], se[high])}"
        f"{' (± standard uncertainty)' if is_number(se[low]) or is_number(se[high]) else ''}."
    )


def _of_one(value: float, se: float, is_apart: bool) -> str:
    if is_apart:
        kind = "standard uncertainty" if is_number(se) else "uncertainty not given"
        return f"Series resistance of the one cell: {_with_se(value, se)} ({kind})."
    if not is_number(se) or se <= 0:
        return "Series resistance of the one cell: not told apart from 0."
    most = significant(max(value, 0.0) + COVERAGE * se, 2)
    return (
        "Series resistance of the one cell: not told apart from 0; it may be as much as "
        f"{most} Ω ({COVERAGE:g} standard uncertainties above the value found, or above 0 where "
        "that is below 0)."
    )


def _with_se(value: float, se: float) -> str:
    text, u = with_uncertainty(value, se)
    return f"{text} ± {u} Ω" if u else f"{text} Ω"

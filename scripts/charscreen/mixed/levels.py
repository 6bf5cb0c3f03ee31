"""Sums over the levels of random terms: the only place where rows are touched."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .random_part import RandomTerm


def sum_by_level(term: "RandomTerm", columns: np.ndarray, root_weights: np.ndarray) -> np.ndarray:
    """Z' C: weighted sums of columns over the levels of a term.

    Parameters
    ----------
    term : RandomTerm
    columns : (n, c) array
        Columns that are weighted already.
    root_weights : (n,) array
        Square roots of the weights.

    Returns
    -------
    (levels, c) array
    """
    used = term.codes >= 0
    codes = term.codes[used]
    scaled = columns[used] * (term.values * root_weights)[used, None]
    out = np.empty((len(term.levels), columns.shape[1]))
    for j in range(columns.shape[1]):
        out[:, j] = np.bincount(codes, scaled[:, j], minlength=len(term.levels))
    return out


def cross_levels(one: "RandomTerm", two: "RandomTerm", root_weights: np.ndarray) -> np.ndarray:
    """Z1' Z2 of two terms, (levels of one, levels of two) array."""
    used = (one.codes >= 0) & (two.codes >= 0)
    m = len(two.levels)
    entries = (one.values * two.values * root_weights**2)[used]
    flat = np.bincount(
        one.codes[used] * m + two.codes[used], entries, minlength=len(one.levels) * m
    )
    return flat.reshape(len(one.levels), m)

"""Sums over the levels of random terms: the only place where rows are touched."""

import numpy as np

from .random_term import RandomTerm


def sum_by_level(term: RandomTerm, columns: np.ndarray, root_weights: np.ndarray) -> np.ndarray:
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
    used = np.flatnonzero(term.codes >= 0)
    used = used[np.argsort(term.codes[used], kind="stable")]
    scaled = columns[used] * (term.values * root_weights)[used, None]
    return sum_runs(term.codes[used], scaled, len(term.levels))


def sum_runs(codes: np.ndarray, rows: np.ndarray, size: int) -> np.ndarray:
    """Sums (size, c) of rows (n, c) with equal codes (n,), which are sorted."""
    out = np.zeros((size, rows.shape[1]))
    if len(codes):
        starts = np.flatnonzero(np.diff(codes, prepend=-1))
        out[codes[starts]] = np.add.reduceat(rows, starts, axis=0)
    return out


def own_products(term: RandomTerm, root_weights: np.ndarray) -> np.ndarray:
    """Diagonal of Z' Z of one term, (levels,) array; off it there is nothing."""
    used = term.codes >= 0
    entries = ((term.values * root_weights) ** 2)[used]
    return np.bincount(term.codes[used], entries, minlength=len(term.levels))


def cross_levels(one: RandomTerm, two: RandomTerm, root_weights: np.ndarray) -> np.ndarray:
    """Z1' Z2 of two terms, (levels of one, levels of two) array."""
    m = len(two.levels)
    pairs, sums = cross_pairs(one, two, root_weights)
    out = np.zeros(len(one.levels) * m)
    out[pairs] = sums
    return out.reshape(len(one.levels), m)


def cross_pairs(one: RandomTerm, two: RandomTerm, root_weights: np.ndarray):
    """The entries of Z1' Z2 that may differ from zero.

    Parameters
    ----------
    one, two : RandomTerm
    root_weights : (n,) array
        Square roots of the weights.

    Returns
    -------
    pairs : (k,) int array
        Level of one times the number of levels of two, plus level of two; sorted.
    sums : (k,) array
        The entries.
    """
    used = (one.codes >= 0) & (two.codes >= 0)
    entries = (one.values * two.values * root_weights**2)[used]
    pairs = one.codes[used].astype(np.int64) * len(two.levels) + two.codes[used]
    pairs, place = np.unique(pairs, return_inverse=True)
    return pairs, np.bincount(place, entries, minlength=len(pairs))


def nested_in(inner: RandomTerm, outer: RandomTerm) -> np.ndarray | None:
    """Level of `outer` that each level of `inner` touches, -1 for none; None if one touches two.

    Returns
    -------
    (levels of inner,) int array or None
    """
    used = (inner.codes >= 0) & (outer.codes >= 0)
    code = np.full(len(inner.levels), -1)
    code[inner.codes[used]] = outer.codes[used]
    return code if (code[inner.codes[used]] == outer.codes[used]).all() else None

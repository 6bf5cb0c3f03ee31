"""Ranks of candidates in each draw, and how often each candidate has each rank."""

import numpy as np


def draw_ranks(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and last rank that each candidate takes in each draw.

    Parameters
    ----------
    values : (n_draws, n_candidates) array
        Finite; more is better.

    Returns
    -------
    first, last : (n_draws, n_candidates) int arrays
        1 is best. They differ for tied candidates, which take up all the ranks they share; where
        no draw has ties they are one and the same array.
    """
    n_draws, n = values.shape
    order = np.argsort(-values, axis=1)
    places = np.arange(1, n + 1)
    first = np.empty((n_draws, n), dtype=np.int64)
    np.put_along_axis(first, order, places[None], axis=1)
    falling = np.take_along_axis(values, order, axis=1)
    begins = np.ones((n_draws, n + 1), dtype=bool)
    begins[:, 1:-1] = falling[:, 1:] != falling[:, :-1]
    tied = np.flatnonzero(~begins.all(axis=1))
    if not len(tied):
        return first, first
    last = first.copy()
    begins, order = begins[tied], order[tied]
    starts = np.maximum.accumulate(np.where(begins[:, :-1], places, 1), axis=1)
    ends = np.where(begins[:, 1:], places, n)[:, ::-1]
    ends = np.minimum.accumulate(ends, axis=1)[:, ::-1]
    for ranks, found in ((first, starts), (last, ends)):
        part = np.empty_like(found)
        np.put_along_axis(part, order, found, axis=1)
        ranks[tied] = part
    return first, last


def count_ranks(ranks: np.ndarray) -> np.ndarray:
    """How many draws (n_candidates, n_candidates + 1) each candidate has each rank in.

    Parameters
    ----------
    ranks : (n_draws, n_candidates) int array
        From 1 to the number of candidates; column 0 of the counts stays empty.
    """
    n = ranks.shape[1]
    cells = ranks + np.arange(n) * (n + 1)
    return np.bincount(cells.ravel(), minlength=n * (n + 1)).reshape(n, n + 1)

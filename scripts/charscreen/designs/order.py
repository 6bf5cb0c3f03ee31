"""Orders drawn by lot: of firings, crucibles, cells and tests, in blocks where wanted."""

from collections.abc import Sequence

import numpy as np
import pandas as pd


def order_firings(
    labels: Sequence[int],
    held: Sequence[int],
    *,
    per_day: int = 1,
    rng: np.random.Generator,
) -> np.ndarray:
    """A random order of firings.

    Parameters
    ----------
    labels : sequence of n int
        Property whose values are spread over the days, for example the temperature.
    held : sequence of int
        Firings that keep their places among themselves: those with a reference lot, which come at
        regular steps.
    per_day : int
        Firings in a day; 1 for an order without blocks.
    rng : numpy.random.Generator

    Returns
    -------
    (n,) int array
        The firing that comes first, second, and so on.
    """
    n, fixed = len(labels), np.asarray(held, dtype=int)
    others = np.setdiff1d(np.arange(n), fixed)
    order = np.arange(n)

    def shuffled() -> np.ndarray:
        order[fixed] = rng.permutation(fixed)
        order[others] = rng.permutation(others)
        return order.copy()

    if per_day < 2:
        return shuffled()
    day = np.arange(n) // per_day
    best, lowest = shuffled(), np.inf
    for _ in range(300):
        trial = shuffled()
        counts = pd.crosstab(day, np.asarray(labels)[trial]).to_numpy()
        cost = float((counts**2).sum())
        if cost < lowest:
            best, lowest = trial, cost
    return best


def order_cells(
    runs: Sequence[str],
    feedstocks: Sequence[str],
    *,
    cells_per_lot: int,
    cells_per_day: int | None = None,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Cells of a plan with the order in which to assemble and to test them.

    Parameters
    ----------
    runs, feedstocks : sequence of n str
        Lots.
    cells_per_lot : int
        Cells of each.
    cells_per_day : int, optional
        Cells assembled in a day: cells of one lot then go to different days as far as can be, and
        feedstocks are spread over them. None for one random order.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        cell, run, assembly_day (missing without blocks), assembly_order, test_order; a row per
        cell, by lot.

    Notes
    -----
    Tests are drawn anew, so that the age of a cell and its place in the queue are not the same
    thing; with days they keep to the days of assembly.
    """
    n_lots, n = len(runs), len(runs) * cells_per_lot
    lot = np.repeat(np.arange(n_lots), cells_per_lot)
    number = np.tile(np.arange(1, cells_per_lot + 1), n_lots)
    feed = {name: i for i, name in enumerate(dict.fromkeys(feedstocks))}
    if cells_per_day is None:
        day = np.zeros(n, dtype=int)
    else:
        # Round by round a cell of every lot, feedstocks in turn: mates lie a round apart.
        shuffle = rng.permutation(n_lots)
        turn = np.empty(n_lots, dtype=int)
        seen: dict[str, int] = {}
        keys = []
        for i in shuffle:
            keys.append((seen.get(feedstocks[i], 0), feed[feedstocks[i]], i))
            seen[feedstocks[i]] = seen.get(feedstocks[i], 0) + 1
        turn[[i for _, _, i in sorted(keys)]] = np.arange(n_lots)
        place = np.argsort(np.argsort((number - 1) * n_lots + turn[lot], kind="stable"))
        day = place // cells_per_day
    first, second = (np.lexsort((rng.random(n), day)) for _ in range(2))
    assembly, test = np.empty(n, dtype=int), np.empty(n, dtype=int)
    assembly[first], test[second] = np.arange(1, n + 1), np.arange(1, n + 1)
    return pd.DataFrame(
        {
            "cell": [f"{runs[i]}-{k}" for i, k in zip(lot, number, strict=True)],
            "run": [runs[i] for i in lot],
            "assembly_day": np.nan if cells_per_day is None else day + 1.0,
            "assembly_order": assembly,
            "test_order": test,
        }
    )

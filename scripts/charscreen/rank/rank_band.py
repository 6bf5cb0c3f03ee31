"""A joint credible set of the whole ranking: a band of ranks that holds it with a stated chance."""

import numpy as np

from charscreen.rank.draw_ranks import count_ranks, draw_ranks


def rank_band(values: np.ndarray, *, probability: float = 0.9) -> tuple[np.ndarray, np.ndarray]:
    """The narrowest band of ranks found that holds so large a share of the draws as a whole.

    Parameters
    ----------
    values : (n_draws, n_candidates) array
        Joint posterior draws; more is better.
    probability : float
        Least share of the draws whose every rank lies in the band.

    Returns
    -------
    lo, hi : (n_candidates,) int arrays
        Lowest and highest rank (1 is best) of each candidate.

    Notes
    -----
    Separate rank intervals hold the whole ranking together far less often than each its own
    rank. Width is the sum of hi - lo. The band starts at all draws and gives up, step by step,
    the end whose draws are fewest for each rank won, while enough draws stay; each candidate's
    ends are then drawn in to the draws that stay. This greedy search need not find the very
    smallest band (that is a hard problem); where the band from simultaneous order statistics
    (Besag, Green, Higdon & Mengersen 1995, Statistical Science 10, 3, from memory) is narrower,
    it is taken. Tied candidates take up all the ranks they share.
    """
    values = np.asarray(values, dtype=float)
    if values.ndim != 2 or 0 in values.shape:
        raise ValueError("values must hold at least one draw of at least one candidate")
    first, last = draw_ranks(values)
    spare = int(np.floor(len(values) * (1 - probability) + 1e-9))
    bands = [_greedy(first, last, spare), _order_statistics(first, last, spare)]
    return min(bands, key=lambda band: int((band[1] - band[0]).sum()))


def share_inside(values: np.ndarray, lo: np.ndarray, hi: np.ndarray) -> float:
    """Share of the draws whose every rank lies in a band."""
    first, last = draw_ranks(np.asarray(values, dtype=float))
    return float(((first >= lo) & (last <= hi)).all(axis=1).mean())


def _greedy(first: np.ndarray, last: np.ndarray, spare: int) -> tuple[np.ndarray, np.ndarray]:
    n = first.shape[1]
    columns = np.arange(n)
    at_lo, at_hi = (np.pad(count_ranks(ranks), ((0, 0), (0, 1))) for ranks in (first, last))
    stay = np.ones(len(first), dtype=bool)
    while True:
        lo, hi = _lowest(at_lo > 0), n + 1 - _lowest(at_hi[:, ::-1] > 0)
        # The cheapest end: draws given up for each rank that the band loses.
        best = None
        for counts, ends, side in ((at_lo, lo, 0), (at_hi, hi, 1)):
            cost = counts[columns, ends].astype(float)
            rest = counts > 0
            rest[columns, ends] = False
            some = rest.any(axis=1)
            inner = _lowest(rest) if side == 0 else n + 1 - _lowest(rest[:, ::-1])
            won = np.where(some, np.abs(inner - ends), 0)
            with np.errstate(divide="ignore"):
                price = np.where((won > 0) & (cost <= spare), cost / won, np.inf)
            k = int(price.argmin())
            if np.isfinite(price[k]) and (best is None or price[k] < best[0]):
                best = (price[k], side, k, ends[k])
        if best is None:
            return lo, hi
        _, side, k, end = best
        out = stay & ((first if side == 0 else last)[:, k] == end)
        spare -= int(out.sum())
        stay &= ~out
        where = np.broadcast_to(columns, (int(out.sum()), n))
        np.subtract.at(at_lo, (where, first[out]), 1)
        np.subtract.at(at_hi, (where, last[out]), 1)


def _lowest(held: np.ndarray) -> np.ndarray:
    """First place of each row that is held."""
    return held.argmax(axis=1)


def _order_statistics(
    first: np.ndarray, last: np.ndarray, spare: int
) -> tuple[np.ndarray, np.ndarray]:
    """Band of the draws that are least extreme in their most extreme rank."""
    n_draws, n = first.shape
    columns = np.arange(n)
    # Draws in which a candidate ranks no further down, and no further up, than in this one.
    low = np.cumsum(count_ranks(first), axis=1)[columns, first]
    high = np.cumsum(count_ranks(last)[:, ::-1], axis=1)[:, ::-1][columns, last]
    # Small where some candidate stands among its own outermost ranks.
    extreme = np.minimum(low, high).min(axis=1)
    keep = np.argsort(-extreme, kind="stable")[: n_draws - spare]
    return first[keep].min(axis=0), last[keep].max(axis=0)

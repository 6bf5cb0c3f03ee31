"""Spreading lots over firings: conditions over the grid, feedstocks over conditions.

Balance is sought by exchange: two lots change places where that lowers a cost made of squared
counts. Squared counts are least where things are spread evenly.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Most evaluations of the cost in one search; about a second.
_BUDGET = 25_000


@dataclass(frozen=True)
class Spread:
    """A wish: each label is to meet the values of a group's property equally often.

    Parameters
    ----------
    labels : (n_lots,) int array
        Label of each lot, for example its feedstock.
    groups : (n_groups,) int array
        Property of each group, for example the temperature of a firing.
    weight : float
        How much this wish counts.
    """

    labels: np.ndarray
    groups: np.ndarray
    weight: float

    def cost(self, assigned: np.ndarray) -> float:
        """Weighted sum of squared counts of label by property."""
        width = int(self.groups.max()) + 1
        counts = np.bincount(self.labels * width + self.groups[assigned])
        return self.weight * float(np.dot(counts, counts))


@dataclass(frozen=True)
class Avoid:
    """A wish: lots are to keep out of groups that do not suit them.

    Parameters
    ----------
    unsuited : (n_lots, n_groups) bool array
        Where a lot must not go.
    weight : float
        How much each breach counts; far more than any balance.
    """

    unsuited: np.ndarray
    weight: float = 1e5

    def cost(self, assigned: np.ndarray) -> float:
        """Weighted number of lots where they must not be."""
        return self.weight * float(self.unsuited[np.arange(len(assigned)), assigned].sum())


def choose_conditions(
    n_firings: int, *, n_temperatures: int, n_holds: int, rng: np.random.Generator
) -> np.ndarray:
    """Temperature and hold of each firing, as evenly over their grid as can be, in random order.

    Parameters
    ----------
    n_firings, n_temperatures, n_holds : int
        Firings to lay out and levels of the two factors.
    rng : numpy.random.Generator
        Breaks ties and orders the firings.

    Returns
    -------
    (n_firings, 2) int array
        Index of the temperature and of the hold, in run order.
    """
    cells = np.zeros((n_temperatures, n_holds), dtype=int)
    chosen = []
    for _ in range(n_firings):
        # Least used cell first; among those the one whose row and column are least used.
        rows, columns = cells.sum(axis=1, keepdims=True), cells.sum(axis=0, keepdims=True)
        score = cells * 1e6 + rows * n_temperatures + columns * n_holds
        best = np.flatnonzero(np.isclose(score, score.min()))
        pick = int(rng.choice(best))
        cells.flat[pick] += 1
        chosen.append(divmod(pick, n_holds))
    return rng.permutation(np.array(chosen, dtype=int).reshape(-1, 2))


def fill_sizes(n_lots: int, free: Sequence[int], taken: Sequence[int]) -> np.ndarray:
    """How many lots each group takes, so that all are about equally full.

    Parameters
    ----------
    n_lots : int
        Lots to place; no more than there is room for.
    free : sequence of n_groups ints
        Room in each group.
    taken : sequence of n_groups ints
        Places already taken, counted as filling.

    Raises
    ------
    ValueError
        Where there is not room enough.
    """
    free, level = np.array(free, dtype=int), np.array(taken, dtype=int)
    if n_lots > free.sum():
        raise ValueError(f"{n_lots} lots do not fit into {free.sum()} places")
    sizes = np.zeros(len(free), dtype=int)
    for _ in range(n_lots):
        open_groups = np.flatnonzero(sizes < free)
        least = open_groups[np.argmin((level + sizes)[open_groups])]
        sizes[least] += 1
    return sizes


def spread_lots(
    sizes: np.ndarray,
    wishes: Sequence[Spread | Avoid],
    *,
    partners: np.ndarray,
    partner_weight: float = 1.0,
    rng: np.random.Generator,
    starts: int = 3,
) -> np.ndarray:
    """Group of each lot, by exchange from several random starts.

    Parameters
    ----------
    sizes : (n_groups,) int array
        Lots in each group; they add up to n_lots.
    wishes : sequence of Spread and Avoid
        What is to be even, and what is forbidden.
    partners : (n_lots,) int array
        Label, for example feedstock, whose pairs are to share groups equally often: the squared
        number of shared groups is summed over pairs, so that many partners once beat one often.
    partner_weight : float
        How much that counts.
    rng : numpy.random.Generator
        The same state gives the same result.
    starts : int
        Random starts; the best result is kept.

    Returns
    -------
    (n_lots,) int array
    """
    places = np.repeat(np.arange(len(sizes)), sizes)
    n = places.size
    if n == 0 or len(sizes) < 2:
        return places
    n_labels = int(partners.max()) + 1

    def cost(assigned: np.ndarray) -> float:
        total = sum(wish.cost(assigned) for wish in wishes)
        counts = np.bincount(
            partners * len(sizes) + assigned, minlength=n_labels * len(sizes)
        ).reshape(n_labels, len(sizes))
        shared = (counts @ counts.T).astype(float)
        off = float((shared**2).sum() - (np.diag(shared) ** 2).sum())
        return total + partner_weight * off

    best, best_cost = places, np.inf
    for _ in range(starts):
        assigned, lowest = _exchange(rng.permutation(places), cost, rng, _BUDGET // starts)
        if lowest < best_cost - 1e-9:
            best, best_cost = assigned, lowest
    return best


def _exchange(
    assigned: np.ndarray, cost, rng: np.random.Generator, budget: int
) -> tuple[np.ndarray, float]:
    """Swap pairs of lots while that helps, in random order, within a budget of evaluations."""
    lowest = cost(assigned)
    first, second = np.triu_indices(assigned.size, k=1)
    helped = True
    while helped and budget > 0:
        helped = False
        for k in rng.permutation(first.size):
            i, j = first[k], second[k]
            if assigned[i] == assigned[j]:
                continue
            assigned[i], assigned[j] = assigned[j], assigned[i]
            now = cost(assigned)
            budget -= 1
            if now < lowest - 1e-9:
                lowest, helped = now, True
            else:
                assigned[i], assigned[j] = assigned[j], assigned[i]
            if budget <= 0:
                break
    return assigned, lowest

"""Resolvable incomplete blocks: every feedstock once per replicate, pairs sharing blocks evenly."""

import numpy as np


def resolvable_blocks(
    n_treatments: int,
    *,
    block_size: int,
    replicates: int,
    rng: np.random.Generator,
    starts: int = 6,
) -> np.ndarray:
    """Block of each treatment in each replicate.

    Parameters
    ----------
    n_treatments : int
        Feedstocks, or feedstocks with and without activation.
    block_size : int
        Places in a block (a firing); blocks of a replicate differ by one lot at most.
    replicates : int
        Times each treatment is laid out.
    rng : numpy.random.Generator
    starts : int
        Random starts of the exchange; the first begins at a cyclic design.

    Returns
    -------
    (replicates, n_treatments) int array
        Block within the replicate, from 0.

    Notes
    -----
    Treatments change blocks within a replicate while the sum of squared concurrences (how often
    two treatments share a block) falls: at its least value, with concurrences that differ by no
    more than one, a design is at or close to the best efficiency (John and Williams, Cyclic and
    Computer Generated Designs, 1995; from memory).
    """
    n_blocks = -(-n_treatments // block_size)
    base = np.arange(n_treatments) % n_blocks
    if n_blocks == 1:
        return np.zeros((replicates, n_treatments), dtype=int)
    best, lowest = np.zeros((0, 0), int), np.inf
    for start in range(starts):
        if start == 0:
            # Each replicate shifts the rows of the first one round by another step.
            row = np.arange(n_treatments) // n_blocks
            layout = np.array([(base + r * row) % n_blocks for r in range(replicates)])
            if any(np.ptp(np.bincount(one, minlength=n_blocks)) > 1 for one in layout):
                layout = np.array([rng.permutation(base) for _ in range(replicates)])
        else:
            layout = np.array([rng.permutation(base) for _ in range(replicates)])
        layout, cost = _improve(layout, rng)
        if cost < lowest:
            best, lowest = layout, cost
    return best


def concurrence(layout: np.ndarray) -> np.ndarray:
    """How often two treatments share a block: (n, n) int array."""
    same = layout[:, :, None] == layout[:, None, :]
    return same.sum(axis=0)


def _improve(layout: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    shared = concurrence(layout)
    n = layout.shape[1]
    helped = True
    while helped:
        helped = False
        for r in range(len(layout)):
            for i in rng.permutation(n):
                gains = np.full(n, -1)
                row = layout[r]
                mates_i = (row == row[i]) & (np.arange(n) != i)
                for j in np.flatnonzero(row != row[i]):
                    mates_j = (row == row[j]) & (np.arange(n) != j)
                    # i leaves its mates for those of j, and the other way round.
                    lost = (2 * shared[i] - 1)[mates_i].sum() + (2 * shared[j] - 1)[mates_j].sum()
                    won = (2 * shared[i] + 1)[mates_j].sum() + (2 * shared[j] + 1)[mates_i].sum()
                    gains[j] = lost - won
                j = int(np.argmax(gains))
                if gains[j] > 0:
                    layout[r, i], layout[r, j] = layout[r, j], layout[r, i]
                    shared = concurrence(layout)
                    helped = True
    off = shared - np.diag(np.diag(shared))
    return layout, float((off**2).sum())


def efficiency_factors(layout: np.ndarray) -> np.ndarray:
    """Canonical efficiency factors of a block design, ascending: (n_treatments - 1,).

    Their harmonic mean is the average efficiency of a comparison of two treatments, against one
    in which blocks did not matter.

    Parameters
    ----------
    layout : (replicates, n_treatments) int array
        From `resolvable_blocks`.
    """
    replicates, n = layout.shape
    sizes = np.array([np.bincount(row)[row] for row in layout], dtype=float)
    weighed = np.zeros((n, n))
    for row, size in zip(layout, sizes, strict=True):
        weighed += (row[:, None] == row[None, :]) / size[:, None]
    kernel = np.eye(n) - weighed / replicates
    return np.sort(np.linalg.eigvalsh(kernel))[1:]

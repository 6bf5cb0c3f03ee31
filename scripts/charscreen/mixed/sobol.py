"""Scrambled Sobol points, without the weight of a whole library of statistics at each start."""

import numpy as np

BITS = 30
DIRECTIONS = (
    (1, ()),
    (3, (1,)),
    (7, (1, 3)),
    (11, (1, 3, 1)),
    (13, (1, 1, 1)),
    (19, (1, 1, 3, 3)),
    (25, (1, 3, 5, 13)),
    (37, (1, 1, 5, 5, 17)),
    (41, (1, 1, 5, 5, 5)),
    (47, (1, 1, 7, 11, 19)),
    (55, (1, 1, 5, 1, 1)),
    (59, (1, 1, 1, 3, 11)),
    (61, (1, 3, 5, 5, 31)),
    (67, (1, 3, 3, 9, 7, 49)),
    (91, (1, 1, 1, 15, 21, 21)),
    (97, (1, 3, 1, 13, 27, 49)),
)
"""Per dimension a primitive polynomial over {0, 1}, its coefficients as bits, and the first
direction numbers (Joe & Kuo 2008, SIAM J. Sci. Comput. 30(5), 2635-2654: the set made for good
two-dimensional projections; checked against SciPy's copy of it)."""
_PLACES = np.arange(BITS - 1, -1, -1, dtype=np.uint32)  # of the bits, the highest first


def sobol_points(dimensions: int, count: int, rng: np.random.Generator) -> np.ndarray:
    """The first scrambled Sobol points, (count, dimensions), from 0 to below 1.

    Parameters
    ----------
    dimensions : int
    count : int
        Best a power of two.
    rng : Generator
        Of which a child draws the scrambling.

    Notes
    -----
    Sobol's sequence in the order of Gray's code, scrambled by a random lower triangular matrix on
    the bits and a random shift (Matoušek 1998, J. Complexity 14, 527-556; from memory). Bit by bit
    what `scipy.stats.qmc.Sobol` gives for the same generator, which takes over beyond the
    dimensions of `DIRECTIONS`.
    """
    if dimensions > len(DIRECTIONS):
        from scipy.stats import qmc

        return qmc.Sobol(d=dimensions, scramble=True, rng=rng).random(count)
    rng = rng.spawn(1)[0]
    bits = rng.integers(2, size=(dimensions, BITS), dtype=np.uint32)
    shift = bits @ (np.uint32(1) << np.arange(BITS, dtype=np.uint32))
    lower = np.tril(rng.integers(2, size=(dimensions, BITS, BITS), dtype=np.uint32))
    lower[:, np.arange(BITS), np.arange(BITS)] = 1
    vectors = np.array([_direction_vectors(*DIRECTIONS[k]) for k in range(dimensions)])
    as_bits = (vectors[:, None, :] >> _PLACES[:, None]) & np.uint32(1)
    vectors = (((lower @ as_bits) & np.uint32(1)) << _PLACES[:, None]).sum(axis=1, dtype=np.uint32)
    number = np.arange(count, dtype=np.uint32)
    gray = number ^ (number >> np.uint32(1))
    points = np.repeat(shift[None, :], count, axis=0)
    for place in range(int(count - 1).bit_length()):
        on = (gray >> np.uint32(place)) & np.uint32(1) == 1
        points[on] ^= vectors[:, place]
    return points * 0.5**BITS


def _direction_vectors(polynomial: int, first: tuple[int, ...]) -> np.ndarray:
    """Direction vectors (BITS,) of one dimension, the binary point before bit BITS."""
    degree = len(first)
    numbers = list(first) if degree else [1] * BITS
    while len(numbers) < BITS:
        new = numbers[-degree] ^ (numbers[-degree] << degree)
        for k in range(1, degree):
            if (polynomial >> (degree - k)) & 1:
                new ^= numbers[-k] << k
        numbers.append(new)
    return np.array(numbers, dtype=np.uint32) << _PLACES

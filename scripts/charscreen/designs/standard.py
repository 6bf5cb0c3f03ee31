"""Standard designs in coded units, and what they leave mixed up."""

import itertools
from collections.abc import Sequence

import numpy as np

FULL, FRACTION, SCREENING = "full_factorial", "fractional_factorial", "plackett_burman"
DEFINITIVE, COMPOSITE, EDGES = "definitive_screening", "central_composite", "box_behnken"
FILLING = "space_filling"
#: Fewest and most factors each can take.
FACTOR_LIMITS = {
    FULL: (1, 12),
    FRACTION: (3, 12),
    SCREENING: (2, 47),
    DEFINITIVE: (3, 24),
    COMPOSITE: (2, 8),
    EDGES: (3, 12),
    FILLING: (1, 40),
}


def standard_design(
    kind: str,
    n_levels: Sequence[int],
    *,
    resolution: int = 4,
    centres: int = 1,
    points: int = 0,
    seed: int = 0,
) -> np.ndarray:
    """A standard design in coded units.

    Parameters
    ----------
    kind : str
        A key of `FACTOR_LIMITS`.
    n_levels : sequence of k int
        Levels of each factor; only a full factorial uses more than its ends and middle.
    resolution : int
        Of a fractional factorial.
    centres : int
        Centre points of a central composite or Box-Behnken design.
    points : int
        Of a space-filling design.
    seed : int
        Of a space-filling design.

    Returns
    -------
    (n, k) array
        Coded -1 to 1. The star points of a central composite design stand at -1 and 1, its
        corners at 1/α with α = 2^(k/4) (rotatable: Box and Hunter 1957, from memory), so that no
        point leaves the range.

    Raises
    ------
    ValueError
        Where the kind cannot take so many factors.
    """
    k = len(n_levels)
    least, most = FACTOR_LIMITS[kind]
    if not least <= k <= most:
        raise ValueError(f"{kind} takes {least} to {most} factors, not {k}")
    if kind == FULL:
        import pydoe

        grid = pydoe.fullfact(np.array(n_levels))
        return 2.0 * grid / (np.maximum(np.array(n_levels), 2) - 1) - 1.0
    if kind == FILLING:
        return _fill_space(points, k, seed)
    import pydoe

    if kind == FRACTION:
        return _fraction(k, resolution)
    if kind == SCREENING:
        return pydoe.pbdesign(k)
    if kind == DEFINITIVE:
        return pydoe.definitive_screening_design(k)
    if kind == EDGES:
        return pydoe.bbdesign(k, center=centres)
    design = pydoe.ccdesign(k, center=(0, centres), alpha="rotatable", face="circumscribed")
    return design / rotatable_alpha(k)


def rotatable_alpha(k: int) -> float:
    """Distance of the star points of a rotatable central composite design, 2^(k/4)."""
    return float(2.0 ** (k / 4.0))


def _fraction(k: int, resolution: int) -> np.ndarray:
    """The smallest two-level fraction of a resolution; all of it where no fraction has it."""
    import pydoe

    for basic in range(2, k):
        generators = _generators(k, basic, resolution)
        if generators is not None:
            return pydoe.fracfact(" ".join(generators))
    return pydoe.ff2n(k)


def _generators(k: int, basic: int, resolution: int) -> list[str] | None:
    """Words of a fraction in `basic` base factors: the first choice without a too short word."""
    letters = "abcdefghijklmnop"[:basic]
    words = [
        "".join(combination)
        for size in range(basic, max(resolution - 2, 1), -1)
        for combination in itertools.combinations(letters, size)
        if size >= resolution - 1
    ]
    base = [1 << i for i in range(basic)]

    def mask(word: str) -> int:
        return sum(1 << letters.index(letter) for letter in word)

    def extend(chosen: list[str], start: int) -> list[str] | None:
        if len(chosen) == k - basic:
            return chosen
        for i in range(start, len(words)):
            trial = [*chosen, words[i]]
            if _shortest([*base, *map(mask, trial)]) >= resolution:
                found = extend(trial, i + 1)
                if found is not None:
                    return found
        return None

    found = extend([], 0)
    return None if found is None else [*letters, *found]


def _shortest(columns: list[int]) -> int:
    """Fewest columns whose product is constant."""
    for size in range(1, 5):
        for combination in itertools.combinations(columns, size):
            total = 0
            for column in combination:
                total ^= column
            if total == 0:
                return size
    return 5


def _fill_space(points: int, k: int, seed: int) -> np.ndarray:
    """The most spread of several Latin hypercubes."""
    from scipy.spatial.distance import pdist
    from scipy.stats import qmc

    best, widest = np.zeros((points, k)), -1.0
    rng = np.random.default_rng(seed)
    for _ in range(50):
        trial = qmc.LatinHypercube(k, rng=rng, optimization=None).random(points)
        apart = float(pdist(trial).min()) if points > 1 else 0.0
        if apart > widest:
            best, widest = trial, apart
    return 2.0 * best - 1.0


def aliases(design: np.ndarray, names: Sequence[str], *, order: int = 2) -> list[str]:
    """Effects that a two-level design cannot tell apart, each set as ``A = B:C``.

    Parameters
    ----------
    design : (n, k) array of -1 and 1
    names : sequence of k str
    order : int
        Products of up to so many factors are looked at.

    Returns
    -------
    list of str
        Sets of two or more, a leading minus where the sign is turned; ``1`` is the mean.
    """
    n, k = design.shape
    effects = [("1", np.ones(n))] + [
        (":".join(names[i] for i in chosen), design[:, chosen].prod(axis=1))
        for size in range(1, order + 1)
        for chosen in itertools.combinations(range(k), size)
    ]
    sets: list[list[tuple[str, np.ndarray]]] = []
    for name, column in effects:
        for members in sets:
            agreement = float(column @ members[0][1]) / n
            if abs(abs(agreement) - 1.0) < 1e-9:
                members.append((name if agreement > 0 else f"-{name}", column))
                break
        else:
            sets.append([(name, column)])
    return [" = ".join(name for name, _ in members) for members in sets if len(members) > 1]

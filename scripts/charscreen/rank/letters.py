"""Compact letters: candidates that share a letter are not told apart."""

from itertools import combinations

import numpy as np

MOST_LETTERS = 26
_MOST_SETS = 400  # on the way to the letters


def compact_letters(differs: np.ndarray) -> tuple[list[str], bool]:
    """Letters of each candidate, best first, and whether they tell all.

    Parameters
    ----------
    differs : (n, n) bool array
        Which pairs are told apart, candidates ordered best first; symmetric.

    Returns
    -------
    letters : list of str
        Two candidates without a letter in common are told apart. Letters run in the order of the
        candidates: ``a`` holds the first. Beyond 26: ``a2``, ``b2`` and so on.
    exact : bool
        Whether two that share a letter are never told apart.

    Notes
    -----
    Insert and absorb: start with one letter for all; for each pair told apart, every letter that
    both hold is split into one without the first and one without the second, and letters whose
    holders all hold another letter are dropped. What remains are the largest sets within which
    no pair is told apart (Piepho 2004, J. Comput. Graph. Stat. 13, 456, from memory). Where
    differences are not equally sure that can take more letters than anyone reads. Beyond
    `MOST_LETTERS` pairs that lie between two not told apart count as not told apart either
    (our own choice): each letter is then an unbroken run of candidates.
    """
    sets = _largest_sets(differs)
    exact = sets is not None and len(sets) <= MOST_LETTERS
    if not exact:
        sets = _runs(differs)
    texts: list[list[str]] = [[] for _ in differs]
    for number, holders in enumerate(sorted(sets)):
        for k in holders:
            texts[k].append(_letter(number))
    return ["".join(text) for text in texts], exact


def _largest_sets(differs: np.ndarray) -> list[list[int]] | None:
    """Largest sets without a pair told apart, kept as bits; None where they grow too many."""
    n = len(differs)
    sets = [(1 << n) - 1] if n else []
    for i, j in combinations(range(n), 2):
        if not differs[i, j]:
            continue
        both = (1 << i) | (1 << j)
        split = [s for s in sets if s & both == both]
        sets = [s for s in sets if s & both != both]
        for new in [s & ~(1 << k) for k in (i, j) for s in split]:
            if not any(new & ~old == 0 for old in sets):
                sets = [old for old in sets if old & ~new]
                sets.append(new)
        if len(sets) > _MOST_SETS:
            return None
    return [[k for k in range(n) if s >> k & 1] for s in sets]


def _runs(differs: np.ndarray) -> list[list[int]]:
    """Largest runs of candidates whose ends reach each other over pairs not told apart."""
    n = len(differs)
    reach = np.array([np.flatnonzero(~differs[i]).max(initial=i) for i in range(n)])
    reach = np.maximum.accumulate(reach)
    starts = [i for i in range(n) if i == 0 or reach[i] > reach[i - 1]]
    return [list(range(i, reach[i] + 1)) for i in starts]


def shorten(letters: str) -> str:
    """Letters with runs of four and more written by their ends: ``abcde`` is ``a-e``."""
    if any(c.isdigit() for c in letters):
        return letters
    out, start = "", 0
    for k in range(1, len(letters) + 1):
        if k < len(letters) and ord(letters[k]) == ord(letters[k - 1]) + 1:
            continue
        run = letters[start:k]
        out += run if len(run) < 4 else f"{run[0]}–{run[-1]}"
        start = k
    return out


def _letter(number: int) -> str:
    turn, place = divmod(number, 26)
    return chr(ord("a") + place) + (str(turn + 1) if turn else "")

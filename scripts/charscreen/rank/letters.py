"""Compact letters: candidates that share a letter are not told apart."""

import numpy as np

MOST_LETTERS = 400


def compact_letters(differs: np.ndarray) -> list[str]:
    """Letters of each candidate, best first.

    Parameters
    ----------
    differs : (n, n) bool array
        Which pairs are told apart, candidates ordered best first; symmetric.

    Returns
    -------
    list of str
        Two candidates share a letter exactly where they are not told apart. Letters run in the
        order of the candidates: ``a`` holds the first. Beyond 26: ``a2``, ``b2`` and so on.
        Empty texts where more than `MOST_LETTERS` would be needed.

    Notes
    -----
    Insert and absorb: start with one letter for all; for each pair told apart, every letter that
    both hold is split into one without the first and one without the second, and letters whose
    holders all hold another letter are dropped. What remains are the largest sets within which
    no pair is told apart (Piepho 2004, J. Comput. Graph. Stat. 13, 456, from memory). Sets are
    kept as bits of whole numbers.
    """
    n = len(differs)
    sets = [(1 << n) - 1] if n else []
    for i in range(n):
        for j in range(i + 1, n):
            if not differs[i, j]:
                continue
            both = (1 << i) | (1 << j)
            split = [s for s in sets if s & both == both]
            if not split:
                continue
            sets = [s for s in sets if s & both != both]
            for new in [s & ~(1 << k) for k in (i, j) for s in split]:
                if not any(new & ~old == 0 for old in sets):
                    sets = [old for old in sets if old & ~new]
                    sets.append(new)
            if len(sets) > MOST_LETTERS:
                return [""] * n
    members = sorted([k for k in range(n) if s >> k & 1] for s in sets)
    texts: list[list[str]] = [[] for _ in range(n)]
    for number, holders in enumerate(members):
        for k in holders:
            texts[k].append(_letter(number))
    return ["".join(text) for text in texts]


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

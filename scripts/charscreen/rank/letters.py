"""Compact letters: candidates that share a letter are not told apart."""

import numpy as np

MOST_LETTERS = 26


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
    A letter stands for a largest set of candidates within which no pair is told apart, as insert
    and absorb gives them (Piepho 2004, J. Comput. Graph. Stat. 13, 456, from memory): the maximal
    cliques of the graph of pairs not told apart (Bron & Kerbosch 1973, Commun. ACM 16, 575, from
    memory). Where differences are not equally sure these can be more than anyone reads. Beyond
    `MOST_LETTERS` pairs that lie between two not told apart count as not told apart either
    (our own choice): each letter is then an unbroken run of candidates.
    """
    sets = _largest_sets(differs)
    exact = sets is not None
    if not exact:
        sets = _runs(differs)
    texts: list[list[str]] = [[] for _ in differs]
    for number, holders in enumerate(sorted(sets)):
        for k in holders:
            texts[k].append(_letter(number))
    return ["".join(text) for text in texts], exact


def _largest_sets(differs: np.ndarray) -> list[list[int]] | None:
    """Largest sets without a pair told apart; None where they are more than the letters."""
    n = len(differs)
    # Candidates as bits: those that each is not told apart from, itself left out.
    near = [
        sum(1 << int(k) for k in np.flatnonzero(~row) if k != i) for i, row in enumerate(differs)
    ]
    sets: list[int] = []
    # Members so far, who may still join, and who could have but was looked at before.
    waiting = [(0, (1 << n) - 1, 0)] if n else []
    while waiting:
        members, joining, seen = waiting.pop()
        if not joining:
            if not seen:
                sets.append(members)
                if len(sets) > MOST_LETTERS:
                    return None
            continue
        # A largest set holds the candidate with most of the others near it or one not near to it.
        pivot = max(_bits(joining | seen), key=lambda k: (joining & near[k]).bit_count())
        for k in _bits(joining & ~near[pivot]):
            waiting.append((members | 1 << k, joining & near[k], seen & near[k]))
            joining &= ~(1 << k)
            seen |= 1 << k
    return [_bits(found) for found in sets]


def _bits(number: int) -> list[int]:
    """Places of the bits that are set, lowest first."""
    places = []
    while number:
        lowest = number & -number
        places.append(lowest.bit_length() - 1)
        number ^= lowest
    return places


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

"""The random part of a mixed model: grouping columns to levels and values, and what to drop."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from .errors import MixedModelError
from .levels import cross_pairs, own_products, sum_by_level
from .random_term import RandomTerm

NO_NEWS = 1e-7  # a variance matrix with a smaller share of its own cannot be told from the others


def group_labels(data: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """Level name of each row, None where any of the columns is empty.

    Parameters
    ----------
    data : DataFrame
        n rows with the columns.
    columns : sequence of str
        Crossed columns; their values are joined by a colon.

    Returns
    -------
    (n,) object array
    """
    joined, names = None, []
    for name in columns:
        codes, values = pd.factorize(data[name], use_na_sentinel=True)
        own = np.array([*map(_label, values), None], dtype=object)  # -1, empty, is the last
        if joined is None:
            joined, names = codes, own
            continue
        empty = (joined < 0) | (codes < 0)
        pairs = np.where(empty, -1, joined * len(own) + codes)
        kept, joined = np.unique(pairs[~empty], return_inverse=True)
        whole = np.full(len(codes), -1)
        whole[~empty] = joined
        joined = whole
        names = np.array(
            [*(f"{names[v // len(own)]}:{own[v % len(own)]}" for v in kept), None], dtype=object
        )
    return names[joined]


def _label(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def read_random(names: Sequence[str], data: pd.DataFrame) -> tuple[list[RandomTerm], list[str]]:
    """Random terms from their names, without those that cannot be more than noise.

    Parameters
    ----------
    names : sequence of str
        ``a``, ``a:b`` for crossed columns, ``a|x`` for a random slope of x without intercept.
    data : DataFrame
        n rows. A missing value in a grouping column means: no level, no contribution.

    Returns
    -------
    terms : list of RandomTerm
    flags : list of str
        Terms left out (fewer than two levels, a constant covariate) and why.

    Raises
    ------
    MixedModelError
        A column is missing, a name is given twice, or a covariate is not a finite number.
    """
    parts = [_parse(name, data) for name in names]
    names = [":".join(group) + (f"|{covariate}" if covariate else "") for group, covariate in parts]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise MixedModelError(f"random term {', '.join(twice)} is given twice.")
    if "residual" in names:
        raise MixedModelError("the name 'residual' is kept for the rest; rename that column.")
    terms, flags = [], []
    for name, (columns, covariate) in zip(names, parts, strict=True):
        absent = [c for c in (*columns, *([covariate] if covariate else [])) if c not in data]
        if absent:
            raise MixedModelError(f"random term '{name}': no column {', '.join(absent)}.")
        labels = group_labels(data, columns)
        codes, levels = pd.factorize(labels, sort=True, use_na_sentinel=True)
        if len(levels) < 2:
            count = "one level" if len(levels) else "no level"
            flags.append(
                f"random term '{name}' dropped: it has {count}, so its scatter cannot be seen "
                "and no claim can reach beyond that level"
            )
            continue
        values = (codes >= 0).astype(float)
        centre, scale = 0.0, 1.0
        if covariate:
            x = _covariate(data, covariate, name, codes >= 0)
            centre, scale = float(x.mean()), float(x.std(ddof=1))
            if not scale > 1e-9 * np.abs(x).max():
                flags.append(f"random term '{name}' dropped: {covariate} does not vary")
                continue
            values[codes >= 0] = (x - centre) / scale
        levels = [str(level) for level in levels]
        terms.append(RandomTerm(name, columns, covariate, centre, scale, levels, codes, values))
    return terms, flags


def _parse(name: str, data: pd.DataFrame) -> tuple[tuple[str, ...], str | None]:
    """Grouping columns and covariate of a random term; a column's own name stands for itself."""
    if not isinstance(name, str) or not name.strip():
        raise MixedModelError(
            f"a random term must be the name of a column, a:b or a|x, not {name!r}."
        )
    if name in data:
        return (name,), None
    group, bar, covariate = name.partition("|")
    columns = tuple(part.strip().strip("`") for part in group.split(":"))
    covariate = covariate.strip().strip("`")
    if not all(columns) or bool(bar) != bool(covariate):
        raise MixedModelError(f"random term '{name}' is not of the form a, a:b or a|x.")
    return columns, covariate or None


def _covariate(data: pd.DataFrame, covariate: str, name: str, used: np.ndarray) -> np.ndarray:
    x = pd.to_numeric(data[covariate], errors="coerce").to_numpy(dtype=float)[used]
    if not np.isfinite(x).all():
        raise MixedModelError(
            f"random term '{name}': {covariate} is empty or not a number in "
            f"{int((~np.isfinite(x)).sum())} row(s). Leave such rows out before fitting."
        )
    return x


def drop_unidentified(
    terms: list[RandomTerm], root_weights: np.ndarray, Q: np.ndarray
) -> tuple[list[RandomTerm], list[str]]:
    """Random terms whose variance these data can tell from the residual and from each other.

    Parameters
    ----------
    terms : list of RandomTerm
        In the order of preference: of two that coincide the first is kept.
    root_weights : (n,) array
        Square roots of the weights.
    Q : (n, p) array
        Orthonormal basis of the weighted fixed part.

    Returns
    -------
    kept : list of RandomTerm
    flags : list of str

    Notes
    -----
    With P the projection beside the fixed part, a variance is identified when P Z Z' P is not a
    combination of P and the matrices of the terms before it. Their inner products are the
    restricted likelihood's information at zero ratios, so a Cholesky pivot near zero finds
    every case: one observation per level, two groupings that coincide, a grouping that the fixed
    part already spans.
    """
    n, p = Q.shape
    sums = [sum_by_level(term, Q, root_weights) for term in terms]
    squares = [block.T @ block for block in sums]
    kept: list[int] = []
    flags = []
    products = np.zeros((len(terms) + 1, len(terms) + 1))
    products[0, 0] = n - p

    def inner(j: int, k: int) -> tuple[float, float]:
        """Squares of Z_j' P Z_k = Z_j' Z_k - S_j S_k' and of its first part, summed."""
        pairs, entries = cross_pairs(terms[j], terms[k], root_weights)
        rows, columns = np.divmod(pairs, len(terms[k].levels))
        cross = entries @ (sums[j][rows] * sums[k][columns]).sum(axis=1)
        whole = float(entries @ entries)
        return whole - 2.0 * float(cross) + float((squares[j] * squares[k]).sum()), whole

    for k, term in enumerate(terms):
        own, whole = inner(k, k)
        trace = float(own_products(term, root_weights).sum() - np.trace(squares[k]))
        cross = [trace, *(inner(j, k)[0] for j in kept)]
        before = [0, *[j + 1 for j in kept]]
        left = own
        if own > NO_NEWS * whole:
            basis = products[np.ix_(before, before)]
            left = own - float(np.dot(cross, np.linalg.solve(basis, cross)))
        if own <= NO_NEWS * whole or left <= NO_NEWS * own:
            reason = _why(term, [terms[j] for j in kept], own <= NO_NEWS * whole)
            flags.append(f"random term '{term.name}' dropped: {reason}")
            continue
        products[before, k + 1] = products[k + 1, before] = cross
        products[k + 1, k + 1] = own
        kept.append(k)
    return [terms[k] for k in kept], flags


def _why(term: RandomTerm, kept: list[RandomTerm], spanned: bool) -> str:
    used = term.codes >= 0
    if spanned:
        return (
            "its levels coincide with what the fixed part already describes, so scatter between "
            "them cannot be told from those effects"
        )
    if len(term.levels) == used.sum():
        return (
            "each of its levels has one observation, so it cannot be told from the residual, "
            "which now holds both"
        )
    for other in kept:
        if other.covariate == term.covariate and _same_grouping(term.codes, other.codes):
            return f"its levels coincide with those of '{other.name}', which now holds both"
    return "these data cannot tell its variance from that of the other terms and the residual"


def _same_grouping(one: np.ndarray, two: np.ndarray) -> bool:
    pairs = pd.unique(pd.Series(list(zip(one.tolist(), two.tolist(), strict=True))))
    return len(pairs) == len(np.unique(one)) == len(np.unique(two))

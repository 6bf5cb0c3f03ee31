"""Several merits at once: which candidates no other beats in everything."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

_CHUNK_VALUES = 1_000_000  # worked on at once


def on_front(values: np.ndarray) -> np.ndarray:
    """Which candidates lie on the Pareto front, draw by draw.

    Parameters
    ----------
    values : (n_draws, n_candidates, n_merits) array
        More is better in all.

    Returns
    -------
    (n_draws, n_candidates) bool array
        False where another candidate is at least as good in every merit and better in one.

    Raises
    ------
    ValueError
        Fewer than two merits, or a value that is not finite.

    Notes
    -----
    In each draw the candidates are sorted by the first merit, then the next and so on. The first
    is on the front; all that it beats leave, and so on with the first of those left: the work
    grows with candidates times those on the front. Candidates alike in everything do not beat
    each other.
    """
    values = np.asarray(values, dtype=float)
    if values.ndim != 3 or values.shape[2] < 2:
        raise ValueError("a front needs two merits or more")
    if not np.isfinite(values).all():
        raise ValueError("values must be finite")
    n_draws, n, m = values.shape
    step = max(1, _CHUNK_VALUES // max(n * m, 1))
    parts = [_front(values[start : start + step]) for start in range(0, n_draws, step)]
    return np.concatenate([np.zeros((0, n), dtype=bool), *parts])


def _front(values: np.ndarray) -> np.ndarray:
    """The front of some draws."""
    n_draws, n, m = values.shape
    order = np.lexsort([-values[..., k] for k in reversed(range(m))], axis=1)
    parts = [np.take_along_axis(values[..., k], order, axis=1) for k in range(m)]
    found = np.zeros((n_draws, n), dtype=bool)
    rows, left = np.arange(n_draws if n else 0), np.ones((n_draws, n), dtype=bool)
    while len(rows):
        here, first = np.arange(len(rows)), left.argmax(axis=1)
        found[rows, first] = True
        beaten, alike = np.ones_like(left), np.ones_like(left)
        for part in parts:
            top = part[here, first][:, None]
            beaten &= top >= part
            alike &= top == part
        left &= ~beaten | alike
        left[here, first] = False
        on = left.any(axis=1)
        if not on.all():
            rows, left, parts = rows[on], left[on], [part[on] for part in parts]
    front = np.empty_like(found)
    np.put_along_axis(front, order, found, axis=1)
    return front


def common_draws(
    draws: pd.DataFrame, merits: Sequence[str], better: Mapping[str, str]
) -> tuple[list[str], np.ndarray]:
    """Candidates that all of several merits rank, and their joint draws.

    Parameters
    ----------
    draws : DataFrame
        One column ``<merit>|<candidate>`` each.
    merits : sequence of str
        Which.
    better : mapping of str to str
        ``more`` or ``less`` by merit.

    Returns
    -------
    candidates : list of str
        In the order of the first merit.
    values : (n_draws, n_candidates, n_merits) array
        In the units of the merits, those of which less is better with their sign turned.
    """
    having = [{str(c).partition("|")[2] for c in draws if c.startswith(f"{m}|")} for m in merits]
    first = [str(c).partition("|")[2] for c in draws if c.startswith(f"{merits[0]}|")]
    candidates = [name for name in first if all(name in names for names in having)]
    if not candidates:
        return [], np.zeros((len(draws), 0, len(merits)))
    parts = [
        draws[[f"{merit}|{name}" for name in candidates]].to_numpy(float)
        * (1.0 if better[merit] == "more" else -1.0)
        for merit in merits
    ]
    return candidates, np.stack(parts, axis=2)


def front_table(
    draws: pd.DataFrame, merits: Sequence[str], better: Mapping[str, str]
) -> pd.DataFrame:
    """Membership of the Pareto front of all merits together.

    Parameters
    ----------
    draws, merits, better
        As for `common_draws`.

    Returns
    -------
    DataFrame
        candidate, p_front (share of the draws in which it lies on the front), on_front (``yes``
        where it does by the medians), and the median of each merit under its name; by falling
        p_front. Empty with fewer than two merits or candidates with all of them.
    """
    columns = ["candidate", "p_front", "on_front", *merits]
    if len(merits) < 2:
        return pd.DataFrame(columns=columns)
    candidates, values = common_draws(draws, merits, better)
    if not candidates or not len(values):
        return pd.DataFrame(columns=columns)
    median = np.median(values, axis=0)
    table = pd.DataFrame(
        {
            "candidate": candidates,
            "p_front": on_front(values).mean(axis=0),
            "on_front": np.where(on_front(median[None])[0], "yes", "no"),
        }
    )
    for k, merit in enumerate(merits):
        table[merit] = median[:, k] * (1.0 if better[merit] == "more" else -1.0)
    return table.sort_values(
        ["p_front", "candidate"], ascending=[False, True], kind="stable", ignore_index=True
    )

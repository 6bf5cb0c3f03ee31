"""Many starts of the search, on several cores, with the same result on any number of them."""

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from charscreen.designs.exchange import search_once
from charscreen.designs.problem import Problem
from charscreen.designs.state import Layout

# Starts of problems with so many lots or fewer, and of larger ones.
_STARTS = ((40, 24), (80, 12), (160, 4), (np.inf, 2))
# The libraries of linear algebra then use one core each and round alike everywhere.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Found:
    """The best layout found.

    Parameters
    ----------
    layout : Layout
    value : float
        Its criterion; see `search_once`.
    values : tuple of float
        Criterion of every start, in their order: how well the starts agree.
    """

    layout: Layout
    value: float
    values: tuple[float, ...]


def usual_starts(n_lots: int) -> int:
    """Random starts for a plan of so many lots; fewer for larger ones, which take longer."""
    return next(starts for most, starts in _STARTS if n_lots <= most)


def find_design(
    problem: Problem,
    *,
    seed: int,
    starts: int,
    workers: int = 1,
    progress: Callable[[str, int, int], None] | None = None,
) -> Found:
    """The best of many starts.

    Parameters
    ----------
    problem : Problem
    seed : int
        Each start has a stream of its own from it, so the number of workers changes nothing.
    starts, workers : int
        Random starts; processes that work on them.
    progress : callable, optional
        Told after each start: in words, how many are done, and of how many.

    Raises
    ------
    NoLayoutError
        Where no layout keeps within the limits.
    """
    seeds = np.random.SeedSequence([seed, 1]).spawn(starts)
    results: list[tuple[Layout, float]] = []
    best = np.inf

    def note(result: tuple[Layout, float]) -> None:
        nonlocal best
        results.append(result)
        best = min(best, result[1])
        if progress:
            # Both kinds of criterion are logarithms, so a difference is a ratio.
            gain = 100.0 * (np.exp(results[0][1] - best) - 1.0)
            beyond = f", best {gain:.1f} % better than the first" if len(results) > 1 else ""
            done = len(results)
            progress(f"start {done} of {starts} searched{beyond}", done, starts)

    if min(workers, starts) > 1:
        with (
            _one_thread(),
            ProcessPoolExecutor(min(workers, starts), mp_context=get_context("spawn")) as pool,
        ):
            for result in pool.map(search_once, [problem] * starts, seeds):
                note(result)
    else:
        for start in seeds:
            note(search_once(problem, start))
    values = [value for _, value in results]
    # The first of equals, whatever the last digits say.
    first = int(np.argmin(np.round(values, 8)))
    return Found(results[first][0], values[first], tuple(values))


@contextmanager
def _one_thread():
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value

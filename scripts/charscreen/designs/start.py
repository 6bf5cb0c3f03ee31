"""A first layout for a search: random, and within every limit."""

import numpy as np

from charscreen.designs.problem import Problem
from charscreen.designs.state import Layout

_TRIES = 60


class NoLayoutError(ValueError):
    """No layout keeps within the limits; the text says which lot found no place."""


def random_layout(problem: Problem, rng: np.random.Generator) -> Layout:
    """A random layout within the limits of a problem.

    Parameters
    ----------
    problem : Problem
    rng : numpy.random.Generator

    Raises
    ------
    NoLayoutError
        Where none is found: the conditions forbid too much, or activation has too little room.
    """
    failed: str = ""
    for n in range(_TRIES):
        layout = _grid_layout(problem, rng, evenly=n < _TRIES // 2)
        failed = _fill(problem, layout, rng)
        if not failed:
            return layout
    raise NoLayoutError(failed)


def _grid_layout(problem: Problem, rng: np.random.Generator, *, evenly: bool) -> Layout:
    """No lots yet; firings at settings that suit any lot, spread evenly or drawn at random."""
    n, n_firings = len(problem.fixed), len(problem.sizes)

    def spread(usable: np.ndarray, count: int) -> np.ndarray:
        if not evenly and usable.size:
            return rng.choice(usable, count)
        rounds = [rng.permutation(usable) for _ in range(-(-count // max(usable.size, 1)))]
        return np.concatenate([np.zeros(0, int), *rounds])[:count]

    firing = np.flatnonzero(problem.allowed.any(axis=(0, 2, 3)))
    after = np.flatnonzero(problem.allowed[:, :, problem.activated].any(axis=(0, 1, 2)))
    return Layout(
        feed=np.full(n, -1),
        lot=np.full(n, -1),
        activation=np.full(n, -1),
        firing=np.repeat(np.arange(n_firings), problem.sizes),
        setting=spread(firing, n_firings),
        activation_setting=spread(after, problem.activation_firings),
    )


def _fill(problem: Problem, layout: Layout, rng: np.random.Generator) -> str:
    """Put every lot into a place; returns the trouble, or nothing."""
    room = np.full(problem.activation_firings, problem.activation_size)
    given = np.flatnonzero(problem.fixed >= 0)
    # For a given lot its firing must suit it: choose another setting where it does not.
    for i in given:
        feed, lot, firing = problem.fixed[i], problem.fixed_setting[i], layout.firing[i]
        fits = np.flatnonzero(problem.allowed[feed, :, lot, :].any(axis=1))
        if not fits.size:
            return "a reference lot is forbidden at every setting"
        if layout.setting[firing] not in fits:
            layout.setting[firing] = rng.choice(fits)
        if not _seat(problem, layout, i, feed, np.array([lot]), room, rng):
            return "a reference lot finds no activation firing"
    kinds = [problem.kinds[k] for k in rng.permutation(len(problem.kinds))]
    # Those with the fewest places first.
    places = [
        int(problem.allowed[feed][:, problem.activated == on].any(axis=(1, 2)).sum())
        for feed, on in kinds
    ]
    free = list(rng.permutation(np.flatnonzero(problem.fixed < 0)))
    for k in np.argsort(places, kind="stable"):
        feed, on = kinds[k]
        settings = np.flatnonzero(problem.activated == on)
        for i in free:
            if _seat(problem, layout, i, feed, settings, room, rng):
                free.remove(i)
                break
        else:
            return (
                f"a lot of {problem.terms.feedstocks[feed]}, "
                f"{'activated' if on else 'not activated'}, finds no place"
            )
    return ""


def _seat(problem, layout, i, feed, settings, room, rng) -> bool:
    """Give place i to a feedstock in one of some lot settings, if that is allowed."""
    firing = layout.setting[layout.firing[i]]
    on = bool(problem.activated[settings[0]])
    seats = np.flatnonzero(room > 0) if on else np.array([-1])
    chosen = layout.activation_setting[seats] if on else np.zeros(1, dtype=int)
    if not seats.size:
        return False
    ok = problem.may(feed, firing, settings[:, None], chosen[None, :])
    pairs = np.argwhere(ok)
    if not len(pairs):
        return False
    if on:
        # Fullest room first keeps activation firings about equally full.
        most = room[seats[pairs[:, 1]]]
        pairs = pairs[most == most.max()]
    s, a = pairs[rng.integers(len(pairs))]
    layout.feed[i], layout.lot[i], layout.activation[i] = feed, settings[s], seats[a]
    if on:
        room[seats[a]] -= 1
    return True

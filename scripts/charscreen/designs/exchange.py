"""The firing-aware search: firings, lots within them and activation firings exchanged in turn."""

import numpy as np

from charscreen.designs.problem import Problem
from charscreen.designs.start import random_layout
from charscreen.designs.state import Judge, Layout

_LEAST_GAIN = 1e-7
# All settings of a firing are tried up to so many; of more, those that differ in one factor.
_ALL_SETTINGS = 48
_MOST_PASSES = 30
# Partners drawn for a lot to change places with, of all that there are.
_PARTNERS = 40


def search_once(problem: Problem, seed: np.random.SeedSequence, *, swaps: bool = True):
    """A layout that no single exchange improves, from one random start.

    Parameters
    ----------
    problem : Problem
    seed : numpy.random.SeedSequence
        Of this start.
    swaps : bool
        Let pairs of lots change places as well, once exchanging them one by one helps no more.

    Returns
    -------
    layout : Layout
    value : float
        Its criterion, less being better: minus log det per term (D), or log of the mean variance
        (I, A), averaged over the ratios.

    Notes
    -----
    Exchange in the manner of Fedorov, at each level of the experiment: the setting of a char
    firing (all its lots change), feedstock and setting of a lot, its activation firing, the
    setting of an activation firing, two lots between firings.
    """
    rng = np.random.default_rng(seed)
    judge = Judge(problem, random_layout(problem, rng))
    value = np.inf
    for _ in range(_MOST_PASSES):
        before = judge.value
        for step in (_change_firings, _change_activation_firings, _change_lots):
            step(judge, rng)
            judge.refresh()
        if before - judge.value > _LEAST_GAIN:
            continue
        if not swaps:
            break
        _swap_lots(judge, rng)
        value = judge.refresh()
        if before - value <= _LEAST_GAIN:
            break
    return judge.layout, judge.refresh()


def _take(judge: Judge, out: np.ndarray, into: np.ndarray, same: bool) -> int:
    """Best of some exchanges, taken over where it helps; its position, or -1."""
    if not len(into):
        return -1
    values = judge.after(out, into, same_firings=same)
    best = int(np.argmin(values))
    if not values[best] < judge.value - _LEAST_GAIN:
        return -1
    judge.apply(out if out.ndim == 2 else out[best], into[best], values[best])
    return best


def _neighbours(coded: np.ndarray, at: int) -> np.ndarray:
    """Settings to try instead of one."""
    if len(coded) <= _ALL_SETTINGS:
        return np.delete(np.arange(len(coded)), at)
    return np.flatnonzero((coded != coded[at]).sum(axis=1) == 1)


def _change_firings(judge: Judge, rng: np.random.Generator) -> None:
    problem, layout = judge.problem, judge.layout
    if len(problem.firing_settings) < 2:
        return
    for f in rng.permutation(len(problem.sizes)):
        lots = np.flatnonzero(layout.firing == f)
        if not lots.size:
            continue
        feed, lot, activation = layout.feed[lots], layout.lot[lots], layout.activation[lots]
        chosen = _chosen(layout, activation)
        tries = _neighbours(problem.firing_coded, layout.setting[f])
        tries = tries[problem.may(feed, tries[:, None], lot, chosen).all(axis=1)]
        into = _stack(judge, lots, tries, np.broadcast_to(chosen, (len(tries), len(lots))))
        best = _take(judge, judge.lot_rows(lots), into, True)
        if best >= 0:
            layout.setting[f] = tries[best]


def _change_activation_firings(judge: Judge, rng: np.random.Generator) -> None:
    problem, layout = judge.problem, judge.layout
    if len(problem.activation_settings) < 2:
        return
    for a in rng.permutation(problem.activation_firings):
        lots = np.flatnonzero(layout.activation == a)
        if not lots.size:
            continue
        firing = layout.setting[layout.firing[lots]]
        tries = _neighbours(problem.activation_coded, layout.activation_setting[a])
        ok = problem.may(layout.feed[lots], firing, layout.lot[lots], tries[:, None])
        tries = tries[ok.all(axis=1)]
        into = _stack(judge, lots, None, np.broadcast_to(tries[:, None], (len(tries), len(lots))))
        best = _take(judge, judge.lot_rows(lots), into, True)
        if best >= 0:
            layout.activation_setting[a] = tries[best]


def _stack(judge, lots, tries, chosen) -> np.ndarray:
    """Rows of lots under each of several settings of their firing or activation firing."""
    layout, n = judge.layout, len(chosen)

    def repeat(values):
        return np.tile(values, n)

    own = layout.setting[layout.firing[lots]]
    setting = repeat(own) if tries is None else np.repeat(tries, len(lots))
    X = judge.problem.rows(
        repeat(layout.feed[lots]), setting, repeat(layout.lot[lots]), chosen.ravel()
    )
    T = judge.join(X, repeat(layout.firing[lots]), repeat(layout.activation[lots]))
    return T.reshape(n, len(lots), T.shape[1])


def _chosen(layout: Layout, activation: np.ndarray) -> np.ndarray:
    """Setting of each lot's activation firing; 0, which is not looked at, where it has none."""
    if not len(layout.activation_setting):
        return np.zeros(len(activation), dtype=int)
    return layout.activation_setting[np.maximum(activation, 0)]


def _change_lots(judge: Judge, rng: np.random.Generator) -> None:
    problem, layout = judge.problem, judge.layout
    n_feeds = len(problem.terms.feedstocks)
    counts = np.zeros((n_feeds, 2), dtype=int)
    free = problem.fixed < 0
    np.add.at(counts, (layout.feed[free], problem.activated[layout.lot[free]].astype(int)), 1)
    used = np.bincount(layout.feed, minlength=n_feeds)
    load = np.bincount(
        layout.activation[layout.activation >= 0], minlength=problem.activation_firings
    )
    same_kind = [np.flatnonzero(problem.activated == on) for on in (False, True)]
    for i in rng.permutation(len(layout.feed)):
        f, lot, a = layout.feed[i], layout.lot[i], layout.activation[i]
        on = int(problem.activated[lot])
        open_seats = np.flatnonzero(load < problem.activation_size)
        tries = []
        if free[i]:
            spare = counts[f, on] > problem.least[f, on]
            if spare:
                others = np.flatnonzero(used < problem.most)
                tries += [(g, lot, a) for g in others if g != f]
                # Another feedstock and another setting at once, where there are few of both.
                tries += [
                    (f, s, b) for s in same_kind[1 - on] for b in (open_seats if not on else [-1])
                ]
            tries += [(f, s, a) for s in same_kind[on] if s != lot]
        if on:
            tries += [(f, lot, b) for b in open_seats if b != a]
        if not tries:
            continue
        feeds, lots, seats = np.array(tries, dtype=int).T
        firing = layout.setting[layout.firing[i]]
        keep = problem.may(feeds, firing, lots, _chosen(layout, seats))
        feeds, lots, seats = feeds[keep], lots[keep], seats[keep]
        into = judge.rows(feeds, np.full(len(feeds), layout.firing[i]), lots, seats)
        best = _take(judge, judge.lot_rows(np.array([i])), into[:, None, :], False)
        if best < 0:
            continue
        g, s, b = feeds[best], lots[best], seats[best]
        layout.feed[i], layout.lot[i], layout.activation[i] = g, s, b
        if free[i]:
            counts[f, on] -= 1
            counts[g, int(problem.activated[s])] += 1
        used[f] -= 1
        used[g] += 1
        if a >= 0:
            load[a] -= 1
        if b >= 0:
            load[b] += 1


def _swap_lots(judge: Judge, rng: np.random.Generator) -> None:
    """Let lots change places with lots of other firings, their activation firings with them."""
    problem, layout = judge.problem, judge.layout
    free = np.flatnonzero(problem.fixed < 0)
    for i in rng.permutation(free):
        others = free[
            (layout.firing[free] != layout.firing[i])
            & (
                (layout.feed[free] != layout.feed[i])
                | (layout.lot[free] != layout.lot[i])
                | (layout.activation[free] != layout.activation[i])
            )
        ]
        if len(others) > _PARTNERS:
            others = rng.choice(others, _PARTNERS, replace=False)
        n = len(others)
        if not n:
            continue
        content = (layout.feed, layout.lot, layout.activation)
        mine = [np.full(n, values[i]) for values in content]
        theirs = [values[others] for values in content]
        here, there = np.full(n, layout.firing[i]), layout.firing[others]
        ok = problem.may(
            theirs[0], layout.setting[here], theirs[1], _chosen(layout, theirs[2])
        ) & problem.may(mine[0], layout.setting[there], mine[1], _chosen(layout, mine[2]))
        others, here, there = others[ok], here[ok], there[ok]
        mine, theirs = [v[ok] for v in mine], [v[ok] for v in theirs]
        n = len(others)
        out = np.stack(
            [
                np.broadcast_to(judge.lot_rows(np.array([i])), (n, judge.p + judge.q)),
                judge.lot_rows(others),
            ],
            axis=1,
        )
        into = np.stack(
            [
                judge.rows(theirs[0], here, theirs[1], theirs[2]),
                judge.rows(mine[0], there, mine[1], mine[2]),
            ],
            axis=1,
        )
        best = _take(judge, out, into, False)
        if best >= 0:
            j = others[best]
            for values in content:
                values[i], values[j] = values[j], values[i]

"""What observations to come are worth: the expected drop in the loss of the final choice."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

_CHUNK_NUMBERS = 250_000
"""Means of candidates worked out together: about what a processor keeps at hand."""


@dataclass(frozen=True)
class Choice:
    """What is chosen between, at R equally likely states of what is not normal.

    Parameters
    ----------
    centre : (R, J) array
        Means of the candidates on the scale of the choice.
    variance : (R, J) array
        Their variances.
    is_log : bool
        The merit is the exponential of that scale, else the scale itself.
    sign : float
        1 where more is better, -1 where less is.
    """

    centre: np.ndarray
    variance: np.ndarray
    is_log: bool
    sign: float = 1.0

    def expected(self) -> np.ndarray:
        """Expected merit (J,) of each candidate now."""
        top = self.centre + self.variance / 2 if self.is_log else self.centre
        return (np.exp(top) if self.is_log else top).mean(axis=0)

    @property
    def best(self) -> int:
        """The candidate to choose now."""
        return int(np.argmax(self.sign * self.expected()))


@dataclass(frozen=True)
class Channel:
    """Observations of one kind that could be made, P of them.

    Parameters
    ----------
    mean : (R, P) array
        Expected targets of the observations.
    cross : (R, J, P) array
        Covariance of the candidates, on the scale of the choice, with the targets.
    signal : (R, P, P) array
        Covariance of the targets.
    noise : (R, P) array
        Variance of an observation about its target; infinite where none is made.
    """

    mean: np.ndarray
    cross: np.ndarray
    signal: np.ndarray
    noise: np.ndarray

    def only(self, places: Sequence[int]) -> "Channel":
        """Those of some places that are observed at all; a place may stand twice."""
        at = np.asarray(places, dtype=int)
        at = at[np.isfinite(self.noise[:, at]).all(axis=0)]
        return Channel(
            self.mean[:, at], self.cross[:, :, at], self.signal[:, at][:, :, at], self.noise[:, at]
        )


def fill_places(
    choice: Choice,
    channels: Sequence[Channel],
    *,
    places: int,
    allowed: Callable[[list[int]], np.ndarray],
    first: Sequence[int] = (),
    outcomes: int = 512,
    seed: int = 0,
) -> tuple[list[int], list[float]]:
    """Lots chosen one after the other, each the one that adds most to the expected gain.

    Parameters
    ----------
    choice : Choice
        With R = 1.
    channels : sequence of Channel
        With R = 1; the same P lots in each.
    places : int
        Lots to choose beside `first`.
    allowed : callable
        Takes the lots chosen so far, gives a mask (P,) of those that may follow.
    first : sequence of int
        Lots that come in any case, before the others.
    outcomes : int
        Simulated outcomes, the same for all that are compared.
    seed : int

    Returns
    -------
    chosen : list of int
        `first` and the lots chosen; fewer where nothing more is allowed.
    gains : list of float
        Expected gain after each of them. [unit of the merit]

    Notes
    -----
    Each observation shifts the posterior means by a normal vector of known covariance, and what
    is left of the covariances does not depend on its outcome; so a lot adds a shift
    k z, k = cov(candidate, target) / sqrt(var(target) + noise), z standard normal, and shrinks
    the covariances by k k'. On the log scale the expected merit after it is
    exp(mean + variance left / 2). The gain is the mean over outcomes of the best expected merit
    less that of the present choice, whose own mean does not move (expected value of sample
    information, Raiffa & Schlaifer 1961, from memory).

    One lot alone often cannot turn the choice where several can, so each is judged as if all
    places left were given to it (Frazier & Powell 2010, from memory); where even that gains
    nothing, by the variance it takes off the differences from the present choice, near rivals
    weighing most.
    """
    best, n_lots = choice.best, channels[0].noise.shape[1] if channels else 0
    centre = choice.centre[0] + (choice.variance[0] / 2 if choice.is_log else 0.0)
    shift = np.tile(centre[:, None], outcomes)
    crosses = [c.cross[0].copy() for c in channels]
    signals = [c.signal[0].copy() for c in channels]
    noises = [c.noise[0] for c in channels]
    rng = np.random.default_rng(seed)
    chosen: list[int] = []
    gains: list[float] = []
    n_steps = len(first) + places
    half = -(-outcomes // 2)
    near = _nearness(choice)
    for step in range(n_steps):
        z = rng.standard_normal((half, len(channels)))
        z = np.concatenate([z, -z])[:outcomes]
        forced = step < len(first)
        options = np.array([first[step]]) if forced else np.flatnonzero(allowed(chosen))
        if not len(options) or not n_lots:
            break
        lot = options[0]
        if not forced:
            k = _steps(crosses, signals, noises, options, copies=n_steps - step)
            taken_off = ((k - k[:, :, [best]]) ** 2 @ near).sum(axis=1)
            found = list(zip(_gains(choice, shift, z, k, best), taken_off, strict=True))
            lot = options[found.index(max(found))]
        shift = _moved(choice, shift, z, _steps(crosses, signals, noises, [lot]))[0]
        for c, signal, noise in zip(crosses, signals, noises, strict=True):
            total = signal[lot, lot] + noise[lot]
            if np.isfinite(total):
                c -= np.outer(c[:, lot], signal[lot]) / total
                signal -= np.outer(signal[:, lot], signal[lot]) / total
        chosen.append(int(lot))
        gains.append(float(_gain(choice, shift[None], best)[0]))
    return chosen, gains


def _gains(
    choice: Choice, shift: np.ndarray, z: np.ndarray, k: np.ndarray, best: int
) -> np.ndarray:
    """Expected gains (n,) after outcomes z, by lots with steps k (n, channels, J)."""
    each = max(1, _CHUNK_NUMBERS // max(shift.size, 1))
    parts = [
        _gain(choice, _moved(choice, shift, z, k[start : start + each]), best)
        for start in range(0, len(k), each)
    ]
    return np.concatenate(parts)


def _moved(choice: Choice, shift: np.ndarray, z: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Means (n, J, S) from (J, S) after outcomes z (S, channels), by steps k (n, channels, J)."""
    if choice.is_log:
        k = np.concatenate([k, -(k**2).sum(axis=1, keepdims=True) / 2], axis=1)
        z = np.column_stack([z, np.ones(len(z))])
    moved = k.swapaxes(1, 2) @ z.T
    moved += shift
    return moved


def _nearness(choice: Choice) -> np.ndarray:
    """Weight (J,) of each candidate by how near it comes to the present choice."""
    centre, variance, best = choice.centre[0], choice.variance[0], choice.best
    spread = variance + variance[best]
    far = (centre - centre[best]) ** 2 / np.where(spread > 0, spread, np.inf)
    return np.exp(-far / 2)


def _steps(crosses, signals, noises, lots: Sequence[int], *, copies: int = 1) -> np.ndarray:
    """Shifts (n, channels, J) of the candidates per standard deviation of the outcome of lots.

    Where several copies of a lot are made it is that of their mean.
    """
    return np.stack(
        [
            (c[:, lots] / np.sqrt(signal[lots, lots] + noise[lots] / copies)).T
            for c, signal, noise in zip(crosses, signals, noises, strict=True)
        ],
        axis=1,
    )


def _gain(choice: Choice, tops: np.ndarray, best: int) -> np.ndarray:
    """Means (n,) over outcomes (n, J, S) of the best expected merit less that of the choice."""
    most = tops.max(axis=1) if choice.sign > 0 else tops.min(axis=1)
    own = tops[:, best]
    if choice.is_log:
        most, own = np.exp(most), np.exp(own)
    return choice.sign * (most - own).mean(axis=1)


def expected_gain(
    choice: Choice, channels: Sequence[Channel], *, outcomes: int = 1024, seed: int = 0
) -> tuple[float, float]:
    """Expected gain of making all observations, and its standard error.

    Parameters
    ----------
    choice : Choice
    channels : sequence of Channel
        With the observations that are made, and no others.
    outcomes : int
        Simulated outcomes.
    seed : int
        The same seed gives the same outcomes, so that what is compared differs by itself alone.

    Returns
    -------
    gain, se : float
        Mean over the outcomes of the best expected merit less that of the present choice, and
        the error of the simulation. [unit of the merit]

    Notes
    -----
    Outcomes are simulated from each of the R states in turn, each observation spread evenly over
    its distribution (Latin hypercube); the standard error is that without this, so at its widest.
    Given an outcome, each state r gets the weight p(outcome | r), and the expected merit of a
    candidate is the weighted mean over states of its conditional expectation: the posterior after
    the outcome is exact for the R states, the variances being learnt about as well.
    """
    n_states = len(choice.centre)
    per_state = max(1, outcomes // n_states)
    source = np.repeat(np.arange(n_states), per_state)
    weight = np.zeros((len(source), n_states))
    tops = np.tile(choice.centre, (len(source), 1, 1))
    left = choice.variance.copy()
    for number, channel in enumerate(channels):
        n = channel.noise.shape[1]
        if not n:
            continue
        z = _spread_normals(len(source), n, seed=[seed, number])
        total = channel.signal.copy()
        total[:, np.arange(n), np.arange(n)] += channel.noise
        lower = np.linalg.cholesky(total)
        inverse = np.linalg.inv(lower)
        outcome = channel.mean[source] + np.einsum("snm,sm->sn", lower[source], z)
        spread = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        for r in range(n_states):
            u = (outcome - channel.mean[r]) @ inverse[r].T
            k = inverse[r] @ channel.cross[r].T
            weight[:, r] -= 0.5 * (u**2).sum(axis=1) + spread[r]
            tops[:, r] += u @ k
            left[r] -= (k**2).sum(axis=0)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    values = np.exp(tops + left / 2) if choice.is_log else tops
    after = np.einsum("sr,srj->sj", weight, values)
    most = (choice.sign * after).max(axis=1)
    gained = most - choice.sign * after[:, choice.best]
    if len(gained) < 2:
        return float(gained.mean()), float("inf")
    return float(gained.mean()), float(gained.std(ddof=1) / np.sqrt(len(gained)))


def _spread_normals(n: int, dimensions: int, *, seed: Sequence[int]) -> np.ndarray:
    """Standard normals (n, dimensions): one out of each of n equal parts, in random order."""
    rng = np.random.default_rng(seed)
    parts = [(rng.permutation(n) + rng.random(n)) / n for _ in range(dimensions)]
    return ndtri(np.column_stack(parts))

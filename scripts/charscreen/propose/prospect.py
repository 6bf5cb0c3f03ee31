"""The final choice and the observations that could be made, under all models at once."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.models.tables import predict_draws
from charscreen.propose.knowledge import Knowledge
from charscreen.propose.outlook import Block, Outlook
from charscreen.propose.value import Channel, Choice

STEP = 0.02
"""Step on the scale of a model over which the merit's slope is taken."""
MOST_CANDIDATES = 60
"""Candidates carried through the reckoning, by their chance of being best."""


@dataclass(frozen=True)
class LocalMerit:
    """A merit as a function of the predictors of the models, straight about their means.

    Parameters
    ----------
    value : (J,) array
        The merit, or its logarithm, where all predictors are at their means.
    centre : dict of str to (J,) array
        These means, by model.
    slope : dict of str to (J,) array
        Change of `value` per unit of the predictor, by model; models that change nothing are
        left out.
    is_log : bool
        Whether `value` is the logarithm.
    sign : float
        1 where more is better, -1 where less is.
    """

    value: np.ndarray
    centre: dict[str, np.ndarray]
    slope: dict[str, np.ndarray]
    is_log: bool
    sign: float

    def only(self, kept: np.ndarray) -> "LocalMerit":
        """The same for some candidates."""
        return LocalMerit(
            self.value[kept],
            {name: v[kept] for name, v in self.centre.items()},
            {name: v[kept] for name, v in self.slope.items()},
            self.is_log,
            self.sign,
        )


def local_merit(
    merit_of: Callable[[Mapping[str, pd.DataFrame]], np.ndarray],
    candidates: pd.DataFrame,
    models: Mapping[str, Mapping],
    draws: Mapping[str, pd.DataFrame],
    *,
    sign: float,
) -> LocalMerit:
    """A merit made straight on the scales of its models, on the log scale where it is positive.

    Parameters
    ----------
    merit_of : callable
        Takes draws by model, one row each, and gives the merit (J,) of the candidates.
    candidates : DataFrame
        The ranked candidates.
    models, draws : mapping
        Records and posterior draws of the fitted models.
    sign : float
        1 where more is better, -1 where less is.

    Notes
    -----
    Exact for products of capacitances; a yield is a logit, whose logarithm is straight enough
    over a posterior of a tenth (the second-order term is p (1 - p) sd²/2).
    """
    means = {}
    for name in models:
        row = draws[name].mean().to_frame().T
        # A level without data sits at its mean too, not at a random place.
        row[[column for column in row if column.startswith("v[")]] = 0.0
        means[name] = row
    base = merit_of(means)
    is_log = bool((base > 0).all())
    scale = np.log if is_log else np.asarray
    centre, slope = {}, {}
    for name, row in means.items():
        ends = []
        for step in (STEP, -STEP):
            moved = row.assign(**{"b[Intercept]": row["b[Intercept]"] + step})
            ends.append(scale(merit_of({**means, name: moved})))
        rate = (ends[0] - ends[1]) / (2 * STEP)
        if np.abs(rate).max() > 1e-9:
            slope[name] = rate
            centre[name] = predict_draws(models[name], row, candidates)[0]
    return LocalMerit(scale(base), centre, slope, is_log, sign)


class Prospect:
    """Joint distribution of candidates and of observations that could be made.

    Parameters
    ----------
    merit : LocalMerit
        For J candidates.
    known : mapping of str to Knowledge
        By model; those with a slope are used.
    candidates : DataFrame
        J rows: feedstock, activation and condition.
    lots : DataFrame
        P rows of observations that could be made, with conditions and levels; see
        `charscreen.propose.outlook.Outlook`.
    readings : mapping of str to (P,) array
        By model: how many readings each observation is the mean of; 0 for none.
    own_lot : bool
        Whether each observation brings a lot of its own.
    """

    def __init__(
        self,
        merit: LocalMerit,
        known: Mapping[str, Knowledge],
        candidates: pd.DataFrame,
        lots: pd.DataFrame,
        readings: Mapping[str, np.ndarray],
        *,
        own_lot: bool,
    ):
        self.merit, self.n = merit, len(candidates)
        self._of: dict[str, Outlook] = {}
        for name in merit.slope:
            here = candidates.assign(readings=0.0, own_lot=False)
            there = lots.assign(readings=np.asarray(readings[name], float), own_lot=own_lot)
            columns = list(dict.fromkeys([*here.columns, *there.columns]))
            both = [frame.reindex(columns=columns) for frame in (here, there) if len(frame)]
            self._of[name] = Outlook(known[name], pd.concat(both, ignore_index=True))
        self._nodes = min((o.n_nodes for o in self._of.values()), default=1)

    def collapsed(self, places: Sequence[int]) -> tuple[Choice, list[Channel]]:
        """Choice and observations as one normal distribution (R = 1), for searching."""
        at = self._at(places)
        return self._joined({name: o.collapsed(at) for name, o in self._of.items()})

    def exact(self, places: Sequence[int]) -> tuple[Choice, list[Channel]]:
        """Choice and the observations made, at every draw of the variances."""
        unique = list(dict.fromkeys(places))
        at = self._at(unique)
        choice, channels = self._joined({name: o.block(at) for name, o in self._of.items()})
        taken = [unique.index(place) for place in places]
        return choice, [channel.only(taken) for channel in channels]

    def _at(self, places: Sequence[int]) -> np.ndarray:
        return np.concatenate([np.arange(self.n), self.n + np.asarray(places, dtype=int)])

    def _joined(self, blocks: Mapping[str, Block]) -> tuple[Choice, list[Channel]]:
        merit, n = self.merit, self.n
        nodes = min(self._nodes, *(len(b.mean) for b in blocks.values()))
        centre = np.tile(merit.value, (nodes, 1))
        variance = np.zeros((nodes, n))
        channels = []
        for name, block in blocks.items():
            slope = merit.slope[name]
            mean, cov, noise = block.mean[:nodes], block.cov[:nodes], block.noise[:nodes]
            centre += slope * (mean[:, :n] - merit.centre[name])
            variance += slope**2 * np.diagonal(cov, axis1=1, axis2=2)[:, :n]
            channels.append(
                Channel(
                    mean[:, n:],
                    slope[:, None] * cov[:, :n, n:],
                    cov[:, n:, n:].copy(),
                    noise[:, n:],
                )
            )
        return Choice(centre, variance, merit.is_log, merit.sign), channels


def worth_carrying(values: np.ndarray, *, sign: float) -> np.ndarray:
    """Candidates (sorted places) that come first in any draw, at most `MOST_CANDIDATES`.

    Parameters
    ----------
    values : (n_draws, J) array
        Draws of the merit.
    sign : float
        1 where more is better, -1 where less is.

    Notes
    -----
    A candidate that no draw puts first adds nothing to the expected best.
    """
    first = np.bincount(np.argmax(sign * values, axis=1), minlength=values.shape[1])
    first[np.argmax(sign * values.mean(axis=0))] += len(values)
    order = np.argsort(-first, kind="stable")[:MOST_CANDIDATES]
    return np.sort(order[first[order] > 0])
